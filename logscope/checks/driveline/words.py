"""The texts of the driveline findings."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.driveline.backlash import Knocks
from logscope.checks.driveline.judder import HIGH_HZ, LOW_HZ, Judder
from logscope.checks.driveline.slip import Slip
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.quantities import quantity_text

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
            f"Lengthen the torque ramp to about one period, {period}, first where the torque changes its sign. Check motor "
            "mounts, half shafts and bushes."
            if strong
            else "Nothing that must be changed. A longer torque ramp softens it further."
        ),
        hands_near_hv=False,
        method=f"Damping by the logarithmic decrement. The strongest ring, at {strongest.start_s:.2f} s, followed a change of "
        f"{number(strongest.change)}. A driveline on its mounts and tyres rings at {LOW_HZ:.0f} to {HIGH_HZ:.0f} Hz; that and the "
        "advice on the ramp are common practice, no published source. Stretches with wheel slip are left out.",
    )


def disagreeing_words(frequencies_hz: Sequence[float]) -> Words:
    """Rings that share no frequency."""
    return Words(
        "Driveline: judder cannot be determined from this log",
        f"After {_changes(len(frequencies_hz), 'demand')} the motor speed oscillates at {number(min(frequencies_hz))} to "
        f"{number(max(frequencies_hz))} Hz, not at one frequency as a driveline would. Road, gear changes or the reading may be "
        "the cause.",
        f"{_RECORD} over a few firm launches on a smooth road.",
        hands_near_hv=False,
    )


def knock_words(found: Knocks) -> Words:
    """Free play."""
    return Words(
        f"Driveline: knocks at {len(found.spans)} of {found.judged} changes of the torque's sign",
        f"The rotor runs through the driveline's free play and strikes at its end, at up to {number(found.peak_rpm_per_s)} rpm/s.",
        "Slow the torque ramp near zero. Look for worn splines, joints, coupling or gear mounts.",
        hands_near_hv=False,
        method="When torque turns from pulling to braking or back, the motor speed jumps for a few hundredths of a second, more "
        "than twice as fast as at equal changes without a change of sign. The advice is common practice, no published source.",
    )


def slip_words(found: Slip) -> Words:
    """Wheels that slip."""
    return Words(
        f"Driven wheels: slipped {times(len(found.spans))}, by up to {number(found.worst_kmh)} km/h",
        "The wheels turned faster than the road allows: grip, or a gear change.",
        "On loose ground, pull away with less torque or a slower ramp. In gear on dry ground, check clutch or coupling, and the "
        "ratio in the vehicle file.",
        hands_near_hv=False,
        method="The motor speed, converted by ratio and tyre, is above the vehicle speed by more than a tenth plus 3 km/h. "
        "Disturbed readings of the motor speed are left out.",
    )


def quiet_words(changes: int, high_hz: float, knocks: Knocks | None) -> Words:
    """No ring seen."""
    sign = (
        f"{knocks.judged} changes of the torque's sign show no knock."
        if knocks is not None
        else "Knocks cannot be determined: that needs quick changes of torque with and without a change of sign, every 20 ms."
    )
    return Words(
        f"Driveline: no judder seen after {_changes(changes, 'demand')}",
        f"{sign}",
        "Nothing to do.",
        hands_near_hv=False,
        method=f"No ring between {LOW_HZ:.0f} and {number(high_hz)} Hz stands out of the noise of the motor speed.",
    )


def too_seldom_words(period_s: float) -> Words:
    """Sampling too coarse."""
    return Words(
        "Driveline: judder cannot be determined from this log",
        f"The motor speed is logged every {seconds(period_s)}, too seldom for a ring of {LOW_HZ:.0f} to {HIGH_HZ:.0f} Hz.",
        f"{_RECORD}.",
        hands_near_hv=False,
    )


def _changes(count: int, demand: str) -> str:
    return f"{count} quick change{'s' * (count != 1)} of {demand}"
