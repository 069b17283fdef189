"""The pieces of a first-order response by hand, by scipy and by statsmodels."""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import signal, stats
from scipy.optimize import curve_fit

from logscope.arrays import FloatArray
from logscope.statistics.first_order import (
    Branch,
    Problem,
    Response,
    _alike,
    _branch,
    _columns,
    _covariance,
    _range_s,
    _refined,
    _rounding_variance,
    _slow_power,
    _solve,
    _spanned,
    _where,
    _whitened,
    fit_response,
    follow,
)

SIZE = 60
ONE_STRETCH = np.zeros(SIZE, dtype=np.int64)
TWO = np.where(np.arange(SIZE) < 40, 3, 7).astype(np.int64)
LOAD = np.where((np.arange(SIZE) // 15) % 2 == 0, 0.0, 10.0)
ROWS = np.ones(SIZE, dtype=np.bool_)


def problem(value: FloatArray, **of: object) -> Problem:
    return Problem(value, np.full(SIZE, 20.0), LOAD[:, None], ONE_STRETCH, 2.0, **of)  # type: ignore[arg-type]


def heated(tau_s: float = 12.0, gain: float = 3.0, offset: float = 1.0) -> FloatArray:
    return 20.0 + offset + gain * follow(LOAD, 2.0, tau_s)


@pytest.mark.parametrize("tau_s", [0.5, 12.0, 300.0])
def test_means_behind_a_lag_are_those_of_scipys_linear_system(tau_s: float) -> None:
    """scipy.signal.lsim, a hundred samples a step."""
    fine = np.repeat(LOAD, 100)
    _, answer, _ = signal.lsim(([1.0], [tau_s, 1.0]), fine, 0.02 * np.arange(fine.size), interp=False)
    assert follow(LOAD, 2.0, tau_s) == pytest.approx(answer.reshape(SIZE, 100).mean(axis=1), abs=0.06)
    both = follow(np.column_stack([LOAD, 2.0 * LOAD]), 2.0, tau_s)
    np.testing.assert_allclose(both[:, 1], 2.0 * both[:, 0])


def test_columns_are_inputs_offset_and_the_start_of_each_stretch() -> None:
    made = replace(problem(heated()), stretch=TWO, reference=np.where(np.arange(SIZE) < 20, 20.0, 25.0))
    known, columns = _columns(made, 12.0)
    assert columns.shape == (SIZE, 4)
    np.testing.assert_allclose(columns[:40, 0], follow(LOAD[:40], 2.0, 12.0))
    np.testing.assert_allclose(columns[40:, 0], follow(LOAD[40:], 2.0, 12.0))  # from rest again
    assert columns[:, 1].tolist() == [1.0] * SIZE
    np.testing.assert_allclose(columns[:40, 2], np.exp(-np.arange(40) * 2.0 / 12.0))
    np.testing.assert_allclose(columns[40:, 3], np.exp(-np.arange(20) * 2.0 / 12.0))
    assert not columns[40:, 2].any()
    assert not columns[:40, 3].any()
    # the reference begins where it is, and is followed
    np.testing.assert_allclose(known[:40], 20.0 + follow(np.where(np.arange(40) < 20, 0.0, 5.0), 2.0, 12.0))
    assert known[40:].tolist() == pytest.approx([25.0] * 20)
    behind_known, behind = _columns(replace(made, lag_s=4.0), 12.0)
    np.testing.assert_allclose(behind[:40, 0], follow(columns[:40, 0], 2.0, 4.0))
    np.testing.assert_allclose(behind[:, 1:], columns[:, 1:])
    np.testing.assert_allclose(behind_known[:40], 20.0 + follow(known[:40] - 20.0, 2.0, 4.0))
    free, _ = _columns(replace(made, reference=None), 12.0)
    assert not free.any()


def test_the_linear_part_is_statsmodels_least_squares() -> None:
    """statsmodels OLS on the columns; then with an offset that is 0 to 0.5 beforehand, as one more row."""
    rng = np.random.default_rng(2)
    made = problem(heated() + rng.normal(0.0, 0.2, SIZE))
    known, columns = _columns(made, 12.0)
    fit = sm.OLS(made.value - known, columns).fit()
    found = _solve(made, ROWS, 12.0, 0.0)
    assert found.gains == pytest.approx(fit.params[:1], rel=1e-6)
    assert found.offset == pytest.approx(fit.params[1], rel=1e-6)
    assert found.residual == pytest.approx(fit.resid, abs=1e-8)
    assert found.fitted == pytest.approx(known + fit.fittedvalues, abs=1e-8)
    assert found.misfit == pytest.approx(fit.ssr)
    assert found.freedom == SIZE - 3 - 1  # the time constant is sought, too
    held = replace(made, offset_sd=0.5, noise=0.2)
    more = sm.OLS(np.append(made.value - known, 0.0), np.vstack([columns, [0.0, 0.2 / 0.5, 0.0]])).fit()
    found = _solve(held, ROWS, 12.0, 0.0)
    assert (found.gains[0], found.offset, found.misfit) == pytest.approx((more.params[0], more.params[1], more.ssr))


def test_rows_are_whitened_within_a_stretch_and_across_no_missing_one() -> None:
    value = np.arange(1.0, 7.0)
    rows, stretch = np.array([True, True, False, True, True, True]), np.array([0, 0, 0, 0, 0, 1])
    columns, wanted = _whitened(value[:, None], 10.0 * value, rows, stretch, 0.6)
    # alone: √(1 − 0.36) = 0.8 of it; after another: less 0.6 of that
    expected = [0.8, 2.0 - 0.6, 0.8 * 4.0, 5.0 - 0.6 * 4.0, 0.8 * 6.0]
    assert columns[:, 0].tolist() == pytest.approx(expected)
    assert wanted.tolist() == pytest.approx([10.0 * each for each in expected])


@pytest.mark.parametrize(
    ("residual", "alike"),
    [
        (np.repeat(np.tile([1.0, -1.0], 25), 4), (150 - 49) / 199), (np.tile([1.0, -1.0], 100), 0.0),
        (np.ones(200), 0.97), (np.zeros(200), 0.0),
    ],
)  # fmt: skip
def test_likeness_is_the_correlation_of_neighbours(residual: FloatArray, alike: float) -> None:
    every = np.ones(200, dtype=np.bool_)
    assert _alike(residual, every, np.zeros(200, dtype=np.int64)) == pytest.approx(alike)
    apart = np.repeat([1.0, -1.0], 100)
    stretch = (np.arange(200) >= 100).astype(np.int64)
    assert _alike(apart, every, stretch) == pytest.approx(0.97)  # the pair across does not count
    assert _alike(apart[98:102], every[:4], np.zeros(4, dtype=np.int64)) == pytest.approx(1 / 3)


def test_slow_power_is_that_of_newey_and_west() -> None:
    """statsmodels: the long-run variance of a mean with Bartlett's weights over 25 lags, over that of white noise."""
    rng = np.random.default_rng(6)
    slow = np.convolve(rng.normal(size=260), np.ones(8), "valid")[:200]
    stretch = np.zeros(200, dtype=np.int64)
    fit = sm.OLS(slow, np.ones(200)).fit(cov_type="HAC", cov_kwds={"maxlags": 25})
    weights = 1 - np.arange(26) / 26
    products = [float(slow[lag:] @ slow[: 200 - lag]) for lag in range(26)]
    found = _slow_power(slow, np.ones(200, dtype=np.bool_), stretch)
    assert found == pytest.approx(1.0 + 2.0 * np.dot(weights[1:], products[1:]) / products[0])
    centred = _slow_power(slow - slow.mean(), np.ones(200, dtype=np.bool_), stretch)
    assert centred == pytest.approx(fit.bse[0] ** 2 * 200 / np.mean((slow - slow.mean()) ** 2), rel=1e-6)
    assert _slow_power(np.tile([1.0, -1.0], 100), np.ones(200, dtype=np.bool_), stretch) == 0.5
    split = (np.arange(200) % 2).astype(np.int64)
    assert _slow_power(np.ones(200), np.ones(200, dtype=np.bool_), split) > 1.0
    assert _slow_power(np.ones(7), np.ones(7, dtype=np.bool_), stretch[:7]) == 1.0


def test_time_constants_are_sought_from_steps_to_a_multiple_of_the_length() -> None:
    assert _range_s(problem(heated())) == (3.0, 4.0 * SIZE * 2.0)
    assert _rounding_variance(problem(heated(), rounding=0.6), 0.8) == pytest.approx(0.36 / 12.0 * 0.36)


def test_the_best_time_constant_and_its_limits_are_where_the_misfit_says() -> None:
    """scipy.optimize.curve_fit of time constant, gain, offset and start."""
    rng = np.random.default_rng(3)
    made = problem(heated() + rng.normal(0.0, 0.3, SIZE))
    best_s = _refined(made, ROWS, 10.0, 0.0)

    def model(_: FloatArray, tau: float, gain: float, offset: float, start: float) -> FloatArray:
        return 20.0 + offset + gain * follow(LOAD, 2.0, tau) + start * np.exp(-np.arange(SIZE) * 2.0 / tau)

    fitted, covariance = curve_fit(model, np.arange(SIZE), made.value, (10.0, 2.0, 0.0, 0.0))
    assert best_s == pytest.approx(fitted[0], rel=0.01)
    solved = _solve(made, ROWS, best_s, 0.0)
    variance = solved.misfit / solved.freedom
    allowed = solved.misfit + 4.0 * variance
    for end_s, sign in zip(_range_s(made), (-1.0, 1.0), strict=True):
        limit = _where(made, ROWS, 0.0, best_s, end_s, allowed)
        assert sign * (limit - best_s) > 0.0
        assert _solve(made, ROWS, limit, 0.0).misfit == pytest.approx(allowed, rel=0.01)
    assert _where(made, ROWS, 0.0, best_s, best_s * 1.001, allowed) == best_s * 1.001
    found = _covariance(made, ROWS, best_s, 0.0, variance)
    assert found.shape == (2, 2)
    assert np.sqrt(np.diag(found)) == pytest.approx(np.sqrt(np.diag(covariance)[1:3]), rel=0.05)
    assert found[0, 1] / sqrt(found[0, 0] * found[1, 1]) == pytest.approx(
        covariance[1, 2] / sqrt(covariance[1, 1] * covariance[2, 2]), abs=0.05
    )
    branch = _branch(4, made, ROWS, best_s, 0.0, allowed, variance)
    assert (branch.which, branch.time_constant_s) == (4, best_s)
    assert branch.reach == pytest.approx(2.0)
    assert branch.low_s < best_s < branch.high_s
    assert branch.gains[0] == pytest.approx(fitted[1], rel=0.01)
    assert branch.offset == pytest.approx(fitted[2], abs=0.01)
    worse = _branch(0, made, ROWS, best_s, 0.0, solved.misfit - 9.0, variance)
    assert worse.reach == pytest.approx(1.0)  # one standard error at the smallest
    wide = _branch(0, made, ROWS, best_s, 0.0, 1e9, variance)
    assert (wide.low_s, wide.high_s) == (0.0, inf)


def branch(tau_s: float, low_s: float, high_s: float, gain: float, which: int = 0) -> Branch:
    return Branch(which, tau_s, low_s, high_s, np.array([gain, 1.0]), 2.0, np.diag([0.04, 0.01, 0.09]), 2.0)


def test_branches_give_sums_with_limits_and_the_best_one_leads() -> None:
    one, other = branch(10.0, 8.0, 12.0, 3.0), branch(20.0, 15.0, 30.0, 5.0, 1)
    assert one.sum(np.array([2.0, 1.0]), 0.0) == pytest.approx((7.0, 7.0 - 2 * sqrt(0.17), 7.0 + 2 * sqrt(0.17)))
    assert one.sum(np.array([0.0, 0.0]), 1.0) == pytest.approx((2.0, 1.4, 2.6))
    found = Response((one, other), np.zeros(1), 0.1)
    assert found.time_constant_s == (10.0, 8.0, 30.0)
    at = found.at(np.array([1.0, 0.0]), np.array([1.0, 0.0]))
    assert at == pytest.approx((3.0, 2.6, 5.4))
    level = found.level(np.array([1.0, 0.0]), np.array([0.0, 0.0]))
    assert level == pytest.approx((5.0, 1.4, 5.0 + 2 * sqrt(0.13)))
    assert _spanned([(1.0, 0.5, 2.0), (9.0, 0.7, 3.0)]) == (1.0, 0.5, 3.0)


@pytest.mark.parametrize(("rows", "fits"), [(20, True), (19, False)])
def test_a_fit_takes_twenty_rows_and_a_gain_above_zero(rows: int, fits: bool) -> None:
    rng = np.random.default_rng(4)
    value = heated() + rng.normal(0.0, 0.05, SIZE)
    kept = np.where((np.arange(SIZE) >= 12) & (np.arange(SIZE) < 12 + rows), value, np.nan)
    assert (fit_response(problem(kept)) is not None) is fits
    assert fit_response(problem(40.0 - heated(offset=0.0) + rng.normal(0.0, 0.05, SIZE))) is None
    found = fit_response(problem(value))
    assert found is not None
    assert found.scatter == pytest.approx(0.05, rel=0.25)
    assert found.time_constant_s[0] == pytest.approx(12.0, rel=0.03)
    assert found.branches[0].gains[0] == pytest.approx(3.0, rel=0.02)
    assert found.fitted == pytest.approx(heated(), abs=0.1)


def test_inputs_that_fit_worse_or_with_a_gain_below_zero_are_no_branches() -> None:
    """Beside the true input: the same halved, upside down, and with noise that leaves 1.04 and 1.39 times as much."""
    made = problem(heated() + np.random.default_rng(6).normal(0.0, 0.5, SIZE))
    noise = np.random.default_rng(1).standard_normal(SIZE)
    others = (LOAD / 2.0, 10.0 - LOAD + 0.3 * noise, LOAD + 0.13 * noise, LOAD + 0.5 * noise)
    found = fit_response(made, *(replace(made, inputs=each[:, None]) for each in others))
    assert found is not None
    assert sorted(each.which for each in found.branches) == [0, 1, 3]
    gains = {each.which: each.gains[0] for each in found.branches}
    assert gains[1] == pytest.approx(2.0 * gains[0], rel=0.01)
    assert found.branches[0].reach == pytest.approx(stats.f.ppf(0.95, 1, SIZE - 4) ** 0.5, rel=1e-3)
    assert min(each.reach for each in found.branches) >= 1.0  # one standard error at the smallest
