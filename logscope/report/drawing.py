"""Lines, shaded spans and labels of a chart, as plain data. A colour names a variable of the style sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from logscope.report.rows import LABEL_PX, Row, plain

TAG_ROWS, TAG_ROW_PX = 4, 15  # numbers above a chart that would meet are set one over the other
TAG_SHARE = 0.06  # room for one number as a share of a phone chart's width
LETTER_SHARE = 0.026  # of a label, as a share of the same width
_LOOKS = 24  # across a label, at what it would cover

Item = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time to shade, seconds from the capture's start, in the colour of a severity."""

    start_s: float
    end_s: float
    severity: str


def shade(span: Span) -> Item:
    """A span through all rows, its edge drawn so that even the shortest is seen."""
    return _through_all_rows("rect", span.start_s, span.end_s) | {
        "layer": "below",
        "fillcolor": f"--shade-{span.severity}",
        "line": {"width": 1, "color": f"--edge-{span.severity}"},
    }


def mark_line(time_s: float) -> Item:
    """A thin line through all rows."""
    return _through_all_rows("line", time_s, time_s) | {"line": {"width": 1, "color": "--mark"}}


def _through_all_rows(kind: str, start_s: float, end_s: float) -> Item:
    return {"type": kind, "xref": "x", "yref": "paper", "x0": start_s, "x1": end_s, "y0": 0, "y1": 1}


def level_line(value: float, axis: str) -> Item:
    """A dashed line across one row."""
    line = {"width": 1.4, "color": "--level", "dash": "dash"}
    return {
        "type": "line",
        "xref": "paper",
        "yref": axis,
        "x0": 0,
        "x1": 1,
        "y0": value,
        "y1": value,
        "line": line,
    }


def tag_rows(times: Sequence[float], window: tuple[float, float]) -> list[int]:
    """For each number above the chart the lowest row in which it meets no other."""
    room = TAG_SHARE * (window[1] - window[0])
    taken: list[list[float]] = [[] for _ in range(TAG_ROWS)]
    rows = []
    for time in times:
        free = (n for n, others in enumerate(taken) if all(abs(time - other) >= room for other in others))
        row = next(free, TAG_ROWS - 1)
        taken[row].append(time)
        rows.append(row)
    return rows


def tag(time_s: float, text: str, row: int, colour: str) -> Item:
    """A number above the chart."""
    place = {
        "xref": "x",
        "yref": "paper",
        "x": time_s,
        "y": 1,
        "yshift": TAG_ROW_PX * row,
        "yanchor": "bottom",
    }
    return place | _text(text, 11, colour)


def heading(text: str, ceiling: float) -> Item:
    """The name of a row, above it; `ceiling` is the row's upper edge as a share of the chart."""
    place = {"xref": "paper", "yref": "paper", "x": 0, "y": ceiling, "xanchor": "left", "yanchor": "bottom"}
    return place | _text(text, 12, "--ink") | {"bgcolor": "--veil", "borderpad": 1}


def level_labels(row: Row, axis: str, span: tuple[float, float]) -> list[Item]:
    """A label on each level, up to the first comma: at the end and on the side of its line where it covers least.

    Where all are taken it has none; the legend has them all, and whole.
    """
    room = LABEL_PX * (row.high - row.low) / row.height_px
    labels: list[Item] = []
    taken: list[tuple[float, float]] = []
    for level in sorted(row.levels, key=lambda x: -x.value):
        text = level.label.partition(",")[0]
        width = min(LETTER_SHARE * len(text), 1.0)
        places = [
            (end, low, anchor)
            for end in (1, 0)
            for low, anchor in ((level.value, "bottom"), (level.value - room, "top"))
            if row.low <= low <= row.high - room and all(low >= b or low + room <= a for a, b in taken)
        ]
        if not places:
            continue
        covered = [
            _covered(row, span, (end * (1 - width), end + (1 - end) * width), (y, y + room)) for end, y, _ in places
        ]
        end, low, anchor = places[covered.index(min(covered))]
        taken.append((low, low + room))
        place = {"xref": "paper", "yref": axis, "x": end, "y": level.value}
        place |= {"xanchor": "right" if end else "left", "yanchor": anchor, "bgcolor": "--veil", "borderpad": 0}
        labels.append(place | _text(text, 11, "--level"))
    return labels


def _covered(row: Row, span: tuple[float, float], across: tuple[float, float], up: tuple[float, float]) -> int:
    """How often the lines of a row pass through a rectangle; `across` in shares of the axis."""
    at = span[0] + np.linspace(*across, _LOOKS) * (span[1] - span[0])
    lines = [(np.array(trace["x"], float), np.array(trace["y"], float)) for trace in row.traces]
    value = [np.interp(at, x, y, left=np.nan, right=np.nan) for x, y in lines if x.size]
    return int(sum(np.count_nonzero((each >= up[0]) & (each <= up[1])) for each in value))


def _text(text: str, size: int, colour: str) -> Item:
    return {"text": plain(text), "showarrow": False, "font": {"size": size, "color": colour}}
