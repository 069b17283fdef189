"""Count regression against statsmodels, and the coverage of its limits by simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from limits_study import LimitsStudy
from scipy import stats

from logscope.statistics.count_regression import fit_counts, fit_dispersed, hac_variance_ratio, profile_limits


def made(seed: int, alpha: float = 0.0, rows: int = 400) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Counts, exposure and covariates of a rate that rises by e^0.9 and e^0.4 with two covariates."""
    rng = np.random.default_rng(seed)
    covariates = np.column_stack([np.ones(rows), rng.uniform(0, 3, rows), rng.normal(0, 1, rows)])
    exposure = rng.uniform(0.2, 2.0, rows)
    mean = exposure * np.exp(covariates @ [-1.5, 0.9, 0.4])
    if alpha:
        mean = mean * rng.gamma(1 / alpha, alpha, rows)
    return rng.poisson(mean).astype(float), exposure, covariates


@pytest.mark.parametrize("seed", range(3))
def test_poisson_fit_is_that_of_statsmodels(seed: int) -> None:
    counts, exposure, covariates = made(seed)
    theirs = sm.GLM(counts, covariates, family=sm.families.Poisson(), exposure=exposure).fit(tol=1e-12)
    ours = fit_counts(counts, exposure, covariates)
    assert ours.coefficients == pytest.approx(theirs.params, abs=1e-6)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_negative_binomial_fit_is_that_of_statsmodels(seed: int) -> None:
    counts, exposure, covariates = made(seed, alpha=1.2)
    family = sm.families.NegativeBinomial(alpha=0.8)
    theirs = sm.GLM(counts, covariates, family=family, exposure=exposure).fit(tol=1e-12)
    ours = fit_counts(counts, exposure, covariates, alpha=0.8)
    assert ours.coefficients == pytest.approx(theirs.params, abs=1e-5)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-5)


def test_dispersion_is_that_of_statsmodels() -> None:
    counts, exposure, covariates = made(7, alpha=1.2)
    theirs = sm.NegativeBinomial(counts, covariates, exposure=exposure).fit(disp=False, maxiter=200)
    ours = fit_dispersed(counts, exposure, covariates)
    assert ours.alpha == pytest.approx(theirs.params[-1], rel=0.05)  # the search stops within 5 %
    assert ours.coefficients == pytest.approx(theirs.params[:-1], abs=0.01)


def test_counts_that_scatter_as_poisson_are_taken_as_poisson() -> None:
    chosen = [fit_dispersed(*made(seed, rows=200)).alpha for seed in range(20)]
    assert sum(alpha > 0 for alpha in chosen) <= 4  # nominal 5 %: 5 or more of 20 in 0.3 % (binomial)


def test_counts_scatter_more_than_poissons_where_the_likelihood_ratio_passes_its_quantile() -> None:
    """scipy's nbinom and chi2: of counts without covariates the mean is the likeliest for any dispersion.

    The dispersion cannot be negative, so that 5 % of one side is the 90 % quantile.
    """
    rng, ratios, ours = np.random.default_rng(2911), [], []
    for _ in range(60):
        counts = rng.poisson(rng.gamma(1 / 0.12, 0.12 * 3.0, 60)).astype(float)
        sizes = np.exp(-np.linspace(-7.0, 4.0, 2000))[:, None]
        dispersed = stats.nbinom.logpmf(counts, sizes, sizes / (sizes + counts.mean())).sum(axis=1).max()
        ratios.append(2.0 * (dispersed - stats.poisson.logpmf(counts, counts.mean()).sum()))
        ours.append(fit_dispersed(counts, np.ones(60), np.ones((60, 1))).alpha > 0.0)
    limit = stats.chi2.ppf(0.9, 1)
    clear = np.abs(np.array(ratios) - limit) > 0.05
    assert np.array_equal(np.array(ours)[clear], (np.array(ratios) > limit)[clear])
    for low, high in ((limit / 2, limit), (limit, 2 * limit)):  # there are some near it on either side
        assert sum(low < ratio < high for ratio in ratios) >= 5


def test_profile_limits_fall_where_the_likelihood_of_statsmodels_has_fallen_by_half_of_chi_squared() -> None:
    counts, exposure, covariates = made(3)
    fit = fit_counts(counts, exposure, covariates)
    rest = covariates[:, [0, 2]]
    for limit in profile_limits(counts, exposure, covariates, fit, 1):
        offset = np.log(exposure) + limit * covariates[:, 1]
        there = sm.GLM(counts, rest, family=sm.families.Poisson(), offset=offset).fit(tol=1e-12)
        assert 2 * (fit.log_likelihood - there.llf) == pytest.approx(3.8415, abs=0.02)


@pytest.mark.study
@pytest.mark.parametrize("alpha", [0.0, 1.0])
def test_limits_hold_the_truth_in_95_of_100(alpha: float) -> None:
    """200 drives of 0 to 300 A with some 40 disturbances."""
    study = LimitsStudy()
    for seed in range(200):
        rng = np.random.default_rng([seed, 11])
        covariates = np.column_stack([np.ones(300), rng.uniform(0, 3, 300)])
        mean = 0.03 * np.exp(0.9 * covariates[:, 1])
        mean = mean * rng.gamma(1 / alpha, alpha, 300) if alpha else mean
        counts, exposure = rng.poisson(mean).astype(float), np.ones(300)
        fit = fit_dispersed(counts, exposure, covariates)
        study.add(0.9, fit.coefficients[1], *profile_limits(counts, exposure, covariates, fit, 1))
    study.judge()


def test_variance_of_bins_that_are_alike_in_a_row_is_that_of_statsmodels() -> None:
    """Newey and West's, without its correction for few rows."""
    counts, exposure, covariates = made(5, alpha=1.2)
    counts = np.repeat(counts[::4], 4)  # four bins in a row are one
    model = sm.GLM(counts, covariates, family=sm.families.Poisson(), exposure=exposure)
    robust = model.fit(tol=1e-12, cov_type="HAC", cov_kwds={"maxlags": 6, "use_correction": False})
    fit = fit_counts(counts, exposure, covariates)
    theirs = np.maximum(robust.bse**2 / np.diag(fit.covariance), 1.0)
    assert hac_variance_ratio(counts, exposure, covariates, fit, 6) == pytest.approx(theirs, rel=1e-4)


@pytest.mark.study
def test_limits_hold_the_truth_where_bursts_last_for_several_bins() -> None:
    """The rate of each four bins in a row is multiplied by one gamma variate."""
    study = LimitsStudy()
    for seed in range(200):
        rng = np.random.default_rng(5000 + seed)
        rows = 600
        covariates = np.column_stack([np.ones(rows), 1.5 + 1.5 * np.sin(np.arange(rows) / rng.uniform(8, 20))])
        mean = np.exp(covariates @ [-1.5, 0.8]) * np.repeat(rng.gamma(0.5, 2.0, rows // 4), 4)
        counts, exposure = rng.poisson(mean).astype(float), np.ones(rows)
        fit = fit_dispersed(counts, exposure, covariates)
        widened = hac_variance_ratio(counts, exposure, covariates, fit, 20)[1]
        study.add(0.8, fit.coefficients[1], *profile_limits(counts, exposure, covariates, fit, 1, widened))
    study.judge()


def test_events_at_one_end_only_have_no_upper_limit() -> None:
    counts = np.array([0.0] * 50 + [1.0] * 10)
    covariates = np.column_stack([np.ones(60), np.repeat([0.0, 2.0], [50, 10])])
    fit = fit_counts(counts, np.ones(60), covariates)
    low, high = profile_limits(counts, np.ones(60), covariates, fit, 1)
    assert low > 0
    assert high == np.inf


def test_no_event_and_no_contrast_are_refused() -> None:
    with pytest.raises(ValueError, match="needs events"):
        fit_counts(np.zeros(5), np.ones(5), np.ones((5, 1)))
    with pytest.raises(ValueError, match="do not determine"):
        fit_counts(np.ones(5), np.ones(5), np.zeros((5, 2)))
    current = np.random.default_rng(14).uniform(0.0, 3.0, 50)  # speed that goes with it, in another unit
    with pytest.raises(ValueError, match="do not determine"):
        fit_counts(np.ones(50), np.ones(50), np.column_stack([np.ones(50), current, 0.3 * current + 0.1]))


def test_the_rate_s_limits_along_a_covariate_are_those_of_statsmodels() -> None:
    counts, exposure, covariates = made(3)
    theirs = sm.GLM(counts, covariates, family=sm.families.Poisson(), exposure=exposure).fit(tol=1e-12)
    rows = np.column_stack([np.ones(5), np.linspace(0, 3, 5), np.zeros(5)])
    expected = theirs.get_prediction(rows, exposure=np.ones(5)).summary_frame(alpha=0.05)
    rate, low, high = fit_counts(counts, exposure, covariates).rates(rows)
    assert rate == pytest.approx(expected["mean"].to_numpy(), rel=1e-5)
    assert low == pytest.approx(expected["mean_ci_lower"].to_numpy(), rel=1e-3)
    assert high == pytest.approx(expected["mean_ci_upper"].to_numpy(), rel=1e-3)
