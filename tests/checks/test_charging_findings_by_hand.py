"""Which finding a charge gets, how severe, and with which values; charges put together by hand.

From 100 to 200 s, read every second. Severities are the project's own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, phase, read, state

from logscope.arrays import FloatArray
from logscope.checks.charging.amounts import Amounts
from logscope.checks.charging.before import Before
from logscope.checks.charging.check import (
    Charge,
    _evidence,
    _findings,
    _no_current,
    _off_target,
    _outcome,
    _over_limit,
    measured_of,
)
from logscope.checks.charging.ending import Ending, Outcome
from logscope.checks.charging.idle import Idle
from logscope.checks.charging.margins import Margin
from logscope.checks.charging.regulation import Error, Regulation
from logscope.checks.charging.taper import Taper
from logscope.findings import Finding, Measured, Severity
from logscope.observations.charging.phases import Step
from logscope.signals import Part, Signals
from logscope.vehicle import Charging, Limits, Vehicle

AT = np.arange(0.0, 300.0, 1.0)
CURRENT = read("charger_current", AT, np.where((AT >= 100.0) & (AT <= 200.0), 20.0, 0.0))
HELD, FLAT = phase(Step.CURRENT, 101.0, 151.0), phase(Step.VOLTAGE, 151.0, 200.0, 20.0, 4.0, 400.0)
SESSION = charge(CURRENT, 100.0, 200.0, phase(Step.RISE, 100.0, 101.0, 5.0), HELD, FLAT)
EMPTY = Amounts(Measured(0.5, "Ah"), None, None, None, None, None)
NONE = Regulation(None, None, None, None, constant_power=False)
CHARGE = Charge(SESSION, EMPTY, Before(None, None), [], NONE, None, Ending(Outcome.COMPLETE, None, (), None, 4.0))
SIGNALS = logged(CURRENT)


def part(name: str, value: float | FloatArray) -> Part:
    return read(name, AT, value * np.ones(AT.size))


@pytest.mark.parametrize(
    ("idle", "kind", "severity"),
    [
        ({}, "charge.no_current", Severity.INFO),
        ({"asked_a": 16.0}, "charge.no_current", Severity.WARNING),
        ({"asked_a": 16.0, "full": True}, "charge.no_current", Severity.INFO),
        ({"full": True}, "charge.no_current", Severity.INFO),
        ({"fault": True}, "charge.no_current", Severity.WARNING),
        ({"fault": False}, "charge.no_current", Severity.INFO),
        ({"asked_a": 16.0, "full": True, "fault": True}, "charge.no_current", Severity.WARNING),
        ({"asked_a": 16.0, "battery_a": 8.0}, "charge.undetermined", Severity.INFO),
        ({"fault": True, "battery_a": 8.0}, "charge.undetermined", Severity.INFO),
    ],
)  # fmt: skip
def test_a_plug_without_current_warns_where_current_is_asked_or_a_fault_reported(
    idle: dict[str, object], kind: str, severity: Severity
) -> None:
    nothing = Idle(30.0, 130.0, "charge_plug", None, True, False, None, None, None)
    waits = replace(nothing, **idle)  # type: ignore[arg-type]
    found = _no_current(waits, logged(state("charge_plug", AT, AT > 30.0), CURRENT))
    assert (found.kind, found.severity, found.start_s, found.end_s) == (kind, severity, 30.0, 130.0)
    measured = {"lasted_s": Measured(100.0, "s")}
    for name, key in (("asked_a", "requested_A"), ("battery_a", "battery_A")):
        if name in idle:
            measured[key] = Measured(idle[name], "A")  # type: ignore[arg-type]
    assert found.measured == measured
    assert found.parts == ("charge_plug", "charger_current")


def near(left: float, key: str = "battery_max_V", *, beyond: bool = False) -> Margin:
    return Margin("pack_voltage_margin_V", "battery_voltage", key, 400.0, "V", True, left, 150.0, 2.0,
                  ((150.0, 155.0),) if beyond else (), ((149.0, 156.0),) if beyond else ())  # fmt: skip


@pytest.mark.parametrize(
    ("outcome", "cause", "wrong", "margins", "doubtful", "kind", "severity"),
    [
        (Outcome.COMPLETE, None, False, [], "", "complete", Severity.GOOD),
        (Outcome.COMPLETE, None, True, [], "", "complete", Severity.INFO),
        (Outcome.COMPLETE, None, False, [near(-0.1)], "", "complete", Severity.INFO),
        (Outcome.COMPLETE, None, False, [near(0.1)], "", "complete", Severity.GOOD),
        (Outcome.COMPLETE, None, False, [near(-0.1, "charger_max_V")], "", "complete", Severity.GOOD),
        (Outcome.COMPLETE, None, False, [], "Voltage repeats one reading from 9 s", "complete", Severity.INFO),
        (Outcome.COMPLETE, None, False, [], "its scale does not fit", "complete", Severity.GOOD),
        (Outcome.STOPPED, "limit", False, [], "", "stopped", Severity.INFO),
        (Outcome.STOPPED, "request", False, [], "", "stopped", Severity.INFO),
        (Outcome.STOPPED, "temperature", False, [], "", "stopped", Severity.WARNING),
        (Outcome.STOPPED, "supply", False, [], "", "stopped", Severity.WARNING),
        (Outcome.OPEN, None, False, [], "", "undetermined", Severity.INFO),
    ],
)  # fmt: skip
def test_an_ending_is_good_only_where_nothing_is_in_doubt(
    outcome: Outcome,
    cause: str | None,
    wrong: bool,
    margins: list[Margin],
    doubtful: str,
    kind: str,
    severity: Severity,
) -> None:
    made = replace(CHARGE, ending=Ending(outcome, cause, (), None, 4.0), margins=margins)
    signals = replace(SIGNALS, doubtful={"battery_voltage": doubtful} if doubtful else {})
    found = _outcome(made, signals, Vehicle(), wrong)
    assert (found.kind, found.severity, found.cause) == (f"charge.{kind}", severity, cause)
    assert (found.start_s, found.end_s) == (100.0, 200.0)


def test_every_value_of_a_charge_has_its_own_name() -> None:
    one = {name: Measured(float(k), "x") for k, name in enumerate("abcdef")}
    error = Error(-3.0, -3.5, -2.5, "A", 32.0, "charger_current", 1.6, 101.0, 151.0, limited=False)
    volts = replace(error, unit="V", value=1.0, low=0.5, high=1.5)
    made = Charge(
        replace(SESSION, missing_s=2.0), Amounts(*one.values()), Before(Measured(7.0, "s"), Measured(8.0, "s")),
        [near(-0.5), replace(near(3.0), name="battery_cold_margin_K", unit="°C")],
        Regulation(error, volts, 2.5, (3.0, 5.0), constant_power=False),
        Taper(40.0, 30.0, 50.0, 20.0, 1.0, 151.0, 200.0, single=True, by_battery=True),
        Ending(Outcome.COMPLETE, None, (), None, 4.0),
    )  # fmt: skip
    assert measured_of(made) == {
        "charge_Ah": one["a"], "energy_Wh": one["b"], "supplied_Wh": one["c"], "efficiency_percent": one["d"],
        "temperature_rise_K": one["e"], "load_A": one["f"],
        "plug_to_current_s": Measured(7.0, "s"), "charger_precharge_s": Measured(8.0, "s"),
        # each phase is known to a period of one second, and lasts no less than nothing
        "rise_s": Measured(1.0, "s", 0.0, 2.0), "constant_current_s": Measured(50.0, "s", 49.0, 51.0),
        "constant_voltage_s": Measured(49.0, "s", 48.0, 50.0),
        "constant_current_A": Measured(20.0, "A", 20.0, 20.0), "constant_voltage_V": Measured(400.0, "V", 400.0, 400.0),
        "taper_time_constant_s": Measured(40.0, "s", 30.0, 50.0), "end_current_A": Measured(4.0, "A"),
        "current_error_A": Measured(-3.0, "A", -3.5, -2.5), "voltage_error_V": Measured(1.0, "V", 0.5, 1.5),
        "overshoot_A": Measured(2.5, "A"), "start_delay_s": Measured(4.0, "s", 3.0, 5.0),
        "pack_voltage_margin_V": Measured(-0.5, "V"), "battery_cold_margin_K": Measured(3.0, "K"),
        "missing_s": Measured(2.0, "s"),
    }  # fmt: skip
    short = replace(SESSION, phases=(phase(Step.CURRENT, 101.0, 101.4), replace(FLAT, voltage=None)))
    bare = measured_of(replace(CHARGE, session=short, ending=Ending(Outcome.OPEN, None, (), None, None)))
    assert bare["constant_current_s"].low == 0.0
    assert sorted(bare) == ["charge_Ah", "constant_current_A", "constant_current_s", "constant_voltage_s"]


def test_the_picture_shows_phases_the_end_and_the_taper() -> None:
    taper = Taper(40.0, 30.0, 50.0, 20.0, 1.0, 151.0, 191.0, single=True, by_battery=True)
    shown = _evidence(replace(CHARGE, taper=taper), ())
    assert [(mark.time_s, mark.label) for mark in shown.marks] == [
        (101.0, "constant current"), (151.0, "constant voltage"), (200.0, "current ends")
    ]  # fmt: skip
    assert shown.window == (95.0, 205.0)
    (curve,) = shown.curves
    assert (curve.part, curve.time_s[0], curve.time_s[-1]) == ("charger_current", 151.0, 191.0)
    # 19 A above 1 A, after one time constant 1/e of it
    assert (curve.value[0], curve.value[-1]) == pytest.approx((20.0, 1.0 + 19.0 / np.e))
    cut = replace(SESSION, ends_cut=True, current=replace(SESSION.current, of_charger=False))
    shown = _evidence(replace(CHARGE, session=cut, taper=taper), ())
    assert (len(shown.marks), shown.curves) == (2, ())


def test_limits_that_were_passed_are_one_finding_and_a_rating_warns_only() -> None:
    pack = near(-5.0, beyond=True)
    rated = replace(near(-50.0, "charger_max_V", beyond=True), name="charger_voltage_margin_V", part="charger_voltage",
                    over=((140.0, 150.0),))  # fmt: skip
    (both,) = _over_limit(replace(CHARGE, margins=[rated, pack, replace(near(1.0), name="other_V")]), SIGNALS)
    assert (both.severity, both.start_s, both.end_s) == (Severity.DANGER, 140.0, 156.0)
    assert both.title.startswith("Charging: battery voltage")  # the battery's own first, however far the other is
    assert both.measured["pack_voltage_margin_V"] == Measured(-5.0, "V")
    assert both.measured["charger_voltage_margin_V"] == Measured(-50.0, "V")
    assert [(level.value, level.part) for level in both.evidence.levels] == [
        (400.0, "charger_voltage"), (400.0, "battery_voltage")
    ]  # fmt: skip
    (alone,) = _over_limit(replace(CHARGE, margins=[rated]), SIGNALS)
    assert alone.severity is Severity.WARNING
    further = replace(pack, part="cell_voltage_highest", left=-0.4, doubt=0.01)  # 40 doubts against 2.5
    (worst,) = _over_limit(replace(CHARGE, margins=[pack, further]), SIGNALS)
    assert worst.title.startswith("Charging: highest cell voltage")
    power = replace(pack, unit="W", key="charger_max_power_W", part="charger_current")
    (of_power,) = _over_limit(replace(CHARGE, margins=[power]), SIGNALS)
    assert of_power.evidence.levels == ()
    assert list(_over_limit(replace(CHARGE, margins=[near(-1.0)]), SIGNALS)) == []


AMPS = Error(-3.0, -3.5, -2.5, "A", 32.0, "charger_current", 1.6, 101.0, 151.0, limited=False)
MORE = replace(AMPS, value=3.0, low=2.5, high=3.5)
VOLTS = Error(-6.0, -6.5, -5.5, "V", 400.0, "charger_voltage", 4.0, 151.0, 200.0, limited=False)


@pytest.mark.parametrize(
    ("regulation", "rated", "severity"),
    [
        (replace(NONE, current=AMPS), {"charger_max_current_A": 40.0}, Severity.WARNING),
        (replace(NONE, current=AMPS), {"charger_max_power_W": 9000.0}, Severity.WARNING),
        (replace(NONE, current=AMPS), {}, Severity.INFO),  # what it can give is not stated
        (replace(NONE, current=replace(AMPS, limited=True)), {"charger_max_current_A": 40.0}, Severity.INFO),
        (replace(NONE, current=AMPS, constant_power=True), {"charger_max_current_A": 40.0}, Severity.INFO),
        (replace(NONE, current=MORE), {}, Severity.WARNING),
        (replace(NONE, voltage=VOLTS), {}, Severity.WARNING),
        (replace(NONE, voltage=replace(VOLTS, value=-21.0)), {}, Severity.INFO),  # held by another voltage
        (replace(NONE, voltage=replace(VOLTS, value=21.0, low=20.0, high=22.0)), {}, Severity.WARNING),
        (replace(NONE, current=replace(AMPS, high=-1.5)), {}, None),
    ],
)  # fmt: skip
def test_a_charger_off_its_request_warns_where_nothing_explains_it(
    regulation: Regulation, rated: dict[str, float], severity: Severity | None
) -> None:
    found = list(_off_target(replace(CHARGE, regulation=regulation), SIGNALS, Vehicle(charging=Charging(**rated))))
    assert [each.severity for each in found] == ([] if severity is None else [severity])
    for each in found:
        name = "current_error_A" if regulation.current else "voltage_error_V"
        tolerance = 1.6 if regulation.current else 4.0
        assert each.expected[name] == Measured(0.0, name[-1], -tolerance, tolerance)
        assert (each.start_s, each.end_s) == ((101.0, 151.0) if regulation.current else (151.0, 200.0))


def test_what_passes_a_limit_is_not_off_its_request_as_well() -> None:
    passed = [replace(near(-5.0, beyond=True), part="charger_current")]
    for error, count in ((MORE, 0), (AMPS, 1)):
        made = replace(CHARGE, margins=passed, regulation=replace(NONE, current=error))
        assert len(list(_off_target(made, SIGNALS, Vehicle()))) == count
    made = replace(CHARGE, margins=[replace(passed[0], beyond=())], regulation=replace(NONE, current=MORE))
    assert len(list(_off_target(made, SIGNALS, Vehicle()))) == 1


def findings(*parts: Part, current: Part = CURRENT, end_s: float = 200.0, **limits: float) -> list[Finding]:
    session = charge(current, 100.0, end_s, HELD, noise_a=0.2)
    signals: Signals = logged(current, *parts)
    return list(_findings(session, signals, Vehicle(limits=Limits(**limits))))


def kinds(found: list[Finding]) -> list[tuple[str, Severity]]:
    return [(each.kind.removeprefix("charge."), each.severity) for each in found]


FALLS = part("battery_current", -np.interp(AT, [100.0, 200.0], [20.0, 5.0]))
LOW = {"charge_current_A": 10.0}


def test_what_a_charger_repeats_or_reports_alone_is_no_danger() -> None:
    moving = replace(CURRENT, value=CURRENT.value + 0.1 * (-1.0) ** np.arange(AT.size))
    over = ("over_limit", Severity.DANGER)
    assert kinds(findings(FALLS, current=moving, **LOW))[0] == over
    assert kinds(findings(FALLS, **LOW)) == [
        ("undetermined", Severity.INFO)
    ]  # its reading stands while the other falls
    assert kinds(findings(part("battery_current", 0.0), current=moving, **LOW)) == [("undetermined", Severity.INFO)]


REQUEST = part("charger_current_target", np.where(AT < 150.0, 20.0, 0.0))


@pytest.mark.parametrize(
    ("parts", "kind", "severity", "alone"),
    [
        ([REQUEST], "not_stopping", Severity.INFO, True),  # the reading does not change: perhaps an old one
        ([REQUEST, part("battery_current", -19.0 - 0.1 * (-1.0) ** np.arange(AT.size))], "not_stopping",
         Severity.DANGER, True),
        ([state("inverter_state", AT, AT > 150.0)], "while_enabled", Severity.WARNING, False),
        ([state("inverter_state", AT, AT >= 0.0)], "while_enabled", Severity.INFO, False),
        ([state("charge_plug", AT, AT < 190.0)], "plug_out", Severity.WARNING, True),
        ([state("charge_lock", AT, AT < 190.0)], "plug_out", Severity.WARNING, True),
    ],
)  # fmt: skip
def test_what_goes_on_beside_a_charge_leads(parts: list[Part], kind: str, severity: Severity, alone: bool) -> None:
    found = findings(*parts)
    assert kinds(found)[0] == (kind, severity)
    assert (len(found) == 1) is alone
    assert found[0].cause == ("plug" if kind == "plug_out" else None)
    # half a width is twice 0.2 A of noise
    assert found[0].measured["current_A"] == Measured(20.0, "A", pytest.approx(19.6), pytest.approx(20.4))
    assert found[0].measured["lasted_s"].value == pytest.approx(found[0].end_s - found[0].start_s)
    if kind == "plug_out":
        assert found[0].parts[0] == parts[0].name


def test_a_current_that_flows_on_is_known_to_its_noise_and_half_a_step() -> None:
    """Twice 0.2 A of noise and half of 0.4 A."""
    found = findings(REQUEST, current=replace(CURRENT, step=0.4))[0]
    assert found.measured["current_A"] == Measured(20.0, "A", pytest.approx(19.4), pytest.approx(20.6))


def test_a_current_that_changes_and_does_not_stop_is_a_warning_and_none_where_the_battery_takes_nothing() -> None:
    wavers = replace(CURRENT, value=np.where(CURRENT.value > 0.0, 20.0 + (AT % 2), 0.0))
    assert kinds(findings(REQUEST, current=wavers)) == [("not_stopping", Severity.WARNING)]
    drained = part("battery_current", np.where(AT < 150.0, -19.0, 0.0) - 0.1 * (AT % 2))
    assert "not_stopping" not in [kind for kind, _ in kinds(findings(REQUEST, drained, current=wavers))]
