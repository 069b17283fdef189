"""Charts of one quantity against another, and all drawings of a finding in their order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.findings import Chart, Finding, Series, Style
from logscope.quantities import shown_unit
from logscope.report.charts import MOMENT_POINTS, finding_chart
from logscope.report.downsample import keep_extremes
from logscope.report.rows import (
    MARKED_POINTS,
    PANEL_PX,
    SERIES_COLOURS,
    Key,
    Row,
    Trace,
    bounds,
    numbers,
    padded,
    plain,
)
from logscope.report.stack import Drawing, stacked
from logscope.signals import Signals

BANDS = 2  # --curve-1 and --band-1 … of the style sheet: a line with limits takes these
_CROWD = {"size": 4, "opacity": 0.5}  # so many points that they cover each other
AIR = 0.03  # of the values' range, left and right


def drawings(finding: Finding, signals: Signals) -> tuple[Drawing, ...]:
    """The moment of a finding, where it has samples, and its charts."""
    moment = finding_chart(finding, signals)
    return (*((moment,) if moment else ()), *(xy_chart(chart) for chart in finding.evidence.charts))


def xy_chart(chart: Chart) -> Drawing:
    """A chart with bands or bars for the limits of its series."""
    traces: list[Trace] = []
    keys: list[Key] = []
    notes: list[str] = []
    for number, series in enumerate(chart.series):
        kept = keep_extremes(series.y, MOMENT_POINTS)
        drawn, named = (_points if series.style is Style.POINTS else _line)(series, kept, number)
        traces += drawn
        keys += named
        if kept.size < series.y.size:
            notes.append(f"{series.label}: {kept.size} of {series.y.size} values drawn, including every extreme.")
    values = [v for series in chart.series for v in (series.y, series.low, series.high) if v is not None]
    left, right = bounds([series.x for series in chart.series])
    air = AIR * (right - left)
    y_title, x_title = _title(chart.y_name, chart.y_unit), _title(chart.x_name, chart.x_unit)
    row = Row(y_title, PANEL_PX, tuple(traces), *padded(*bounds(values), ()))
    figure = stacked([row], (left - air, right + air), plain(x_title))
    figure["layout"]["xaxis"]["hoverformat"] = ".5~g"
    labels = ", ".join(series.label for series in chart.series)
    summary = f"Chart of {y_title} against {x_title}: {labels}."
    return Drawing(figure, summary, tuple(keys), notes=tuple(notes), folded=chart.folded)


def _title(name: str, unit: str) -> str:
    return f"{name} [{shown_unit(unit)}]" if shown_unit(unit) else name


def _points(series: Series, kept: NDArray[np.intp], number: int) -> tuple[list[Trace], list[Key]]:
    """Points in the colours of measured series, each with a bar between its limits."""
    colour = number % SERIES_COLOURS + 1
    points = _shared(series, series.y, kept) | {
        "mode": "markers",
        "marker": {"size": 7, "color": f"--series-{colour}"} | (_CROWD if kept.size > MARKED_POINTS else {}),
        "name": plain(series.label),
    }
    key = Key(f"points series-{colour}", series.label)
    if series.low is None or series.high is None:
        return [points], [key]
    bars = {"type": "data", "symmetric": False, "color": f"--series-{colour}", "thickness": 1.5, "width": 4}
    bars |= {"array": numbers((series.high - series.y)[kept]), "arrayminus": numbers((series.y - series.low)[kept])}
    return [points | {"error_y": bars}], [Key(key.style, f"{series.label}, with 95 % interval")]


def _line(series: Series, kept: NDArray[np.intp], number: int) -> tuple[list[Trace], list[Key]]:
    """A line, with a band between its limits; without limits in the colours of measured series."""
    banded = series.low is not None and series.high is not None
    colour = f"curve-{number % BANDS + 1}" if banded else f"series-{number % SERIES_COLOURS + 1}"
    line = _shared(series, series.y, kept) | {"mode": "lines", "name": plain(series.label)}
    line |= {"line": {"color": f"--{colour}", "width": 2}}
    if series.low is None or series.high is None:
        return [line], [Key(f"line {colour}", series.label)]
    band = f"band-{number % BANDS + 1}"
    edges = [
        _shared(series, edge, kept)
        | {"mode": "lines", "hoverinfo": "skip", "name": "", "line": {"width": 0, "color": f"--{colour}"}}
        | {"fill": fill, "fillcolor": f"--{band}"}
        for edge, fill in ((series.low, "none"), (series.high, "tonexty"))
    ]
    keys = [Key(f"line {colour}", series.label), Key(f"area {band}", f"{series.label}: 95 % interval")]
    return [*edges, line], keys


def _shared(series: Series, y: FloatArray, kept: NDArray[np.intp]) -> Trace:
    return {"x": numbers(series.x[kept]), "y": numbers(y[kept]), "type": "scatter", "yhoverformat": ".5~g"}
