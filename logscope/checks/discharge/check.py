"""The discharge check: one finding for every opening of the contactors, the good ones too."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.discharge.judge import JudgedDischarge, judge_discharge
from logscope.checks.discharge.measure import allowing_for, constants_differ, measure_discharge
from logscope.checks.discharge.text import begins_with, describe_discharge
from logscope.curves.estimate import Estimate
from logscope.findings import Curve, Evidence, Finding, Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.physics.discharge import SAFE_V, time_to_level_s
from logscope.signals import Signals
from logscope.vehicle import Vehicle

SEVERITY = {
    "discharged": Severity.GOOD,
    "slow_discharge": Severity.WARNING,
    "stays_live": Severity.DANGER,
    "undetermined": Severity.INFO,
}
# A link that is charged again sooner was not switched off by a key: a contactor dropped out or chatters.
LEAST_APART_S = 0.5
_CURVE_POINTS = 200
_PARTS = (
    "dc_link_voltage",
    "battery_voltage",
    "main_contactor",
    "negative_contactor",
    "precharge_relay",
    "battery_current",
)


def discharge(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge how the link falls after every opening of the contactors.

    Needs `dc_link_voltage`; uses contactor states, `battery_voltage` and `battery_current` where they exist.
    Raises MissingPart, or NothingToCheck where no opening can be seen.
    """
    link, falls = observations.link, []
    for opening in observations.openings:
        if opening.restarted and opening.end_s - opening.high_s < LEAST_APART_S:
            continue
        fall = measure_discharge(signals, link, opening)
        if fall is None or (not opening.shown_by and fall.level_v <= SAFE_V):
            continue  # a log that begins with a link at rest shows no discharge
        falls.append(fall)
    differs = constants_differ(falls)
    judged = [judge_discharge(allowing_for(fall, differs), vehicle) for fall in falls]
    # Until a second contactor opens, another one may hold the link: the contactor is reported, where it is certain.
    findings = [_finding(one, signals) for one in judged if not one.fall.opening.held_until or one.kind == "stays_live"]
    if not findings:
        unseen = (
            "falls away from the pack"
            if "battery_voltage" in signals
            else "falls deeper than a load may pull it down, and no pack voltage is logged to compare it with"
        )
        raise NothingToCheck(
            "no contactor state opens with link voltage logged after it, and the link voltage alone never "
            f"{unseen}: keep the log running after key-off"
        )
    return findings


def _finding(judged: JudgedDischarge, signals: Signals) -> Finding:
    fall = judged.fall
    start_s = (fall.opening.low_s + fall.opening.high_s) / 2
    time = judged.time_to_safe
    end_s = fall.opening.end_s
    if fall.crossed and time is not None:
        end_s = min(start_s + time.value, end_s)
    return assemble(
        f"dc_link.{judged.kind}",
        SEVERITY[judged.kind],
        describe_discharge(judged),
        [(start_s, max(end_s, start_s))],
        _measured(judged),
        _PARTS,
        signals,
        evidence=_evidence(judged, start_s),
        expected=_expected(judged),
    )


def _measured(judged: JudgedDischarge) -> Mapping[str, Measured]:
    fall, constant, late = judged.fall, judged.constant, judged.fall.late
    values = {"time_constant_s": Measured(None, "s")}
    if constant is not None:
        values["time_constant_s"] = _limits(constant, "s")
    elif late is not None and not late.misfit and not late.falls and late.rate.high > 0:
        values["time_constant_s"] = Measured(None, "s", 1 / late.rate.high, None)
    values["time_to_60V_s"] = Measured(None, "s") if judged.time_to_safe is None else _limits(judged.time_to_safe, "s")
    values["extrapolated"] = Measured(0.0 if fall.crossed or fall.level_v <= SAFE_V else 1.0, "1")
    values["start_voltage_V"] = Measured(fall.level_v, "V")
    values["end_voltage_V"] = Measured(fall.end_v, "V")
    values["seen_s"] = Measured(fall.length_s, "s")
    values["active_discharge"] = Measured(float(judged.active), "1")
    if fall.missing_s:
        values["missing_s"] = Measured(fall.missing_s, "s")
    if fall.stopped is not None:
        values["active_stop_V"] = Measured(fall.stopped.level_v, "V")
    if constant is not None and judged.capacitance_f:
        ohms = (constant.value, constant.low, constant.high)
        value, low, high = (None if not isfinite(s) else s / judged.capacitance_f for s in ohms)
        values["implied_bleeder_ohm"] = Measured(value, "ohm", low, high)
    if fall.fit is not None and fall.fit.rest is not None and not fall.fit.misfit:
        values["resting_voltage_V"] = _limits(fall.fit.rest, "V")
    return values


def _limits(estimate: Estimate, unit: str) -> Measured:
    value, low, high = (v if isfinite(v) else None for v in (estimate.value, estimate.low, estimate.high))
    return Measured(value, unit, low, high)


def _expected(judged: JudgedDischarge) -> Mapping[str, Measured]:
    expected = {"time_to_60V_s": Measured(None, "s", None, judged.limit_s)}
    if judged.expected_s is not None:
        low, high = (judged.expected_s * (1 + sign * judged.tolerance) for sign in (-1, 1))
        expected["time_constant_s"] = Measured(judged.expected_s, "s", low, high)
        value_s, low_s = (time_to_level_s(judged.fall.level_v, tau) for tau in (judged.expected_s, low))
        expected["time_to_60V_s"] = Measured(value_s, "s", low_s, judged.limit_s)
    return expected


def _evidence(judged: JudgedDischarge, start_s: float) -> Evidence:
    fall, fit, late = judged.fall, judged.fall.fit, judged.fall.late
    levels = (Level(SAFE_V, "60 V, voltage class A below", "dc_link_voltage"),)
    marks = [Mark(start_s, begins_with(fall.opening))]
    if fall.crossed and judged.time_to_safe is not None:
        marks.append(Mark(start_s + judged.time_to_safe.value, "60 V"))
    curves = []
    drawn = late if late is not None and not late.misfit else fit
    if drawn is not None:
        time_s = np.linspace(drawn.begin_s, fall.opening.end_s, _CURVE_POINTS)
        curves.append(Curve("fitted curve", "dc_link_voltage", time_s, drawn.voltage(time_s)))
    if judged.expected_s is not None:
        time_s = np.linspace(start_s, fall.opening.end_s, _CURVE_POINTS)
        taus = [judged.expected_s * (1 + sign * judged.tolerance) for sign in (0, -1, 1)]
        middle, low, high = (fall.level_v * np.exp(-(time_s - start_s) / tau) for tau in taus)
        curves.append(
            Curve("expected from bleeder and capacitance, with tolerance", "dc_link_voltage", time_s, middle, low, high)
        )
    return Evidence(tuple(curves), tuple(marks), levels)
