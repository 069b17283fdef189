"""The findings on a speed that reads zero while the shaft turns, or that leaves other readings, in words."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.wording import Words, number, seconds, times
from logscope.observations.motor_speed.departures import Departure
from logscope.observations.motor_speed.lost import LostSpeed

_READ_AGAIN = "Do not trust speed, distance, torque or consumption at these moments."


def restart_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A device that restarts while the shaft turns."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'restart')} of the inverter at speed, from up to {worst.from_rpm:,.0f} "
        "rpm to zero",
        f"The reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, while the shaft turns. "
        "The speed "
        f"is wrong for {seconds(total_s)} in all.",
        "Check the inverter's faults at these moments. With the power off, check its 12 V supply, ground and plug. "
        "Then record "
        f"the same drive again. {_READ_AGAIN}",
        method=f"That the shaft turned is shown by: {'; '.join(worst.shown)}.",
    )


def dropout_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A reading lost for long."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'dropout')} to zero while the shaft turns, from up to "
        f"{worst.from_rpm:,.0f} rpm",
        f"The reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, and is lost for "
        f"{seconds(total_s)} "
        "in all. Likely a connection of the encoder (plug, pin, supply, broken core), or a device that restarts.",
        "With the power off and the link proven dead, check the encoder's plug, pins and supply, and the inverter's "
        "12 V "
        f"supply. {_READ_AGAIN}",
        method=f"That the shaft turned is shown by: {'; '.join(worst.shown)}.",
    )


def undecided_words(found: Sequence[LostSpeed]) -> Words:
    """A fall beyond tyres that nothing logged decides."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'unexplained fall')} to zero, from up to {worst.from_rpm:,.0f} rpm",
        f"The reading falls to zero within {seconds(worst.fall_s)}. In gear, tyres do not allow that. A free rotor "
        "that the motor "
        "brakes does it, so do locked wheels, a restarting inverter and a lost encoder signal.",
        "Record torque, electrical frequency and road speed beside the motor speed, every 20 ms or faster.",
        hands_near_hv=False,
        method="Torque, electrical frequency, a second speed or the road speed would decide it; they are not logged.",
    )


def departure_words(found: Sequence[Departure], total_s: float, update_s: float) -> Words:
    """A speed that parts from another reading of the shaft."""
    worst = max(found, key=lambda each: each.worst_rpm)
    return Words(
        f"Motor speed: differs from {worst.witness.words} {times(len(found))}, by up to {worst.worst_rpm:,.0f} rpm",
        f"The two readings of one shaft differ for {seconds(total_s)} in all, so one of them is wrong.",
        "In the chart, see which of the two moves as the torque asks. With the power off, check sensor, plug and "
        "supply of the "
        f"other. {_READ_AGAIN}",
        method="Lag and the usual ratio of the two are allowed for. Judged where both are logged, every "
        f"{seconds(max(worst.witness.update_s, update_s))}.",
    )


def road_words(found: Sequence[Departure], total_s: float) -> Words:
    """A motor that reads slower than the road."""
    worst = max(found, key=lambda each: each.worst_rpm)
    return Words(
        f"Motor speed: below the road speed {times(len(found))}, by up to {number(worst.worst_rpm)} rpm; cause "
        "undetermined",
        f"For {seconds(total_s)} in all the motor speed is lower than road speed and usual ratio give. Clutch, "
        "neutral or locked "
        "wheels do that; with a fixed gear the reading is wrong.",
        "If nothing uncouples the motor, check the encoder's plug and supply with the power off. Record the "
        "electrical "
        "frequency as well.",
    )


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
