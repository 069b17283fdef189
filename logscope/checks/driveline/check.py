"""The driveline check: judder after changes of torque, knocks at changes of its sign, wheels that slip."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.driveline.backlash import Knocks, find_knocks
from logscope.checks.driveline.judder import HIGH_HZ, LOW_HZ, Demand, Judder, find_demand, find_judder, highest_hz
from logscope.checks.driveline.slip import Slip, find_slip
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Evidence, Finding, Mark, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.parts import part_name
from logscope.quantities import quantity_text
from logscope.signals import Signals
from logscope.statistics.ringing import pooled_sinusoids
from logscope.vehicle import Vehicle

# Of the vehicle [m/s²], to and fro: 0.5 m/s² r.m.s. is fairly uncomfortable by ISO 2631-1 (value from memory).
HARSH_M_PER_S2 = 0.7
_ALIKE = 0.2  # rings of one driveline are as near in frequency: tyres and mounts stiffen with load (practice)
_KNOWN_TO = 0.25  # of the frequency: limits that are wider name none
_PARTS = ("motor_speed", "torque", "torque_target", "vehicle_speed")


def driveline(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge what the motor speed says of the driveline.

    Needs `motor_speed` and one of `torque`, `torque_target`, `motor_current`, `throttle`; `vehicle_speed` for slip.
    Raises MissingPart, or NothingToCheck where no torque ever changes quickly.
    """
    signals = signals.unbunched()
    speed, demand = signals["motor_speed"], find_demand(signals)
    if not speed.has_period:
        raise NothingToCheck("the motor speed has too few samples")
    if not demand.change_s.size:
        raise NothingToCheck("no torque, current or throttle changes by a tenth within 0.3 s")
    span = ((float(speed.time_s[0]), float(speed.time_s[-1])),)
    wrong = observations.speed
    slip = find_slip(signals, wrong, vehicle)
    findings = []
    if slip is not None and slip.spans:
        measured = {"count": Measured(float(len(slip.spans)), "1"), "peak_km_h": Measured(slip.worst_kmh, "km/h")}
        evidence = Evidence(marks=(Mark(slip.worst_s, "most slip"),), window=(slip.worst_s - 1, slip.worst_s + 1))
        findings.append(
            assemble("driveline.slip", Severity.INFO, slip_words(slip), slip.spans, measured, _PARTS, signals, evidence)
        )
    if highest_hz(speed.period_s) < 2 * LOW_HZ:
        words = too_seldom_words(speed.period_s)
        return [*findings, assemble("driveline.undetermined", Severity.INFO, words, span, {}, _PARTS, signals)]
    but = [*(slip.spans if slip is not None else ()), *(wrong.lasting if wrong is not None else ())]
    found = find_judder(speed, demand, but)
    rings = agreeing(found)
    if found and not rings:
        words = disagreeing_words([ring.ring.frequency_hz for ring in found])
        findings.append(assemble("driveline.undetermined", Severity.INFO, words, span, {}, _PARTS, signals))
    knocks = find_knocks(speed, demand)
    if rings:
        findings.append(_judder(rings, demand, signals, vehicle))
    if knocks is not None and knocks.spans:
        measured = {
            "count": Measured(float(len(knocks.spans)), "1"),
            "reversals": Measured(float(knocks.judged), "1"),
            "peak_rpm_per_s": Measured(knocks.peak_rpm_per_s, "rpm/s"),
        }
        words = knock_words(knocks)
        findings.append(assemble("driveline.knock", Severity.INFO, words, knocks.spans, measured, _PARTS, signals))
    elif not found:
        words = quiet_words(demand.change_s.size, highest_hz(speed.period_s), knocks)
        measured = {"changes": Measured(float(demand.change_s.size), "1")}
        findings.append(assemble("driveline.quiet", Severity.GOOD, words, span, measured, _PARTS, signals))
    return findings


def agreeing(rings: Sequence[Judder]) -> list[Judder]:
    """The rings of one frequency, which most of them must share, known well enough to be one; else none.

    A driveline has one frequency in each gear; rings of others are what else moved the speed.
    """
    if not rings:
        return []
    hz = np.array([ring.ring.frequency_hz for ring in rings])
    near = np.abs(hz - hz[:, np.newaxis]) <= _ALIKE * hz
    alike = near[int(np.argmax(near.sum(axis=1)))]
    kept = [ring for ring, like in zip(rings, alike, strict=True) if like]
    pooled, _ = pooled_sinusoids([each.ring for each in kept])
    assert pooled.value is not None
    assert pooled.high is not None
    known = pooled.high - pooled.value <= _KNOWN_TO * pooled.value
    return kept if known and 2 * len(kept) > len(rings) else []


def _judder(rings: Sequence[Judder], demand: Demand, signals: Signals, vehicle: Vehicle) -> Finding:
    frequency, damping = pooled_sinusoids([each.ring for each in rings])
    worst = max(rings, key=lambda each: each.ring.amplitude)
    swing = Measured(worst.ring.amplitude, "rpm")
    harsh = _felt(worst, vehicle)
    strong = harsh is not None and (harsh.value or 0.0) >= HARSH_M_PER_S2
    measured = {
        "count": Measured(float(len(rings)), "1"),
        "judder_Hz": frequency,
        "damping_ratio": damping,
        "amplitude_rpm": swing,
    }
    if harsh is not None:
        measured["acceleration_m_per_s2"] = harsh
    words = judder_words(rings, frequency, damping, swing, harsh, part_name(demand.part.name), strong)
    spans = [(float(r.time_s[0]), float(r.time_s[-1])) for r in rings]
    evidence = Evidence(marks=(Mark(worst.start_s, "strongest"),), window=(worst.start_s - 0.5, worst.start_s + 1.5))
    severity = Severity.WARNING if strong else Severity.INFO
    return assemble("driveline.judder", severity, words, spans, measured, _PARTS, signals, evidence)


def _felt(judder: Judder, vehicle: Vehicle) -> Measured | None:
    """How the vehicle is shaken [m/s²]: the rotor's swing takes J·α at its shaft, which pushes at the road G/r times.

    None where the vehicle file lacks rotor inertia, ratio, wheel radius or mass.
    """
    inertia, drive = vehicle.motor.rotor_inertia_kgm2, vehicle.driveline
    if not (inertia and drive.ratio and drive.wheel_radius_m and drive.mass_kg):
        return None
    angular = judder.ring.amplitude * pi / 30 * 2 * pi * judder.ring.frequency_hz
    return Measured(inertia * angular * drive.ratio / drive.wheel_radius_m / drive.mass_kg, "m/s²")


_RECORD = "Record motor speed and torque every 10 to 20 ms"


def judder_words(
    found: Sequence[Judder],
    frequency: Measured,
    damping: Measured,
    swing: Measured,
    harsh: Measured | None,
    demand: str,
    strong: bool,
) -> Words:
    """Rings after changes of torque."""
    strongest = max(found, key=lambda each: each.ring.amplitude)
    felt = f" The vehicle shakes by ±{quantity_text(harsh)}." if harsh is not None else ""
    period = seconds(1.0 / max(frequency.value or 1.0, 0.1))
    return Words(
        f"Driveline: judders at {quantity_text(Measured(frequency.value, 'Hz'))}, ±{quantity_text(swing)}",
        f"The motor speed rings after {_changes(len(found), demand)}: {quantity_text(frequency)}, damping ratio "
        f"{quantity_text(damping)}.{felt}",
        (
            f"Lengthen the torque ramp to about one period, {period}, first where the torque changes its sign. Check "
            "motor mounts, half shafts and bushes."
            if strong
            else "Nothing that must be changed. A longer torque ramp softens it further."
        ),
        hands_near_hv=False,
        method=f"Damping by the logarithmic decrement. The strongest ring, at {strongest.start_s:.2f} s, followed a "
        f"change of {number(strongest.change)}. A driveline on its mounts and tyres rings at {LOW_HZ:.0f} to "
        f"{HIGH_HZ:.0f} Hz; that and the advice on the ramp are common practice, no published source. Stretches with "
        "wheel slip are left out.",
    )


def disagreeing_words(frequencies_hz: Sequence[float]) -> Words:
    """Rings that share no frequency."""
    return Words(
        "Driveline: judder cannot be determined from this log",
        f"After {_changes(len(frequencies_hz), 'demand')} the motor speed oscillates at "
        f"{number(min(frequencies_hz))} to {number(max(frequencies_hz))} Hz, not at one frequency as a driveline "
        "would. Road, gear changes or the reading may be the cause.",
        f"{_RECORD} over a few firm launches on a smooth road.",
        hands_near_hv=False,
    )


def knock_words(found: Knocks) -> Words:
    """Free play."""
    return Words(
        f"Driveline: knocks at {len(found.spans)} of {found.judged} changes of the torque's sign",
        "The rotor runs through the driveline's free play and strikes at its end, at up to "
        f"{number(found.peak_rpm_per_s)} rpm/s.",
        "Slow the torque ramp near zero. Look for worn splines, joints, coupling or gear mounts.",
        hands_near_hv=False,
        method="When torque turns from pulling to braking or back, the motor speed jumps for a few hundredths of a "
        "second, more than twice as fast as at equal changes without a change of sign. The advice is common "
        "practice, no published source.",
    )


def slip_words(found: Slip) -> Words:
    """Wheels that slip."""
    return Words(
        f"Driven wheels: slipped {times(len(found.spans))}, by up to {number(found.worst_kmh)} km/h",
        "The wheels turned faster than the road allows: grip, or a gear change.",
        "On loose ground, pull away with less torque or a slower ramp. In gear on dry ground, check clutch or "
        "coupling, and the ratio in the vehicle file.",
        hands_near_hv=False,
        method="The motor speed, converted by ratio and tyre, is above the vehicle speed by more than a tenth plus 3 "
        "km/h. Disturbed readings of the motor speed are left out.",
    )


def quiet_words(changes: int, high_hz: float, knocks: Knocks | None) -> Words:
    """No ring seen."""
    sign = (
        f"{knocks.judged} changes of the torque's sign show no knock."
        if knocks is not None
        else "Knocks cannot be determined: that needs quick changes of torque with and without a change of sign, "
        "every 20 ms."
    )
    below = "" if high_hz >= HIGH_HZ else f" below {number(high_hz)} Hz"
    faster = "" if not below else f" A faster one, up to {HIGH_HZ:.0f} Hz, does not show at this sampling."
    return Words(
        f"Driveline: no judder seen{below} after {_changes(changes, 'demand')}",
        f"{sign}{faster}",
        "Nothing to do.",
        hands_near_hv=False,
        method=f"No ring between {LOW_HZ:.0f} and {number(high_hz)} Hz stands out from the noise of the motor speed.",
    )


def too_seldom_words(period_s: float) -> Words:
    """Sampling too coarse."""
    return Words(
        "Driveline: judder cannot be determined from this log",
        f"The motor speed is logged every {seconds(period_s)}, too seldom for a ring of {LOW_HZ:.0f} to "
        f"{HIGH_HZ:.0f} Hz.",
        f"{_RECORD}.",
        hands_near_hv=False,
    )


def _changes(count: int, demand: str) -> str:
    return f"{count} quick change{'s' * (count != 1)} of {demand}"
