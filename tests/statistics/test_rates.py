"""Rates and rate ratios, against published examples and statsmodels."""

from __future__ import annotations

from math import inf, isnan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.rates import confint_poisson

from logscope.statistics.rates import poisson_rate, rate_ratio

counts = st.integers(0, 200)
times = st.floats(0.1, 1e4)


@pytest.mark.parametrize(
    ("first", "second", "ratio", "low", "high", "p_value"),
    [
        # M. Fay, R package rateratio.test, man page and vignette
        ((2, 17877), (9, 16660), 0.207094, 0.0217741, 1.0005491, 0.0501065),
        ((2, 17877), (9, 16674), 0.207268, None, 1.0013899, 0.0502698),
        # M. Fay, R package exactci, poisson.exact (central)
        ((2, 17877), (10, 20000), 0.223751, 0.0238374, 1.0499547, 0.0605564),
        # R stats, poisson.test: Fredericia lung cancer
        ((11, 800), (21, 3011), 1.971488, 0.8584264, 4.2772659, None),
        # R exactci values kept with statsmodels' tests (results_rates.py), central limits
        ((60, 51477.5), (30, 54308.7), 2.10999757175465, 1.339735721772650, 3.388365573616252, None),
        # breast cancer example; Gu, Ng, Tang, Schucany, Biometrical J. 50 (2008), by statsmodels
        ((41, 28010), (15, 19017), 1.855759, 1.0056841, 3.6093003, 0.0476602),
    ],
)
def test_published_rate_ratios(
    first: tuple[int, float],
    second: tuple[int, float],
    ratio: float,
    low: float | None,
    high: float,
    p_value: float | None,
) -> None:
    found = rate_ratio(*first, *second)
    assert found.value == pytest.approx(ratio, rel=1e-5)
    assert found.high == pytest.approx(high, rel=1e-6)
    assert low is None or found.low == pytest.approx(low, rel=1e-5)
    assert p_value is None or found.p_value == pytest.approx(p_value, rel=1e-4)


@given(counts, times, counts, times)
def test_limits_are_clopper_pearson_by_scipy(k1: int, t1: float, k2: int, t2: float) -> None:
    if k1 + k2 == 0:
        return
    found = rate_ratio(k1, t1, k2, t2)
    share = stats.binomtest(k1, k1 + k2, 0.5).proportion_ci(0.95, method="exact")
    assert found.low == pytest.approx(t2 / t1 * share.low / (1 - share.low), rel=1e-7)
    if k2:
        assert found.high == pytest.approx(t2 / t1 * share.high / (1 - share.high), rel=1e-7)
    else:
        assert found.high == inf


@given(counts, times, counts, times)
def test_p_value_agrees_with_the_limits(k1: int, t1: float, k2: int, t2: float) -> None:
    found = rate_ratio(k1, t1, k2, t2)
    if abs(found.p_value - 0.05) > 1e-6:
        assert (found.p_value < 0.05) == (not found.low <= 1 <= found.high)


@given(counts, times, counts, times)
def test_ratio_turned_round_is_its_inverse(k1: int, t1: float, k2: int, t2: float) -> None:
    one, other = rate_ratio(k1, t1, k2, t2), rate_ratio(k2, t2, k1, t1)
    assert one.p_value == pytest.approx(other.p_value)
    if k1 and k2:
        assert one.low == pytest.approx(1 / other.high)


def test_no_event_at_all_says_nothing() -> None:
    found = rate_ratio(0, 5, 0, 7)
    assert isnan(found.value)
    assert (found.low, found.high, found.p_value) == (0.0, inf, 1.0)


def test_published_single_rate() -> None:
    """15 events in 400: R DescTools and exactci, kept with statsmodels' tests."""
    found = poisson_rate(15, 400)
    assert (found.value, found.low, found.high) == pytest.approx((0.0375, 0.0209884653319583, 0.0618505471787146))


def test_no_event_has_garwoods_upper_limit() -> None:
    """Garwood, Biometrika 28 (1936): 3.688879 at 95 %, two-sided."""
    assert poisson_rate(0, 1).high == pytest.approx(3.688879, abs=1e-6)
    assert poisson_rate(0, 1).low == 0


@given(counts, times)
def test_single_rate_is_that_of_statsmodels(count: int, exposure: float) -> None:
    low, high = confint_poisson(count, exposure, method="exact-c") if count else (0.0, None)
    found = poisson_rate(count, exposure)
    assert found.low == pytest.approx(low)
    assert high is None or found.high == pytest.approx(high)


@pytest.mark.parametrize(("count", "exposure"), [(-1, 1.0), (1, 0.0), (1, float("nan"))])
def test_impossible_exposures_are_refused(count: int, exposure: float) -> None:
    with pytest.raises(ValueError, match="exposure"):
        poisson_rate(count, exposure)
    with pytest.raises(ValueError, match="exposure"):
        rate_ratio(1, 1.0, count, exposure)
