"""The cooling check: what heats, what cools, what the sensors say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.cooling.balance import Parted, find_parted
from logscope.checks.cooling.derating import Derating, find_derating
from logscope.checks.cooling.flow import Starved, find_starved
from logscope.checks.cooling.outlook import outlook_of
from logscope.checks.cooling.pump import PumpTrouble, Trouble, find_pump_trouble
from logscope.checks.cooling.response import Warming, find_warming
from logscope.checks.cooling.sensors import (
    BEGINS_S,
    OffsetSensor,
    StuckSensor,
    SwappedSensors,
    find_offset,
    find_stuck,
    find_swapped,
)
from logscope.checks.cooling.text import (
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
from logscope.checks.cooling.thermal_log import DEVICES, ThermalLog, thermal_log
from logscope.checks.wording import Words
from logscope.findings import Curve, Evidence, Finding, Level, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

_LIMITS = {
    "motor_temperature": "motor_temperature_C",
    "inverter_temperature": "inverter_temperature_C",
}
_COOLANT = ("coolant_temperature_out", "coolant_temperature")
_PUMP = ("coolant_pump", "coolant_pump_speed", "coolant_pump_current")


def cooling(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the cooling.

    Needs a temperature of motor, inverter or coolant; what heats them (motor current, or the battery's power), coolant
    temperature and pump for the rest. Raises MissingPart, or NothingToCheck where there are too few readings.
    """
    if not any(name in signals for name in (*DEVICES, *_COOLANT)):
        raise MissingPart(DEVICES[0])
    log = thermal_log(signals)
    if log is None:
        raise NothingToCheck("no temperature has ten readings or more")
    troubles = find_pump_trouble(signals, log)
    begins = thermal_log(signals, BEGINS_S)
    offset = find_offset(begins) if begins is not None else None
    stuck, swapped = find_stuck(log), find_swapped(log)
    sensed = swapped is None and not stuck
    starved = find_starved(log) if sensed else None
    parted = find_parted(log) if sensed and offset is None else None
    findings = [_sensor(stuck_words(each), "cooling.sensor_stuck", each, signals) for each in stuck]
    if offset is not None:
        findings.append(_offset(offset, log, signals))
    if swapped is not None:
        findings.append(_swapped(swapped, log, signals))
    findings += [_pump(trouble, signals) for trouble in troubles]
    if starved is not None:
        if any(trouble.what is Trouble.STOPPED for trouble in troubles):
            starved = replace(starved, heavy=False)  # a pump that stands leaves no little flow
        pumped = any(name in signals for name in _PUMP) and bool(np.any(log.pumping))
        findings.append(_flow(starved, parted, troubles, pumped, signals))
    elif parted is not None:
        findings.append(_parted(parted, troubles, signals))
    derating = find_derating(signals, vehicle)
    if derating is not None:
        findings.append(_derating(derating, signals))
    doubtful = {each.part for each in stuck}
    for part in DEVICES:
        if part in log.temperatures and part not in doubtful:
            findings.append(_response(part, log, signals, vehicle, starved))
    return findings


def _response(part: str, log: ThermalLog, signals: Signals, vehicle: Vehicle, starved: Starved | None) -> Finding:
    span = (float(log.time_s[0]), float(log.time_s[-1]))
    warming: Warming | str = "coolant does not flow" if starved is not None else find_warming(part, log)
    if isinstance(warming, str):
        words = undetermined_words(part, warming)
        moved = {"span_K": Measured(float(np.nanmax(log.temperatures[part]) - np.nanmin(log.temperatures[part])), "K")}
        return assemble("cooling.undetermined", Severity.INFO, words, [span], moved, (part,), signals)
    outlook = outlook_of(warming, log, getattr(vehicle.limits, _LIMITS[part]), vehicle.cooling.continuous_current_A)
    fit = warming.fit
    value_s, low_s, high_s = warming.time_constant_s
    measured = {"time_constant_s": Measured(value_s, "s", low_s, high_s), **outlook.measured}
    curve = np.full(log.time_s.size, np.nan)
    curve[warming.rows] = fit.fitted
    shown = np.isfinite(curve)
    evidence = Evidence(
        curves=(Curve("fitted", part, log.time_s[shown], curve[shown]),),
        levels=() if outlook.limit_C is None else (Level(outlook.limit_C, "limit", part),),
        window=span,
    )
    open_ = outlook.may_pass or outlook.limit_C is None  # without a limit nothing is good or bad
    severity = Severity.WARNING if outlook.passes else Severity.INFO if open_ else Severity.GOOD
    parts = (part, *_COOLANT, "motor_current", "coolant_pump")
    words = response_words(warming, outlook, log)
    return assemble(
        f"cooling.{part.removesuffix('_temperature')}", severity, words, [span], measured, parts, signals, evidence
    )


def _parted(parted: Parted, troubles: list[PumpTrouble], signals: Signals) -> Finding:
    measured = {
        "flow_L_per_min": Measured(None, "L/min", 0.0, parted.flow_L_per_min),
        "apart_K": Measured(None, "K", parted.apart_K, None),
        "heat_W": Measured(None, "W", None, parted.heat_W),
    }
    spans = [(parted.start_s, parted.end_s)]
    severity = Severity.WARNING if parted.open and parted.moves else Severity.INFO
    parts = (*_COOLANT, *_PUMP, "battery_current", "battery_voltage", "torque", "motor_speed")
    words = parted_words(parted)
    return assemble("cooling.low_flow", severity, words, spans, measured, parts, signals, cause=_pump_cause(troubles))


def _pump_cause(troubles: list[PumpTrouble]) -> str | None:
    return "pump" if any(trouble.what is not Trouble.DRY for trouble in troubles) else None


def _flow(
    starved: Starved, parted: Parted | None, troubles: list[PumpTrouble], pumped: bool, signals: Signals
) -> Finding:
    """pumped : whether the pump's own signals show it on"""
    air = starved.returns >= 2
    measured: dict[str, Measured] = {
        "excess_K": Measured(starved.excess_K, "K"),
        "coolant_rise_K": Measured(starved.coolant_K, "K"),
        "time_constant_s": Measured(None, "s", starved.time_constant_s, None),
    }
    if starved.flowing_s is not None:
        measured["flowing_time_constant_s"] = starved.flowing_s
    if parted is not None:
        measured["flow_L_per_min"] = Measured(None, "L/min", 0.0, parted.flow_L_per_min)
    if air:
        measured["count"] = Measured(float(len(starved.spans)), "")
    return assemble(
        "cooling.air" if air else "cooling.no_flow",
        Severity.INFO if starved.heavy or (starved.by_temperature and not pumped) else Severity.WARNING,
        flow_words(starved, troubles, pumped),
        starved.spans,
        measured,
        (starved.part, *_COOLANT, "coolant_pump", "coolant_pump_speed", "motor_current"),
        signals,
        Evidence(window=(starved.spans[0][0], starved.spans[-1][1])),
        cause=_pump_cause(troubles),
    )


def _pump(trouble: PumpTrouble, signals: Signals) -> Finding:
    measured: dict[str, Measured] = {}
    if trouble.warmed_K is not None:
        measured["warmed_K"] = Measured(trouble.warmed_K, "K")
    if trouble.seen_A is not None and trouble.usual_A is not None:
        measured["current_A"] = Measured(trouble.seen_A, "A")
        measured["usual_current_A"] = Measured(trouble.usual_A, "A")
    kind = f"cooling.pump_{trouble.what.value}"
    parts = tuple(dict.fromkeys((trouble.part, *_PUMP, *([trouble.device] if trouble.device else []))))
    words = pump_words(trouble)
    sure = trouble.what is not Trouble.DRY or trouble.speed_known  # else a controller may have slowed it down
    severity = Severity.WARNING if sure else Severity.INFO
    return assemble(kind, severity, words, trouble.spans, measured, parts, signals)


def _sensor(words: Words, kind: str, stuck: StuckSensor, signals: Signals) -> Finding:
    measured = {"value_C": Measured(stuck.value_C, "°C"), "other_moved_K": Measured(stuck.moved_K, "K")}
    spans = [(stuck.start_s, stuck.end_s)]
    return assemble(kind, Severity.WARNING, words, spans, measured, (stuck.part, stuck.other), signals)


def _offset(offset: OffsetSensor, log: ThermalLog, signals: Signals) -> Finding:
    reach = offset.error_K
    measured = {
        "offset_K": Measured(offset.offset_K, "K", offset.offset_K - reach, offset.offset_K + reach),
        "others_C": Measured(offset.others_C, "°C"),
    }
    spans = [(float(log.time_s[0]), offset.end_s)]
    words, parts = offset_words(offset), tuple(dict.fromkeys((offset.part, *DEVICES, *_COOLANT)))
    severity = Severity.WARNING if offset.rival is None else Severity.INFO
    return assemble("cooling.sensor_offset", severity, words, spans, measured, parts, signals)


def _swapped(swapped: SwappedSensors, log: ThermalLog, signals: Signals) -> Finding:
    measured: Mapping[str, Measured] = {
        "difference_K": Measured(swapped.difference_K, "K", swapped.low_K, swapped.high_K)
    }
    spans = [(float(log.time_s[0]), float(log.time_s[-1]))]
    words = swapped_words(swapped)
    return assemble("cooling.sensor_swapped", Severity.WARNING, words, spans, measured, _COOLANT, signals)


def _derating(derating: Derating, signals: Signals) -> Finding:
    measured = {
        "torque_share_percent": Measured(100 * derating.share, "%", 100 * derating.low, 100 * derating.high),
        "hottest_C": Measured(derating.hottest_C, "°C"),
    }
    evidence = Evidence(levels=(Level(derating.limit_C, "limit", derating.part),))
    spans = [(derating.start_s, derating.end_s)]
    parts = (derating.part, "torque_target", "torque", "throttle", "motor_speed")
    words = derating_words(derating)
    return assemble("cooling.derating", Severity.WARNING, words, spans, measured, parts, signals, evidence)
