"""Whether a sound link behind lags is looked for, within which bounds, and where a search starts; by hand.

The charging curve is v(t) = V·(1 − exp(−t/τ)) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from math import exp, log
from typing import Any

import numpy as np
import pytest

from logscope.curves import behind_lag
from logscope.curves.behind_lag import SoundLink, explained_behind_lag
from logscope.curves.initial_guess import guesses_behind, guesses_of, least_squares_start
from logscope.curves.rise_likelihood import Problem
from logscope.curves.rise_shapes import Layout, Shape

TAU, RISE_V, ONSET = 0.2, 300.0, 1.0
SOUND = SoundLink(0.12, 0.18, 3.0)


def curve(at: np.ndarray, tau: float = TAU) -> np.ndarray:
    return np.asarray(RISE_V * (1 - np.exp(-np.maximum(at - ONSET, 0.0) / tau)))


def problem(count: int = 60, *, fits_onset: bool = True, shape: Shape = Shape.EXPONENTIAL, off_v: Any = 0.0) -> Problem:
    at = 0.9 + 0.02 * np.arange(count)
    layout = Layout(ONSET, fits_onset, shape)
    return Problem(at, curve(at) + off_v, 0.0, layout, None, cut_off=False)


def theta(tau: float = TAU, noise_v: float = 1.0, fits_onset: bool = True) -> np.ndarray:
    return np.array([0.0, log(RISE_V / tau), log(tau), log(noise_v), log(1e-9), *([ONSET] if fits_onset else [])])


@pytest.mark.parametrize(("tau", "explained"), [(0.149, True), (0.151, False)])
def test_behind_its_beginning_a_curve_is_a_lag_where_it_is_no_slower_than_sensing(tau: float, explained: bool) -> None:
    assert explained_behind_lag(problem(fits_onset=False), theta(tau, fits_onset=False), SOUND) is explained


@pytest.fixture
def tried(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Which curves are tried, with how many samples and up to which misfit; none of them fits."""
    asked: list[Any] = []

    def fits(_: Any, __: Any, samples: Any, sound: Any, shape: Any, most: float) -> bool:
        asked.append((shape.__name__, samples.time_s.size, most))
        return False

    monkeypatch.setattr(behind_lag, "_fits", fits)
    return asked


@pytest.mark.parametrize(
    ("count", "closes_by", "shapes"),
    [
        (12, np.inf, ["_one_lag", "_two_lags", "_lags_and_closing"]),
        (11, np.inf, ["_one_lag", "_two_lags"]),
        (8, np.inf, ["_one_lag", "_two_lags"]),
        (7, np.inf, ["_one_lag"]),
        (12, 2.0, ["_lags_and_closing"]),
        (11, 2.0, []),
    ],
)
def test_curves_are_tried_that_the_samples_are_enough_for(
    count: int, closes_by: float, shapes: list[str], tried: list[Any]
) -> None:
    assert not explained_behind_lag(problem(count), theta(), SOUND._replace(closes_by=closes_by))
    assert [name for name, _, _ in tried] == shapes


@pytest.mark.parametrize(("count", "few_do", "explained"), [(11, True, True), (12, True, False), (11, False, False)])
def test_too_few_samples_explain_anything_where_that_is_asked(
    count: int, few_do: bool, explained: bool, tried: list[Any]
) -> None:
    assert explained_behind_lag(problem(count), theta(), SOUND, few_do=few_do) is explained


def test_a_misfit_is_as_good_within_three_deviations_of_the_best(tried: list[Any]) -> None:
    """Sixty readings half a deviation off, one 4.9 and one 5.1 of them: 60 · 0.25 + 4.9² and 9.5."""
    off = np.full(62, 0.5)
    off[20], off[30] = 4.9, 5.1
    explained_behind_lag(problem(62, off_v=off), theta(), SOUND)
    (name, size, most) = tried[0]
    assert (name, size) == ("_one_lag", 61)
    assert most == pytest.approx(60 * 0.25 + 4.9**2 + 9.5, rel=1e-4)


def test_rounding_is_part_of_the_noise(tried: list[Any]) -> None:
    """A step of 6 V has a deviation of √3 V, beside 1 V: in all 2 V."""
    made = problem(62, off_v=1.0)
    rounded = Problem(made.time_s, made.volts, 6.0, made.layout, None, cut_off=False)
    explained_behind_lag(rounded, theta(), SOUND)
    assert tried[0][2] == pytest.approx(62 * 0.25 + 9.5, rel=1e-4)


@pytest.mark.parametrize(
    ("low_s", "high_s", "explained"), [(0.12, 0.18, False), (0.15, 0.21, True), (0.21, 0.26, False)]
)
def test_a_plain_exponential_is_a_link_of_its_own_constant_behind_no_lag_to_speak_of(
    low_s: float, high_s: float, explained: bool
) -> None:
    """200 ms with noise of 1 V, seen from before its beginning: a link of less behind a lag would start as an S."""
    found = explained_behind_lag(problem(), theta(noise_v=1.0), SoundLink(low_s, high_s, np.inf))
    assert found is explained


@pytest.mark.parametrize(
    ("shape", "starts"),
    [
        (behind_lag._one_lag, [[1.0, -2.0, -3.0 + log(0.3)]]),
        (behind_lag._two_lags, [[1.0, -2.0, -3.0 + log(0.3), -4.0 + log(0.3)]]),
        (
            behind_lag._lags_and_closing,
            [[1.0, -2.0, -3.0 + log(0.3), -4.0 + log(0.3), closes] for closes in (0.0, 3.0, 5.0)],
        ),
    ],
)
def test_the_search_starts_from_a_share_of_the_fitted_constant(shape: Any, starts: Any) -> None:
    found = behind_lag._starts(shape, 1.0, -2.0, -3.0, 0.3)
    assert len(found) == len(starts)
    for one, other in zip(found, starts, strict=True):
        assert one == pytest.approx(other)


@pytest.mark.parametrize(
    ("shape", "closes", "bounds"),
    [
        (behind_lag._one_lag, (3.0, np.inf), []),
        (behind_lag._two_lags, (3.0, np.inf), [(log(0.001), log(0.15))]),
        (behind_lag._lags_and_closing, (3.0, np.inf), [(log(0.001), log(0.15)), (3.0, 8.0)]),
        (behind_lag._lags_and_closing, (3.0, 4.5), [(log(0.001), log(0.15)), (3.0, 4.5)]),
        (behind_lag._lags_and_closing, (3.0, 3.0), None),  # nothing lies between
    ],
)
def test_a_search_is_bounded_by_the_band_and_by_what_sensing_has(
    shape: Any, closes: tuple[float, float], bounds: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings every 20 ms: lags from a twentieth of that to 150 ms, an onset from a period before the first on."""
    asked: list[Any] = []

    class Found:
        cost = 5.0

    def search(_: Any, start: Any, *, bounds: Any, **__: Any) -> Any:
        asked.append((start, bounds))
        return Found

    monkeypatch.setattr(behind_lag, "least_squares", search)
    one = problem()
    samples = behind_lag._Samples(one.time_s, one.volts, np.ones(one.time_s.size))
    sound = SoundLink(0.12, 0.18, *closes)
    for most, fits in ((10.1, True), (9.9, False)):
        asked.clear()
        assert behind_lag._fits(one, theta(), samples, sound, shape, most) is (fits and bounds is not None)
        if bounds is None:
            assert asked == []
            continue
        ends = [(0.88, one.time_s[-1]), (log(0.12), log(0.18)), (log(0.001), log(0.15)), *bounds]
        assert pytest.approx(np.array(ends)) == np.array(asked[0][1]).T
        starts = 12 if shape is behind_lag._lags_and_closing else 4
        assert len(asked) == (1 if fits else starts)  # both ends of the band, two lags
        assert asked[0][0][:3] == pytest.approx([1.0, log(0.12), log(0.3 * TAU)], abs=1e-4)


# --- where the sampling starts


def test_the_other_filters_start_from_the_curve_behind_one_lag() -> None:
    lagged = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, -2.0])
    (average,) = guesses_behind(problem(shape=Shape.AVERAGED), lagged)
    assert average == pytest.approx([1.0, 2.0, 3.0, 6.0, -2.0 + log(2.0)])  # twice as long as the lag
    twice = guesses_behind(problem(shape=Shape.TWICE_LAGGED), lagged)
    for found, share in zip(twice, (0.1, 0.5), strict=True):
        assert found == pytest.approx([1.0, 2.0, 3.0, 6.0, -2.0, -2.0 + log(share)])
    (begun,) = guesses_behind(problem(shape=Shape.AVERAGED, fits_onset=False), np.delete(lagged, 5))
    assert begun == pytest.approx([1.0, 2.0, 3.0, -2.0 + log(2.0)])


def test_a_guess_on_the_grid_lies_near_the_curve() -> None:
    """Start, log of slope, log of constant and onset; three of them at most, apart from one another."""
    found = guesses_of(problem())
    assert 1 <= len(found) <= 3
    start_v, slope, tau, onset_s = found[0]
    assert start_v == pytest.approx(0.0, abs=15.0)
    assert exp(slope + tau) == pytest.approx(RISE_V, rel=0.1)
    assert exp(tau) == pytest.approx(TAU, rel=0.35)
    assert onset_s == pytest.approx(ONSET, abs=0.05)
    lagged = guesses_of(problem(shape=Shape.LAGGED))[0]
    assert lagged[4] == pytest.approx(lagged[2] - log(2.0))  # a lag of half the constant
    heated = guesses_of(problem(shape=Shape.HEATING))
    assert [exp(one[4]) for one in heated[:2]] == pytest.approx([0.1, 0.6])
    begun = guesses_of(problem(fits_onset=False))[0]
    assert begun.size == 3
    falling = problem()
    assert guesses_of(Problem(falling.time_s, -falling.volts, 0.0, falling.layout, None, cut_off=False)) == []


def test_the_least_squares_curve_is_that_of_the_readings() -> None:
    """Each half a volt off in turn: noise of 0.7 · 0.5 V, stamps of as much over the steepest slope."""
    one = problem(off_v=np.where(np.arange(60) % 2, 0.5, -0.5))
    start, covariance = least_squares_start(one, [np.array([1.0, log(1400.0), log(0.21), 1.005])])
    assert start[[0, 5]] == pytest.approx([0.0, ONSET], abs=0.3)
    assert exp(start[2]) == pytest.approx(TAU, rel=0.01)
    assert exp(start[3]) == pytest.approx(0.35, rel=0.02)
    steepest = RISE_V * (1 - exp(-0.1)) / 0.02
    assert exp(start[4]) == pytest.approx(0.5 / steepest, rel=0.05)
    assert (covariance[3, 3], covariance[4, 4]) == pytest.approx((0.64, 1.44))
    assert 0.0 < covariance[2, 2] < 0.01**2
    exact = least_squares_start(problem(), [np.array([1.0, log(1400.0), log(0.21), 1.005])])[0]
    assert exp(exact[4]) == pytest.approx(0.02e-3)  # no less than a thousandth of a period
