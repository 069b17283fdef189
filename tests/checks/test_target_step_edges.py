"""Steps with few readings on their way, and answers that begin, ramp and fold at the edges of what is allowed for.

Expected by hand; second-order answers in closed form (Ogata, Modern Control Engineering, chapter 5), those to a ramp
by summing them up.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, pi, sqrt
from typing import Any

import numpy as np
import pytest
from made_loops import PERIOD_S, T, answer, closed_form
from motor_traces import part
from scipy import stats

from logscope.checks.current_control.response import fit_step_response
from logscope.checks.current_control.step_response import FIGURES
from logscope.checks.current_control.steps import Step, find_steps


def step_of(value: Any, time_s: Any = T) -> Step:
    values = np.asarray(value, float)
    (found,) = find_steps(part("torque_target", np.asarray(time_s, float), values), values)
    return found


def on_the_way(*readings: float, top: float = 80.0) -> np.ndarray:
    """Zero up to the sample 128 at 2 s, these readings from there on, and then the level."""
    return np.array([*[0.0] * 128, *readings, *[top] * (T.size - 128 - len(readings))])


def test_a_single_reading_on_its_way_is_where_a_step_is_first_seen() -> None:
    found = step_of(on_the_way(40.0))
    assert (found.start_s, found.end_s) == (T[128], T[129])
    assert (found.ramp_s, found.early_s, found.ramp_error_s) == (0.0, PERIOD_S, 0.0)
    assert step_of(on_the_way(79.0)).start_s == T[128]  # as near as 2 % to its level is on the way no more, but moved
    assert step_of(on_the_way(0.9)).start_s == T[128]  # a hundredth of the range is 0.8
    assert step_of(on_the_way(0.7)).start_s == T[129]


def test_a_step_after_a_gap_may_have_begun_any_time_in_it() -> None:
    time_s = T + np.where(np.arange(T.size) >= 128, 0.1, 0.0)
    assert step_of(on_the_way(40.0), time_s).early_s == pytest.approx(PERIOD_S + 0.1)


def test_two_readings_on_the_way_make_a_ramp_whose_corners_are_on_their_line() -> None:
    """20 and 60 of 80, a period apart: it begins half a period before the first and takes two periods."""
    up = on_the_way(20.0, 60.0)
    for value, height in ((up, 80.0), (30.0 + up, 80.0), (50.0 - up, -80.0), (-90.0 - up, -80.0)):
        found = step_of(value)
        assert (found.height, found.before) == (height, value[0])
        assert (found.start_s, found.ramp_s) == pytest.approx((T[128] - PERIOD_S / 2, 2 * PERIOD_S))
        assert found.end_s == pytest.approx(T[129] + PERIOD_S / 2)
        assert found.early_s == 0.0
        assert found.ramp_error_s == pytest.approx(2 * PERIOD_S * sqrt(2.0) * 0.01)  # a hundredth of a period each


def test_the_error_of_a_ramp_is_that_of_the_first_and_last_stamp_on_it() -> None:
    found = step_of(on_the_way(10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0))
    assert found.ramp_s == pytest.approx(8 * PERIOD_S)
    assert found.ramp_error_s == pytest.approx(8 * PERIOD_S * sqrt(2.0) * 0.01 / 6)


@pytest.mark.parametrize(("together", "ramp"), [((128, 129), True), ((128, 129, 130), False)])
def test_readings_of_one_stamp_show_no_slope(together: tuple[int, ...], ramp: bool) -> None:
    """20, 40 and 60 of 80; the first two of one stamp leave a line to the third."""
    time_s = T.copy()
    time_s[list(together)] = T[together[-1]]
    found = step_of(on_the_way(20.0, 40.0, 60.0), time_s)
    assert (found.ramp_s > 0) is ramp
    if not ramp:
        assert (found.start_s, found.early_s) == (T[130], pytest.approx(3 * PERIOD_S))


@pytest.mark.parametrize(("top", "at_s"), [(0.5, 0.8), (80.0, 0.8)])
def test_a_small_target_ramps_as_slowly_as_a_large_one(top: float, at_s: float) -> None:
    found = step_of(np.interp(T, [2.0, 2.0 + at_s], [0.0, top]))
    assert (found.height, found.ramp_s) == pytest.approx((top, at_s))


@pytest.mark.parametrize(("count", "found"), [(20, 1), (19, 0)])
def test_twenty_readings_of_a_target_may_hold_a_step(count: int, found: int) -> None:
    at = 0.125 * np.arange(count)
    value = np.where(at >= 1.25, 100.0, 0.0)
    assert len(find_steps(part("torque_target", at, value), value)) == found


FINE = 1.6 + 0.01 * np.arange(180)


def ramped(starts_s: float, ramp_s: float, natural: float = 40.0, damping: float = 0.4) -> np.ndarray:
    """The answer to a ramp from 20 to 100: the mean of the answers to steps all along it."""
    moments = starts_s + ramp_s * (np.arange(200) + 0.5) / 200
    return np.asarray(20.0 + 80.0 * np.mean([closed_form(FINE - each, natural, damping) for each in moments], axis=0))


def fitted(value: np.ndarray, stamps_apart_s: float = 0.0, noise: float = 0.1, **step: Any) -> Any:
    one = replace(Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0), **step)
    noisy = value + np.random.default_rng(6).normal(0.0, noise, FINE.size)
    return fit_step_response(FINE, noisy, one, 0.01, noise, stamps_apart_s)


@pytest.mark.parametrize(
    ("starts_s", "early_s", "apart_s", "known"),
    [
        (1.982, 0.0, 0.0, False),  # no answer begins before its target moves
        (1.982, 0.02, 0.0, True),
        (1.982, 0.0, 0.02, True),
        (1.962, 0.02, 0.02, True),
    ],
)
def test_an_answer_begins_no_sooner_than_its_target_may_have_moved(
    starts_s: float, early_s: float, apart_s: float, known: bool
) -> None:
    found = fitted(20.0 + 80.0 * closed_form(FINE - starts_s, 40.0, 0.4), apart_s, early_s=early_s)
    assert found.start_s >= 2.0 - early_s - apart_s - 1e-9
    assert (found.start_s == pytest.approx(starts_s, abs=0.002)) is known
    if known:
        assert (found.log_natural, found.log_damping) == pytest.approx((log(40.0), log(0.4)), abs=0.05)


@pytest.mark.parametrize("longer_s", [-0.03, 0.03])
def test_a_ramp_may_be_longer_or_shorter_than_its_stamps_say(longer_s: float) -> None:
    """0.1 s by the stamps, which are known to 10 ms: three times that is still allowed for, at the noise's cost."""
    found = fitted(ramped(2.01, 0.1 + longer_s), ramp_s=0.1, ramp_error_s=0.01, end_s=2.1)
    assert not found.fast
    assert (found.log_natural, found.log_damping) == pytest.approx((log(40.0), log(0.4)), abs=0.03)
    assert found.start_s == pytest.approx(2.01, abs=0.002)
    assert np.std(found.fitted - found.value) == pytest.approx(0.1, rel=0.1)


@pytest.mark.parametrize(("rises", "fast"), [(5.7, False), (6.3, True)])
def test_a_ramp_of_six_rises_shows_nothing_of_a_loop(rises: float, fast: bool) -> None:
    at = np.linspace(0.0, 0.06, 601)
    rise_s = np.subtract(*np.interp([0.9, 0.1], closed_form(at, 40.0, 0.4), at))
    ramp_s = float(rises * rise_s)
    found = fitted(ramped(2.01, ramp_s), noise=0.02, ramp_s=ramp_s, end_s=2.0 + ramp_s)
    assert found.fast is fast


def test_readings_that_hardly_scatter_are_taken_for_a_third_as_noisy_as_the_log() -> None:
    """Of 180 readings, 173 free; the last two fifths of the 1.39 s after the step show where it settles."""
    value = 20.0 + 80.0 * closed_form(FINE - 2.02, 25.0, 0.6)
    found = fit_step_response(FINE, value, Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0), 0.01, 0.3, 0.0)
    assert found is not None
    late = np.count_nonzero(0.6 * (FINE[-1] - 2.0) < FINE - 2.0)
    assert found.error_reach == pytest.approx(stats.t.ppf(0.975, 173) * 0.1 / sqrt(late))
    assert found.covariance.shape == (2, 2)


@pytest.mark.parametrize(
    ("noise", "scatter", "fast"), [(0.1, 2.35, False), (0.1, 2.45, True), (1.0, 3.9, False), (1.0, 4.1, True)]
)
def test_an_answer_that_scatters_by_three_per_cent_and_four_noises_is_none_of_a_loop(
    noise: float, scatter: float, fast: bool
) -> None:
    """3 % of 80 are 2.4. Readings off by as much up and down in turn, of 180 of which 173 are free."""
    off = scatter * sqrt(173 / 180) * np.where(np.arange(FINE.size) % 2, 1.0, -1.0)
    value = 20.0 + 80.0 * closed_form(FINE - 2.02, 25.0, 0.6) + off
    one = Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0)
    found = fit_step_response(FINE, value, one, 0.01, noise, 0.0)
    assert found is not None
    assert found.fast is fast


def test_the_figures_of_a_loop_are_those_of_the_textbook() -> None:
    """Overshoot e^(−πζ/√(1 − ζ²)); a rise from 10 to 90 % and 5 % about the end, read off the closed form."""
    at = np.linspace(0.0, 1.0, 100_001)
    step = closed_form(at, 40.0, 0.5)
    wanted = {
        "overshoot_percent": ("%", 100 * exp(-pi * 0.5 / sqrt(0.75)), 1e-9),
        "rise_time_s": ("s", at[np.argmax(step >= 0.9)] - at[np.argmax(step >= 0.1)], 5e-3),
        "settling_time_s": ("s", at[np.flatnonzero(np.abs(step - 1) > 0.05)[-1]], 1e-3),
        "natural_frequency_Hz": ("Hz", 40.0 / (2 * pi), 1e-9),
        "damping_ratio": ("1", 0.5, 1e-9),
    }
    assert {name: unit for name, (unit, _) in FIGURES.items()} == {name: unit for name, (unit, *_) in wanted.items()}
    for name, (_, value, within) in wanted.items():
        assert FIGURES[name][1](40.0, 0.5) == pytest.approx(value, rel=within)


@pytest.mark.parametrize(("ring", "folds"), [(3.0, False), (3.01, True)])
def test_only_a_ring_beyond_three_noises_may_fold_at_zero(ring: float, folds: bool) -> None:
    one = answer(before=20.0, ring_before=ring, time_s=np.array([1.9, 2.1]), value=np.array([0.0, 120.0]))
    assert one.may_fold(1.0, 0.001) is folds
