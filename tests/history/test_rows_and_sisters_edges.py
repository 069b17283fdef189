"""Noise over the stretches of a log, and which vehicles stand apart, at their edges; limits by scipy."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy import stats

from logscope.findings import Measured
from logscope.history.rows import Row, values_of
from logscope.history.series import series_of
from logscope.history.sisters import _of_measure, _Present
from logscope.measures import Aim, NoiseFloor, Repeated, Scatter
from logscope.result import Result
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.vehicle import Vehicle

START = datetime(2026, 3, 1, tzinfo=UTC)
RATIO = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)
PLAIN = replace(RATIO, name="volts", unit="V", ratio=False, margin=2.0)
AT = np.arange(0.0, 120.0, 0.05)
NOISE = np.random.default_rng(1).normal(0.0, 1.0, AT.size) * np.select(
    [AT < 30.0, AT < 60.0, AT < 90.0], [1.0, 2.0, 4.0], 3.0
)


@pytest.mark.parametrize("stretches", [1, 2, 4])
def test_noise_has_students_limits_over_the_stretches_of_a_log(stretches: int) -> None:
    """The load sweeps through its range in each stretch of half a minute, which is one cell all the same."""
    rows = 600 * stretches
    load = Part("motor_current", AT, 100.0 * (AT % 30.0) / 30.0, "A", "Made.A")
    speed = Part("motor_speed", AT, np.full(AT.size, 1000.0), "rpm", "Made.S")
    measure = NoiseFloor("n", "Noise", "rpm", "motor_speed", lambda *_: Scatter(AT[:rows], NOISE[:rows], 0.0), 0.1)
    made = cast(Result, SimpleNamespace(signals=Signals({p.name: p for p in (load, speed)}, 0.0, 120.0), findings=()))
    found = values_of(made, Vehicle(), [measure])["n"]
    levels = np.log([noise_floor(NOISE[600 * k : 600 * (k + 1)]) for k in range(stretches)])
    assert found.value == pytest.approx(np.exp(levels.mean()), rel=0.02)
    if stretches == 1:
        assert (found.low, found.high) == (None, None)
    else:
        low, high = np.exp(stats.t.interval(0.95, stretches - 1, levels.mean(), stats.sem(levels)))
        assert (found.low, found.high) == pytest.approx((low, high), rel=0.05)


def stands(measure: Repeated, name: str, values: list[float], half: float) -> _Present:
    """A vehicle with these values, each known to a share of it."""
    known = [Measured(v, measure.unit, v * (1 - half), v * (1 + half)) for v in values]
    rows = [Row(f"{k}.log", START + timedelta(days=10 * k), True, 60.0, {measure.name: v}) for k, v in enumerate(known)]
    series = series_of(measure, rows)
    assert series is not None
    return _Present(name, series, 0.01)


def present(name: str, value: float) -> _Present:
    return stands(RATIO, name, [value * (1 + 0.002 * (-1) ** k) for k in range(6)], 0.02)


def in_volts(name: str, value: float, half: float = 0.02) -> _Present:
    return stands(PLAIN, name, [value + 0.02 * (-1) ** k for k in range(6)], half)


@pytest.mark.parametrize(("away_V", "named"), [(1.5, []), (3.5, ["odd"])])
def test_a_difference_matters_in_its_own_unit(away_V: float, named: list[str]) -> None:
    """Two volts; of a ratio as much would be a factor of three."""
    alike = [in_volts(f"v{k}", 10.0 + 0.05 * k, 0.002) for k in range(4)]
    assert [each.vehicle for each in _of_measure(PLAIN, [*alike, in_volts("odd", 10.0 + away_V, 0.002)])] == named


def loosely(name: str, value: float) -> _Present:
    return stands(RATIO, name, [value] * 2, 0.5)


def test_the_surest_is_taken_out_first_and_no_more_than_the_others_outnumber() -> None:
    alike = [present(f"v{k}", 1.0 + 0.005 * k) for k in range(4)]
    found = _of_measure(RATIO, [*alike, loosely("far", 4.0), present("sure", 3.0)])
    assert found[0].vehicle == "sure"
    measure: Repeated = RATIO
    three = _of_measure(
        measure, [present(n, v) for n, v in (("a", 1.0), ("b", 1.0), ("c", 2.0), ("d", 8.0), ("e", 64.0))]
    )
    assert len(three) <= 2
