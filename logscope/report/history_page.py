"""A history as one HTML page: every measure over the logs in order of time, notes marked, and a table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.findings import CAUTION_HV, Measured
from logscope.history.rows import History
from logscope.quantities import shown_unit
from logscope.report.drawing import mark_line, tag
from logscope.report.history_text import drift_label, drift_text
from logscope.report.html import render_page
from logscope.report.rows import Key, Row, bounds, numbers, padded
from logscope.report.runs_table import runs_table
from logscope.report.stack import Drawing, stacked
from logscope.report.tuning_page import tuning_page
from logscope.report.words import glossary_of

_ROW_PX = 90
_MOST_DATES = 5  # on the axis, so that they stand side by side on a phone
_TAGS_PX = 16


def history_to_html(history: History) -> str:
    """The history as HTML text."""
    tuning = tuning_page(history)
    titles = [history.titles[name] for name in history.titles]
    known = [{history.titles[name]: value for name, value in row.values.items()} for row in history.rows]
    logs = runs_table(history.rows, titles, known)
    names = [name for name in history.titles if any(name in row.values for row in history.rows)]
    return render_page(
        "history.html.j2",
        title=f"{history.vehicle_name}: over time",
        facts=[
            ("Vehicle", history.vehicle_name),
            ("Logs", str(len(history.rows))),
            ("From", f"{history.rows[0].date:%Y-%m-%d}"),
            ("To", f"{history.rows[-1].date:%Y-%m-%d}"),
        ],
        chart=history_chart(history, names),
        drifts=[(drift_label(drift), drift_text(drift)) for drift in history.drifts],
        logs=logs,
        tuning=tuning,
        undated=any(not row.dated for row in history.rows),
        notes=[(f"{note.date:%Y-%m-%d %H:%M}", note.text) for note in history.notes],
        skipped=history.skipped,
        glossary=glossary_of(["95 % interval", *logs.texts, *(tuning.table.texts if tuning else ())]),
        caution=CAUTION_HV,
    )


def history_chart(history: History, names: Sequence[str]) -> Drawing | None:
    """A row a measure over the logs, one step a log; None where no log has any."""
    if not names:
        return None
    count = len(history.rows)
    places = [0.5 + sum(row.date < note.date for row in history.rows) for note in history.notes]
    figure = stacked(
        [_row(history, name) for name in names],
        (0.5, count + 0.5),
        "logs in order of time",
        [mark_line(place) for place in places],
        [tag(place, str(n), 0, "--mark") for n, place in enumerate(places, 1)],
        _TAGS_PX if places else 0,
    )
    stride = -(-count // _MOST_DATES)
    ticks = list(range(1, count + 1, stride))
    figure["layout"]["xaxis"] |= {
        "tickvals": ticks,
        "ticktext": [f"{history.rows[tick - 1].date:%Y-%m-%d}" for tick in ticks],
        "tickangle": 0,
    }
    marks = tuple((str(n), f"{note.date:%Y-%m-%d}: {note.text}") for n, note in enumerate(history.notes, 1))
    summary = f"Chart of {len(names)} measures over {count} logs, with 95 % intervals."
    keys = (Key("line series-1", "value of a log, with 95 % interval"),)
    return Drawing(figure, summary, keys, marks)


def _unit(history: History, name: str) -> str:
    unit = next(row.values[name].unit for row in history.rows if name in row.values)
    return f" [{shown_unit(unit)}]" if shown_unit(unit) else ""


def _row(history: History, name: str) -> Row:
    known = [(place, row.values[name]) for place, row in enumerate(history.rows, 1) if name in row.values]
    value, low, high = (
        np.array([_or_value(each, side) for _, each in known], dtype=np.float64) for side in ("value", "low", "high")
    )
    trace = {
        "type": "scatter", "mode": "markers", "name": history.titles[name], "x": [place for place, _ in known],
        "y": numbers(value), "marker": {"color": "--series-1", "size": 7}, "yhoverformat": ".4~g",
        "error_y": {
            "type": "data", "symmetric": False, "array": numbers(high - value), "arrayminus": numbers(value - low),
            "color": "--series-1", "thickness": 1.4, "width": 3,
        },
    }  # fmt: skip
    heading = f"{history.titles[name]}{_unit(history, name)}"
    return Row(heading, _ROW_PX, (trace,), *padded(*bounds([value, low, high]), ()))


def _or_value(measured: Measured, side: str) -> float:
    """A limit, or the value where it has none."""
    found = getattr(measured, side)
    return float("nan") if measured.value is None else float(measured.value if found is None else found)
