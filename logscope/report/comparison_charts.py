"""The charts of a comparison: effects as a forest plot, exposure, rate by load, overlaid precharge curves."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.comparison.driving import TICK_S, Driving
from logscope.comparison.outcome import ComparedMeasure, Comparison, LoadRate, Side
from logscope.findings import Finding
from logscope.parts import PARTS, part_name, part_title
from logscope.report.comparison_words import VERDICT_SEVERITY, VERDICT_WORDS, effect_texts
from logscope.report.downsample import keep_extremes
from logscope.report.rows import PANEL_PX, TIME_DECIMALS, Key, Row, Trace, bounds, numbers, padded, plain
from logscope.report.stack import RIGHT_PX, Drawing, stacked
from logscope.result import Result

SIDES = (("before", "--series-2", "series-2"), ("after", "--series-1", "series-1"))
_FOREST_ROW_PX = 30
_TICKS = (0.01, 0.1, 0.5, 1.0, 2.0, 10.0, 100.0)  # few, so that they stand side by side on a phone
_LEAST_RATIO, _MOST_RATIO = 0.5, 2.0  # that the axis of effects shows in any case
_FARTHEST = 100.0  # limits farther out are drawn to the edge
_CURVES = 6  # precharges drawn a side; more make a thicket
_CURVE_POINTS = 400
_MARGIN_SHARE, _MARGIN_S = 0.15, 0.1  # around a precharge
_BEARABLE_LIMIT = 4.0  # times the highest rate, or the lowest limit: a limit farther up flattens the others

Cells = Callable[[Driving], NDArray[np.intp]]


def forest_chart(measures: Sequence[ComparedMeasure]) -> Drawing | None:
    """Every effect that is a ratio, with its limits, over one logarithmic axis; None where there is none."""
    shown = [measure for measure in measures if measure.is_ratio and measure.effect is not None]
    if not shown:
        return None
    low, high = _span(shown)
    rows = [Row(each.title, _FOREST_ROW_PX, _effect(each, low, high), -1.0, 1.0, strip=True) for each in shown]
    axes = [f"{100 * (low - 1):+.0f} %", f"{100 * (high - 1):+.0f} %"]
    one = {"type": "line", "xref": "x", "yref": "paper", "x0": 1.0, "x1": 1.0, "y0": 0, "y1": 1}
    one |= {"line": {"width": 1.4, "color": "--level", "dash": "dash"}}
    figure = stacked(rows, (low, high), "after, as a multiple of before", [one])
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


def _effect(measure: ComparedMeasure, low: float, high: float) -> tuple[Trace, ...]:
    """The line of the limits and the mark of the value."""
    effect, colour = measure.effect, f"--{VERDICT_SEVERITY[measure.verdict].value}"
    assert effect is not None
    ends = [max(effect.low or 0.0, low), high if effect.high is None else min(effect.high, high)]
    shared = {"type": "scatter", "hoverinfo": "skip", "name": plain(measure.title)}
    traces = [shared | {"x": ends, "y": [0, 0], "mode": "lines", "line": {"color": colour, "width": 3}}]
    if effect.value is not None and low <= effect.value <= high:
        traces.append(
            shared | {"x": [effect.value], "y": [0], "mode": "markers", "marker": {"color": colour, "size": 11}}
        )
    return tuple(traces)


def exposure_charts(comparison: Comparison) -> tuple[Drawing, ...]:
    """Minutes of driving by load and by speed, before and after; none where no driving is known."""
    grid = comparison.grid
    if grid is None:
        return ()
    axes = ((grid.load, grid.load_edges, "load"), (grid.speed, grid.speed_edges, "speed"))
    return tuple(_exposure(comparison.sides, grid.cell, *axis) for axis in axes)


def _exposure(sides: Sequence[Side], cell: Cells, part: str, edges: FloatArray, which: str) -> Drawing:
    traces: list[Trace] = []
    driven = [_minutes(side, cell, which, edges) for side in sides]
    for minutes, (label, colour, _) in zip(driven, SIDES, strict=True):
        traces.append(
            {
                "type": "scatter", "mode": "lines", "x": numbers(edges), "y": numbers(np.append(minutes, minutes[-1])),
                "line": {"color": colour, "width": 2, "shape": "hv"}, "name": label, "yhoverformat": ".3~g",
            }
        )  # fmt: skip
    name = part_name(part)
    row = Row(f"Minutes of driving by {name}", PANEL_PX, tuple(traces), 0.0, _top(driven))
    figure = stacked([row], (float(edges[0]), float(edges[-1])), part_words(part))
    summary = f"Chart of the minutes driven before and after, by {name}."
    return Drawing(figure, summary, _side_keys())


def _top(values: Sequence[FloatArray]) -> float:
    """The upper end of an axis that begins at zero."""
    return padded(0.0, bounds(values)[1], ())[1]


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
    traces: list[Trace] = []
    for number, (label, colour, _) in enumerate(SIDES):
        value, low, high = (each[number] for each in (rate.value, rate.low, rate.high))
        traces.append(
            {
                "type": "scatter", "mode": "markers", "name": label, "y": numbers(value),
                "x": numbers(middle + (number - 0.5) * 0.2 * width), "marker": {"color": colour, "size": 7},
                "error_y": {
                    "type": "data", "symmetric": False, "array": numbers(high - value),
                    "arrayminus": numbers(value - low), "color": colour, "thickness": 1.4, "width": 3,
                },
                "yhoverformat": ".3~g",
            }
        )  # fmt: skip
    top, note = _rate_top(rate)
    row = Row("Events per minute of driving", PANEL_PX + 50, tuple(traces), 0.0, top)
    figure = stacked([row], (float(rate.edges[0]), float(rate.edges[-1])), part_words(rate.load))
    summary = f"Chart of {rate.title.lower()}, by {part_name(rate.load)}, before and after, with 95 % intervals."
    meaning = "By load alone, each event by itself. The verdict also allows for speed and bursts."
    return Drawing(figure, summary, _side_keys(), (), tuple(filter(None, (meaning, note))))


def _rate_top(rate: LoadRate) -> tuple[float, str]:
    """The upper end of the axis, and what it leaves out: a limit where hardly anything was driven hides all others."""
    values, known = rate.value.ravel(), rate.high[np.isfinite(rate.high)]
    bearable = _BEARABLE_LIMIT * max(float(np.nanmax(values, initial=0.0)), float(known.min(initial=np.inf)))
    beyond = int(np.count_nonzero(known > bearable))
    note = f"Upper limits beyond the chart: {beyond}, where little was driven." if beyond else ""
    return _top([values, known[known <= bearable]]), note


def precharge_chart(comparison: Comparison) -> Drawing | None:
    """The link voltage of the precharges of both sides, each from the beginning of its rise; None without any."""
    traces: list[Trace] = []
    drawn: list[FloatArray] = []
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
            drawn.append(value)
            traces.append(
                {
                    "type": "scatter", "mode": "lines", "name": label, "x": numbers(time[kept], TIME_DECIMALS),
                    "y": numbers(value[kept]), "line": {"color": colour, "width": 1.4}, "yhoverformat": ".5~g",
                }
            )  # fmt: skip
    if not traces:
        return None
    row = Row("DC-link voltage [V]", PANEL_PX + 80, tuple(traces), *padded(*bounds(drawn), ()))
    figure = stacked([row], (-_MARGIN_S, longest), "time since the rise began [s]")
    summary = f"Chart of {len(traces)} precharges overlaid, before and after."
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
