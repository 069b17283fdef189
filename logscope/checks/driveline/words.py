"""The driveline findings in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.driveline.backlash import Knocks
from logscope.checks.driveline.judder import HIGH_HZ, LOW_HZ, Judder
from logscope.checks.driveline.slip import Slip
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured


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
    felt = f", ±{number(harsh.value or 0)} m/s² to and fro" if harsh is not None else ""
    return Words(
        f"The driveline judders at {number(frequency.value or 0)} Hz, ±{number(swing.value or 0)} rpm{felt}",
        f"After {len(found)} quick change{'s' * (len(found) != 1)} of {demand} the motor speed rings and dies away: {_limits(frequency)} Hz, damping ratio {_limits(damping)} "
        f"by the logarithmic decrement. The strongest, at {strongest.start_s:.2f} s, followed a change of {number(strongest.change)}. Driveline on its mounts and tyres rings "
        f"at {LOW_HZ:.0f} to {HIGH_HZ:.0f} Hz (common practice, no published source); stretches in which a wheel slips are left out.",
        (
            "Common practice, no published source: lengthen the torque ramp to about one turn of that frequency "
            f"({seconds(1.0 / max(frequency.value or 1.0, 0.1))}), first where the torque changes its sign, and look at motor mounts, half shafts and bushes."
            if strong
            else "Nothing that must be changed. A longer torque ramp would soften it further."
        ),
        hands_near_hv=False,
    )


def disagreeing_words(frequencies_hz: Sequence[float]) -> Words:
    """Rings that share no frequency."""
    count = len(frequencies_hz)
    return Words(
        "Whether the driveline judders cannot be determined from this log",
        f"After {count} quick change{'s' * (count != 1)} of demand the motor speed swings, at {number(min(frequencies_hz))} to {number(max(frequencies_hz))} Hz: no one frequency, known well enough, "
        "that a driveline would have. Road, gear changes or the reading itself may be the cause.",
        "Record motor speed and torque every 10 to 20 ms over a few firm launches on a smooth road.",
        hands_near_hv=False,
    )


def knock_words(found: Knocks) -> Words:
    """Free play."""
    return Words(
        f"A knock at {len(found.spans)} of {found.judged} changes of the torque's sign",
        "When torque turns from pulling to braking or back, the motor speed jumps for a few hundredths of a second, more than twice as fast as at changes of the same size without a change of sign: the rotor runs "
        f"through the driveline's free play and strikes at its end. Fastest: {number(found.peak_rpm_per_s)} rpm/s.",
        "Common practice, no published source: slow the torque ramp near nought, and look for worn splines, joints, coupling or gear mounts.",
        hands_near_hv=False,
    )


def slip_words(found: Slip) -> Words:
    """Wheels that slip."""
    count = len(found.spans)
    return Words(
        f"The driven wheels slipped {'once' if count == 1 else f'{count} times'}, by up to {number(found.worst_kmh)} km/h",
        "The motor speed, brought to the road by ratio and tyre, is faster than the vehicle by more than a tenth and 3 km/h. That is grip, or a gear change, not judder and "
        "not a wrong encoder.",
        "Less torque at pulling away, or a slower ramp, where the ground is loose. In gear on dry ground it would point to the clutch or coupling, or to a wrong ratio in the vehicle file.",
        hands_near_hv=False,
    )


def quiet_words(changes: int, high_hz: float, knocks: Knocks | None) -> Words:
    """No ring seen."""
    sign = (
        f"{knocks.judged} changes of the torque's sign show no knock"
        if knocks is not None
        else "whether it knocks cannot be determined: that takes quick changes of torque with and without a change of sign, and the speed every 20 ms"
    )
    return Words(
        "No judder of the driveline seen",
        f"{changes} quick change{'s' * (changes != 1)} of demand, and no ring between {LOW_HZ:.0f} and {number(high_hz)} Hz stands out of the motor speed's noise after them; {sign}.",
        "Nothing to do.",
        hands_near_hv=False,
    )


def too_seldom_words(period_s: float) -> Words:
    """Sampling too coarse."""
    return Words(
        "Whether the driveline judders cannot be determined from this log",
        f"With the motor speed every {seconds(period_s)}, a ring of {LOW_HZ:.0f} to {HIGH_HZ:.0f} Hz is not drawn.",
        "Record motor speed and torque every 10 to 20 ms.",
        hands_near_hv=False,
    )


def _limits(value: Measured) -> str:
    if value.value is None or value.low is None or value.high is None:
        return "not determined"
    return f"{number(value.value)} ({number(value.low)} to {number(value.high)})"
