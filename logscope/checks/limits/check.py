"""The limits check: how near each limit of the vehicle file was come, when, and how often."""

from __future__ import annotations

from logscope.checks.limits.measure import Closeness, judge_limit
from logscope.checks.limits.stated import stated_limits
from logscope.checks.limits.words import kept_words, passed_words
from logscope.findings import (
    CAUTION_HV,
    Event,
    Evidence,
    Finding,
    Level,
    Mark,
    Measured,
    NothingToCheck,
    Severity,
)
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

_EVENTS_AT_MOST = 50
_CHARTED_AT_MOST = 3
_AT_HIGH_VOLTAGE = ("dc_link_voltage", "battery_voltage", "motor_current")


def limits(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """The margin to every limit of the vehicle file: one finding for each limit passed, one for all that were kept.

    Raises MissingPart where no limited part is logged, NothingToCheck where the vehicle file gives no limit.
    """
    given = list(stated_limits(vehicle))
    if not given:
        raise NothingToCheck("the vehicle file states no limit: give [limits], [dc_link] max_voltage_V, [motor] …")
    seen = [
        closeness for limit in given if limit.part in signals if (closeness := judge_limit(signals[limit.part], limit))
    ]
    if not seen:
        raise MissingPart(given[0].part)
    kept = [closeness for closeness in seen if not closeness.passed]
    missing = sorted({limit.part.replace("_", " ") for limit in given if limit.part not in signals})
    return [*(_passed(c) for c in seen if c.passed), *([_kept(kept, missing)] if kept else [])]


def _values(closeness: Closeness) -> dict[str, Measured]:
    """Between samples the margin may have been smaller, so it has an upper limit only: half a step of the signal."""
    name, unit = closeness.limit.name, closeness.unit
    half_step = (closeness.part.step or 0.0) / 2
    return {
        f"{name}_margin_{unit}": Measured(closeness.margin, unit, None, closeness.margin + half_step),
        f"{name}_near_percent": Measured(closeness.near_percent, "%"),
        f"{name}_near_count": Measured(float(len(closeness.near)), "1"),
    }


def _kept(kept: list[Closeness], missing: list[str]) -> Finding:
    tight = [c.part.name for c in kept if c.near]
    least = min(kept, key=lambda c: c.margin / max(abs(c.limit.value - c.limit.near), 1e-9))
    words = kept_words(kept, least, missing)
    return Finding(
        kind="limits.margin",
        severity=Severity.INFO if tight else Severity.GOOD,
        start_s=least.time_s,
        end_s=least.time_s,
        title=words.title,
        explanation=words.explanation,
        next_step=words.next_step,
        parts=tuple(dict.fromkeys([least.part.name, *tight]))[:_CHARTED_AT_MOST],
        measured=_values(least) | {name: value for closeness in kept for name, value in _values(closeness).items()},
        evidence=_evidence(least, "smallest margin"),
    )


def _passed(closeness: Closeness) -> Finding:
    limit, spans, words = closeness.limit, closeness.passed, passed_words(closeness)
    return Finding(
        kind="limits.margin",
        severity=limit.severity,
        start_s=spans[0][0],
        end_s=spans[-1][1],
        title=words.title,
        explanation=words.explanation,
        next_step=words.next_step,
        caution=CAUTION_HV if limit.part in _AT_HIGH_VOLTAGE else "",
        parts=(limit.part,),
        measured=_values(closeness),
        expected={f"{limit.name}_margin_{closeness.unit}": Measured(None, closeness.unit, 0.0, None)},
        events=tuple(Event(since, until) for since, until in spans[:_EVENTS_AT_MOST]),
        evidence=_evidence(closeness, "furthest beyond"),
    )


def _evidence(closeness: Closeness, mark: str) -> Evidence:
    limit = closeness.limit
    return Evidence(
        marks=(Mark(closeness.time_s, mark),),
        levels=(Level(limit.value, f"limit {limit.key}", limit.part),),
    )
