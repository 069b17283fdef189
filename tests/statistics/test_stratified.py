"""Rates compared within cells: against published figures, statsmodels and simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
import statsmodels.stats.rates as sm_rates
from statsmodels.stats.multitest import multipletests

from logscope.statistics.holm import holm
from logscope.statistics.rates import rate_ratio
from logscope.statistics.stratified import Exposed, stratified_rate_ratio


def _one_unit(events: list[float], exposure: list[float]) -> Exposed:
    return Exposed(np.array([events], dtype=float), np.array([exposure], dtype=float))


# Coronary deaths and person-years of British doctors by age: Doll and Hill, 1966, as in many textbooks.
DOCTORS = (
    _one_unit([2, 12, 28, 28, 31], [18790, 10673, 5710, 2585, 1462]),
    _one_unit([32, 104, 206, 186, 102], [52407, 43248, 28612, 12663, 5317]),
)


def test_the_ratio_of_the_british_doctors_is_the_published_one() -> None:
    """Poisson regression with age levels gives 1.425519 (1.154984 to 1.759421), and Mantel and Haenszel's formula
    1.424682 (1.154703 to 1.757784): values from memory, of a statistics manual that uses these data."""
    found = stratified_rate_ratio(*DOCTORS)
    assert found is not None
    assert found.ratio.value == pytest.approx(1.425519, abs=1e-6)
    assert (found.ratio.low, found.ratio.high) == pytest.approx((1.154984, 1.759421), rel=0.02)
    assert found.dispersion == 1


def test_the_estimate_is_that_of_a_poisson_regression_with_a_level_a_cell() -> None:
    """statsmodels: GLM, Poisson family, logarithm of the exposure as offset."""
    rng = np.random.default_rng(11)
    for _ in range(10):
        exposure = rng.uniform(5, 80, (2, 6))
        events = rng.poisson(exposure * rng.uniform(0.05, 0.4, 6)).astype(float)
        found = stratified_rate_ratio(*(Exposed(events[[k]], exposure[[k]]) for k in (0, 1)))
        design = np.column_stack([np.tile(np.eye(6), (2, 1)), np.repeat([0, 1], 6)])
        kept = np.tile(events.sum(axis=0) > 0, 2)
        columns = [*(events.sum(axis=0) > 0), True]
        fit = sm.GLM(
            events.ravel()[kept],
            design[kept][:, columns],
            family=sm.families.Poisson(),
            exposure=exposure.ravel()[kept],
        ).fit()
        assert found is not None
        assert found.ratio.value == pytest.approx(np.exp(fit.params[-1]), rel=1e-5)


@pytest.mark.parametrize(("first", "second"), [((11, 800), (21, 3011)), ((0, 5), (4, 5)), ((3, 10), (0, 10))])
def test_one_cell_gives_the_exact_limits_of_two_poisson_rates(
    first: tuple[int, float], second: tuple[int, float]
) -> None:
    """Clopper–Pearson, as `rate_ratio`, whose published examples are in test_rates.py."""
    found = stratified_rate_ratio(*(_one_unit([count], [exposure]) for count, exposure in (first, second)))
    exact = rate_ratio(*second, *first)
    assert found is not None
    assert (found.ratio.value, found.ratio.low, found.ratio.high) == pytest.approx((exact.value, exact.low, exact.high))
    assert found.ratio.p_value == pytest.approx(exact.p_value)


def test_bursts_widen_the_limits_about_as_clustered_errors_do() -> None:
    """statsmodels: GLM, Poisson family, cov_type="cluster"; ours also allows for few units and for small counts."""
    rng = np.random.default_rng(5)
    exposure = rng.uniform(10, 40, (2, 25, 3))
    bursts = rng.poisson(exposure * np.array([0.02, 0.05, 0.12]))
    events = np.array([[[sum(rng.geometric(0.25, n)) for n in row] for row in side] for side in bursts], dtype=float)
    found = stratified_rate_ratio(Exposed(events[0], exposure[0]), Exposed(events[1], exposure[1]))
    design = np.column_stack([np.tile(np.eye(3), (50, 1)), np.repeat([0, 1], 75)])
    fit = sm.GLM(events.ravel(), design, family=sm.families.Poisson(), exposure=exposure.ravel()).fit(
        cov_type="cluster", cov_kwds={"groups": np.repeat(np.arange(50), 3)}
    )
    assert found is not None
    assert found.dispersion > 2
    ours = np.log(found.ratio.high / found.ratio.low)
    assert ours == pytest.approx(2 * 1.96 * fit.bse[-1], rel=0.35)
    assert ours > 2 * 1.96 * fit.bse[-1]


def test_a_margin_tests_against_the_nearest_ratio_that_would_not_matter() -> None:
    """statsmodels: test_poisson_2indep, exact conditional, one-sided at the edge of the margin, doubled."""
    found = stratified_rate_ratio(_one_unit([60], [100]), _one_unit([30], [100]), margin=0.1)
    edge = sm_rates.test_poisson_2indep(
        30, 100, 60, 100, value=1 / 1.1, method="exact-cond", compare="ratio", alternative="smaller"
    )
    assert found is not None
    assert found.ratio.p_value == pytest.approx(2 * edge.pvalue, rel=1e-6)


def test_without_a_shared_cell_there_is_no_ratio() -> None:
    assert stratified_rate_ratio(_one_unit([3, 0], [5, 0]), _one_unit([0, 2], [0, 9])) is None


def test_events_outside_the_shared_cells_do_not_count() -> None:
    found = stratified_rate_ratio(_one_unit([3, 90], [5, 10]), _one_unit([2, 0], [5, 0]))
    assert found is not None
    assert found.events == (3, 2)


def test_plain_poisson_counts_keep_the_level_and_bursts_too() -> None:
    """Simulation, no published source: no more than 5 % of claims where nothing changed, within its own error."""
    rng = np.random.default_rng(77)
    wrong = {1.0: 0, 0.3: 0}
    for chance in wrong:
        for _ in range(300):
            exposure = [rng.gamma(1.0, 8.0, (units, 6)) for units in (12, 30)]
            rate = np.array([0.01, 0.02, 0.03, 0.05, 0.08, 0.1]) * chance
            bursts = [rng.poisson(t * rate) for t in exposure]
            events = [np.where(b > 0, rng.negative_binomial(np.maximum(b, 1), chance) + b, 0) for b in bursts]
            found = stratified_rate_ratio(*(Exposed(n.astype(float), t) for n, t in zip(events, exposure, strict=True)))
            assert found is not None
            wrong[chance] += found.ratio.p_value < 0.05
    assert max(wrong.values()) <= 23  # 5 % of 300, and two standard deviations of that


def test_holm_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(3)
    for size in (1, 2, 7):
        p = rng.uniform(0, 0.2, size)
        assert holm(list(p)) == pytest.approx(multipletests(p, method="holm")[1])
