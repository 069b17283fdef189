"""The outcome of a comparison: plain data for terminal, JSON and page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from logscope.arrays import FloatArray
from logscope.comparison.cells import Grid
from logscope.comparison.driving import Driving
from logscope.findings import Measured
from logscope.result import Result


class Verdict(StrEnum):
    """What a comparison says, of one measure or in all."""

    BETTER = "better"
    WORSE = "worse"
    NO_DIFFERENCE = "no_difference"
    NOT_COMPARABLE = "not_comparable"


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a compared measure rests on, (before, after) each.

    counts : events or repeats; shared_min, all_min : minutes of driving in shared cells and in all, None for values
        that need no driving; units : what scatter was judged by, in words
    """

    counts: tuple[float, float]
    shared_min: tuple[float, float] | None = None
    all_min: tuple[float, float] | None = None
    units: str = ""


@dataclass(frozen=True, slots=True)
class ComparedMeasure:
    """One measure before and after.

    effect : after over before (unit '1'), or after less before in the measure's unit; with 95 % limits
    p_value : of no change that matters; p_adjusted : by Holm's method over all measures
    could_show : the ratio of rates nearest to 1 that this much driving would have shown, below 1
    more_min : further minutes of driving after the change that would show a halving; ∞ where none would
    """

    name: str
    title: str
    unit: str
    verdict: Verdict
    reason: str
    before: Measured | None = None
    after: Measured | None = None
    effect: Measured | None = None
    p_value: float | None = None
    p_adjusted: float | None = None
    exposure: Exposure | None = None
    could_show: float | None = None
    more_min: float | None = None

    @property
    def is_ratio(self) -> bool:
        """Whether the effect is a ratio; else it is a difference in the measure's unit."""
        return self.effect is not None and self.effect.unit == "1"


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs between the sides besides the change: what it is, in words, and the parts it touches."""

    text: str
    parts: tuple[str, ...] = ()
    sections: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class LoadRate:
    """Disturbances per minute by load, for the chart: edges of the load, and each side's rate with 95 % limits.

    low, value, high : shape (2, bands), NaN where a side has no driving there
    """

    title: str
    load: str
    unit: str
    edges: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """The checked runs of one side and how they were driven, None where a run does not show it."""

    results: tuple[Result, ...]
    driving: tuple[Driving | None, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Everything the pages show of a comparison. `grid` is None where no driving could be compared."""

    vehicle_name: str
    verdict: Verdict
    reason: str
    measures: tuple[ComparedMeasure, ...]
    differences: tuple[Difference, ...]
    before: Side
    after: Side
    grid: Grid | None = None
    by_load: LoadRate | None = field(default=None)

    @property
    def sides(self) -> Sequence[Side]:
        """Before, after."""
        return (self.before, self.after)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is in doubt, or was assumed, to read the logs of either side."""
        noted = (each for side in self.sides for result in side.results for each in result.capture.account.cautions)
        return tuple(dict.fromkeys(noted))

    @property
    def _files(self) -> tuple[str, ...]:
        """The logs of both sides."""
        return tuple(file for side in self.sides for result in side.results for file in result.capture.account.files)

    def to_json(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The comparison as JSON text by the contract; also written to `path` where given.

        overwrite : also over a file that logscope did not write; never over a log. Raises RequestError else.
        """
        from logscope.outputs import JSON, write_output
        from logscope.report.comparison_json import comparison_to_json

        text = comparison_to_json(self)
        if path is not None:
            write_output(path, text, JSON, self._files, overwrite=overwrite)
        return text

    def to_html(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The comparison as one self-contained HTML page; also written to `path` where given, as by `to_json`."""
        from logscope.outputs import HTML, write_output
        from logscope.report.comparison_page import comparison_to_html

        text = comparison_to_html(self)
        if path is not None:
            write_output(path, text, HTML, self._files, overwrite=overwrite)
        return text
