"""The rows of a chart, and the panels of quantities among them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.findings import Curve, Level
from logscope.parts import PARTS, Role, part_title
from logscope.report.downsample import keep_extremes
from logscope.report.words import panel_name
from logscope.signals import Part

Trace = dict[str, Any]

PANEL_PX, STRIP_PX = 150, 14
LABEL_PX = 15  # height of a level's label
SERIES_COLOURS = 6  # --series-1 … of the style sheet
MARKED_POINTS = 150  # up to here single samples can be distinguished on a screen
TIME_DECIMALS = 6  # a microsecond
VALUE_DIGITS = 7  # significant; finer than a pixel at any zoom a log bears
LEAST_SHARE = 0.15  # a level so far off that it would press the data below this share is not drawn
_LOW_VOLTAGE = ("aux_", "converter_", "coolant_pump_")  # parts of the 12 V side
PADDING = 0.08  # of the values' range, above and below


@dataclass(frozen=True, slots=True)
class Key:
    """An entry of the legend: the sample of a line or area, and its text."""

    style: str
    label: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a chart, its traces not yet tied to an axis. `low`, `high` : the span of its axis."""

    heading: str
    height_px: int
    traces: tuple[Trace, ...]
    low: float
    high: float
    keys: tuple[Key, ...] = ()
    levels: tuple[Level, ...] = ()
    notes: tuple[str, ...] = ()
    strip: bool = False
    unit: str = ""


def plain(text: str) -> str:
    """Text for a chart, whose library reads tags and entities in labels."""
    return " ".join(text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").split())


def numbers(values: FloatArray, decimals: int | None = None) -> list[float | None]:
    """Values for the page's data; what is not finite becomes a gap."""
    if decimals is None:
        return [float(f"{v:.{VALUE_DIGITS}g}") if math.isfinite(v) else None for v in values.tolist()]
    return [round(v, decimals) if math.isfinite(v) else None for v in values.tolist()]


def around(part: Part, start_s: float, end_s: float) -> slice:
    """The samples of a stretch, and one on each side so that lines run to the edges."""
    inside = part.between(start_s, end_s)
    return slice(max(inside.start - 1, 0), min(inside.stop + 1, part.time_s.size))


def role_of(part: Part) -> Role:
    """How the part's values are read; the parts of loads, and plain signals, are not in the table of parts."""
    if part.name in PARTS:
        return PARTS[part.name].role
    if part.on is not None:
        return Role.STATE
    return Role.MODE if part.labels and not part.unit else Role.QUANTITY


def title_of(part: Part) -> str:
    """What the part is called; a plain signal goes by its own name, letter by letter."""
    return part.name if part.name == part.source and part.name not in PARTS else part_title(part.name)


def by_scale(parts: Iterable[Part]) -> list[list[Part]]:
    """Quantities that share an axis, in the order given: of one unit, and of one side of the vehicle.

    The 12 V side and single cells beside the pack's hundreds of volts would be lines along the bottom.
    """
    groups: dict[tuple[str, str], list[Part]] = {}
    for part in parts:
        if role_of(part) is Role.QUANTITY:
            groups.setdefault((part.unit, _side_of(part)), []).append(part)
    return list(groups.values())


def _side_of(part: Part) -> str:
    if part.name.startswith(_LOW_VOLTAGE) or (part.name not in PARTS and part.name != part.source):
        return "12 V"  # loads are not in the table of parts
    return "cell" if part.name.startswith("cell_") else ""


def panel(
    parts: Sequence[Part], curves: Sequence[Curve], levels: Sequence[Level], window: tuple[float, float],
    first_colour: int, most: int,
) -> Row:  # fmt: skip
    """The panel of parts that share a unit, with expected and fitted curves and levels.

    window : seconds from the capture's start; first_colour : number of the first series' colour;
    most : points a trace, above which only the extremes of short stretches are drawn
    """
    names = [part.name for part in parts]
    bands: list[Trace] = []
    traces: list[Trace] = []
    lines: list[Trace] = []
    keys: list[Key] = []
    notes: list[str] = []
    seen: list[FloatArray] = []
    for number, curve in enumerate(c for c in curves if c.part in names):
        kept = keep_extremes(curve.value, most)
        bands += _band(curve, number, kept)
        lines.append(_curve(curve, number, kept))
        keys += _curve_keys(curve, number)
        seen += [x for x in (curve.value, curve.low, curve.high) if x is not None]
    for number, part in enumerate(parts):
        where = around(part, *window)
        time, value = part.time_s[where], part.value[where]
        kept = keep_extremes(value, most)
        if kept.size < value.size:
            drawn = f"{kept.size} of {value.size} samples drawn, including every extreme"
            notes.append(f"{title_of(part)}: {drawn}.")
        colour = (first_colour + number) % SERIES_COLOURS + 1
        traces.append(
            _line(time[kept], value[kept], f"--series-{colour}", f"{title_of(part)}, {part.unit}")
            | {"mode": "lines+markers" if kept.size <= MARKED_POINTS else "lines", "marker": {"size": 4}}
        )
        keys.append(Key(f"line series-{colour}", f"{title_of(part)} (measured)"))
        seen.append(value)
    low, high = bounds(seen, parts[0].step)
    own = [level for level in levels if level.part in names and math.isfinite(level.value)]
    drawn_levels = [level for level in own if _bearable(level.value, low, high)]
    notes += [
        f"{level.label}: {level.value:g} {parts[0].unit}, outside the chart."
        for level in own
        if level not in drawn_levels
    ]
    low, high = padded(low, high, [level.value for level in drawn_levels])
    return Row(
        heading=panel_name([title_of(part) for part in parts], parts[0].unit),
        unit=parts[0].unit,
        height_px=PANEL_PX,
        traces=(*bands, *traces, *lines),
        low=low,
        high=high,
        keys=tuple(keys),
        levels=tuple(drawn_levels),
        notes=tuple(notes),
    )


def _line(time: FloatArray, value: FloatArray, colour: str, name: str) -> Trace:
    return {
        "x": numbers(time, TIME_DECIMALS), "y": numbers(value), "name": plain(name), "type": "scatter",
        "mode": "lines", "line": {"color": colour, "width": 1.6}, "yhoverformat": ".5~g",
    }  # fmt: skip


def _curve(curve: Curve, number: int, kept: NDArray[np.intp]) -> Trace:
    line = _line(curve.time_s[kept], curve.value[kept], f"--curve-{number % 2 + 1}", curve.label)
    return line | {"line": line["line"] | {"dash": _dash(number), "width": 2}}


def _band(curve: Curve, number: int, kept: NDArray[np.intp]) -> list[Trace]:
    if curve.low is None or curve.high is None:
        return []
    edges = []
    for value, fill in ((curve.low[kept], "none"), (curve.high[kept], "tonexty")):
        edge = _line(curve.time_s[kept], value, f"--curve-{number % 2 + 1}", "")
        edge |= {"fill": fill, "fillcolor": f"--band-{number % 2 + 1}", "hoverinfo": "skip"}
        edges.append(edge | {"line": edge["line"] | {"width": 0}})
    return edges


def _curve_keys(curve: Curve, number: int) -> list[Key]:
    keys = [Key(f"{_dash(number)} curve-{number % 2 + 1}", curve.label)]
    if curve.low is not None and curve.high is not None:
        keys.append(Key(f"area band-{number % 2 + 1}", f"{curve.label}: its band"))
    return keys


def _dash(number: int) -> str:
    return "dash" if number % 2 == 0 else "dot"


def bounds(values: Sequence[FloatArray], step: float | None = None) -> tuple[float, float]:
    """Lowest and highest value, kept apart so that a flat line is no zoom into nothing."""
    sound = [x[np.isfinite(x)] for x in values]
    joined = np.concatenate(sound) if sound else np.zeros(1)
    low, high = (float(joined.min()), float(joined.max())) if joined.size else (0.0, 1.0)
    span = max(4 * (step or 0.0), 0.02 * max(abs(low), abs(high)), 1e-6)
    spare = max(0.0, span - (high - low)) / 2
    return low - spare, high + spare


def padded(low: float, high: float, levels: Sequence[float]) -> tuple[float, float]:
    """The axis with air at both ends, and room for a label above the highest level."""
    bottom, top = min((low, *levels)), max((high, *levels))
    air = PADDING * (top - bottom)
    label = LABEL_PX / PANEL_PX * (top - bottom + 2 * air)
    room = max(levels) + 1.2 * label if levels else top
    return bottom - air, max(top + air, room)


def _bearable(level: float, low: float, high: float) -> bool:
    return (high - low) / (max(high, level) - min(low, level)) >= LEAST_SHARE
