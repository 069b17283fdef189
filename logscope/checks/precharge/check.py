"""The precharge check: one finding for every attempt, the good ones too."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.precharge.drift import Attempted, drift
from logscope.checks.precharge.evidence import evidence
from logscope.checks.precharge.judge import Judged, judge
from logscope.checks.precharge.measure import measure
from logscope.checks.precharge.overload import overload
from logscope.checks.precharge.stress import Stress, accumulated, no_rise_values, stress, stress_values
from logscope.checks.precharge.text import describe, no_rise_heat
from logscope.checks.precharge.values import expected_values, measured_values
from logscope.checks.wording import Words
from logscope.findings import Evidence, Finding, Mark, Measured, NothingToCheck, Severity
from logscope.observations.dc_link.flags import FLAG_LAG_S, NoRise
from logscope.observations.dc_link.link import Link
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.vehicle import Vehicle

SEVERITY = {
    "complete": Severity.GOOD,
    "slow": Severity.WARNING,
    "fast": Severity.WARNING,
    "stalled": Severity.DANGER,
    "no_rise": Severity.DANGER,
    "interrupted": Severity.DANGER,
    "closed_early": Severity.DANGER,
    "bypassed": Severity.DANGER,
    "undetermined": Severity.INFO,
}
_LEAST_LEVEL = 3  # readings that show where the link stood, and that it did not move
_PARTS = (
    "dc_link_voltage",
    "dc_link_voltage_second",
    "battery_voltage",
    "precharge_relay",
    "main_contactor",
    "negative_contactor",
)


def precharge(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge every precharge attempt of the capture.

    Needs `dc_link_voltage`; uses `battery_voltage`, `precharge_relay`, `main_contactor` where they exist.
    Raises MissingPart, or NothingToCheck where the link never rises and no relay closes.
    """
    attempts = observations.attempts
    link = attempts.link
    if not attempts.found and not attempts.without_rise:
        raise NothingToCheck(
            "the link voltage never rises from a disconnected state, and no relay state shows an attempt"
        )
    judged = [
        judge(signals, vehicle, link, measure(signals, link, attempt, attempts.stamps, timing), observations.openings)
        for attempt, timing in zip(attempts.found, attempts.timing, strict=True)
    ]
    stresses = [stress(one, signals, link, vehicle) for one in judged]
    known = [one for one in stresses if one is not None]
    held = accumulated(known)
    findings = [
        _finding(one, link, signals, vehicle, heat, held[known.index(heat)] if heat in known[1:] else None)
        for one, heat in zip(judged, stresses, strict=True)
    ]
    findings += [_no_rise(event, signals, link, vehicle) for event in attempts.without_rise]
    findings += overload(known, held, vehicle.precharge.resistor_energy_J)
    findings += drift(_fitted(judged))
    return sorted(findings, key=lambda finding: finding.start_s)


def _severity(judged: Judged) -> Severity:
    """Good only where it is seen that the link came up to the pack."""
    return Severity.INFO if judged.kind == "complete" and not judged.shows_pack else SEVERITY[judged.kind]


def _fitted(judged: Sequence[Judged]) -> list[Attempted]:
    """The attempts whose time constant is known."""
    return [
        Attempted(one.measurement.onset_s, one.constant.time_constant)
        for one in judged
        if one.constant is not None and one.constant.time_constant is not None and not one.constant.or_lag
    ]


def _finding(
    judged: Judged, link: Link, signals: Signals, vehicle: Vehicle, heat: Stress | None, held: Measured | None
) -> Finding:
    m = judged.measurement
    values = {**measured_values(judged, vehicle), **stress_values(heat, held)}
    end_s = m.closing.end_s if m.closing else m.end_s
    return assemble(
        f"precharge.{judged.kind}",
        _severity(judged),
        describe(judged, values),
        [(m.onset_s, max(end_s, m.onset_s))],
        values,
        _PARTS,
        signals,
        evidence=evidence(judged, link),
        expected=expected_values(judged, vehicle),
    )


def _no_rise(event: NoRise, signals: Signals, link: Link, vehicle: Vehicle) -> Finding:
    inside = link.part.between(event.start_s, event.end_s)
    if inside.stop - inside.start < _LEAST_LEVEL:  # a state that is on for less than the link's own period
        inside = link.part.between(event.start_s - FLAG_LAG_S, event.end_s + FLAG_LAG_S)
    volts = link.part.value[inside]
    level = float(np.median(volts)) if volts.size else float("nan")
    rise = float(np.ptp(volts)) if volts.size else float("nan")
    name = "precharge relay" if event.by == "precharge_relay" else "main contactor"
    fraction = {"fraction_reached": Measured(level / link.full_v, "1")} if link.full_v else {}
    heat = no_rise_values(event, level, signals, vehicle)
    words = Words(
        title=f"Incomplete precharge: the link did not rise while the {name} was closed",
        explanation=(
            f"The {name} reported closed for {event.end_s - event.start_s:.2f} s; the link voltage stayed at "
            f"{level:.1f} V and moved by {rise:.1f} V at most, noise included.{no_rise_heat(heat)}"
        ),
        next_step=(
            "With the power off, isolated and proven dead: look for an open precharge resistor, a relay that does "
            "not close, a blown fuse, an open service disconnect, the other contactor not closed, or a sense "
            "wire that is off. Measure the resistor with the meter."
        ),
    )
    return assemble(
        "precharge.no_rise",
        SEVERITY["no_rise"],
        words,
        [(event.start_s, event.end_s)],
        {"start_voltage_V": Measured(level, "V"), "end_voltage_V": Measured(level, "V"), **fraction, **heat},
        _PARTS,
        signals,
        evidence=Evidence(marks=(Mark(event.start_s, f"{name} closes"), Mark(event.end_s, f"{name} opens"))),
    )
