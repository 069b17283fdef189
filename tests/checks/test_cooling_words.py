"""The findings on cooling: severities, figures and words, from outcomes made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.cooling import check
from logscope.checks.cooling.balance import Parted
from logscope.checks.cooling.check import (
    _derating,
    _flow,
    _offset,
    _parted,
    _pump,
    _pump_cause,
    _response,
    _sensor,
    _swapped,
    cooling,
)
from logscope.checks.cooling.derating import Derating
from logscope.checks.cooling.flow import Starved
from logscope.checks.cooling.outlook import Outlook
from logscope.checks.cooling.pump import PumpTrouble, Trouble
from logscope.checks.cooling.response import Warming
from logscope.checks.cooling.sensors import OffsetSensor, StuckSensor, SwappedSensors
from logscope.checks.cooling.text import (
    _rose,
    derating_words,
    flow_words,
    offset_words,
    parted_words,
    pump_words,
    response_words,
    stuck_words,
    swapped_words,
    undetermined_words,
)
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.findings import Level, Measured, NothingToCheck, Severity
from logscope.signals import MissingPart
from logscope.statistics.first_order import Branch, Response
from logscope.vehicle import Cooling, Limits, Vehicle

MOTOR, PLATE, INLET = "motor_temperature", "inverter_temperature", "coolant_temperature"
AT = np.arange(300.0) + 0.5
ANY: Any = None


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def log(**celsius: float) -> ThermalLog:
    made = {name: np.full(AT.size, value) for name, value in celsius.items()}
    return ThermalLog(1.0, AT, made, dict.fromkeys(made, 0.5), {}, np.ones(AT.size, bool))


LOGGED = signals(*(part(name, AT, AT) for name in (MOTOR, PLATE, INLET, "coolant_pump", "motor_current")))
FLOWING = Measured(40.0, "s", 35.0, 46.0)
LOST = Starved(PLATE, INLET, ((100.0, 160.0), (200.0, 260.0)), 2, False, 210.0, FLOWING, 31.4, 2.3, False, False)
ONCE = replace(LOST, spans=((100.0, 260.0),), returns=1)
NEVER = replace(LOST, spans=((0.0, 300.0),), returns=0, whole=True, flowing_s=None, coolant_K=0.04)
OFF = PumpTrouble(Trouble.OFF, "coolant_pump", ((0.0, 300.0),), PLATE, 24.6)
STOPPED = PumpTrouble(Trouble.STOPPED, "coolant_pump_speed", ((10.0, 20.0), (50.0, 70.0)))
DRY = PumpTrouble(Trouble.DRY, "coolant_pump_current", ((10.0, 20.0),), usual_A=4.0, seen_A=2.1)


@pytest.mark.parametrize(
    ("starved", "troubles", "pumped", "title", "pump", "severity"),
    [
        (LOST, [], True, "comes and goes, lost 2 times", "The pump is reported on, without effect.", Severity.WARNING),
        (ONCE, [], False, "none from 100 s on", "The pump is not seen to be on.", Severity.WARNING),
        (NEVER, [OFF], False, "none in the whole log", "The pump is reported off.", Severity.WARNING),
        (NEVER, [STOPPED], True, "none in the whole log", "The pump is on but does not turn.", Severity.WARNING),
        (replace(ONCE, by_temperature=True), [], False, "none from 100 s on",
         "The pump is not seen to be on: one that starts by temperature would look the same.", Severity.INFO),
        (replace(ONCE, by_temperature=True), [], True, "none from 100 s on", "without effect", Severity.WARNING),
        (replace(NEVER, by_temperature=True), [OFF], False, "none in the whole log",
         "The pump is reported off, as one that starts by temperature would be.", Severity.INFO),
        (replace(NEVER, heavy=True), [], True, "none in the whole log",
         "without effect. A heavy heat sink on little flow would look the same.", Severity.INFO),
    ],
)  # fmt: skip
def test_lost_flow_is_said_with_what_is_known_of_the_pump(
    starved: Starved, troubles: list[PumpTrouble], pumped: bool, title: str, pump: str, severity: Severity
) -> None:
    words = flow_words(starved, troubles, pumped)
    assert words.title.startswith(f"Coolant flow: {title}, inverter")
    assert words.title.endswith(" up to 31 K above the coolant")
    assert pump in words.explanation
    assert ("A heavy heat sink" in words.explanation) is starved.heavy
    assert "with a time constant of more than 210 s" in words.explanation
    assert ("40.0 s (95 %: 35.0 to 46.0 s) while it flows" in plain(words.explanation)) is (not starved.whole)
    assert ("did not rise" if starved.whole else "rose by 2.3 K") in words.explanation
    assert words.next_step.startswith("Check fuse" if OFF in troubles or STOPPED in troubles else "Let it cool")
    found = _flow(starved, None, troubles, pumped, LOGGED)
    assert found.severity is severity
    assert found.kind == ("cooling.air" if starved.returns == 2 else "cooling.no_flow")
    assert found.cause == ("pump" if troubles else None)
    assert found.measured["excess_K"] == Measured(31.4, "K")
    assert found.measured["coolant_rise_K"] == Measured(starved.coolant_K, "K")
    assert found.measured["time_constant_s"] == Measured(None, "s", 210.0, None)
    assert ("flowing_time_constant_s" in found.measured) is (not starved.whole)
    assert ("count" in found.measured) is (starved.returns == 2)
    assert found.evidence.window == (starved.spans[0][0], starved.spans[-1][1])
    assert (found.start_s, found.end_s) == found.evidence.window
    assert found.parts == (PLATE, INLET, "coolant_pump", "motor_current")


PARTED = Parted(20.0, 110.0, 1.5, 12.3, 2400.0, 50.0, True)


def test_inlet_and_outlet_apart_are_said_with_their_bounds() -> None:
    words = parted_words(PARTED)
    assert plain(words.title) == "Coolant flow: at most 1.50 L/min, inlet and outlet 12 K apart"
    assert plain(words.explanation) == (
        "From 20 to 110 s the outlet stood at least 12 K above the inlet, and there was at most 2.40 kW of heat to "
        "take up. That leaves 1.50 L/min at most; sound loops carry 6 L/min and more."
    )
    closed, still = replace(PARTED, outlet_C=49.9), replace(PARTED, outlet_C=49.9, moves=False)
    assert parted_words(closed).explanation.endswith("Below 50 °C a closed thermostat would look the same.")
    assert parted_words(still).explanation.endswith("a stuck sensor would look the same.")
    for each, severity in (
        (PARTED, Severity.WARNING),
        (closed, Severity.INFO),
        (replace(PARTED, moves=False), Severity.INFO),
    ):
        assert _parted(each, [], LOGGED).severity is severity
    found = _parted(PARTED, [DRY], LOGGED)
    assert found.measured == {
        "flow_L_per_min": Measured(None, "L/min", 0.0, 1.5), "apart_K": Measured(None, "K", 12.3, None),
        "heat_W": Measured(None, "W", None, 2400.0),
    }  # fmt: skip
    assert (found.start_s, found.end_s, found.cause) == (20.0, 110.0, None)
    assert _flow(ONCE, PARTED, [], True, LOGGED).measured["flow_L_per_min"].high == 1.5
    assert [_pump_cause(each) for each in ([], [DRY], [DRY, STOPPED])] == [None, None, "pump"]


@pytest.mark.parametrize(
    ("trouble", "title", "says", "severity", "measured"),
    [
        (OFF, "never on, while the", "is off in the whole log", Severity.WARNING, {"warmed_K": 24.6}),
        (STOPPED, "zero while the pump is on, 2 times", "neither turns", Severity.WARNING, {}),
        (DRY, "2.10 A instead of 4.00 A, the pump runs slowly or dry", "a controller that slows it down", Severity.INFO,
         {"current_A": 2.1, "usual_current_A": 4.0}),
        (replace(DRY, speed_known=True), "2.10 A instead of 4.00 A, the pump probably runs dry", "at the same speed",
         Severity.WARNING, {"current_A": 2.1, "usual_current_A": 4.0}),
    ],
)  # fmt: skip
def test_a_trouble_of_the_pump_is_a_finding(
    trouble: PumpTrouble, title: str, says: str, severity: Severity, measured: dict[str, float]
) -> None:
    words = pump_words(trouble)
    assert title in plain(words.title)
    assert says in words.explanation
    assert ("warmed by 25 K" in words.title) is (trouble.what is Trouble.OFF)
    found = _pump(trouble, LOGGED)
    assert (found.kind, found.severity) == (f"cooling.pump_{trouble.what.value}", severity)
    assert {name: each.value for name, each in found.measured.items()} == measured
    assert found.parts == tuple(each for each in (("coolant_pump", PLATE) if trouble is OFF else ("coolant_pump",)))


def test_sensors_that_contradict_each_other_are_findings() -> None:
    stuck = StuckSensor(PLATE, 38.5, 20.0, 290.0, MOTOR, 14.2)
    assert stuck_words(stuck).title.endswith(": stuck at 38.5 °C for 270 s")
    assert "motor temperature moved by 14 K" in stuck_words(stuck).explanation
    found = _sensor(stuck_words(stuck), "cooling.sensor_stuck", stuck, LOGGED)
    assert found.measured == {"value_C": Measured(38.5, "°C"), "other_moved_K": Measured(14.2, "K")}
    assert (found.parts, found.start_s, found.end_s) == ((PLATE, MOTOR), 20.0, 290.0)

    off = OffsetSensor(MOTOR, -5.5, 1.0, 18.0, 19.5)
    words = offset_words(off)
    assert words.title.endswith(": -5.5 K off the others at the cold start")
    assert "the other temperatures agree on 18 °C; this one is -5.5 K off" in words.explanation
    found = _offset(off, log(motor_temperature=12.5), LOGGED)
    assert found.severity is Severity.WARNING
    assert found.measured == {"offset_K": Measured(-5.5, "K", -6.5, -4.5), "others_C": Measured(18.0, "°C")}
    assert (found.start_s, found.end_s) == (0.5, 19.5)
    two = replace(off, rival=INLET)
    assert "5.5 K apart at the cold start" in offset_words(two).title
    assert "reads 12 °C and" in offset_words(two).explanation
    assert "18 °C. Warmth" in offset_words(two).explanation
    assert _offset(two, log(motor_temperature=12.5), LOGGED).severity is Severity.INFO

    swapped = SwappedSensors(-2.5, -3.0, -2.0)
    assert swapped_words(swapped).title == "Coolant inlet and outlet: swapped, -2.50 K under load"
    assert "changes by -2.50 K (95 %: -3.00 to -2.00 K)" in plain(swapped_words(swapped).explanation)
    found = _swapped(swapped, log(motor_temperature=12.5), LOGGED)
    assert found.measured == {"difference_K": Measured(-2.5, "K", -3.0, -2.0)}
    assert (found.start_s, found.end_s) == (0.5, 299.5)


def test_held_back_torque_is_a_finding_in_per_cent() -> None:
    held = Derating(PLATE, 85.0, 0.72, 0.68, 0.76, 83.4, 200.0, 280.0)
    words = derating_words(held)
    assert words.title.endswith(": torque held back to 72 % near the limit")
    assert "limit of 85 °C the pedal gives 72.0 % (95 %: 68.0 to 76.0 %)" in plain(words.explanation)
    assert words.explanation.endswith("The highest reading was 83 °C.")
    found = _derating(held, LOGGED)
    share = found.measured["torque_share_percent"]
    assert (share.value, share.low, share.high) == pytest.approx((72.0, 68.0, 76.0))
    assert found.measured["hottest_C"] == Measured(83.4, "°C")
    assert found.evidence.levels == (Level(85.0, "limit", PLATE),)
    assert (found.start_s, found.end_s, found.severity) == (200.0, 280.0, Severity.WARNING)
    assert [_rose(each) for each in (0.05, 0.049)] == ["rose by 0.1 K", "did not rise"]
    assert undetermined_words(PLATE, "why not").explanation == (
        "Time constant and end temperature are unknown: why not."
    )


def branch(which: int = 0, offset: float = 0.5) -> Branch:
    return Branch(which, 100.0, 90.0, 110.0, np.array([5.0]), offset, np.diag([1e-4, 1e-4]), 2.0)


def warming(reference: str | None = INLET, heat: str = "current", which: int = 0) -> Warming:
    fit = Response((branch(which),), np.full(200, 44.0), 0.23)
    return Warming(PLATE, reference, np.arange(AT.size) < 200, 1.0, heat, fit)


END = Measured(61.0, "°C", 58.0, 64.0)


@pytest.mark.parametrize(
    ("outlook", "says", "not_said", "do"),
    [
        (Outlook({"end_temperature_C": END}, 31.6, None, False, False, None), "No limit is configured.", "above the",
         "Keep this log"),
        (Outlook({"end_temperature_C": END}, 31.6, 85.0, False, False, None), "The limit is 85 °C.", "above the",
         "Keep this log"),
        (Outlook({"end_temperature_C": END}, 31.6, 60.0, False, True, None), "The interval reaches the limit of 60 °C.",
         "above the", "Record motor current"),
        (Outlook({"end_temperature_C": END}, 31.6, 55.0, True, True, 90.0), "That is above the limit of 55 °C.",
         "interval reaches", "Lower the continuous current"),
    ],
)  # fmt: skip
def test_a_response_is_said_with_how_it_stands_to_its_limit(
    outlook: Outlook, says: str, not_said: str, do: str
) -> None:
    words = response_words(warming(), outlook, log(inverter_temperature=40.0))
    assert words.title.endswith(": ends at 61 °C under the mean load of this log")
    assert plain(words.explanation).startswith(
        "Time constant 100 s (95 %: 90 to 110 s). With the coolant at 32 °C, the mean load of this log ends at 61.0 °C "
        "(95 %: 58.0 to 64.0 °C)."
    )
    assert says in words.explanation
    assert not_said not in words.explanation
    assert words.next_step.startswith(do)
    assert ("the limit is reached in 90 s" in words.explanation) is (outlook.left_s is not None)
    assert "residuals 0.23 K" in words.method
    continuous = replace(outlook, measured={**outlook.measured, "continuous_end_temperature_C": Measured(70.0, "°C")})
    assert response_words(warming(), continuous, log()).title.endswith("ends at 70 °C under the continuous current")


@pytest.mark.parametrize(
    ("made", "heated", "beside"),
    [
        (warming(), "heated by current and", "With the coolant"),
        (warming(which=4), "heated by current squared", "With the coolant"),
        (warming(which=2), "heated by current and current squared", "With the coolant"),
        (warming(heat="loss"), "heated by logged loss", "With the coolant"),
        (warming(None, "power"), "heated by battery power", "With the surroundings"),
    ],
)
def test_what_heats_and_what_cools_are_named(made: Warming, heated: str, beside: str) -> None:
    words = response_words(made, Outlook({"end_temperature_C": END}, 31.6, None, False, False, None), log())
    assert heated in words.method
    assert beside in words.explanation
    assert ("surroundings, which stay as they are" in words.method) is (made.reference is None)


@pytest.mark.parametrize(
    ("passes", "may", "limit_C", "severity"),
    [(True, True, 85.0, Severity.WARNING), (False, True, 85.0, Severity.INFO), (False, False, 85.0, Severity.GOOD),
     (False, False, None, Severity.INFO)],
)  # fmt: skip
def test_a_response_is_good_where_its_limit_is_out_of_reach(
    passes: bool, may: bool, limit_C: float | None, severity: Severity, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []

    def outlook_of(*given: Any) -> Outlook:
        asked.extend(given[2:])
        return Outlook({"end_temperature_C": END}, 31.6, limit_C, passes, may, None)

    monkeypatch.setattr(check, "find_warming", lambda *_: warming())
    monkeypatch.setattr(check, "outlook_of", outlook_of)
    own = Vehicle(
        limits=Limits(inverter_temperature_C=85, motor_temperature_C=140), cooling=Cooling(continuous_current_A=150)
    )
    found = _response(PLATE, log(inverter_temperature=40.0), LOGGED, own, None)
    assert (found.kind, found.severity) == ("cooling.inverter", severity)
    assert asked == [85.0, 150.0]
    assert found.measured["time_constant_s"].value == 100.0
    assert found.measured["end_temperature_C"] == END
    (curve,) = found.evidence.curves
    assert (curve.time_s.size, curve.value[0]) == (200, 44.0)
    assert found.evidence.levels == (() if limit_C is None else (Level(85.0, "limit", PLATE),))
    assert (found.start_s, found.end_s) == (0.5, 299.5)
    dry = _response(PLATE, log(inverter_temperature=40.0), LOGGED, own, NEVER)
    assert "unknown: coolant does not flow." in dry.explanation
    assert dry.measured == {"span_K": Measured(0.0, "K")}


def test_what_contradicts_itself_is_not_judged_further(monkeypatch: pytest.MonkeyPatch) -> None:
    made = log(motor_temperature=30.0, inverter_temperature=30.0, coolant_temperature=25.0)
    outcomes: dict[str, Any] = {
        "thermal_log": made, "find_pump_trouble": [], "find_offset": None, "find_stuck": [], "find_swapped": None,
        "find_starved": ONCE, "find_parted": PARTED, "find_derating": None,
    }  # fmt: skip

    def kinds(**other: Any) -> list[str]:
        for name, value in {**outcomes, **other}.items():
            monkeypatch.setattr(check, name, lambda *_, value=value: value)
        return [each.kind.removeprefix("cooling.") for each in cooling(LOGGED, ANY, Vehicle())]

    stuck = StuckSensor(PLATE, 38.5, 20.0, 290.0, MOTOR, 14.2)
    assert kinds() == ["no_flow", "undetermined", "undetermined"]
    assert kinds(find_starved=None)[0] == "low_flow"
    assert kinds(find_stuck=[stuck])[:2] == ["sensor_stuck", "undetermined"]
    assert len(kinds(find_stuck=[stuck])) == 2  # the stuck device's warming is not judged
    assert kinds(find_swapped=SwappedSensors(-2.5, -3.0, -2.0))[:2] == ["sensor_swapped", "undetermined"]
    off = OffsetSensor(MOTOR, -5.5, 1.0, 18.0, 19.5)
    assert kinds(find_offset=off, find_starved=None)[:2] == ["sensor_offset", "undetermined"]
    assert kinds(find_offset=off)[:2] == ["sensor_offset", "no_flow"]
    assert kinds(find_pump_trouble=[OFF])[:2] == ["pump_off", "no_flow"]
    held = Derating(PLATE, 85.0, 0.72, 0.68, 0.76, 83.4, 200.0, 280.0)
    assert "derating" in kinds(find_derating=held)
    with pytest.raises(NothingToCheck, match="ten readings"):
        kinds(thermal_log=None)
    with pytest.raises(MissingPart) as missing:
        cooling(signals(part("motor_current", AT, AT)), ANY, Vehicle())
    assert missing.value.part == MOTOR


def test_a_pump_that_stands_leaves_no_little_flow(monkeypatch: pytest.MonkeyPatch) -> None:
    made = log(inverter_temperature=30.0)
    for name, value in (("thermal_log", made), ("find_starved", replace(NEVER, heavy=True)), ("find_parted", None)):
        monkeypatch.setattr(check, name, lambda *_, value=value: value)
    for trouble, severity in ((STOPPED, Severity.WARNING), (DRY, Severity.INFO)):
        monkeypatch.setattr(check, "find_pump_trouble", lambda *_, trouble=trouble: [trouble])
        found = {each.kind: each for each in cooling(LOGGED, ANY, Vehicle())}
        assert found["cooling.no_flow"].severity is severity


def test_no_text_on_cooling_carries_a_caution_of_high_voltage() -> None:
    every = [
        flow_words(LOST, [], True), parted_words(PARTED), *(pump_words(each) for each in (OFF, STOPPED, DRY)),
        stuck_words(StuckSensor(PLATE, 40.0, 0.0, 200.0, MOTOR, 15.0)),
        offset_words(OffsetSensor(PLATE, 4.0, 0.5, 18.0, 20.0)),
        offset_words(OffsetSensor(PLATE, 6.0, 0.5, 18.0, 20.0, INLET)),
        swapped_words(SwappedSensors(-2.0, -2.5, -1.5)), undetermined_words(PLATE, "it stands"),
        derating_words(Derating(PLATE, 85.0, 0.7, 0.68, 0.72, 83.0, 10.0, 20.0)),
    ]  # fmt: skip
    assert not any(words.hands_near_hv for words in every)
