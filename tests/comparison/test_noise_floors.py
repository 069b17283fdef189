"""The noise floor of stretches of driving: which stretches count, by how much, and when rounding hides it."""

from __future__ import annotations

from math import exp, inf, log

import numpy as np
import pytest

from logscope.comparison.cells import Grid
from logscope.comparison.driving import Driving
from logscope.comparison.floor import _scaled, floors, weigh_floor
from logscope.comparison.outcome import Verdict
from logscope.findings import Measured
from logscope.measures import NoiseFloor, Scatter
from logscope.statistics.rates import Estimate

FLOOR = NoiseFloor("noise", "Noise", "rpm", "motor_speed", lambda signals, vehicle: None, 0.25)
GRID = Grid("s", "l", np.array([100.0, 2000.0, 4000.0]), np.array([0.0, 100.0]))
PERIOD_S = 0.01


def drive(*stretches: tuple[float, float], seed: int = 1, quantum: float = 0.0) -> tuple[Driving, Scatter]:
    """A stretch of 30 s after another, each with its speed and the standard deviation of white noise on it."""
    rng = np.random.default_rng(seed)
    ticks, samples = 600, round(30.0 / PERIOD_S)
    speed = np.repeat([each for each, _ in stretches], ticks)
    value = np.concatenate([each + sigma * rng.standard_normal(samples) for each, sigma in stretches])
    value = np.round(value / quantum) * quantum if quantum else value
    run = Driving(0.0, np.arange(speed.size), speed, np.full(speed.size, 50.0), np.ones(speed.size, np.bool_))
    return run, Scatter(0.001 + PERIOD_S * np.arange(value.size), value, quantum)


def test_each_stretch_has_the_floor_of_its_noise_and_weighs_its_minutes() -> None:
    level, weight, hidden = floors([drive((1000.0, 1.0), (3000.0, 4.0))], GRID)
    assert not hidden
    assert weight == pytest.approx(np.array([[0.5, 0.0], [0.0, 0.5]]), abs=1e-9)
    assert [exp(level[0, 0]), exp(level[1, 1])] == pytest.approx([1.0, 4.0], rel=0.1)


def test_a_run_without_the_signal_counts_for_nothing() -> None:
    run, scatter = drive((1000.0, 1.0))
    assert floors([(run, None)], GRID)[0].shape == (0, 2)
    assert floors([(run, None), (run, scatter)], GRID)[0].shape == (1, 2)


@pytest.mark.parametrize(("samples", "counts"), [(60, 1), (59, 0)])
def test_a_scatter_takes_sixty_samples(samples: int, counts: int) -> None:
    run, whole = drive((1000.0, 1.0))
    short = Scatter(whole.time_s[:samples], whole.value[:samples], 0.0)
    _, weight, _ = floors([(run, short)], GRID)
    assert np.count_nonzero(weight) == counts
    assert weight.sum() == pytest.approx(counts * 60 * PERIOD_S / 60.0)


@pytest.mark.parametrize(("samples", "counts"), [(60, 2), (59, 1)])
def test_each_cell_of_a_stretch_takes_as_many(samples: int, counts: int) -> None:
    run, scatter = drive((1000.0, 1.0))
    ticks = np.floor(scatter.time_s[samples] / 0.05)  # samples lie five to a tick
    speed = np.where(run.number < ticks, 3000.0, 1000.0)
    inside = int(np.count_nonzero(scatter.time_s < ticks * 0.05))
    drop = inside - samples if samples < inside else 0
    assert (inside, drop) in {(60, 0), (55, 0)}
    moved = Driving(0.0, run.number, speed, run.load, run.known)
    _, weight, _ = floors([(moved, scatter)], GRID)
    assert np.count_nonzero(weight) == counts


@pytest.mark.parametrize(
    ("noises", "hidden", "seen"),
    [
        # rounding to 1 scatters by 0.289; with 0.25 of its own that is 0.38, with 0.45 it is 0.53; the limit is 0.43
        ((0.25,), True, 0), ((0.45,), False, 1), ((0.25, 0.45), False, 1), ((0.25, 0.25, 0.45), True, 1),
    ],
)  # fmt: skip
def test_rounding_hides_a_floor_that_is_hardly_more_than_its_own(
    noises: tuple[float, ...], hidden: bool, seen: int
) -> None:
    """Rounding scatters by 1/√12 of a step: W. R. Bennett, Bell Syst. Tech. J. 27 (1948)."""
    _, weight, found = floors([drive(*[(1000.0, each) for each in noises], quantum=1.0)], GRID)
    assert found is hidden
    assert np.count_nonzero(weight) == seen


def test_halved_noise_is_better_by_its_ratio() -> None:
    sides = [[drive(*[(1000.0, sigma)] * 6, seed=seed)] for sigma, seed in ((2.0, 3), (1.0, 4))]
    found = weigh_floor(FLOOR, sides[0], sides[1], GRID)
    assert found.if_shown is Verdict.BETTER
    assert found.p_value is not None
    assert found.p_value < 1e-3
    for shown, value, unit in ((found.before, 2.0, "rpm"), (found.after, 1.0, "rpm"), (found.effect, 0.5, "1")):
        assert shown is not None
        assert shown.unit == unit
        assert shown.value == pytest.approx(value, rel=0.06)
        assert shown.low is not None
        assert shown.high is not None
        assert 0.8 * value < shown.low < value < shown.high < 1.25 * value
    assert found.exposure is not None
    assert (found.exposure.counts, found.exposure.units) == ((6.0, 6.0), "stretches of 30 s")
    assert found.exposure.all_min == pytest.approx((3.0, 3.0))
    assert found.reason == "A change of less than 25 % says nothing about the wiring."
    worse = weigh_floor(FLOOR, sides[1], sides[0], GRID)
    assert worse.if_shown is Verdict.WORSE


@pytest.mark.parametrize("turned", [False, True])
def test_what_keeps_floors_from_being_compared_is_said(turned: bool) -> None:
    good, fast = [drive(*[(1000.0, 2.0)] * 4)], [drive(*[(3000.0, 2.0)] * 4)]
    rounded = [drive(*[(1000.0, 0.25)] * 3, (1000.0, 0.6), quantum=1.0)]
    none = [(good[0][0], None)]
    for other, words in (
        (none, "One side has too little driving to determine the noise."),
        (rounded, "below the resolution of the logged values on at least one side"),
        (fast, "The two sides have too little driving at similar speed and load."),
    ):
        found = weigh_floor(FLOOR, *((other, good) if turned else (good, other)), GRID)  # type: ignore[misc]
        assert words in found.reason
        assert found.p_value is None


def test_limits_come_back_from_logarithms_and_an_unlimited_one_is_none() -> None:
    assert _scaled(Estimate(0.0, log(0.5), log(3.0)), "rpm") == Measured(
        1.0, "rpm", pytest.approx(0.5), pytest.approx(3.0)
    )
    assert _scaled(Estimate(0.0, -inf, inf), "1") == Measured(1.0, "1", 0.0, None)
