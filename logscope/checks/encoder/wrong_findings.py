"""One finding for each way in which a speed is wrong against its company."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.encoder.wrong_words import (
    departure_words,
    dropout_words,
    restart_words,
    road_words,
    undecided_words,
)
from logscope.checks.wording import Words
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
