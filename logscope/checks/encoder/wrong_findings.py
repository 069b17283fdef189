"""One finding for each way in which a speed is wrong against its company."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Evidence, Finding, Mark, Measured, Severity
from logscope.observations.motor_speed.analysis import WrongSpeed
from logscope.observations.motor_speed.departures import Departure
from logscope.observations.motor_speed.lost import LostSpeed
from logscope.signals import Signals
from logscope.statistics.rates import poisson_rate

_MARKS_AT_MOST = 20
_PARTS = ("motor_speed", "stator_frequency", "motor_speed_second", "vehicle_speed", "torque", "motor_current", "fault")
_SHOWN_S = 2.0  # before and after, in the chart


def wrong_findings(signals: Signals, wrong: WrongSpeed) -> list[Finding]:
    """Restarts, dropouts longer than a second, falls that nothing decides, and departures."""
    sure = [each for each in wrong.lost if each.shown]
    found = [
        _lost(signals, wrong, [each for each in sure if each.restart], "restart"),
        _lost(signals, wrong, [each for each in sure if not each.restart], "dropout"),
        _lost(signals, wrong, [each for each in wrong.lost if not each.shown], "undetermined"),
        _apart(signals, wrong, [each for each in wrong.departures if each.witness.on_shaft], "departure"),
        _apart(signals, wrong, [each for each in wrong.departures if not each.witness.on_shaft], "undetermined"),
    ]
    return [each for each in found if each is not None]


def _lost(signals: Signals, wrong: WrongSpeed, found: Sequence[LostSpeed], outcome: str) -> Finding | None:
    if not found:
        return None
    time = wrong.study.speed.time_s
    after = [time.size - 1 if each.after is None else each.after for each in found]
    low = sum(float(time[each.last] - time[each.first]) for each in found)
    high = sum(float(time[end] - time[each.before]) for each, end in zip(found, after, strict=True))
    value = sum(float(time[min(each.last + 1, time.size - 1)] - time[each.first]) for each in found)
    peak = max(each.from_rpm for each in found)
    step = wrong.study.model.reach.slack
    rate = poisson_rate(len(found), max(wrong.study.model.running_s, high, 1e-9) / 60.0)
    measured = {
        "count": Measured(float(len(found)), ""),
        "peak_deviation_rpm": Measured(peak, "rpm", max(peak - step, 0.0), None),
        "duration_s": Measured(value, "s", low, high),
        "rate_per_min": Measured(rate.value, "1/min", rate.low, rate.high),
    }
    words = {
        "restart": lambda: restart_words(found, value),
        "dropout": lambda: dropout_words(found, value),
        "undetermined": lambda: undecided_words(found),
    }[outcome]()
    spans = [(float(time[each.before]), float(time[end])) for each, end in zip(found, after, strict=True)]
    return _finding(signals, outcome, words, spans, measured, [float(time[each.first]) for each in found])


def _apart(signals: Signals, wrong: WrongSpeed, found: Sequence[Departure], outcome: str) -> Finding | None:
    if not found:
        return None
    time, model = wrong.study.speed.time_s, wrong.study.model
    spans = [(float(time[each.first]), float(time[each.last])) for each in found]
    total_s = float(np.sum(np.diff(spans)))
    worst = max(found, key=lambda each: each.worst_rpm)
    measured = {
        "count": Measured(float(len(found)), ""),
        "peak_deviation_rpm": Measured(worst.worst_rpm, "rpm", max(worst.worst_rpm - model.reach.slack, 0.0), None),
        "duration_s": Measured(total_s, "s", None, total_s + 2.0 * len(found) * model.update_s),
    }
    apart = outcome == "departure"
    words = departure_words(found, total_s, model.update_s) if apart else road_words(found, total_s)
    return _finding(signals, outcome, words, spans, measured, [since for since, _ in spans])


def _finding(
    signals: Signals,
    outcome: str,
    words: Words,
    spans: list[tuple[float, float]],
    measured: dict[str, Measured],
    moments: list[float],
) -> Finding:
    severity = Severity.INFO if outcome == "undetermined" else Severity.WARNING
    label = {"restart": "falls to zero", "dropout": "lost", "departure": "apart"}.get(outcome, "undecided")
    marks = tuple(Mark(moment, label) for moment in moments[:_MARKS_AT_MOST])
    window = (spans[0][0] - _SHOWN_S, spans[0][1] + _SHOWN_S)
    evidence = Evidence(marks=marks, window=window)
    return assemble(f"encoder.{outcome}", severity, words, spans, measured, _PARTS, signals, evidence)


_READ_AGAIN = "Do not trust speed, distance, torque or consumption at these moments."


def restart_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A device that restarts while the shaft turns."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'restart')} of the inverter at speed, from up to {worst.from_rpm:.0f} "
        "rpm to zero",
        f"The reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, while the shaft turns. "
        f"The speed is wrong for {seconds(total_s)} in all.",
        "Check the inverter's faults at these moments. With the power off, check its 12 V supply, ground and plug. "
        f"Then record the same drive again. {_READ_AGAIN}",
        method=f"That the shaft turned is shown by: {'; '.join(worst.shown)}.",
    )


def dropout_words(found: Sequence[LostSpeed], total_s: float) -> Words:
    """A reading lost for long."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'dropout')} to zero while the shaft turns, from up to "
        f"{worst.from_rpm:.0f} rpm",
        f"The reading falls to zero within {seconds(worst.fall_s)}, faster than tyres allow, and is lost for "
        f"{seconds(total_s)} in all. Likely a connection of the encoder (plug, pin, supply, broken core), or a "
        "device that restarts.",
        "With the power off and the link proven dead, check the encoder's plug, pins and supply, and the inverter's "
        f"12 V supply. {_READ_AGAIN}",
        method=f"That the shaft turned is shown by: {'; '.join(worst.shown)}.",
    )


def undecided_words(found: Sequence[LostSpeed]) -> Words:
    """A fall beyond tyres that nothing logged decides."""
    worst = max(found, key=lambda each: each.from_rpm)
    return Words(
        f"Motor speed: {_times(len(found), 'unexplained fall')} to zero, from up to {worst.from_rpm:.0f} rpm",
        f"The reading falls to zero within {seconds(worst.fall_s)}. In gear, tyres do not allow that. A free rotor "
        "that the motor brakes does it, so do locked wheels, a restarting inverter and a lost encoder signal.",
        "Record torque, electrical frequency and road speed together with the motor speed, every 20 ms or faster.",
        hands_near_hv=False,
        method="Torque, electrical frequency, a second speed or the road speed would decide it; they are not logged.",
    )


def departure_words(found: Sequence[Departure], total_s: float, update_s: float) -> Words:
    """A speed that parts from another reading of the shaft."""
    worst = max(found, key=lambda each: each.worst_rpm)
    return Words(
        f"Motor speed: differs from {worst.witness.words} {times(len(found))}, by up to {worst.worst_rpm:.0f} rpm",
        f"The two readings of one shaft differ for {seconds(total_s)} in all, so one of them is wrong.",
        "In the chart, see which of the two moves as the torque asks. With the power off, check sensor, plug and "
        f"supply of the other. {_READ_AGAIN}",
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
        "neutral or locked wheels do that; with a fixed gear the reading is wrong.",
        "If nothing uncouples the motor, check the encoder's plug and supply with the power off. Record the "
        "electrical frequency as well.",
    )


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
