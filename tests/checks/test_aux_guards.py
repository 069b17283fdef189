"""What is called wrong on the 12 V side, guard by guard: each row of a table needs one of them.

The limits are the project's own (common practice, no published source); what is compared with them is made by hand.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from aux_traces import STATED, Made, claims, found
from limits_study import LimitsStudy

from logscope.checks.aux_supply.backfeed import Fed
from logscope.checks.aux_supply.levels import lowest
from logscope.checks.aux_supply.resistance import HIGH_OHM, Resistances
from logscope.checks.aux_supply.side import Side
from logscope.checks.aux_supply.supply import _empty, highest_level
from logscope.checks.aux_supply.text import fall_sentence
from logscope.findings import Measured
from logscope.observations.under_load import UnderLoad, resistance_by_steps
from logscope.physics.lead_acid import HIGHEST_CHARGING_V
from logscope.signals import Part
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Vehicle


def slope(low: float, high: float) -> Slope:
    return Slope((low + high) / 2, low, high, 0.01, 5)


@pytest.mark.parametrize(
    ("low", "high", "named"),
    [(0.9, 0.95, False), (0.9, 2.0, False), (0.99, 1.6, False), (1.01, 1.6, True), (1.5, 1.6, True)],
)
@pytest.mark.parametrize("which", ["battery", "converter", "source", "cable"])
def test_a_resistance_is_too_high_where_all_of_its_limits_are(low: float, high: float, named: bool, which: str) -> None:
    """In parts of 0.1 Ω."""
    low, high = low * HIGH_OHM, high * HIGH_OHM
    of = dict.fromkeys(("battery", "converter", "source", "cable"))
    of[which] = Measured((low + high) / 2, "ohm", low, high) if which == "cable" else slope(low, high)
    worst = Resistances(**of).high
    assert (worst is not None) is named
    if worst is not None:
        assert (worst[1].low, worst[1].high) == (low, high)


def test_of_several_resistances_the_highest_that_is_sure_is_named() -> None:
    surely, perhaps = slope(0.12, 0.14), slope(0.05, 0.5)
    worst = Resistances(battery=surely, converter=perhaps, source=slope(0.15, 0.17), cable=None).high
    assert worst is not None
    assert worst[1].value == pytest.approx(0.16)


@pytest.mark.parametrize(
    ("aux_max_V", "converter_V", "highest_V"),
    [
        (None, None, HIGHEST_CHARGING_V),
        (15.0, None, 15.0),
        (16.0, None, 16.0),  # who states a limit knows the battery
        (None, 13.8, 14.3),
        (15.0, 13.8, 14.3),  # 0.5 V is what two meters and a cable differ by
        (14.0, 13.8, 14.0),
    ],
)
def test_the_highest_level_is_the_lowest_of_those_stated(
    aux_max_V: float | None, converter_V: float | None, highest_V: float
) -> None:
    vehicle = Vehicle.model_validate({"limits": {"aux_max_V": aux_max_V}, "aux": {"converter_V": converter_V}})
    assert highest_level(vehicle)[0] == pytest.approx(highest_V)


@pytest.mark.parametrize(("converter_V", "claimed"), [(13.8, []), (14.0, []), (14.7, [("aux.supply", "over_voltage")])])
def test_a_converter_above_its_set_point_is_named_below_the_stated_limit(
    converter_V: float, claimed: list[tuple[str, str]]
) -> None:
    """Stated are 13.8 V and a limit of 15 V; at the loads' mean it stands some 0.2 V below its own terminals."""
    assert claims(found(Made(converter_V=converter_V), vehicle=STATED)) == claimed


AT = np.arange(0.0, 100.0, 0.1)
PART = Part("pump current", AT, np.zeros(AT.size), "A", "Made.Pump")
FED = Fed(
    "pump", "current", PART, PART, spans=((10.0, 50.0),), level=Measured(10.0, "A", 9.9, 10.1), share=1.0, through=(),
    ends=0, changes=True, off_s=60.0, by_own=None,
)  # fmt: skip
FANS = ("fan",)
SURE = {
    "for 40 s": (FED, True),
    "for 20 s, which a run-on may last": (replace(FED, spans=((10.0, 30.0),)), False),
    "for 20 s, with another switch": (replace(FED, spans=((10.0, 30.0),), through=FANS), True),
    "for 4 s, with another switch": (replace(FED, spans=((10.0, 14.0),), through=FANS), False),
    "for 40 s in pieces": (replace(FED, spans=tuple((k, k + 2.0) for k in range(0, 80, 4))), True),
    "for 40 s, without a change of its reading": (replace(FED, changes=False), False),
    "for 20 s, and ends by itself": (replace(FED, spans=((10.0, 30.0),), ends=1), False),
    "for 40 s in pieces that end by themselves": (
        replace(FED, spans=tuple((k, k + 2.0) for k in range(0, 80, 4)), ends=20), False,
    ),
    "for 40 s, and ends by itself": (replace(FED, ends=1), True),
    "with another switch, never with its own": (replace(FED, through=FANS, by_own=False), False),
    "with another switch, and with its own": (replace(FED, through=FANS, by_own=True), True),
}  # fmt: skip


@pytest.mark.parametrize("name", SURE)
def test_a_load_is_surely_fed_by_a_second_path_where_nothing_else_looks_the_same(name: str) -> None:
    """A run-on ends by itself within half a minute; what follows another switch is seen sooner."""
    fed, sure = SURE[name]
    assert fed.sure is sure


def test_limits_of_a_resistance_hold_it_where_a_slow_sensor_repeats_its_readings() -> None:
    """One step at a known resistance (several would show it by their scatter); at 50 Hz, every fifth reading is new."""
    study, period_s, fresh_s, noise_v = LimitsStudy(), 0.02, 0.1, 0.02
    for seed in range(7500, 7700):
        rng = np.random.default_rng(seed)
        ohm, at = rng.uniform(0.01, 0.05), np.arange(0.0, 10.0, period_s)
        amps = np.where(at < 5.0, 5.0, rng.uniform(25.0, 45.0))
        noise = np.repeat(rng.normal(0.0, noise_v, at.size // 5), 5)
        volts = 13.8 - ohm * amps + noise
        load = UnderLoad(at, volts, amps, np.zeros(at.size), 0.0, period_s, fresh_s, noise_v, 1e-3)
        slope = resistance_by_steps(load, 10.0)
        assert slope is not None
        study.of(ohm, slope)
    study.judge()


@pytest.mark.parametrize(
    ("fall", "left", "text"),
    [
        (Measured(-0.02, "V/min", -0.05, -0.01), None, "falls by 0.020\xa0V/min (95 %: 0.010 to 0.050\xa0V/min)."),
        (Measured(-0.02, "V/min", -0.05, 0.01), None, "shows no fall beyond its interval."),
        (Measured(0.02, "V/min", 0.01, 0.05), None, "shows no fall beyond its interval."),
        (None, None, ""),
        (Measured(-0.02, "V/min", -0.05, -0.01), Measured(60.0, "min", 24.0, 120.0), "Extrapolated time to 11.8 V: 60"),
    ],
)
def test_the_fall_of_a_battery_is_said_as_a_positive_number_with_its_limits_in_order(
    fall: Measured | None, left: Measured | None, text: str
) -> None:
    assert text in fall_sentence(fall, left, 11.8)


@pytest.mark.parametrize(
    ("level_V", "empty"),
    [
        (11.30, True),
        (11.38, True),  # noise of 50 mV and half a step of 20 mV leave it up to 11.49 V
        (11.40, False),  # six cells at 1.75 V, and a volt for the load of the controllers, are 11.5 V
        (11.60, False),
    ],
)
@pytest.mark.parametrize("linked", [True, False])
def test_a_battery_is_nearly_empty_where_all_of_its_interval_is_below_the_limit(
    level_V: float, empty: bool, linked: bool
) -> None:
    at = np.arange(0.0, 20.0, 0.1)
    runs = at >= 10.0
    side = SimpleNamespace(
        time_s=at, volts=np.where(runs, 13.8, level_V), noise_V=0.05, step_V=0.02, running=runs.astype(float),
        linked=runs.astype(float) if linked else np.full(at.size, np.nan),
    )  # fmt: skip
    found = list(_empty(cast(Side, side)))
    assert [problem.cause for problem in found] == (["empty_battery"] if empty else [])
    for problem in found:
        level = problem.level
        assert (level.value, level.low, level.high) == pytest.approx((level_V, level_V - 0.11, level_V + 0.11))


def test_the_lowest_reading_may_have_been_lower_and_is_known_from_above_by_half_a_step() -> None:
    side = SimpleNamespace(time_s=np.arange(4.0), volts=np.array([12.0, 9.4, 11.0, 12.0]), step_V=0.2)
    found = lowest(cast(Side, side))
    assert (found.volts.value, found.volts.low, found.time_s) == (9.4, None, 1.0)
    assert found.volts.high == pytest.approx(9.5)


@pytest.mark.parametrize("steps", [1, 4])
@pytest.mark.parametrize(("noise_v", "noise_a", "rounding_v"), [(0.5, 1e-6, 0.0), (1e-6, 2.0, 0.0), (1e-6, 1e-6, 0.1)])
def test_a_resistance_is_as_unsure_as_the_means_on_both_sides_of_its_steps(
    steps: int, noise_v: float, noise_a: float, rounding_v: float
) -> None:
    """The difference of two means of 30 readings each, over 100 A; R = |ΔU|/|ΔI| (IEC 62660-1) of 0.1 Ω.

    Scatter shrinks with the number of steps, the rounding of two levels that come again does not.
    """
    at = np.arange(0.0, 4.0 * (steps + 1), 0.01)
    amps = 100.0 * (np.floor(at / 4.0) % 2)
    load = UnderLoad(at, 350.0 - 0.1 * amps, amps, np.zeros(at.size), 0.0, 0.01, 0.01, noise_v, noise_a, rounding_v)
    found = resistance_by_steps(load)
    assert found is not None
    scatter = np.sqrt(2.0) * np.hypot(noise_v, 0.1 * noise_a) / np.sqrt(30.0) / 100.0 / np.sqrt(steps)
    half = 1.96 * np.hypot(scatter, np.sqrt(2.0) * rounding_v / 100.0 / np.sqrt(min(steps, 2)))
    assert found.value == pytest.approx(0.1)
    assert (found.low, found.high) == pytest.approx((0.1 - half, 0.1 + half), rel=1e-3)
