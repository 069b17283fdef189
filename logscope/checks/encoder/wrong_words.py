"""The findings on a speed that reads zero while the shaft turns, or that leaves other readings, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.wording import Words, number, seconds
from logscope.observations.motor_speed.departures import Departure
from logscope.observations.motor_speed.lost import LostSpeed

_READ_AGAIN = "Do not trust speed, distance, torque or consumption of these moments."


def restart_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A device that restarts while the shaft turns."""
    worst = max(found, key=lambda each: each.from_rpm)
    count = len(found)
    return Words(
        f"Motor speed: {_times(count, 'restart')} at speed, from up to {worst.from_rpm:,.0f} rpm to zero",
        f"From {worst.from_rpm:,.0f} rpm the reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, though the shaft turns on: {'; '.join(worst.shown)}. "
        f"The device that sends the speed restarted. In all the speed is wrong for {seconds(total_s)}.",
        "Look at the inverter's faults at these moments and at its 12 V supply, ground and plug, with the power off. Then record the same drive again. "
        + _READ_AGAIN,
    )


def dropout_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A reading lost for long."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'dropout')} to zero while the shaft turns, from up to {worst.from_rpm:,.0f} rpm",
        f"From {worst.from_rpm:,.0f} rpm the reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, though the shaft turns on: {'; '.join(worst.shown)}. "
        f"In all it is lost for {seconds(total_s)}. That points to a connection of the encoder (plug, pin, supply, broken core), or to a device that restarts.",
        "With the power off and the link proven dead, look at the encoder's plug, pins and supply, and at the inverter's 12 V supply. "
        + _READ_AGAIN,
    )


def undecided_words(found: Sequence[LostSpeed]) -> Words:
    """A fall beyond tyres that nothing logged decides."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'fall')} to zero that cannot be explained from this log, from up to {worst.from_rpm:,.0f} rpm",
        f"From {worst.from_rpm:,.0f} rpm the reading falls to zero within {seconds(worst.fall_s)}. In gear tyres do not allow that. A free rotor that the motor brakes does it, "
        "wheels that lock do, and so does an inverter that restarts or a lost encoder signal. Not logged is what would decide: torque, electrical frequency, a second speed or the road speed.",
        "Record torque, electrical frequency and road speed beside the motor speed, every 20 ms or faster.",
        hands_near_hv=False,
    )


def departure_words(found: Sequence[Departure], total_s: float, update_s: float) -> Words:
    """A speed that parts from another reading of the shaft."""
    worst = max(found, key=lambda each: each.worst_rpm)
    return Words(
        f"Motor speed leaves {worst.witness.words} {_often(len(found))}, by up to {worst.worst_rpm:,.0f} rpm",
        f"Apart from lag and from the usual ratio of the two, {worst.witness.words} and the motor speed differ for {seconds(total_s)} in all. Both are readings of one shaft, so one of them is wrong. "
        f"Judged where both are logged, every {seconds(max(worst.witness.update_s, update_s))}.",
        "See in the chart which of the two moves as the torque asks. Then, with the power off, look at that one's sensor, plug and supply. "
        + _READ_AGAIN,
    )


def road_words(found: Sequence[Departure], total_s: float) -> Words:
    """A motor that reads slower than the road."""
    worst = max(found, key=lambda each: each.worst_rpm)
    return Words(
        f"Motor speed below the road speed {_often(len(found))}, by up to {worst.worst_rpm:,.0f} rpm: the cause cannot be determined",
        f"For {seconds(total_s)} in all the motor speed is lower than the road speed and the usual ratio make it. A clutch or neutral does that, so do wheels that lock; with a fixed gear the reading is wrong.",
        f"If nothing uncouples the motor, check the encoder's plug and supply with the power off. Record the electrical frequency, too. The largest difference, {number(worst.worst_rpm)} rpm, is marked.",
    )


def _often(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
