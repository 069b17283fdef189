"""The charts of a comparison: effects as a forest plot, exposure, rate by load, overlaid precharge curves."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.comparison.driving import TICK_S, Driving
from logscope.comparison.outcome import ComparedMeasure, Comparison, Side
from logscope.findings import Finding
from logscope.parts import PARTS, part_name, part_title
from logscope.report.comparison_words import VERDICT_SEVERITY, VERDICT_WORDS, effect_texts
from logscope.report.downsample import keep_extremes
from logscope.report.drawing import heading
from logscope.report.rows import PANEL_PX, TIME_DECIMALS, Key, numbers, plain
from logscope.report.stack import BOTTOM_PX, HEADING_PX, LEFT_PX, RIGHT_PX, TOP_PX, Drawing
from logscope.result import Result

SIDES = (("before", "--series-2", "series-2"), ("after", "--series-1", "series-1"))
_FOREST_ROW_PX = 30
_TICKS = (0.01, 0.1, 0.5, 1.0, 2.0, 10.0, 100.0)  # few, so that they stand side by side on a phone
_LEAST_RATIO, _MOST_RATIO = 0.5, 2.0  # that the axis of effects shows in any case
_FARTHEST = 100.0  # limits farther out are drawn to the edge
_CURVES = 6  # precharges drawn a side; more make a thicket
_CURVE_POINTS = 400
_MARGIN_SHARE, _MARGIN_S = 0.15, 0.1  # around a precharge

Figure = dict[str, Any]
Cells = Callable[[Driving], NDArray[np.intp]]


def forest_chart(measures: Sequence[ComparedMeasure]) -> Drawing | None:
    """Every effect that is a ratio, with its limits, over one logarithmic axis; None where there is none."""
    shown = [measure for measure in measures if measure.is_ratio and measure.effect is not None]
    if not shown:
        return None
    low, high = _span(shown)
    data = [trace for number, measure in enumerate(shown, 1) for trace in _effect(measure, number, low, high)]
    axes = [f"{100 * (low - 1):+.0f} %", f"{100 * (high - 1):+.0f} %"]
    one = {"type": "line", "xref": "x", "yref": "paper", "x0": 1.0, "x1": 1.0, "y0": 0, "y1": 1}
    figure = stacked(
        data, [measure.title for measure in shown], _FOREST_ROW_PX, "after, as a multiple of before", (low, high)
    )
    layout = figure["layout"]
    ticks = [tick for tick in _TICKS if low <= tick <= high]
    layout["xaxis"] |= {
        "type": "log",
        "range": [math.log10(low), math.log10(high)],
        "tickvals": ticks,
        "ticktext": [f"× {tick:g}" for tick in ticks],
        "tickangle": 0,
    }
    layout["margin"]["l"] = RIGHT_PX  # there is no vertical axis
    layout["shapes"] = [one | {"line": {"width": 1.4, "color": "--level", "dash": "dash"}}]
    for number in range(1, len(shown) + 1):
        layout[_axis(number, "yaxis")] |= {"range": [-1, 1], "visible": False}
    verdicts = dict.fromkeys(measure.verdict for measure in shown)
    keys = [Key("dash level", "no change")]
    keys += [Key(f"line badge-{VERDICT_SEVERITY[v].value}", VERDICT_WORDS[v]) for v in verdicts]
    listed = "; ".join(f"{m.title}: {' '.join(effect_texts(m))}, {VERDICT_WORDS[m.verdict]}" for m in shown)
    notes = [
        f"{m.title}: the limits reach beyond the chart ({axes[0]} to {axes[1]})."
        for m in shown
        if _beyond(m, low, high)
    ]
    return Drawing(figure, f"Forest plot of the effects. {listed}.", tuple(keys), (), tuple(notes))


def _span(measures: Sequence[ComparedMeasure]) -> tuple[float, float]:
    ends = [
        value
        for m in measures
        if m.effect is not None
        for value in (m.effect.low, m.effect.value, m.effect.high)
        if value is not None and 1 / _FARTHEST <= value <= _FARTHEST
    ]
    return min([_LEAST_RATIO, *ends]) / 1.15, max([_MOST_RATIO, *ends]) * 1.15


def _beyond(measure: ComparedMeasure, low: float, high: float) -> bool:
    effect = measure.effect
    assert effect is not None
    return effect.high is None or effect.high > high or (effect.low or 0.0) < low


def _effect(measure: ComparedMeasure, number: int, low: float, high: float) -> list[Figure]:
    """The line of the limits and the mark of the value."""
    effect, colour = measure.effect, f"--{VERDICT_SEVERITY[measure.verdict].value}"
    assert effect is not None
    ends = [max(effect.low or 0.0, low), high if effect.high is None else min(effect.high, high)]
    shared = {
        "type": "scatter",
        "yaxis": _axis(number, "y"),
        "xaxis": "x",
        "hoverinfo": "skip",
        "name": plain(measure.title),
    }
    traces = [shared | {"x": ends, "y": [0, 0], "mode": "lines", "line": {"color": colour, "width": 3}}]
    if effect.value is not None and low <= effect.value <= high:
        traces.append(
            shared | {"x": [effect.value], "y": [0], "mode": "markers", "marker": {"color": colour, "size": 11}}
        )
    return traces


def exposure_charts(comparison: Comparison) -> tuple[Drawing, ...]:
    """Minutes of driving by load and by speed, before and after; none where no driving is known."""
    grid = comparison.grid
    if grid is None:
        return ()
    axes = ((grid.load, grid.load_edges, "load"), (grid.speed, grid.speed_edges, "speed"))
    return tuple(_exposure(comparison.sides, grid.cell, *axis) for axis in axes)


def _exposure(sides: Sequence[Side], cell: Cells, part: str, edges: FloatArray, which: str) -> Drawing:
    data = []
    for side, (label, colour, _) in zip(sides, SIDES, strict=True):
        minutes = _minutes(side, cell, which, edges)
        data.append(
            {
                "type": "scatter", "mode": "lines", "x": numbers(edges), "y": numbers(np.append(minutes, minutes[-1])),
                "line": {"color": colour, "width": 2, "shape": "hv"}, "name": label, "yhoverformat": ".3~g",
                "xaxis": "x", "yaxis": "y",
            }
        )  # fmt: skip
    span = (float(edges[0]), float(edges[-1]))
    name = part_name(part)
    figure = stacked(data, [f"Minutes of driving by {name}"], PANEL_PX, part_words(part), span)
    figure["layout"]["yaxis"] |= {"rangemode": "tozero"}
    summary = f"Chart of the minutes driven before and after, by {name}."
    return Drawing(figure, summary, _side_keys())


def _minutes(side: Side, cell: Cells, which: str, edges: FloatArray) -> FloatArray:
    total = np.zeros(edges.size - 1)
    for run in side.driving:
        if run is not None:
            values = getattr(run, which)[cell(run) >= 0]
            total += np.histogram(np.minimum(values, edges[-1]), edges)[0] * TICK_S / 60.0
    return total


def part_words(part: str) -> str:
    """A part with its unit, for the title of an axis."""
    return f"{part_title(part)} [{PARTS[part].unit}]"


def load_chart(comparison: Comparison) -> Drawing | None:
    """The rate of disturbances by load, before and after, with limits; None where none is known."""
    rate = comparison.by_load
    if rate is None:
        return None
    middle, width = (rate.edges[1:] + rate.edges[:-1]) / 2.0, float(rate.edges[1] - rate.edges[0])
    data = []
    for number, (label, colour, _) in enumerate(SIDES):
        value, low, high = (each[number] for each in (rate.value, rate.low, rate.high))
        data.append(
            {
                "type": "scatter", "mode": "markers", "name": label, "y": numbers(value),
                "x": numbers(middle + (number - 0.5) * 0.2 * width), "marker": {"color": colour, "size": 7},
                "error_y": {
                    "type": "data", "symmetric": False, "array": numbers(high - value),
                    "arrayminus": numbers(value - low), "color": colour, "thickness": 1.4, "width": 3,
                },
                "xaxis": "x", "yaxis": "y", "yhoverformat": ".3~g",
            }
        )  # fmt: skip
    span = (float(rate.edges[0]), float(rate.edges[-1]))
    figure = stacked(data, ["Events per minute of driving [1/min]"], PANEL_PX + 50, part_words(rate.load), span)
    figure["layout"]["yaxis"] |= {"rangemode": "tozero"}
    summary = f"Chart of {rate.title.lower()}, by {part_name(rate.load)}, before and after, with 95 % intervals."
    note = "By load alone, each event by itself. The verdict also allows for speed and bursts."
    return Drawing(figure, summary, _side_keys(), (), (note,))


def precharge_chart(comparison: Comparison) -> Drawing | None:
    """The link voltage of the precharges of both sides, each from the beginning of its rise; None without any."""
    data: list[Figure] = []
    notes: list[str] = []
    longest = 0.0
    for side, (label, colour, _) in zip(comparison.sides, SIDES, strict=True):
        rises = [(result, f) for result in side.results for f in result.findings if _is_curve(f, result)]
        if len(rises) > _CURVES:
            notes.append(f"The first {_CURVES} of {len(rises)} precharges {label} are drawn.")
        for result, finding in rises[:_CURVES]:
            time, value = _rise(result, finding)
            longest = max(longest, float(time[-1]))
            kept = keep_extremes(value, _CURVE_POINTS)
            data.append(
                {
                    "type": "scatter", "mode": "lines", "name": label, "x": numbers(time[kept], TIME_DECIMALS),
                    "y": numbers(value[kept]), "line": {"color": colour, "width": 1.4}, "yhoverformat": ".5~g",
                    "xaxis": "x", "yaxis": "y",
                }
            )  # fmt: skip
    if not data:
        return None
    title = "time since the rise began [s]"
    figure = stacked(data, ["DC-link voltage [V]"], PANEL_PX + 80, title, (-_MARGIN_S, longest))
    summary = f"Chart of {len(data)} precharges overlaid, before and after."
    return Drawing(figure, summary, _side_keys(), (), tuple(notes))


def _is_curve(finding: Finding, result: Result) -> bool:
    if not finding.kind.startswith("precharge.") or "start_voltage_V" not in finding.measured:
        return False
    part = result.signals.get("dc_link_voltage")
    return part is not None and _rise(result, finding)[0].size > 1


def _rise(result: Result, finding: Finding) -> tuple[FloatArray, FloatArray]:
    part = result.signals["dc_link_voltage"]
    margin = max(_MARGIN_S, _MARGIN_SHARE * (finding.end_s - finding.start_s))
    inside = part.between(finding.start_s - _MARGIN_S, finding.end_s + margin)
    return part.time_s[inside] - finding.start_s, part.value[inside]


def _side_keys() -> tuple[Key, ...]:
    return tuple(Key(f"line {style}", label) for label, _, style in SIDES)


def _axis(number: int, name: str) -> str:
    return name if number == 1 else f"{name}{number}"


def stacked(
    data: list[Figure], names: Sequence[str], row_px: int, x_title: str, span: tuple[float, float] | None
) -> Figure:
    """Rows with headings over one horizontal axis."""
    inner = len(names) * (HEADING_PX + row_px)
    layout: Figure = {
        "height": TOP_PX + inner + BOTTOM_PX,
        "margin": {"l": LEFT_PX, "r": RIGHT_PX, "t": TOP_PX, "b": BOTTOM_PX},
        "xaxis": {"anchor": _axis(len(names), "y"), "title": {"text": x_title}},
        "annotations": [],
    }
    if span is not None:
        layout["xaxis"]["range"] = list(span)
    for number, name in enumerate(names, 1):
        ceiling = 1 - ((number - 1) * (HEADING_PX + row_px) + HEADING_PX) / inner
        layout[_axis(number, "yaxis")] = {"domain": [max(0.0, ceiling - row_px / inner), ceiling]}
        layout["annotations"].append(heading(name, ceiling))
    return {"data": data, "layout": layout}
