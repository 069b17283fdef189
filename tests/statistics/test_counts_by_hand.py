"""Rates, laws and pooled estimates at their edges: by hand, scipy and statsmodels."""

from __future__ import annotations

from math import exp, inf, isnan, log, log1p

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from logscope.arrays import FloatArray
from logscope.statistics.change import change_of_repeats
from logscope.statistics.count_regression import CountFit, fit_counts, hac_variance_ratio, profile_limits
from logscope.statistics.information import covariance_of, variance_of
from logscope.statistics.integral import integrate
from logscope.statistics.partial_pooling import _mixture, _quantiles, partial_pooling
from logscope.statistics.pooled import Pooled, pool
from logscope.statistics.rate_change import Law, Observed, _efficient_variance, _tails, fit_law, rate_change
from logscope.statistics.rates import poisson_rate, rate_ratio
from logscope.statistics.residuals import hc3_covariance, raised_by_likeness
from logscope.statistics.robust import noise_floor
from logscope.statistics.robust_line import robust_slope
from logscope.statistics.sampling import (
    between_samples,
    gap_s,
    held_time_s,
    missing_s,
    new_value_period_s,
    shortest_sampled_s,
    spread_error_s,
    stretch_numbers,
    typical_period_s,
    unbunched_s,
    zero_order_hold,
)


@pytest.mark.parametrize(
    ("count", "exposure", "wrong"),
    [(-1, 1.0, True), (0, 0.0, True), (0, -1.0, True), (0, 1.0, False), (3, float("nan"), True)],
)
def test_a_rate_needs_a_count_and_an_exposure(count: float, exposure: float, wrong: bool) -> None:
    if wrong:
        with pytest.raises(ValueError, match="a rate needs"):
            poisson_rate(count, exposure)
        with pytest.raises(ValueError, match="a rate needs"):
            rate_ratio(int(count), exposure, 1, 1.0)
        with pytest.raises(ValueError, match="a rate needs"):
            rate_ratio(1, 1.0, int(count), exposure)
    else:
        found = poisson_rate(count, exposure)
        assert (found.value, found.low) == (0.0, 0.0)
        assert found.high == pytest.approx(-log(0.025))  # exp(−λ) = 2.5 %
        assert isnan(found.p_value)


@pytest.mark.parametrize(("count", "other"), [(7, 3), (3, 7), (0, 5), (5, 0), (4, 4)])
def test_a_ratio_is_that_of_scipys_exact_binomial_test(count: int, other: int) -> None:
    """scipy.stats.binomtest: the share of the first and its Clopper-Pearson limits; twice the smaller tail."""
    found = rate_ratio(count, 20.0, other, 50.0)
    exact = stats.binomtest(count, count + other, 2 / 7).proportion_ci(0.95)
    limits = [50.0 / 20.0 * share / (1.0 - share) if share < 1.0 else inf for share in (exact.low, exact.high)]
    assert (found.low, found.high) == pytest.approx(tuple(limits))
    assert found.value == pytest.approx((count / 20.0) / (other / 50.0) if other else inf)
    tails = [stats.binomtest(count, count + other, 2 / 7, alternative=side).pvalue for side in ("less", "greater")]
    assert found.p_value == pytest.approx(min(1.0, 2.0 * min(tails)))
    none = rate_ratio(0, 1.0, 0, 1.0)
    assert (none.low, none.high, none.p_value) == (0.0, inf, 1.0)


def observed(first: FloatArray, second: FloatArray) -> Observed:
    """Rows of 10 and 5 units of exposure, at covariates 0 to 1."""
    n = first.size
    covariate = np.tile(np.linspace(0.0, 1.0, n), 2)[:, None]
    return Observed(np.concatenate([first, second]), np.repeat([10.0, 5.0], n), np.repeat([False, True], n), covariate)


MADE = observed(np.array([2.0, 3.0, 6.0, 9.0]), np.array([2.0, 4.0, 5.0, 10.0]))


def penalised(data: Observed, log_ratio: float | None) -> np.ndarray:
    """statsmodels' Poisson regression with one more row each that holds a slope of deviation 5 (ridge by Newton)."""
    design = np.column_stack(
        [np.ones(data.events.size), data.covariates, *([data.second] if log_ratio is None else [])]
    )
    offset = np.log(data.exposure) + (0.0 if log_ratio is None else log_ratio * data.second)
    hold = np.zeros(design.shape[1])
    hold[1] = 1 / 25.0
    beta = sm.GLM(data.events, design, family=sm.families.Poisson(), offset=offset).fit().params
    for _ in range(50):
        mean = np.exp(design @ beta + offset)
        beta = beta + np.linalg.solve(
            design.T @ (design * mean[:, None]) + np.diag(hold), design.T @ (data.events - mean) - hold * beta
        )
    return np.asarray(beta)


def test_a_law_is_a_poisson_regression_whose_slopes_are_held_weakly() -> None:
    law = fit_law(MADE)
    assert [*law.coefficients, law.log_ratio] == pytest.approx(penalised(MADE, None), rel=1e-5)
    rates = law.rate(np.array([[0.0], [1.0]]), np.array([False, True]))
    level, slope = law.coefficients
    assert rates.tolist() == pytest.approx([exp(level), exp(level + slope + law.log_ratio)])
    assert Law(np.array([1.0, 2.0]), 3.0).rate(np.array([[0.5]]), False).tolist() == pytest.approx([exp(2.0)])
    with pytest.raises(ValueError, match="a law needs events"):
        fit_law(observed(np.zeros(4), np.zeros(4)))
    assert fit_law(observed(np.ones(4), np.zeros(4))).log_ratio == -16.0
    assert fit_law(observed(np.zeros(4), np.ones(4))).log_ratio == 16.0


def test_a_change_of_rate_has_both_rates_and_what_was_to_be_expected() -> None:
    found = rate_change(MADE)
    assert (found.events, found.exposure, found.dispersion) == ((20.0, 21.0), (40.0, 20.0), 1.0)
    law = fit_law(MADE)
    assert found.ratio.value == pytest.approx(exp(law.log_ratio), rel=1e-4)
    level = np.average(law.rate(MADE.covariates, False), weights=MADE.exposure)
    assert (found.first.value, found.second.value) == pytest.approx((level, level * found.ratio.value), rel=1e-4)
    own = poisson_rate(20.0, 40.0)
    assert (found.first.low / found.first.value, found.first.high / found.first.value) == pytest.approx(
        (own.low / own.value, own.high / own.value)
    )
    alike = penalised(MADE, 0.0)
    assert found.expected == pytest.approx(
        float(np.sum(5.0 * np.exp(alike[0] + alike[1] * MADE.covariates[4:, 0]))), rel=1e-5
    )
    at_most, at_least = _tails(MADE, 0.0, 1.0)
    assert found.ratio.p_value == pytest.approx(2.0 * min(at_most, at_least), rel=1e-6)
    wide = rate_change(MADE, 1.0, 0.5)
    assert wide.ratio.p_value == pytest.approx(2.0 * _tails(MADE, log1p(0.5), 1.0)[1], rel=1e-6)
    assert _tails(MADE, log(found.ratio.low), 1.0)[1] == pytest.approx(0.025, abs=1e-4)
    assert _tails(MADE, log(found.ratio.high), 1.0)[0] == pytest.approx(0.025, abs=1e-4)


def test_tails_are_binomial_where_there_is_nothing_to_follow() -> None:
    """scipy.stats.binom: 21 of 41 where a third is expected; and with the counts divided by a dispersion of 1."""
    plain = Observed(np.array([20.0, 21.0]), np.array([40.0, 20.0]), np.array([False, True]), np.zeros((2, 0)))
    at_most, at_least = _tails(plain, 0.0, 1.0)
    assert (at_most, at_least) == pytest.approx((stats.binom.cdf(21, 41, 1 / 3), stats.binom.sf(20, 41, 1 / 3)))
    mean = np.array([41.0 * 2 / 3, 41.0 / 3])
    assert _efficient_variance(plain, mean) == pytest.approx(41.0 * 2 / 9)
    assert _tails(Observed(np.array([5.0, 0.0]), np.ones(2), plain.second, plain.covariates), 0.0, 1.0)[1] == 1.0
    assert _tails(Observed(np.array([0.0, 5.0]), np.ones(2), plain.second, plain.covariates), 0.0, 1.0)[0] == 1.0
    none = rate_change(Observed(np.zeros(2), np.array([4.0, 2.0]), plain.second, plain.covariates), 2.0)
    assert (none.first.high, none.second.high) == pytest.approx((-log(0.025) / 2.0, -log(0.025) / 1.0))
    assert none.dispersion == 2.0


def test_fitted_rates_have_walds_limits_and_widen_by_their_ratio() -> None:
    """statsmodels: the covariance of a Poisson regression, and of its sandwich of Newey and West."""
    rng = np.random.default_rng(3)
    covariates = np.column_stack([np.ones(80), rng.uniform(0, 2, 80)])
    exposure = rng.uniform(0.5, 2.0, 80)
    counts = rng.poisson(exposure * np.exp(covariates @ [0.2, 0.7])).astype(float)
    fit = fit_counts(counts, exposure, covariates)
    theirs = sm.GLM(counts, covariates, family=sm.families.Poisson(), exposure=exposure).fit(tol=1e-12)
    assert fit.covariance == pytest.approx(theirs.cov_params(), rel=1e-5)
    middle, low, high = fit.rates(np.array([[1.0, 1.5]]))
    error = np.sqrt([1.0, 1.5] @ theirs.cov_params() @ [1.0, 1.5])
    assert (middle[0], low[0], high[0]) == pytest.approx(
        tuple(np.exp([1.0, 1.5] @ theirs.params + np.array([0.0, -1.96, 1.96]) * error)), rel=1e-4
    )
    wide = fit.widened(np.array([4.0, 9.0]))
    assert wide.covariance == pytest.approx(fit.covariance * np.array([[4.0, 6.0], [6.0, 9.0]]))
    factor = fit.factor(1, 0.5, inf)
    assert (factor.value, factor.low, factor.high) == pytest.approx((exp(fit.coefficients[1]), exp(0.5), inf))
    hac = sm.GLM(counts, covariates, family=sm.families.Poisson(), exposure=exposure).fit(
        tol=1e-12, cov_type="HAC", cov_kwds={"maxlags": 3, "use_correction": False}
    )
    ratio = hac_variance_ratio(counts, exposure, covariates, fit, 3)
    assert ratio == pytest.approx(np.maximum(np.diag(hac.cov_params()) / np.diag(theirs.cov_params()), 1.0), rel=1e-4)
    narrow, broad = (profile_limits(counts, exposure, covariates, fit, 1, each) for each in (1.0, 4.0))
    middle_1 = fit.coefficients[1]
    assert (broad[1] - middle_1) / (narrow[1] - middle_1) == pytest.approx(2.0, rel=0.05)
    assert isinstance(fit, CountFit)


def test_what_is_not_determined_has_an_infinite_variance() -> None:
    """Two columns that are alike, and one by itself: numpy's inverse of what is left."""
    design = np.array([[1.0, 1.0, 0.0], [2.0, 2.0, 1.0], [0.0, 0.0, 3.0]])
    found = covariance_of(design.T @ design)
    assert np.isinf(np.diag(found)).tolist() == [True, True, False]
    assert found[0, 2] == found[2, 1] == 0.0
    sound = np.array([[4.0, 1.0], [1.0, 3.0]])
    assert covariance_of(sound) == pytest.approx(np.linalg.inv(sound))
    assert variance_of(np.array([0.0, 0.0, 2.0]), found) == pytest.approx(4.0 * found[2, 2])
    assert variance_of(np.array([1.0, 0.0, 2.0]), found) == inf
    assert variance_of(np.array([1.0, -1.0]), sound) == pytest.approx(5.0)


def test_residuals_give_statsmodels_robust_covariance_and_likeness() -> None:
    """statsmodels: HC3."""
    rng = np.random.default_rng(5)
    design = np.column_stack([np.ones(30), rng.normal(size=30)])
    fit = sm.OLS(design @ [1.0, 2.0] + rng.normal(size=30) * (1 + design[:, 1] ** 2), design).fit()
    found = hc3_covariance(np.vstack([design, [0.0, 0.0]]), fit.resid, 0.0)
    assert found == pytest.approx(fit.cov_HC3)
    assert raised_by_likeness(np.array([1.0, 1.0, -1.0, -1.0])) == pytest.approx((1 + 0.25) / (1 - 0.25))
    assert raised_by_likeness(np.array([1.0, -1.0])) == raised_by_likeness(np.zeros(3)) == 1.0
    assert raised_by_likeness(np.ones(100)) == pytest.approx(1.95 / 0.05)


def test_a_slope_through_the_origin_is_statsmodels_robust_line() -> None:
    """statsmodels RLM with Huber's weights; scores by cluster, Student's t of clusters less one."""
    rng = np.random.default_rng(6)
    x = rng.uniform(1.0, 10.0, 40)
    y = 0.5 * x + rng.normal(0.0, 0.2, 40)
    y[::10] += 5.0
    cluster = np.repeat(np.arange(8), 5)
    found = robust_slope(x, y, 1.0, cluster)
    fit = sm.RLM(y, x, M=sm.robust.norms.HuberT(1.345)).fit(scale_est=sm.robust.scale.HuberScale())
    assert found is not None
    assert found.value == pytest.approx(fit.params[0], rel=0.01)
    left = y - found.value * x
    scale = 1.482602218505602 * np.median(np.abs(left))
    assert found.scatter == pytest.approx(scale, rel=1e-4)
    score = np.bincount(cluster, np.clip(left, -1.345 * scale, 1.345 * scale) * x)
    bread = np.sum(x[np.abs(left) <= 1.345 * scale] ** 2)
    error = np.sqrt(8 / 7 * np.sum(score**2)) / bread
    assert (found.high - found.value) == pytest.approx(stats.t.ppf(0.975, 7) * error, rel=1e-3)
    assert found.value - found.low == pytest.approx(found.high - found.value)
    assert found.clusters == 8
    noisy = robust_slope(x, y, 1.0, cluster, noise_x=1.0)
    assert noisy is not None
    assert noisy.low == pytest.approx(found.low)
    assert noisy.high > found.high
    turned = robust_slope(x, -y, 1.0, cluster, noise_x=1.0)
    assert turned is not None
    assert (turned.low, turned.high) == pytest.approx((-noisy.high, -noisy.low))
    assert robust_slope(x, y, 1.0, cluster, noise_x=9.0) is None
    assert robust_slope(x[:10], y[:10], 1.0, cluster[:10]) is None
    assert robust_slope(0.0 * x, y, 1.0, cluster) is None


def test_pooled_estimates_weigh_by_strength_and_grow_with_their_scatter() -> None:
    """Strengths 3 and 1: errors of 1 and √3 are one unit of strength each; Birge's ratio by hand."""
    values, covariances = np.array([[1.0], [2.0]]), np.array([[[1.0]], [[3.0]]])
    found = pool(values, covariances, np.array([3.0, 1.0]), [5.0, 9.0])
    assert found.value.tolist() == pytest.approx([1.25])
    # a unit of strength leaves 3: 3/4 of both; χ² = (3·0.0625 + 0.5625)/3 = 0.25
    assert found.covariance.tolist()[0] == pytest.approx([0.75])
    assert found.reach == pytest.approx(stats.t.ppf(0.975, 7.0))
    apart = pool(np.array([[1.0], [9.0]]), covariances, np.array([3.0, 1.0]), [5.0, 9.0])
    assert apart.covariance.tolist()[0] == pytest.approx([0.75 * (3 * 4.0 + 36.0) / 3])
    assert apart.reach == pytest.approx(stats.t.ppf(0.975, 1.0))
    assert pool(values[:1], covariances[:1], np.ones(1), []).reach == 1.96
    made = Pooled(np.array([2.0]), np.array([[0.25]]), 2.0)
    assert made.figure(lambda x: float(x) ** 2) == pytest.approx((4.0, 1.0, 9.0), rel=1e-6)
    both = Pooled(np.array([1.0, 2.0]), np.diag([0.25, 1.0]), 2.0)
    assert both.figure(lambda x, y: float(x + y)) == pytest.approx(
        (3.0, 3.0 - 2 * 1.25**0.5, 3.0 + 2 * 1.25**0.5), rel=0.01
    )


def test_units_are_drawn_towards_their_mean_by_how_well_they_are_known() -> None:
    """Rubin's formulas at one scatter of the units; mixtures by scipy.stats.norm."""
    found = partial_pooling(np.array([1.0, 2.0, 6.0]), np.array([1.0, 0.5, 1.0]), 1.0)
    assert found.unit(2).value < 6.0
    assert found.unit(0).value > 1.0
    difference = found.difference(2)
    assert difference.value == pytest.approx(found.unit(2).value - (found.unit(0).value + found.unit(1).value) / 2)
    assert found.others(2).value == pytest.approx((found.unit(0).value + found.unit(1).value) / 2)
    assert found.difference(2, 0.5).p_value > difference.p_value
    assert found.difference(2, 50.0).p_value == pytest.approx(1.0, abs=1e-3)
    estimate = _mixture(np.array([0.3, 0.7]), np.array([0.0, 4.0]), np.array([1.0, 0.5]))

    def below(x: float) -> float:
        return float(0.3 * stats.norm.cdf(x) + 0.7 * stats.norm.cdf(x, 4.0, 0.5))

    assert (estimate.value, below(estimate.low), below(estimate.high)) == pytest.approx((2.8, 0.025, 0.975))
    grid = _quantiles(np.full(100, 0.01), np.arange(100.0))
    assert (grid.value, grid.low, grid.high) == pytest.approx((49.5, 2.0, 97.0))


@pytest.mark.parametrize(("repeats", "known"), [(1, True), (2, True)])
def test_one_value_a_side_has_the_deviation_it_is_known_to(repeats: int, known: bool) -> None:
    found = change_of_repeats(
        np.full(repeats, 1.0),
        np.full(repeats, 0.3),
        np.full(repeats, 2.0),
        np.full(repeats, 0.4),
        repeatability=0.0,
        margin=0.0,
    )
    assert (found.change.high - found.change.value == pytest.approx(1.96 * 0.5 / repeats**0.5, rel=1e-3)) is known


EVEN = 0.1 * np.arange(100)


def test_samples_over_time_at_their_edges() -> None:
    assert np.isnan(typical_period_s(EVEN[:1]))
    assert typical_period_s(EVEN) == pytest.approx(0.1)
    holed = np.concatenate([EVEN[:50], EVEN[50:] + 2.0])
    assert held_time_s(holed)[[48, 49, 99]].tolist() == pytest.approx([0.1, 0.3, 0.1])
    assert between_samples(holed, holed, np.array([1.05, 5.0, 4.85, 6.95, -0.1, 12.0])).tolist() == pytest.approx(
        [1.05, np.nan, 4.85, np.nan, np.nan, np.nan], nan_ok=True
    )
    assert gap_s(holed, 4.95, 5.0) == pytest.approx(2.1)
    assert gap_s(holed, 7.0, 8.0) == gap_s(holed, 0.0, 4.9) == 0.0
    assert missing_s(holed, 5.0, 6.0) == pytest.approx(1.0)
    assert missing_s(holed, 0.0, 20.0) == pytest.approx(2.1)
    assert stretch_numbers(holed)[[0, 49, 50, 99]].tolist() == [0, 0, 1, 1]
    assert shortest_sampled_s(EVEN, 0.5) == pytest.approx(0.05)
    assert zero_order_hold(EVEN, EVEN, np.array([-0.1, 0.15, 9.95, 10.2]), 0.1).tolist() == pytest.approx(
        [np.nan, 0.1, 9.9, np.nan], nan_ok=True
    )


def test_bursts_are_spread_over_the_time_before_them() -> None:
    """Four messages each 0.2 s: 50 ms apart, and known to a period."""
    bursts = np.repeat(0.2 * np.arange(1, 30), 4)
    assert unbunched_s(bursts) == pytest.approx(0.05 * np.arange(1, 117))
    assert spread_error_s(bursts) == pytest.approx(0.05)
    assert unbunched_s(EVEN) is EVEN
    assert spread_error_s(EVEN) == 0.0
    late = np.repeat(np.concatenate([0.2 * np.arange(1, 15), 5.0 + 0.2 * np.arange(15)]), 4)
    assert unbunched_s(late)[56:60] == pytest.approx([4.85, 4.9, 4.95, 5.0])  # after a gap at the usual pace


@pytest.mark.parametrize(("repeat", "period_s"), [(1, 0.1), (2, 0.2), (3, 0.3)])
def test_a_sensor_slower_than_its_message_is_seen_in_motion(repeat: int, period_s: float) -> None:
    moves = np.where(np.arange(60) % 10 == 9, 1.0, np.linspace(50.0, 60.0, 60))  # the smallest say what a step is
    value = np.repeat(np.cumsum(moves), repeat)
    assert new_value_period_s(0.1 * np.arange(value.size), value, 1.0) == pytest.approx(period_s)
    still = np.repeat(np.arange(60.0), repeat)  # single steps show nothing
    assert new_value_period_s(0.1 * np.arange(still.size), still, 1.0) == pytest.approx(0.1)
    few = value[: 13 * repeat]  # twelve changes
    assert new_value_period_s(0.1 * np.arange(few.size), few, 1.0) == pytest.approx(0.1)


def test_noise_is_read_off_second_differences() -> None:
    """Of 1, 0, 0 by turns they are −2, 1, 1: median 1, and from there 0, 0 and 3. Else scipy's scaled MAD over √6."""
    assert noise_floor(np.tile([1.0, 0.0, 0.0], 40)) == 0.0
    steps = np.tile([0.0, 1.0, 3.0, 2.0, 7.0], 30)
    second = steps[:-2] - 2 * steps[1:-1] + steps[2:]
    spread = float(stats.median_abs_deviation(second, scale="normal"))
    assert noise_floor(steps) == pytest.approx(spread / 6**0.5, rel=1e-6)
    lone = np.concatenate([[9.0, 0.0], np.zeros(2)])  # differences of 9 and 0
    assert noise_floor(lone) == pytest.approx(1.482602218505602 * 4.5 / 6**0.5)
    fine = np.random.default_rng(9).normal(0.0, 2.0, 4000)
    assert noise_floor(np.round(fine / 3.0) * 3.0, quantum=3.0) == pytest.approx(np.sqrt(4.0 + 9.0 / 12.0), rel=0.06)


@pytest.mark.parametrize(
    ("rows", "half"),
    [
        # two samples: within the step it may have stood at either end
        (2, 10.0 / 2), (1, 0.0),
    ],
)  # fmt: skip
def test_a_sum_of_few_samples_may_have_stood_at_either_end(rows: int, half: float) -> None:
    found = integrate(np.arange(float(rows)), np.array([0.0, 10.0])[:rows])
    assert (found.value, found.high - found.value) == pytest.approx((5.0 if rows > 1 else 0.0, half))


def test_limits_of_a_sum_of_three_samples_are_those_of_noise() -> None:
    """Three samples, whose middle leaves the line by 1.5: of noise σ² its square is 1.5·σ² on average.

    Each step of the rule then has σ², with Student's factor of one degree of freedom.
    """
    found = integrate(np.arange(3.0), np.array([0.0, 1.5, 0.0]))
    sigma = np.sqrt(1.5**2 / 1.5)
    assert found.value == pytest.approx(1.5)
    assert found.high - found.value == pytest.approx(stats.t.ppf(0.975, 1.0) * sigma * 2**0.5)
    assert found.covered_s == 2.0
    assert found.scaled(2.0).high == pytest.approx(2.0 * found.high)
    wide = found.widened(3.0)
    assert wide.high - wide.value == pytest.approx(np.hypot(found.high - found.value, 3.0))
    assert wide.value - wide.low == pytest.approx(wide.high - wide.value)
