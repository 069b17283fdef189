"""A vehicle over time as one chart: a row a measure over the logs, what was changed, and the levels between steps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.history.rows import History
from logscope.quantities import shown_unit
from logscope.report.downsample import keep_extremes
from logscope.report.drawing import TAG_ROW_PX, mark_line, tag, tag_rows
from logscope.report.rows import Key, Row, Trace, bounds, numbers, padded
from logscope.report.stack import LEFT_PX, Drawing, stacked

_ROW_PX = 90
_HEADING_LIFT_PX = 6  # clear of the highest number on the axis below it
_MOST_DATES = 5  # on the axis, so that they stand side by side on a phone
_MOST_POINTS = 240  # of a row: as many as a phone has columns for; more are thinned, every extreme kept
_MOST_WITH_LIMITS = 80  # logs; the intervals of more run into one another
_LARGE_PX, _SMALL_PX = 7, 4  # the mark of a log, with its interval and without
_SHOWN_LIMITS = 4.0  # an interval so many times wider than the spread of the values is cut off


def vehicle_chart(history: History, names: Sequence[str]) -> Drawing | None:
    """A row a measure over the logs, one place a log; None where no log has any."""
    if not names:
        return None
    count = len(history.rows)
    places = [0.5 + sum(row.date < note.date for row in history.rows) for note in history.notes]
    span = (0.5, count + 0.5)
    levels = tag_rows(places, span)
    figure = stacked(
        [_row(history, name) for name in names],
        span,
        "logs in order of time",
        [mark_line(place) for place in places],
        [tag(place, str(n), level, "--mark") for n, (place, level) in enumerate(zip(places, levels, strict=True), 1)],
        TAG_ROW_PX * (1 + max(levels)) if places else 0,
    )
    for item in figure["layout"]["annotations"]:
        if item["xref"] == "paper":  # the names of the measures are long: on a phone they need the whole width
            item |= {"xshift": -LEFT_PX, "yshift": _HEADING_LIFT_PX}
    ticks = sorted({1 + round(each) for each in np.linspace(0, count - 1, min(_MOST_DATES, count))})
    figure["layout"]["xaxis"] |= {
        "tickvals": ticks,
        "ticktext": [f"{history.rows[tick - 1].date:%Y-%m-%d}" for tick in ticks],
        "tickangle": 0,
    }
    marks = tuple((str(n), f"{note.date:%Y-%m-%d}: {note.text}") for n, note in enumerate(history.notes, 1))
    limits = count <= _MOST_WITH_LIMITS
    summary = f"Chart of {len(names)} measures over {count} logs{', with 95 % intervals' if limits else ''}."
    keys = [Key("line series-1", f"value of a log{', with its 95 % interval' if limits else ''}")]
    keys += [Key("line curve-1", "level between steps, or drift")] if any(n in history.levels for n in names) else []
    thinned = any(sum(name in row.values for row in history.rows) > _MOST_POINTS for name in names)
    notes = (f"At most {_MOST_POINTS} logs a row are drawn, the highest and lowest among them.",) if thinned else ()
    return Drawing(figure, summary, tuple(keys), marks, notes)


def _unit(history: History, name: str) -> str:
    unit = next(row.values[name].unit for row in history.rows if name in row.values)
    return f" [{shown_unit(unit)}]" if shown_unit(unit) else ""


def _row(history: History, name: str) -> Row:
    known = [(place, row.values[name]) for place, row in enumerate(history.rows, 1) if name in row.values]
    places = [place for place, _ in known]
    value, low, high = (
        np.array([_or_value(each, side) for _, each in known], dtype=np.float64) for side in ("value", "low", "high")
    )
    limits = len(history.rows) <= _MOST_WITH_LIMITS
    kept = keep_extremes(value, _MOST_POINTS).tolist()
    trace: Trace = {
        "type": "scatter", "mode": "markers", "name": history.titles[name], "x": [places[n] for n in kept],
        "y": numbers(value[kept]), "yhoverformat": ".4~g",
        "marker": {"color": "--series-1", "size": _LARGE_PX if limits else _SMALL_PX},
    }  # fmt: skip
    seen = [value]
    if limits:
        low, high = _cut(value, low, high)
        seen += [low, high]
        trace["error_y"] = {
            "type": "data", "symmetric": False, "array": numbers(high - value), "arrayminus": numbers(value - low),
            "color": "--series-1", "thickness": 1.4, "width": 3,
        }  # fmt: skip
    heading = f"{history.titles[name]}{_unit(history, name)}"
    return Row(heading, _ROW_PX, (trace, *_level(history, name)), *padded(*bounds(seen), ()))


def _cut(value: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The intervals, cut where one alone would press all values into a line."""
    sound = value[np.isfinite(value)]
    if not sound.size:
        return low, high
    reach = _SHOWN_LIMITS * max(float(np.ptp(sound)), float(np.nanmedian(high - low)))
    return np.maximum(low, sound.min() - reach), np.minimum(high, sound.max() + reach)


def _level(history: History, name: str) -> tuple[Trace, ...]:
    """The fitted course of a measure that changes: a line that jumps at each step."""
    fitted = history.levels.get(name, {})
    if not fitted:
        return ()
    value = np.array(list(fitted.values()), dtype=np.float64)
    return (
        {
            "type": "scatter", "mode": "lines", "x": [place + 1 for place in fitted], "y": numbers(value),
            "hoverinfo": "skip", "name": "level", "line": {"color": "--curve-1", "width": 2, "shape": "hvh"},
        },
    )  # fmt: skip


def _or_value(measured: Measured, side: str) -> float:
    """A limit, or the value where it has none."""
    found = getattr(measured, side)
    return float("nan") if measured.value is None else float(measured.value if found is None else found)
