"""What a check returns: findings, with their measured values, limits and evidence. Plain data only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from logscope.arrays import FloatArray


class Severity(StrEnum):
    """How much a finding matters, in rising order."""

    GOOD = "good"
    INFO = "info"
    WARNING = "warning"
    DANGER = "danger"

    @property
    def rank(self) -> int:
        """0 for good … 3 for danger."""
        return list(Severity).index(self)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value in its unit with 95 % limits; `None` where the log gives no value or no limit."""

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """One episode of a finding that gathers several, in seconds from the capture's start."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A line to draw over a measured part: what was expected or fitted, with its band if it has one."""

    label: str
    part: str
    time_s: FloatArray
    value: FloatArray
    low: FloatArray | None = None
    high: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment worth a mark in the chart."""

    time_s: float
    label: str


@dataclass(frozen=True, slots=True)
class Level:
    """A horizontal line in the chart of a part: a limit or threshold."""

    value: float
    label: str
    part: str


class Style(StrEnum):
    """How a series of a chart is drawn."""

    LINE = "line"
    POINTS = "points"


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One line or set of points of a chart, shape (n,), with limits if it has them: a band, or a bar at each point."""

    label: str
    x: FloatArray
    y: FloatArray
    low: FloatArray | None = None
    high: FloatArray | None = None
    style: Style = Style.LINE


@dataclass(frozen=True, slots=True)
class Chart:
    """One quantity against another, where time is not what matters: a rate against current, say.

    x_name, y_name : what the axes show, in words; x_unit, y_unit : empty where there is none
    folded : what to open to see it, in words; empty for a chart that is seen at once
    """

    x_name: str
    x_unit: str
    y_name: str
    y_unit: str
    series: tuple[Series, ...]
    folded: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What is drawn for a finding: its measured parts around the moment with what is added here, then charts.

    window : (start_s, end_s) that the moment must show at least; None for the moment itself
    as_logged : the parts are drawn with the readings that were left out of the checks
    """

    curves: tuple[Curve, ...] = ()
    marks: tuple[Mark, ...] = ()
    levels: tuple[Level, ...] = ()
    window: tuple[float, float] | None = None
    charts: tuple[Chart, ...] = ()
    as_logged: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One outcome of a check.

    kind : 'topic.outcome', from the table in DEVELOPERS.md
    start_s, end_s : seconds from the capture's start
    title : one line that stands by itself in a list: the part, the verdict, the number
    explanation : what happened and what it means, at most 60 words
    next_step : what to look at next; caution : where hands go near high voltage, else empty
    measured, expected : values by name; parts : the parts to chart, the leading one first
    method : how it was worked out: rejected causes, sampling limits, sources; folded in the page, not in the terminal
    """

    kind: str
    severity: Severity
    start_s: float
    end_s: float
    title: str
    explanation: str
    next_step: str
    parts: tuple[str, ...]
    caution: str = ""
    cause: str | None = None
    measured: Mapping[str, Measured] = field(default_factory=dict)
    expected: Mapping[str, Measured] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    evidence: Evidence = Evidence()
    method: str = ""


@dataclass(frozen=True, slots=True)
class NotChecked:
    """A check that could not run, or one question of it that could not be answered, with the reason.

    in_part : it did run, without what the reason names
    """

    check: str
    reason: str
    in_part: bool = False


CAUTION_HV = (
    "High voltage kills, and a link can stay charged for minutes after key-off. Before you touch anything: isolate, "
    "lock out, wait, and prove dead with a rated tester; an indicated 0 V does not prove it. Only people trained "
    "for it work on the high-voltage side, under local rules."
)


class NothingToCheck(Exception):
    """A check has all its parts, but the capture holds nothing for it to judge. Says what was looked for."""
