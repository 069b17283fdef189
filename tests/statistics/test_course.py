"""Steps and a slope over time: the division against ruptures, the place against the Nile, sizes against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
import statsmodels.api as sm
from scipy import stats

from logscope.statistics.course import Course, course
from logscope.statistics.partition import FEWEST, drawn_in, partition, scatter

WHERE = np.arange(60)


def found(y: np.ndarray, deviation: float = 1.0, groupings: tuple[np.ndarray, ...] = ()) -> Course:
    whole = course(np.arange(y.size, dtype=float), y, np.full(y.size, deviation), groupings)
    assert whole is not None
    return whole


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("penalty", [3.0, 8.0, 30.0])
def test_the_division_is_the_one_of_smallest_cost(seed: int, penalty: float) -> None:
    """ruptures, Pelt with the cost of least squares; unequal deviations have no counterpart there."""
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(80) + 2.0 * rng.integers(-2, 3, 4).repeat(20)
    expected = ruptures.Pelt(model="l2", min_size=FEWEST, jump=1).fit(y).predict(pen=penalty)[:-1]
    assert partition(y, np.ones(80), penalty) == tuple(expected)


def test_the_drop_of_the_nile_is_dated_as_published() -> None:
    """Annual flow at Aswan (statsmodels' copy). Cobb, Biometrika 65 (1978): it drops after 1898.

    strucchange of R gives the same year with 1895 to 1902 at 95 %, by Bai's approximation.
    """
    flow = sm.datasets.nile.load_pandas().data.volume.to_numpy(dtype=np.float64)
    (step,) = found(flow, 125.0).steps
    assert 1871 + step.at - 1 == 1898
    assert 1895 <= 1871 + step.earliest - 1 <= 1898 <= 1871 + step.latest - 1 <= 1902
    assert (step.before.value, step.after.value) == pytest.approx((flow[:28].mean(), flow[28:].mean()))


def test_sizes_and_limits_are_those_of_weighted_least_squares_with_the_places_given() -> None:
    """statsmodels' WLS on an intercept, two steps and a slope, scaled by its residuals."""
    rng = np.random.default_rng(4)
    x, deviation = np.sort(rng.uniform(0, 100, 60)), rng.uniform(0.5, 1.5, 60)
    late, later = (WHERE >= 20).astype(float), (WHERE >= 40).astype(float)
    y = 0.3 * x + 30.0 * late - 20.0 * later + 2.0 * deviation * rng.uniform(-1.7, 1.7, 60)
    whole = course(x, y, deviation)
    assert whole is not None
    assert [step.at for step in whole.steps] == [20, 40]
    fit = sm.WLS(y, np.column_stack([np.ones(60), late, later, x]), weights=deviation**-2.0).fit()
    sizes = [*(step.change for step in whole.steps), whole.slope]
    wider = np.sqrt(56 / 54) * stats.t(54).ppf(0.975)  # each place takes a degree of freedom more
    for size, value, error in zip(sizes, fit.params[1:], fit.bse[1:], strict=True):
        assert size is not None
        assert size.value == pytest.approx(value)
        assert size.high - size.value == pytest.approx(wider * error)


@pytest.mark.parametrize("times", [1.0, 2.0, 5.0])
def test_the_scatter_of_neighbours_is_in_units_of_their_own_deviations(times: float) -> None:
    """A difference of two normals is normal with the root of both variances (any textbook)."""
    rng = np.random.default_rng(2911)
    deviation = rng.uniform(0.5, 4.0, 40_000)
    level = np.repeat([0.0, 50.0, -20.0, 10.0], 10_000)  # steps between neighbours do not count
    assert scatter(level + times * deviation * rng.normal(size=level.size), deviation) == pytest.approx(times, rel=0.02)
    assert scatter(level + 0.1 * deviation * rng.normal(size=level.size), deviation) == 1.0


def test_several_steps_are_found_and_placed() -> None:
    rng = np.random.default_rng(7)
    level = np.select([WHERE < 15, WHERE < 30, WHERE < 45], [0.0, 6.0, 2.0], 8.0)
    right = 0
    for _ in range(50):
        steps = found(level + rng.standard_normal(60)).steps
        right += len(steps) == 3 and all(abs(s.at - at) <= 1 for s, at in zip(steps, (15, 30, 45), strict=True))
    assert right >= 48


def test_the_interval_of_a_place_holds_it() -> None:
    """Nominal 95 %; of a step of twice the scatter."""
    rng = np.random.default_rng(8)
    held = []
    for _ in range(200):
        at = int(rng.integers(15, 45))
        steps = found(rng.standard_normal(60) + 2.0 * (at <= WHERE)).steps
        held += [step.earliest <= at <= step.latest for step in steps[:1]]
    assert len(held) > 150
    assert np.mean(held) >= 0.93


@pytest.mark.parametrize("tailed", [False, True])
def test_scatter_alone_has_no_steps(tailed: bool) -> None:
    """Nominal size: 1 of 100; with the tails of Student's t with four degrees of freedom a few more."""
    rng = np.random.default_rng(9)
    draw = (lambda: rng.standard_t(4, 60)) if tailed else (lambda: rng.standard_normal(60))
    claims = [bool((one := found(draw())).steps) or one.slope is not None for _ in range(150)]
    assert np.mean(claims) < (0.05 if tailed else 0.03)


def test_seasons_and_a_slow_rise_are_no_steps() -> None:
    """A wave of three times the scatter, one and a half periods long."""
    rng = np.random.default_rng(10)
    waves = [3.0 * np.sin(WHERE / 6.4 + rng.uniform(0, 6)) + rng.standard_normal(60) for _ in range(60)]
    rises = [WHERE / 6.0 + rng.standard_normal(60) for _ in range(60)]
    assert np.mean([bool(found(wave).steps) for wave in waves]) < 0.25
    assert np.mean([bool(found(rise).steps) for rise in rises]) < 0.05
    assert np.mean([found(rise).slope is not None for rise in rises]) > 0.95


def test_two_logs_that_stand_apart_are_no_level() -> None:
    y = np.tile([0.3, -0.3, 0.1], 20)
    y[30:32] = 9.0
    assert not found(y).steps
    y[30:33] = 9.0
    assert [step.at for step in found(y).steps] == [30, 33]
    calm = np.full(60, 0.1)
    drawn = drawn_in(y, calm)
    assert np.array_equal(drawn[30:33], y[30:33])  # a level of three survives
    assert scatter(y, calm) > 1.0


def test_a_step_that_comes_with_another_group_is_confounded_and_one_within_a_group_is_not() -> None:
    rng = np.random.default_rng(11)
    y = rng.standard_normal(60) + 8.0 * (WHERE >= 30)
    (alone,) = found(y, 1.0, ((WHERE >= 30).astype(np.intp), (WHERE >= 10).astype(np.intp))).steps
    assert alone.confounded == (0,)
    (within,) = found(y, 1.0, ((WHERE >= 10).astype(np.intp),)).steps
    assert within.confounded == ()
    assert within.change.value == pytest.approx(8.0, abs=1.5)


def test_groups_by_turns_are_no_steps_and_hide_none() -> None:
    """Two ways of logging, five logs each by turns, which read four apart."""
    rng = np.random.default_rng(12)
    way = ((WHERE // 5) % 2).astype(np.intp)
    claims = [
        step.confounded == ()
        for _ in range(20)
        for step in found(4.0 * way + rng.standard_normal(60), 1.0, (way,)).steps
    ]
    assert sum(claims) <= 1
    stepped = 4.0 * way + 6.0 * (WHERE >= 30) + rng.standard_normal(60)
    assert any(step.at == 30 and step.confounded == () for step in found(stepped, 1.0, (way,)).steps)


def test_too_few_points_have_no_course() -> None:
    assert course(np.arange(2.0), np.arange(2.0), np.ones(2)) is None
    assert course(np.zeros(5), np.arange(5.0), np.ones(5)) is None
