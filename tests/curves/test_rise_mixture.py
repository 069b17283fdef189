"""What is taken of several fitted shapes together: odds, limits, widths and times, of draws made by hand.

Oracles: closed forms of the exponential (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7); numpy's
quantiles; Bayley and Hammersley (1946) for readings that resemble their neighbours.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logscope.curves import rise
from logscope.curves.rise import CurveFit, fit_curve
from logscope.curves.rise_likelihood import Problem, Rest
from logscope.curves.rise_shapes import Layout, Shape
from logscope.curves.timestamps import Known, Timestamps
from logscope.statistics.importance import Posterior

T = np.linspace(0.9, 2.0, 111)
TAU, RISE_V, START_V, ONSET = 0.2, 300.0, 10.0, 1.0
PLAIN, LAGGED, TWICE = (Layout(0.0, True, shape) for shape in (Shape.EXPONENTIAL, Shape.LAGGED, Shape.TWICE_LAGGED))


def theta(
    tau: float = TAU,
    rise_v: float = RISE_V,
    start_v: float = START_V,
    lags: tuple[float, ...] = (),
    error_s: float = 1e-3,
) -> np.ndarray:
    return np.array([start_v, log(rise_v / tau), log(tau), log(0.5), log(error_s), ONSET, *map(log, lags)])


def draws(*rows: np.ndarray, weights: Any = None, evidence: float = 0.0, **more: Any) -> Posterior:
    """Draws of even weight, of which the last is the likeliest."""
    count = len(rows)
    shares = np.full(count, 1 / count) if weights is None else np.asarray(weights, dtype=float)
    return Posterior(np.array(rows), shares, evidence, densities=np.arange(float(count)), **more)


def problem(layout: Layout = PLAIN, volts: Any = None, rest: Rest | None = None) -> Problem:
    if volts is None:
        volts = START_V + RISE_V * (1 - np.exp(-np.maximum(T - ONSET, 0.0) / TAU))
    return Problem(T, np.asarray(volts), 0.1, layout, rest, cut_off=False)


def curve_fit(*mix: tuple[Layout, Posterior], rest: Rest | None = None) -> CurveFit:
    some: Any = None
    first = mix[0][1].draws[0]
    return CurveFit(
        some, some, some, some, some, some, 0.0, Shape.EXPONENTIAL, 1.0, some, some, False, False, False,
        problem(mix[0][0], rest=rest), first, mix,
    )  # fmt: skip


def test_a_level_is_crossed_when_the_exponential_is_there() -> None:
    """From 10 V on 300 V, to 250 V: τ · ln(300/60), for each of the constants drawn."""
    taus = np.linspace(0.19, 0.21, 201)
    found = curve_fit((PLAIN, draws(*(theta(tau) for tau in taus)))).crossing(250.0)
    assert found is not None
    assert found.value == pytest.approx(0.2 * log(5.0), rel=1e-6)
    low, high = (0.19 + 0.02 * share for share in (0.025, 0.975))
    assert (found.low, found.high) == pytest.approx((low * log(5.0), high * log(5.0)), rel=1e-3)
    lagged = curve_fit((LAGGED, draws(theta(lags=(0.05,))))).crossing(250.0)
    assert lagged is not None
    left = (0.2 * exp(-lagged.value / 0.2) - 0.05 * exp(-lagged.value / 0.05)) / 0.15
    assert left == pytest.approx(0.2, rel=1e-6)


@pytest.mark.parametrize(("never", "known"), [(2, True), (3, False)])
def test_a_level_that_one_in_forty_curves_never_reaches_has_no_time(never: int, known: bool) -> None:
    """Of 100 draws that lead to 310 V, or to 309 V: 309.5 V."""
    rows = [theta(rise_v=299.0 if k < never else 300.0) for k in range(100)]
    assert (curve_fit((PLAIN, draws(*rows))).crossing(309.5) is not None) is known


@pytest.mark.parametrize(("faster", "constant"), [(False, 0.2), (True, 0.05)])
def test_the_links_own_voltage_is_that_of_its_own_constant(faster: bool, constant: float) -> None:
    """0.3 s after the onset, of rises between 290 and 310 V."""
    rows = [theta(rise_v=float(v), lags=(0.05,)) for v in np.linspace(290.0, 310.0, 201)]
    low, high = curve_fit((LAGGED, draws(*rows))).link_voltage_limits(1.3, faster=faster)
    share = 1 - exp(-0.3 / constant)
    assert (low, high) == pytest.approx((10 + 290.5 * share, 10 + 309.5 * share), abs=0.06)
    (alone, _) = curve_fit((PLAIN, draws(theta()))).link_voltage_limits(1.3, faster=True)
    assert alone == pytest.approx(10 + 300 * (1 - exp(-1.5)))


def test_limits_of_the_curve_are_those_at_each_time() -> None:
    rows = [theta(start_v=float(v)) for v in np.linspace(0.0, 20.0, 201)]
    one = curve_fit((PLAIN, draws(*rows)))
    lows, highs = one.voltage_limits(np.array([0.5, 1.2]))
    at = 300 * (1 - exp(-1.0))
    assert lows == pytest.approx([0.5, at + 0.5], abs=0.06)
    assert highs == pytest.approx([19.5, at + 19.5], abs=0.06)
    assert one.voltage(np.array([0.5, 1.2])) == pytest.approx([0.0, at])


def test_stamps_may_stretch_a_curve_by_half_of_their_range_where_they_drift() -> None:
    drifting = Rest(0.5, 0.5, Timestamps(12.0**-0.5 * 0.02, Known.AT_MOST))
    assert curve_fit((PLAIN, draws(theta())), rest=drifting).drift_s == pytest.approx(0.01)
    assert curve_fit((PLAIN, draws(theta()))).drift_s == 0.0


@pytest.mark.parametrize(("off", "other"), [(2.9, False), (3.1, True)])
def test_a_shape_is_likelier_by_odds_of_twenty_to_one(off: float, other: bool) -> None:
    """ln 20 = 3.0 (strong evidence, common usage)."""
    known, tried = ((problem(), draws(theta(), evidence=e)) for e in (-50.0, -50.0 + off))
    assert (rise._likelier(known, tried) is tried) is other


def test_no_evidence_that_rests_on_few_draws_is_above_one_that_is_known() -> None:
    solved = [
        (problem(), draws(theta(), evidence=5.0)),
        (problem(), draws(theta(), evidence=9.0, sure=False)),
        (problem(), draws(theta(), evidence=3.0, sure=False)),
    ]
    assert [posterior.log_evidence for _, posterior in rise._no_likelier(solved)] == [5.0, 5.0, 3.0]
    unsure = rise._no_likelier(solved[1:])
    assert [posterior.log_evidence for _, posterior in unsure] == [9.0, 3.0]


@pytest.mark.parametrize(
    ("even", "apart", "kept_even", "best", "left"),
    [
        (True, 2.9, True, 0, 3),
        (True, 3.1, False, 1, 2),
        (False, 2.9, False, 1, 2),
        (False, -2.9, False, 0, 3),  # one exponential is the likeliest: nothing is left out
    ],
)
def test_a_filter_stays_beside_one_exponential_unless_the_odds_are_strong(
    even: bool, apart: float, kept_even: bool, best: int, left: int
) -> None:
    solved = [
        (problem(), draws(theta())),
        (problem(LAGGED), draws(theta(lags=(0.05,)), evidence=apart)),
        (problem(TWICE), draws(theta(lags=(0.05, 0.02)), evidence=apart / 2)),
    ]
    chosen, mix, evenly = rise._chosen(solved, even)
    assert (chosen, len(mix), evenly) == (solved[best], left, kept_even)


@pytest.mark.parametrize(("share", "possible"), [(0.06, True), (0.04, False)])
def test_a_limit_below_which_nearly_nothing_lies_disagrees_with_the_readings(
    share: float, possible: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rise, "_drawn_below", lambda one, _: (one[0], replace(one[1], log_evidence=log(share))))
    found = rise._below([(problem(), draws(theta(), evidence=0.0))], 305.0)
    assert bool(found) is possible
    monkeypatch.setattr(rise, "_drawn_below", lambda *_: None)
    assert rise._below([(problem(), draws(theta()))], 305.0) == []


@pytest.mark.parametrize(("above", "anew"), [(9, False), (11, True)])
def test_draws_below_the_highest_voltage_stand_for_all_or_are_drawn_anew(
    above: int, anew: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 100 draws that lead to 310 V some lead to 320 V, and 315 V are the limit."""
    rows = [theta(rise_v=310.0 if k < above else 300.0 + 1e-4 * k) for k in range(100)]
    asked: list[Any] = []

    def sample(_: Any, start: Any, covariance: Any) -> Posterior:
        asked.append((start, covariance))
        return draws(theta(), evidence=7.0)

    monkeypatch.setattr(rise, "sample_posterior", sample)
    posterior = draws(*rows, evidence=-3.0, sure=False)
    found = rise._drawn_below((problem(), posterior), 315.0)
    assert found is not None
    assert found[0].highest_v == 315.0
    if anew:
        assert found[1].log_evidence == 7.0
        assert asked[0][0] == pytest.approx(rows[99])
        assert asked[0][1] == pytest.approx(np.cov(posterior.draws.T, ddof=0), rel=0.05, abs=1e-9)
    else:
        assert asked == []
        assert len(found[1].draws) == len(found[1].densities) == 91
        assert found[1].weights.sum() == pytest.approx(1.0)
        assert (found[1].log_evidence, found[1].sure) == (pytest.approx(-3.0 + log(0.91)), True)
    assert rise._drawn_below((problem(), posterior), 100.0) is None


def test_shapes_are_mixed_by_their_evidence_or_evenly() -> None:
    """Odds of one to e; what has less than a thousandth of the likeliest adds nothing."""
    solved = [
        (problem(), draws(theta(), theta(0.3), evidence=-1.0)),
        (problem(LAGGED), draws(theta(lags=(0.05,)), evidence=0.0)),
        (problem(TWICE), draws(theta(lags=(0.05, 0.02)), evidence=-7.0)),
    ]
    mix = rise._mixed(solved, False, 1.0)
    assert [layout.shape for layout, _ in mix] == [Shape.EXPONENTIAL, Shape.LAGGED]
    less = exp(-1.0) / (1 + exp(-1.0))
    assert rise._share(mix, Shape.EXPONENTIAL) == pytest.approx(less)
    assert rise._share(mix, Shape.LAGGED) == pytest.approx(1 - less)
    assert rise._share(mix, Shape.AVERAGED) == 0.0
    evenly = rise._mixed(solved, True, 1.0)
    assert [rise._share(evenly, layout.shape) for layout, _ in evenly] == pytest.approx([1 / 3] * 3)


def test_a_mixture_is_spread_about_its_middle_and_stretched_by_what_stamps_leave_open() -> None:
    solved = [(problem(), draws(theta(0.18), theta(0.22)))]
    ((_, wider),) = rise._mixed(solved, False, 2.0)
    middle, off = (log(0.22) + log(0.18)) / 2, log(0.22 / 0.18)
    assert wider.draws[:, 2] == pytest.approx([middle - off, middle + off])
    rest = Rest(0.5, 0.5, Timestamps(1e-3), scale_error=0.02)
    rows = [theta()] * 2000
    ((_, stretched),) = rise._mixed([(problem(rest=rest), draws(*rows))], False, 1.0)
    factors = np.exp(stretched.draws[:, 2]) / TAU
    assert (factors.min(), factors.max()) == pytest.approx((0.98, 1.02), abs=2e-4)
    assert stretched.draws[:, 1] + stretched.draws[:, 2] == pytest.approx(log(RISE_V))


@pytest.mark.parametrize(
    ("left", "noise_v", "wider"),
    [
        (np.tile([1.0, 1.0, -1.0, -1.0], 50), None, 1.0),
        (np.tile([1.0, 1.0, -1.0, -1.0], 50), 0.5, 1.0),  # no neighbour resembles the next
        (np.repeat([1.0, -1.0] * 25, 4), 0.86, "likeness"),
        (np.repeat([1.0, -1.0] * 25, 4), 0.88, 1.0),  # 1.15 times as large is noise
        (np.repeat([1.0, -1.0] * 1, 100), 0.5, 5.0),
        (np.array([1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0]), 0.5, 1.0),
    ],
)
def test_residuals_that_keep_their_sign_widen_the_limits(left: np.ndarray, noise_v: Any, wider: Any) -> None:
    if wider == "likeness":  # √((1 + r)/(1 − r)) with numpy's correlation of neighbours, some 0.5
        r = float(np.corrcoef(left[:-1], left[1:])[0, 1])
        assert 0.45 < r < 0.55
        wider = ((1 + r) / (1 - r)) ** 0.5
    assert rise._wider(left, noise_v) == pytest.approx(wider)


@pytest.mark.parametrize(("r_of", "sure"), [(0.13, False), (0.15, True)])
def test_a_likeness_within_two_deviations_of_none_widens_nothing(r_of: float, sure: bool) -> None:
    """2/√200 = 0.141. Neighbours of alternating pairs, shifted so that their correlation is the wanted one."""
    rng = np.random.default_rng(5)
    best = min(
        (rng.normal(0.0, 1.0, 200) for _ in range(400)),
        key=lambda each: abs(float(np.corrcoef(each[:-1], each[1:])[0, 1]) - r_of),
    )
    assert (rise._wider(best, 0.1) > 1.0) is sure


@pytest.mark.parametrize(
    ("known", "error_s", "wider"),
    [
        (Known.AT_MOST, 1.1e-3, 2.0**0.5),  # more than a tenth of the period of 10 ms
        (Known.AT_MOST, 0.9e-3, 1.0),
        (Known.BY_SCATTER, 1.1e-3, 1.0),
        (None, 1.1e-3, 1.0),
    ],
)
def test_stamps_that_drift_widen_the_limits_where_they_matter(known: Any, error_s: float, wider: float) -> None:
    rest = None if known is None else Rest(0.5, 0.5, Timestamps(1e-3, known))
    posterior = draws(*(theta(error_s=error_s) for _ in range(3)))
    assert rise._wider_by_stamps(problem(rest=rest), posterior) == pytest.approx(wider)


@pytest.mark.parametrize(
    ("off_v", "alternate", "misfits"), [(1.6, False, True), (1.4, False, False), (1.6, True, False)]
)
def test_a_curve_misfits_by_three_noises_that_follow_one_another(off_v: float, alternate: bool, misfits: bool) -> None:
    """Noise of 0.5 V; on the level before and long after the rise, stamps add nothing."""
    signs = np.tile([1.0, -1.0], 56)[:111] if alternate else np.where(np.arange(111) % 40 < 20, 1.0, -1.0)
    exact = problem().volts
    rest = Rest(0.5, 0.5, Timestamps(1e-9))
    one = problem(volts=exact + off_v * signs, rest=rest)
    assert rise._misfits((one, draws(theta())), rest) is misfits


def test_stamps_that_are_off_explain_residuals_on_a_steep_curve() -> None:
    """Shifted by 10 ms it is 15 V off at the onset; stamps of ± 10 ms make as much."""
    shifted = problem(volts=START_V + RISE_V * (1 - np.exp(-np.maximum(T - ONSET - 0.01, 0.0) / TAU)))
    for error_s, misfits in ((1e-6, True), (0.01, False)):
        rest = Rest(0.5, 0.5, Timestamps(error_s))
        assert rise._misfits((shifted, draws(theta())), rest) is misfits


@pytest.mark.parametrize(
    ("time_s", "volts"),
    [
        (np.arange(3.0), np.array([0.0, 50.0, 90.0])),  # three samples
        (np.arange(4.0), np.array([0.0, 1.0, 2.0, 2.0])),  # no more than two steps
        (np.zeros(5), np.array([0.0, 50.0, 90.0, 95.0, 99.0])),
    ],
)
def test_what_is_no_curve_is_not_fitted(time_s: np.ndarray, volts: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(rise, "_solve", lambda one, *_: asked.append(one))
    assert fit_curve(time_s, volts, 1.0, onset_seen=True) is None
    assert asked == []
    assert fit_curve(np.arange(4.0), np.array([0.0, 1.0, 2.0, 2.1]), 1.0, onset_seen=True) is None
    assert len(asked) == 1


def test_a_curve_of_many_samples_is_thinned_evenly(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Problem] = []
    monkeypatch.setattr(rise, "_solve", lambda one, *_: asked.append(one))
    for count, kept in ((500, 500), (501, 251), (1500, 500)):
        at = 0.01 * np.arange(count)
        fit_curve(at, at * 100, 0.0, onset_seen=True, cut_off=True)
        assert (asked[-1].time_s.size, asked[-1].cut_off, asked[-1].layout.begin_s) == (kept, True, 0.0)


@pytest.mark.parametrize(
    ("evidence", "shape", "mixed", "odds"),
    [
        ({"plain": 0.0, "lagged": 2.9}, Shape.EXPONENTIAL, 2, 1.0),  # neither is strongly likelier
        ({"plain": 0.0, "lagged": -3.1}, Shape.EXPONENTIAL, 1, 1.0),
        ({"plain": 0.0, "lagged": -2.9}, Shape.EXPONENTIAL, 2, 1.0),
        ({"plain": 0.0, "lagged": 3.1, "twice": 2.0, "averaged": 1.0}, Shape.LAGGED, 3, exp(3.1)),
        ({"plain": 0.0, "lagged": 3.1, "twice": 5.0, "averaged": 1.0}, Shape.TWICE_LAGGED, 3, exp(5.0)),
        ({"plain": 0.0}, Shape.EXPONENTIAL, 1, 1.0),
    ],
)
def test_a_filter_is_taken_where_its_odds_are_strong(
    evidence: dict[str, float], shape: Shape, mixed: int, odds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    named = {
        Shape.EXPONENTIAL: "plain",
        Shape.LAGGED: "lagged",
        Shape.TWICE_LAGGED: "twice",
        Shape.AVERAGED: "averaged",
    }
    lags = {Shape.LAGGED: (0.05,), Shape.TWICE_LAGGED: (0.05, 0.02), Shape.AVERAGED: (0.1,)}

    def solve(one: Problem, _: Any = None) -> Any:
        name = named[one.layout.shape]
        if name not in evidence:
            return None
        return one, draws(theta(lags=lags.get(one.layout.shape, ())), evidence=evidence[name])

    seen: dict[str, Any] = {}

    def made(best: Any, solved: Any, *, even: bool, odds: float) -> Any:
        seen.update(shape=best[0].layout.shape, mixed=len(solved), even=even, odds=odds)
        return SimpleNamespace()

    monkeypatch.setattr(rise, "_solve", solve)
    monkeypatch.setattr(rise, "_curve_fit", made)
    assert fit_curve(T, problem().volts, 0.1, onset_seen=True) is not None
    assert (seen["shape"], seen["mixed"]) == (shape, mixed)
    assert seen["even"] is (shape is Shape.EXPONENTIAL and mixed == 2)
    assert seen["odds"] == pytest.approx(odds)
    fit_curve(T, problem().volts, 0.1, onset_seen=False)
    assert (seen["shape"], seen["mixed"]) == (Shape.EXPONENTIAL, 1)  # without the beginning no S is seen


def test_a_fit_states_its_parameters_with_their_limits() -> None:
    taus = np.linspace(0.19, 0.21, 201)
    lagged = draws(*(theta(tau, lags=(tau / 4,)) for tau in taus), evidence=1.0)
    plain = draws(*(theta(tau) for tau in taus), evidence=1.0)
    found = rise._curve_fit((problem(), plain), [(problem(), plain)], even=False, odds=3.0)
    assert (found.time_constant.low, found.time_constant.high) == pytest.approx((0.1905, 0.2095), rel=5e-4)
    assert (found.start.value, found.end.value) == pytest.approx((10.0, 310.0))
    assert found.onset is not None
    assert (found.onset.value, found.shape, found.odds) == (1.0, Shape.EXPONENTIAL, 3.0)
    assert (found.lag, found.hidden_lag, found.heating, found.load) == (None, None, None, None)
    assert (found.third, found.averaged, found.misfit) == (False, False, False)
    left = problem().volts - (10 + 300 * (1 - np.exp(-np.maximum(T - 1.0, 0.0) / 0.21)))  # of the likeliest
    assert found.residual_v == pytest.approx(float(np.sqrt(np.mean(left**2))))
    both = rise._curve_fit((problem(), plain), [(problem(), plain), (problem(LAGGED), lagged)], even=True, odds=1.0)
    assert both.lag is None
    assert both.hidden_lag is not None
    hidden = both.hidden_lag
    assert (hidden.value, hidden.low, hidden.high) == pytest.approx((0.05, 0.1905 / 4, 0.2095 / 4), rel=5e-4)
    one = rise._curve_fit((problem(LAGGED), lagged), [(problem(LAGGED), lagged)], even=False, odds=50.0)
    assert one.lag is not None
    assert (one.lag.low, one.lag.high, one.hidden_lag) == (
        pytest.approx(0.1905 / 4, rel=5e-4),
        pytest.approx(0.2095 / 4, rel=5e-4),
        None,
    )


@pytest.mark.parametrize(("twice", "third"), [(-3.6, True), (-3.7, False)])
def test_a_third_constant_may_be_there_from_one_in_forty_on(twice: float, third: bool) -> None:
    """e^−3.6 of 1 is 2.7 %, e^−3.7 2.4 %; an average is sure from odds of twenty to one on."""
    lagged = (problem(LAGGED), draws(theta(lags=(0.05,))))
    other = (problem(TWICE), draws(theta(lags=(0.05, 0.02)), evidence=twice))
    assert rise._curve_fit(lagged, [lagged, other], even=False, odds=50.0).third is third
    layout = Layout(0.0, True, Shape.AVERAGED)
    for evidence, averaged in ((3.1, True), (2.9, False)):
        smooth = (problem(layout), draws(theta(lags=(0.1,)), evidence=evidence))
        assert rise._curve_fit(smooth, [lagged, smooth], even=False, odds=50.0).averaged is averaged
