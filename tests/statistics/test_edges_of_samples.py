"""Samples close to the edges of gaps, leaps, losses and steps: by hand, and fits against scipy."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from scipy.optimize import curve_fit

from logscope.statistics.batches import in_batches
from logscope.statistics.excursions import RateLimit, excursions, impossible_steps, is_lost
from logscope.statistics.forward_differences import forward_differences
from logscope.statistics.leaps import followed
from logscope.statistics.ringing import fit_damped_sinusoid
from logscope.statistics.rounding import log_likelihood_of_each
from logscope.statistics.sampling import (
    begins,
    between_samples,
    gap_s,
    gap_threshold_s,
    held_time_s,
    missing_s,
    stretch_numbers,
    stretches,
    zero_order_hold,
)


def with_gap(gap: float) -> np.ndarray:
    """Ten samples a second apart, a gap, ten more."""
    return np.concatenate([np.arange(10.0), 9.0 + gap + np.arange(10.0)])


@pytest.mark.parametrize(("gap", "is_gap"), [(3.0, False), (3.01, True)])
def test_a_gap_is_longer_than_three_periods(gap: float, is_gap: bool) -> None:
    time_s = with_gap(gap)
    assert gap_threshold_s(time_s) == pytest.approx(3.0)
    assert np.isnan(between_samples(time_s, time_s, np.array([10.0]))[0]) == is_gap
    assert begins(time_s).tolist() == ([0, 10] if is_gap else [0])
    assert stretch_numbers(time_s).tolist() == [0] * 10 + [int(is_gap)] * 10
    assert held_time_s(time_s)[9] == pytest.approx(3.0)
    assert held_time_s(time_s)[[0, 19]] == pytest.approx([1.0, 1.0])
    assert gap_s(time_s, 0.0, 99.0) == (pytest.approx(gap) if is_gap else 0.0)
    assert missing_s(time_s, 0.0, 99.0) == (pytest.approx(gap) if is_gap else 0.0)


@pytest.mark.parametrize(
    ("since_s", "until_s", "longest_s", "missing"),
    [
        (0.0, 9.0, 0.0, 0.0), (0.0, 9.5, 5.0, 0.5), (10.0, 12.0, 5.0, 2.0), (13.5, 20.0, 5.0, 0.5),
        (14.0, 20.0, 0.0, 0.0), (0.0, 20.0, 5.0, 5.0),
    ],
)  # fmt: skip
def test_a_gap_counts_as_far_as_it_reaches_into_a_stretch(
    since_s: float, until_s: float, longest_s: float, missing: float
) -> None:
    """From 9 s to 14 s."""
    time_s = with_gap(5.0)
    assert gap_s(time_s, since_s, until_s) == longest_s
    assert missing_s(time_s, since_s, until_s) == missing


def test_the_pause_between_two_bursts_is_no_gap_up_to_half_as_long_again() -> None:
    """Three together every 60 ms: a period of 20 ms, and no gap up to 1.5 · 60 ms."""
    assert gap_threshold_s(np.repeat(np.arange(100) * 0.06, 3)) == pytest.approx(0.09)
    assert gap_threshold_s(np.repeat(np.arange(100) * 0.06, 1)) == pytest.approx(0.18)
    assert np.isnan(gap_threshold_s(np.zeros(1)))


def test_a_sample_holds_from_its_stamp_as_long_as_is_asked() -> None:
    at = np.array([0.9, 1.0, 1.9, 2.0, 2.5, 2.51])
    held = zero_order_hold(np.array([1.0, 2.0]), np.array([10.0, 20.0]), at, 0.5)
    np.testing.assert_array_equal(held, [np.nan, 10.0, np.nan, 20.0, 20.0, np.nan])
    assert np.isnan(zero_order_hold(np.zeros(0), np.zeros(0), at)).all()


def test_stretches_as_far_apart_as_allowed_are_one() -> None:
    where = np.array([True, True, False, True, False, False, True])
    first, last = stretches(where, np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), 2.0)
    assert (first.tolist(), last.tolist()) == ([0, 6], [3, 6])
    first, _ = stretches(where, np.arange(7.0), 1.99)
    assert first.tolist() == [0, 3, 6]


@pytest.mark.parametrize(
    ("leap", "kept_before"),
    [(5.05, True), (5.15, False), (-5.05, True), (-5.15, False)],  # 5 and what 1 per second moves in 0.1 s
)
def test_what_a_controller_repeats_until_it_wakes_is_left_out(leap: float, kept_before: bool) -> None:
    value = np.concatenate([np.full(12, 20.0), np.full(20, 20.0 + leap)])
    kept = followed(0.1 * np.arange(32), value, 5.0, 1.0)
    assert kept[12:].all()
    assert kept[:12].tolist() == [kept_before] * 12


@pytest.mark.parametrize(("size", "kept"), [(5.05, True), (5.15, False), (-5.15, False)])
def test_a_lone_reading_far_from_its_neighbours_is_left_out(size: float, kept: bool) -> None:
    value = 20.0 + 0.01 * np.arange(40)
    value[20] += size
    found = followed(0.1 * np.arange(40), value, 5.0, 1.0)
    assert found[20] == kept
    assert np.delete(found, 20).all()
    assert followed(np.zeros(1), np.ones(1), 5.0, 1.0).tolist() == [True]


@pytest.mark.parametrize(("period_s", "kept"), [(1.45, False), (1.55, True)])
def test_three_readings_may_be_a_peak_where_readings_are_seldom(period_s: float, kept: bool) -> None:
    value = 20.0 + 0.01 * np.arange(40)
    value[20:23] += 50.0
    assert followed(period_s * np.arange(40), value, 5.0, 0.0)[20:23].tolist() == [kept] * 3


@pytest.mark.parametrize(
    ("sound", "value", "lost"),
    [
        (100.0, 10.0, True), (100.0, 10.1, False), (100.0, -10.1, False),  # zero is up to 10
        (20.0, 0.0, False), (20.1, 0.0, True), (-20.1, 0.0, True),  # sound readings stand clear of twice that
        (100.0, -80.0, True), (100.0, -79.9, False), (100.0, -120.0, True), (100.0, -120.1, False),
        (30.0, -20.0, True), (30.0, -19.9, False),  # 10 is more than a fifth of 30
        (-100.0, 100.0, True), (100.0, 100.0, False),
    ],
)  # fmt: skip
def test_a_reading_is_lost_at_zero_or_at_the_mirror_of_a_sound_one(sound: float, value: float, lost: bool) -> None:
    assert is_lost(np.array([value]), np.array([sound]), 10.0).tolist() == [lost]


def limit_of(count: int) -> RateLimit:
    """10 a second beside a slack of 1, samples a tenth of a second apart: a step of 2 is possible."""
    return RateLimit(10.0, 1.0, np.full(count - 1, 0.1), np.full(count - 1, 2.0))


@pytest.mark.parametrize(
    ("away", "back", "width", "found"),
    [
        (2.1, 0.0, 2, 1), (2.0, 0.0, 2, 0), (-2.1, 0.0, 2, 1),
        (9.0, 3.99, 2, 1),  # 10 · 0.3 s and the slack: its end can be reached from its beginning
        (9.0, 4.01, 2, 0),
        (9.0, 0.0, 3, 1),  # three samples are within `join_samples`
        (9.0, 0.0, 5, 1),  # undone within 0.5 s
        (9.0, 1.8, 5, 1), (9.0, 1.9, 5, 0),  # a fifth of the step is still undone
        (9.0, 0.0, 6, 0),
    ],
)  # fmt: skip
def test_an_excursion_leads_away_and_back_in_time(away: float, back: float, width: int, found: int) -> None:
    value = np.full(40, 100.0)
    value[10 : 10 + width] += away
    value[10 + width :] += back
    time_s, reach = 0.1 * np.arange(40) + 1e-9 * np.arange(40)[::-1], limit_of(40)
    steps = impossible_steps(value, reach)
    seen = excursions(time_s, value, reach, steps=steps, zero=1.0, join_s=0.0, join_samples=3, undone_s=0.5, lost_s=0.7)
    assert seen.first.size == found
    if found:
        ends = [seen.before[0], seen.first[0], seen.last[0], seen.after[0], seen.steps[0]]
        assert ends == [9, 10, 9 + width, 10 + width, 2]


@pytest.mark.parametrize(("width", "found"), [(7, 1), (8, 0)])
def test_a_lost_reading_may_last_longer(width: int, found: int) -> None:
    value = np.full(40, 100.0)
    value[10 : 10 + width] = 0.0
    time_s, reach = 0.1 * np.arange(40) + 1e-9 * np.arange(40)[::-1], limit_of(40)
    steps = impossible_steps(value, reach)
    seen = excursions(time_s, value, reach, steps=steps, zero=1.0, join_s=0.0, join_samples=1, undone_s=0.1, lost_s=0.7)
    assert seen.first.size == found


@pytest.mark.parametrize("decay", [0.8, -0.3])
def test_a_ring_is_fitted_with_its_errors_as_scipy_does(decay: float) -> None:
    """scipy.optimize.curve_fit of the same seven parameters, from the truth on."""
    t = np.linspace(0.0, 2.0, 90)
    rng = np.random.default_rng(17)

    def ring(at: np.ndarray, f: float, d: float, a: float, p: float, *trend: float) -> np.ndarray:
        return a * np.exp(-d * at) * np.cos(2 * pi * f * at + p) + np.polyval(trend, at)

    truth = (3.1, decay, 2.0, 0.6, 0.2, -1.0, 4.0)
    value = ring(t, *truth) + rng.normal(0.0, 0.05, t.size)
    best, covariance = curve_fit(ring, t, value, truth)
    found = fit_damped_sinusoid(t + 50.0, value, 1.0, 8.0)
    assert found is not None
    assert (found.frequency_hz, found.decay_per_s, found.amplitude, found.phase) == pytest.approx(best[:4], rel=1e-3)
    errors = np.sqrt(np.diag(covariance))
    assert (found.frequency_error, found.decay_error) == pytest.approx(errors[:2], rel=1e-2)
    assert found.correlation == pytest.approx(covariance[0, 1] / errors[0] / errors[1], abs=5e-3)
    assert found.freedom == 90 - 7
    assert found.scatter == pytest.approx(np.sqrt(np.sum((value - ring(t, *best)) ** 2) / 83), rel=1e-4)
    flat = value - np.polyval(np.polyfit(t, value, 2), t)
    assert found.explained == pytest.approx(1.0 - found.scatter**2 * 83 / np.sum(flat**2), rel=1e-6)


@pytest.mark.parametrize(("rows", "fitted"), [(14, True), (13, False)])
def test_a_ring_needs_twelve_rows_beside_its_trend(rows: int, fitted: bool) -> None:
    t = 0.05 * np.arange(rows)
    value = np.cos(2 * pi * 3.0 * t) + 0.01 * np.random.default_rng(1).standard_normal(rows)
    assert (fit_damped_sinusoid(t, value, 1.0, 8.0) is not None) is fitted


@pytest.mark.parametrize(
    ("step", "span", "chance"),
    [(0.0, 50.0, 0.01 / 50.0), (0.5, 50.0, 0.01 * 0.5 / 50.0), (5.0, 2.0, 0.01)],
)
def test_a_wild_reading_is_as_likely_as_any_in_the_span(step: float, span: float, chance: float) -> None:
    found = log_likelihood_of_each(np.array([1e4]), np.array([[0.0]]), np.array([[1.0]]), step, span, 0.01)
    assert np.exp(found[0, 0]) == pytest.approx(chance)


@pytest.mark.parametrize("at", [(3.0, -2.0), (5.0, -2.0), (3.0, -4.0), (0.0, 0.0)])
def test_slopes_are_those_of_the_function_and_nothing_outside_its_bounds_is_asked(at: tuple[float, float]) -> None:
    """Of x² and x·y, by hand."""
    low, high, asked = np.array([-5.0, -4.0]), np.array([5.0, 6.0]), []

    def values(draws: np.ndarray) -> np.ndarray:
        asked.append(draws)
        return np.column_stack([draws[:, 0] ** 2, draws[:, 0] * draws[:, 1]])

    x, y = at
    assert forward_differences(values, np.array(at), low, high) == pytest.approx(
        np.array([[2 * x, 0.0], [y, x]]), abs=1e-6
    )
    assert len(asked) == 1
    assert np.all((asked[0] >= low) & (asked[0] <= high))


@pytest.mark.parametrize(("readings", "sizes"), [(4000, [3, 3, 1]), (20_000, [1] * 7), (0, [7]), (1, [7])])
def test_draws_are_evaluated_a_few_at_a_time_in_their_order(readings: int, sizes: list[int]) -> None:
    seen = []

    def of(draws: np.ndarray) -> np.ndarray:
        seen.append(len(draws))
        return draws[:, 0]

    assert in_batches(of, np.arange(7.0)[:, None], readings).tolist() == list(range(7))
    assert seen == sizes
