"""Rows of a chart set one over the other, over one axis, and the drawing that the page gets."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from logscope.report.drawing import Item, heading, level_labels, level_line
from logscope.report.rows import Key, Row

HEADING_PX, TOP_PX, BOTTOM_PX, LEFT_PX, RIGHT_PX = 24, 6, 42, 54, 18


@dataclass(frozen=True, slots=True)
class Drawing:
    """What the page needs to draw one chart, and its words for those who do not see it.

    folded : what to open to see it, in words; empty for a chart that is seen at once
    window : what it shows of the log, from and until [s]; None where its axis is not the time of the log
    """

    figure: dict[str, Any]
    summary: str
    keys: tuple[Key, ...]
    marks: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    folded: str = ""
    window: tuple[float, float] | None = None

    @property
    def height_px(self) -> int:
        """The height that the page keeps free."""
        return int(self.figure["layout"]["height"])

    def to_json(self) -> str:
        """Compact JSON that may stand inside a <script> element."""
        text = json.dumps(self.figure, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
        return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def stacked(
    rows: Sequence[Row], span: tuple[float, float], title: str, shapes: Sequence[Item] = (), tags: Sequence[Item] = (),
    above_px: int = 0,
) -> dict[str, Any]:  # fmt: skip
    """Rows over one axis, with shapes through all of them and tags above.

    span, title : of the axis; above_px : room for the tags
    """
    top = TOP_PX + above_px
    inner = sum(HEADING_PX + row.height_px for row in rows)
    last = "y" if len(rows) == 1 else f"y{len(rows)}"
    layout: dict[str, Any] = {
        "height": top + inner + BOTTOM_PX,
        "margin": {"l": LEFT_PX, "r": RIGHT_PX, "t": top, "b": BOTTOM_PX},
        "xaxis": {"range": list(span), "anchor": last, "title": {"text": title}},
        "shapes": list(shapes),
        "annotations": list(tags),
    }
    data: list[dict[str, Any]] = []
    above = 0
    for number, row in enumerate(rows, start=1):
        axis = "y" if number == 1 else f"y{number}"
        ceiling = 1 - (above + HEADING_PX) / inner
        above += HEADING_PX + row.height_px
        layout[axis.replace("y", "yaxis")] = {
            "domain": [max(0.0, 1 - above / inner), ceiling],
            "range": [row.low, row.high],
            "visible": not row.strip,
        }
        layout["annotations"] += [heading(row.heading, ceiling), *level_labels(row, axis, span)]
        layout["shapes"] += [level_line(level.value, axis) for level in row.levels]
        data += [trace | {"yaxis": axis, "xaxis": "x"} for trace in row.traces]
    return {"data": data, "layout": layout}
