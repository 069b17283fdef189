"""What is known beforehand of noise and stamps, limits of draws, and a link behind lags: scipy, and by hand."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import quad

from logscope.curves.behind_lag import _lags_and_closing, _one_lag, _two_lags
from logscope.curves.estimate import estimate
from logscope.curves.reading_error import log_prior_of_noise, log_prior_of_stamps, wider_by_correlation
from logscope.curves.timestamps import Known, Timestamps
from logscope.statistics.importance import Posterior

ENDS = (np.log(1e-5), np.log(10.0))
USUAL = 0.01


@pytest.mark.parametrize("known", list(Known))
def test_what_the_log_shows_of_stamps_is_a_distribution(known: Known) -> None:
    """scipy.integrate.quad: relative to a flat prior it holds as much in all."""
    usual = float(np.log(USUAL))
    whole = quad(
        lambda x: np.exp(log_prior_of_stamps(np.array([x]), Timestamps(USUAL, known), ENDS)[0]), *ENDS,
        points=[usual, usual + np.log(10.0), usual - 1.0, usual + 1.0],
    )[0]  # fmt: skip
    edge = 1.0 - 1e-3 if known is Known.AT_MOST else 1.0  # the lowest thousandth lies beyond the end
    assert whole / (ENDS[1] - ENDS[0]) == pytest.approx(edge, abs=2e-3)


@pytest.mark.parametrize(
    ("prior", "deviation", "rest"),
    [
        (lambda x: log_prior_of_noise(x, USUAL, ENDS), 0.3, 0.2),
        (lambda x: log_prior_of_stamps(x, Timestamps(USUAL), ENDS), 0.5, 0.2),
        (lambda x: log_prior_of_stamps(x, Timestamps(USUAL, Known.SURELY), ENDS), 0.3, 0.05),
    ],
)
def test_it_is_normal_about_the_usual_size_with_a_rest_that_may_be_anything(prior, deviation, rest) -> None:  # type: ignore[no-untyped-def]
    usual = np.log(USUAL)
    at, one_off, other_side, far = np.exp(prior(usual + deviation * np.array([0.0, 1.0, -1.0, 10.0])))
    assert far == pytest.approx(rest)
    assert (one_off - rest) / (at - rest) == pytest.approx(np.exp(-0.5))
    assert other_side == pytest.approx(one_off)


def test_an_error_that_is_bounded_is_flat_up_to_its_bound() -> None:
    at_most = Timestamps(USUAL, Known.AT_MOST)
    logs = np.log(USUAL * np.array([0.25, 0.5, 1.0, 1.001]))
    found = np.exp(log_prior_of_stamps(logs, at_most, ENDS))
    assert found[:3] / found[2] == pytest.approx([0.25, 0.5, 1.0])  # flat in the error, not in its logarithm
    assert found[3] == 0.0
    counted = np.exp(
        log_prior_of_stamps(np.log(USUAL * np.array([0.01, 9.99, 10.01])), Timestamps(USUAL, Known.COUNTED), ENDS)
    )
    assert counted[0] == counted[1] > 1.0
    assert counted[2] == 0.0


@pytest.mark.parametrize(
    ("known", "drift"), [(Known.BY_SCATTER, 0.0), (Known.COUNTED, 0.0), (Known.SURELY, 0.5), (Known.AT_MOST, 0.5)]
)
def test_a_uniform_error_of_a_second_has_a_twelfth_as_its_variance(known: Known, drift: float) -> None:
    stamps = Timestamps(12.0**-0.5, known)
    assert stamps.range_s == pytest.approx(1.0)
    assert stamps.drift_s == pytest.approx(drift)


@pytest.mark.parametrize(
    ("scores", "wider"),
    [
        # r = (9/23 + 1/23²)/(1 − 1/23²) = 0.3939; put back (1 + 4r)/24; √(1.5013/0.4987)
        ([1, 1, 1, -1, -1, -1] * 4, 1.7350),
        ([1, -1] * 12, 1.0),
        (list(range(100)), 5.0),
        ([1, 1, 1, 1, -1, -1, -1], 1.0),  # seven are too few
        ([3.0] * 20, 1.0),
        ([1.0] + [0.0] * 19, 1.0),
    ],
)
def test_limits_grow_by_the_likeness_of_neighbours(scores: list[float], wider: float) -> None:
    assert wider_by_correlation(np.array(scores, dtype=float)) == pytest.approx(wider, abs=1e-4)


def test_limits_of_draws_are_their_quantiles() -> None:
    """Of 1 to 1000 evenly: each stands for the half before and after it."""
    draws = Posterior(np.zeros((1000, 1)), np.full(1000, 1e-3), 0.0)
    found = estimate(draws, np.random.default_rng(2).permutation(np.arange(1.0, 1001.0)))
    assert (found.value, found.low, found.high) == pytest.approx((500.5, 25.5, 975.5))
    assert (found.claim_low, found.claim_high) == pytest.approx((1.5, 999.5))


@pytest.mark.parametrize(("endless", "high", "claim_high"), [(0, 975.5, 999.5), (5, 975.5, inf), (30, inf, inf)])
def test_a_limit_beyond_which_draws_never_end_is_infinite(endless: int, high: float, claim_high: float) -> None:
    values = np.arange(1.0, 1001.0)
    values[1000 - endless :] = inf
    found = estimate(Posterior(np.zeros((1000, 1)), np.full(1000, 1e-3), 0.0), values)
    assert (found.value, found.high, found.claim_high) == pytest.approx((500.5, high, claim_high))


T = np.linspace(0.0, 2.0, 8001)
ONSET, TAU, LAG, SECOND = 0.2, 0.3, 0.05, 0.02


def lagged(link: np.ndarray, *lags_s: float) -> np.ndarray:
    """scipy.signal.lsim through one low-pass after another."""
    for lag_s in lags_s:
        link = signal.lsim(([1.0], [lag_s, 1.0]), link, T)[1]
    return link


def test_a_link_behind_lags_is_that_of_scipy() -> None:
    link = np.where(T >= ONSET, 1.0 - np.exp(-(T - ONSET) / TAU), 0.0)
    for shape, lags in ((_one_lag, (LAG,)), (_two_lags, (LAG, SECOND))):
        basis = shape(T, np.array([ONSET, *np.log([TAU, *lags])]))
        assert basis.sum(axis=1) == pytest.approx(1.0)
        assert basis @ [5.0, 105.0] == pytest.approx(5.0 + 100.0 * lagged(link, *lags), abs=0.01)


def test_a_contactor_that_closes_on_the_way_is_rounded_off_by_the_lags() -> None:
    """Closed after two constants onto a pack of 112 V, on the way from 5 V to 105 V."""
    closed = ONSET + 2.0 * TAU
    link = np.where(T >= ONSET, 1.0 - np.exp(-(T - ONSET) / TAU), 0.0)
    joined = np.where(closed <= T, 1.07, link)
    basis = _lags_and_closing(T, np.array([ONSET, *np.log([TAU, LAG, SECOND]), 2.0]))
    assert basis.sum(axis=1) == pytest.approx(1.0)
    assert basis @ [5.0, 105.0, 112.0] == pytest.approx(5.0 + 100.0 * lagged(joined, LAG, SECOND), abs=0.15)
