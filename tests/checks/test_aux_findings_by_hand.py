"""What the check of the 12 V side puts into its findings, by pieces made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import blocks, logged, read, side_of, state

from logscope.checks.aux_supply.check import (
    _dips,
    _evidence,
    _fall,
    _level_values,
    _loads,
    _no_side,
    _supply,
    _undetermined,
    aux_supply,
)
from logscope.checks.aux_supply.levels import Lowest
from logscope.checks.aux_supply.resistance import Resistances
from logscope.checks.aux_supply.supply import Levels, Problem
from logscope.findings import Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.signals import Load, MissingPart
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Vehicle

NAN = float("nan")
t = np.arange(0.0, 60.0, 0.1)
NONE = Resistances(None, None, None, None)
STATED = Vehicle.model_validate(
    {"limits": {"aux_min_V": 11.8, "aux_max_V": 15.0}, "aux": {"converter_V": 13.8, "coil_hold_V": 7.5}}
)


def falling(low: float | None, high: float | None, from_V: float | None = 12.4, value: float = -0.001) -> Levels:
    return Levels(None, None, None, Measured(value, "V/s", low, high), from_V)


@pytest.mark.parametrize(
    ("levels", "least_V", "per_min", "left"),
    [
        (falling(-0.002, -0.0005), 11.8, (-0.06, -0.12, -0.03), (600.0, 300.0, 1200.0)),
        (falling(-0.002, -0.0005), None, (-0.06, -0.12, -0.03), None),
        (falling(-0.002, -0.0005, None), 11.8, (-0.06, -0.12, -0.03), None),
        (falling(-0.002, 0.0), 11.8, (-0.06, -0.12, 0.0), None),
        (falling(-0.002, 0.0001), 11.8, (-0.06, -0.12, 0.006), None),
        (falling(-0.002, -0.0005, 11.7), 11.8, (-0.06, -0.12, -0.03), (0.0, 0.0, 0.0)),
        (falling(-2e-5, -5e-6, 12.66, -1e-5), 11.8, (-0.0006, -0.0012, -0.0003), (86000.0, 43000.0, 172000.0)),
        (falling(-2e-5, -5e-6, 12.67, -1e-5), 11.8, (-0.0006, -0.0012, -0.0003), None),  # later than in a day
        (falling(None, -0.0005), 11.8, None, None),
        (falling(-0.002, None), 11.8, None, None),
        (Levels(None, None, None, None, 12.4), 11.8, None, None),
    ],
)
def test_a_fall_is_said_per_minute_with_the_time_it_leaves(
    levels: Levels,
    least_V: float | None,
    per_min: tuple[float, float, float] | None,
    left: tuple[float, float, float] | None,
) -> None:
    """0.6 V at 1 mV/s are 600 s; the steeper limit is the sooner."""

    def measured(values: tuple[float, float, float] | None, unit: str) -> Measured | None:
        if values is None:
            return None
        value, low, high = (pytest.approx(each) for each in values)
        return Measured(value, unit, low, high)

    assert _fall(levels, least_V) == (measured(per_min, "V/min"), measured(left, "s"))


def test_measured_levels_have_their_names() -> None:
    low, fall, left = Lowest(Measured(11.0, "V"), 3.0), Measured(-0.1, "V/min"), Measured(60.0, "s")
    levels = Levels(blocks([13.8] * 3), blocks([13.9] * 3), blocks([12.5] * 3), None, None)
    slope = Slope(0.02, 0.01, 0.03, 0.01, 4)
    found = _level_values(levels, low, Resistances(slope, slope, slope, None), fall, left)
    assert {name: each.value for name, each in found.items()} == pytest.approx(
        {
            "lowest_V": 11.0, "converter_level_V": 13.8, "set_point_V": 13.9, "battery_level_V": 12.5,
            "converter_resistance_ohm": 0.02, "fall_V_per_min": -0.1, "time_to_lowest_s": 60.0,
        }
    )  # fmt: skip
    nothing = _level_values(Levels(None, None, None, None, None), low, NONE, None, None)
    assert nothing == {"lowest_V": low.volts}


@pytest.mark.parametrize(
    ("cause", "vehicle", "levels"),
    [
        ("stopped", STATED, (Level(11.8, "lowest permitted", "aux_voltage"),)),
        (
            "over_voltage",
            STATED,
            (
                Level(11.8, "lowest permitted", "aux_voltage"),
                Level(14.3, "highest permitted: converter_V and 0.5 V", "aux_voltage"),
            ),
        ),
        ("stopped", Vehicle(), ()),
    ],
)
def test_a_problem_is_shown_at_its_first_span_with_the_limits(
    cause: str, vehicle: Vehicle, levels: tuple[Level, ...]
) -> None:
    problem = Problem(cause, ((10.0, 20.0), (30.0, 40.0)), Measured(12.0, "V"))
    found = _evidence(problem, Lowest(Measured(11.0, "V"), 3.0), vehicle)
    assert (found.marks, found.levels, found.window) == ((Mark(3.0, "lowest"),), levels, (10.0, 20.0))


VOLTAGE = read("aux_voltage", t, 12.3)


def test_every_problem_is_a_finding_the_first_with_the_measured_levels() -> None:
    """The converter stops at 20 s with its link on; before that it stood at 14.6 V, after 50 s nothing is known."""
    running = np.where(t < 20.0, 1.0, np.where(t < 50.0, 0.0, NAN))
    side = side_of(t, np.where(t < 20.0, 14.6, 12.3 - 0.001 * t), running=running, linked=1.0, settled=t < 50.0)
    stopped, high = _supply(side, NONE, logged(VOLTAGE), STATED)
    assert (stopped.kind, stopped.cause, stopped.severity) == ("aux.supply", "stopped", Severity.WARNING)
    assert (stopped.start_s, stopped.end_s) == pytest.approx((20.0, 49.9))
    assert stopped.parts == ("aux_voltage",)
    assert list(stopped.measured) == [
        "level_V", "lowest_V", "converter_level_V", "battery_level_V", "fall_V_per_min", "time_to_lowest_s",
    ]  # fmt: skip
    assert stopped.measured["fall_V_per_min"].value == pytest.approx(-0.06, rel=0.01)
    assert "falls by" in stopped.explanation
    assert (high.cause, high.severity, list(high.measured)) == ("over_voltage", Severity.WARNING, ["level_V"])
    assert "falls by" not in high.explanation
    assert (high.start_s, high.end_s) == pytest.approx((0.0, 20.0), abs=0.1)


def test_a_stop_that_motion_alone_shows_informs() -> None:
    side = side_of(t, np.where(t < 20.0, 13.8, 12.3), running=(t < 19.95).astype(float), moves=t > 20.0)
    (found,) = _supply(side, NONE, logged(VOLTAGE), STATED)
    assert (found.cause, found.severity) == ("stopped", Severity.INFO)


@pytest.mark.parametrize(
    ("running", "linked", "stale", "severity"),
    [
        (np.ones(t.size), 1.0, (), Severity.GOOD),
        (np.ones(t.size), 1.0, ((5.0, 9.0),), Severity.INFO),
        (np.zeros(t.size), NAN, (), Severity.INFO),  # it is not seen to run
        (np.where((t > 20.0) & (t < 40.0), 0.0, 1.0), NAN, (), Severity.INFO),  # it may have stopped
    ],
)
def test_a_sound_supply_is_good_where_the_converter_surely_ran(
    running: np.ndarray, linked: float, stale: tuple[tuple[float, float], ...], severity: Severity
) -> None:
    side = side_of(t, np.where(t == t[30], 13.4, 13.5), running=running, linked=linked, stale=stale)
    (found,) = _supply(side, NONE, logged(VOLTAGE), STATED)
    assert (found.kind, found.severity, found.cause) == ("aux.supply", severity, None)
    assert (found.start_s, found.end_s) == pytest.approx((0.0, 59.9))
    assert found.evidence.marks == (Mark(pytest.approx(3.0), "lowest"),)
    assert found.measured["lowest_V"].value == 13.4


STEPS = np.arange(0.03, 60.0, 0.1)


def closing(low_V: float, name: str = "main_contactor"):
    volts = np.where((t > 30.15) & (t < 30.35), low_V, 12.5)
    return side_of(t, volts, step_V=0.1), logged(VOLTAGE, state(name, STEPS, STEPS > 30.0))


SLOPE = Slope(0.3, 0.2, 0.4, 0.01, 5)
SMALL = Slope(0.03, 0.02, 0.04, 0.01, 5)


@pytest.mark.parametrize(
    ("low_V", "name", "vehicle", "ohms", "severity", "cause"),
    [
        (7.44, "main_contactor", STATED, NONE, Severity.WARNING, "coil_hold"),  # half a step is 50 mV
        (7.46, "main_contactor", STATED, NONE, Severity.GOOD, None),
        (7.44, "coolant_pump", STATED, NONE, Severity.GOOD, None),
        (8.94, "main_contactor", Vehicle(), NONE, Severity.WARNING, "coil_hold"),  # three quarters of 12 V
        (8.96, "main_contactor", Vehicle(), NONE, Severity.GOOD, None),
        (12.0, "main_contactor", STATED, Resistances(SLOPE, None, None, None), Severity.WARNING, "source_resistance"),
        (7.0, "main_contactor", STATED, Resistances(SLOPE, None, None, None), Severity.WARNING, "source_resistance"),
        (12.0, "main_contactor", STATED, Resistances(SMALL, None, None, None), Severity.GOOD, None),
    ],
)
def test_a_dip_warns_below_what_coils_need_and_with_a_high_resistance(
    low_V: float, name: str, vehicle: Vehicle, ohms: Resistances, severity: Severity, cause: str | None
) -> None:
    side, signals = closing(low_V, name)
    found = _dips(side, ohms, signals, vehicle)[0]
    assert (found.kind, found.severity, found.cause) == ("aux.dip", severity, cause)
    assert found.measured["deepest_V"].value == pytest.approx(12.5 - low_V)
    assert found.measured["count"] == Measured(1.0, "1")
    assert ("low_voltage_battery_ohm" in found.measured) is (ohms is not NONE)
    if name == "main_contactor":
        lowest = found.measured["closing_lowest_V"]
        assert (lowest.value, lowest.low, lowest.high) == (low_V, None, pytest.approx(low_V + 0.05))
    else:
        assert "closing_lowest_V" not in found.measured
    assert found.evidence.marks == (Mark(pytest.approx(29.78), name.replace("_", " ")),)
    assert found.parts == ("aux_voltage", name)
    assert (found.start_s, found.end_s) == pytest.approx((0.0, 59.9))


def test_the_lowest_of_several_closings_counts_and_dips_are_counted() -> None:
    """Four dips, of 1, 3, 2 and 2 V, of which three are marked."""
    volts = np.full(t.size, 12.5)
    for at_s, drop_V in ((10.2, 1.0), (20.2, 3.0), (30.2, 2.0), (40.2, 2.0)):
        volts[np.argmin(np.abs(t - at_s))] -= drop_V
    on = (STEPS > 10.0) & (STEPS % 10.0 < 2.0)
    on &= STEPS < 50.0
    signals = logged(VOLTAGE, state("main_contactor", STEPS, on))
    (found,) = _dips(side_of(t, volts), NONE, signals, STATED)
    assert found.measured["closing_lowest_V"].value == 9.5
    assert found.measured["count"].value == 4.0
    assert found.measured["deepest_V"].value == pytest.approx(2.0)
    assert [mark.time_s for mark in found.evidence.marks] == pytest.approx([9.78, 19.78, 29.78])


def test_a_converter_s_resistance_is_said_with_the_dips_only_where_one_is_high() -> None:
    side = side_of(t, 12.5)
    (found,) = _dips(side, Resistances(None, SMALL, SMALL, None), logged(VOLTAGE), STATED)
    assert list(found.measured) == ["source_resistance_ohm"]
    (found,) = _dips(side, Resistances(SLOPE, SMALL, None, None), logged(VOLTAGE), STATED)
    assert list(found.measured) == ["converter_resistance_ohm", "low_voltage_battery_ohm"]
    assert _dips(side, NONE, logged(VOLTAGE), STATED) == []


@pytest.mark.parametrize(("period_s", "seen"), [(0.25, True), (0.26, False)])
def test_readings_up_to_a_quarter_of_a_second_apart_show_dips(period_s: float, seen: bool) -> None:
    side, signals = closing(7.0)
    known = replace(side, period_s=period_s)
    assert bool(_dips(known, NONE, signals, STATED)) is seen
    for at_s in (40.0, 50.0):
        side.volts[np.abs(t - at_s) < 0.25] = 10.0
    assert len(_dips(known, NONE, signals, STATED)) == (2 if seen else 0)


@pytest.mark.parametrize(
    ("amps", "severity", "cause"), [(10.0, Severity.WARNING, "loose_connection"), (None, Severity.INFO, None)]
)
def test_dips_that_nothing_explains_are_counted(amps: float | None, severity: Severity, cause: str | None) -> None:
    volts = np.full(t.size, 13.5)
    for at_s, low_V in ((10.0, 12.5), (20.0, 12.0)):
        volts[np.abs(t - at_s) < 0.25] = low_V
    own = () if amps is None else (read("aux_current", t, amps), read("converter_current", t, amps))
    (found,) = _dips(side_of(t, volts, step_V=0.1), NONE, logged(VOLTAGE, *own), STATED)
    assert (found.kind, found.severity, found.cause) == ("aux.dip", severity, cause)
    assert found.measured == {
        "count": Measured(2.0, "1"),
        "deepest_V": Measured(1.5, "V"),
        "lowest_V": Measured(12.0, "V", None, 12.05),
    }
    assert [event.start_s for event in found.events] == pytest.approx([9.8, 19.8])


def test_a_fed_load_is_a_finding_with_its_level_share_and_count() -> None:
    switch = state("pump", t, t < 19.95)
    current = read("pump current", t, np.where(t < 19.95, 10.0, 5.0) + 0.01 * (t > 59.85))
    other = state("fan", t, t < 19.95)
    loads = (Load("pump", switch, current), Load("fan", other))
    (found,) = _loads(logged(switch, current, loads=loads))
    assert (found.kind, found.severity) == ("aux.backfeed", Severity.WARNING)
    assert found.measured["level_A"].value == 5.0
    assert found.measured["share_percent"] == Measured(50.0, "%")
    assert found.measured["count"] == Measured(1.0, "1")
    assert found.measured["longest_s"].value == pytest.approx(39.5, abs=0.11)
    assert found.parts == ("pump", "pump current")
    assert len(found.events) == 1
    on = (t > 9.95) & (t < 19.95) | (t > 29.95) & (t < 39.95)
    (pair,) = _loads(logged(loads=(Load("pump", state("pump", t, on)), Load("fan", state("fan", t, on)))))
    assert (pair.severity, pair.measured, pair.parts) == (Severity.INFO, {"count": Measured(4.0, "1")}, ("pump", "fan"))
    assert len(pair.events) == 4


LOAD = Load("pump", state("pump", t, t < 19.95), read("pump current", t, np.where(t < 19.95, 10.0, 5.0)))


def test_loads_are_judged_without_a_12_v_voltage_and_said_to_be_all() -> None:
    seen = Observations(logged(), Vehicle())
    with pytest.raises(MissingPart):
        aux_supply(logged(), seen, STATED)
    assert [each.kind for each in aux_supply(logged(loads=(LOAD,)), seen, STATED)] == ["aux.backfeed"]
    high = read("aux_voltage", t + 1.0, 48.0)
    with pytest.raises(NothingToCheck):
        aux_supply(logged(high), seen, STATED)
    fed, unknown = aux_supply(logged(high, loads=(LOAD,)), seen, STATED)
    assert (fed.kind, unknown.kind, unknown.severity) == ("aux.backfeed", "aux.undetermined", Severity.INFO)
    assert (unknown.start_s, unknown.end_s) == pytest.approx((1.0, 60.9))
    assert "48 V, is not that of a 12 V side" in unknown.explanation


def test_a_12_v_voltage_without_readings_is_looked_for_in_the_whole_log() -> None:
    none = read("aux_voltage", t, 48.0).where(t < 0.0)
    (empty,) = _no_side(NothingToCheck("12 V supply voltage: 0 readings"), logged(none))
    assert (empty.start_s, empty.end_s) == (0.0, 100.0)
    assert empty.title == "12 V side: cannot be determined from this log: 12 V supply voltage"


PUMP = state("coolant_pump", t, t > 30.0)


@pytest.mark.parametrize(
    ("period_s", "parts", "running", "said", "record"),
    [
        (0.25, (PUMP,), 1.0, None, None),
        (0.25, (PUMP,), 0.0, None, None),
        (0.3, (PUMP,), 1.0, "Dips when loads switch: readings come only every 0.3 s", "Record 12 V voltage every 10"),
        (0.3, (), 1.0, "Dips when loads switch: readings come only every 0.3 s", "Record 12 V voltage every 10"),
        (NAN, (PUMP,), 1.0, "Dips when loads switch", "Record 12 V voltage"),
        (0.2, (), 1.0, "What the dips belong to: no contactor", "Record states of contactors, pumps and loads."),
        (0.2, (PUMP,), NAN, "Whether the converter ran", "Record state or current of the DC-DC converter."),
        (0.2, (), NAN, "mapped. Whether", "pumps and loads and state or current of the DC-DC converter."),
    ],
)
def test_what_a_log_cannot_show_is_said(
    period_s: float, parts: tuple, running: float, said: str | None, record: str | None
) -> None:
    found = _undetermined(side_of(t, 13.0, period_s=period_s, running=running), logged(*parts))
    assert len(found) == (said is not None)
    for each in found:
        assert said in each.explanation
        assert record in each.next_step
        assert each.title.startswith("12 V side: cannot be determined from this log: ")
        assert (each.start_s, each.end_s) == pytest.approx((0.0, 59.9))
        assert each.measured["period_s"] == Measured(pytest.approx(period_s, nan_ok=True), "s")
