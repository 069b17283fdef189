"""Charts as plain data for the page: the moment of a finding, and the whole capture.

A chart is a stack of rows over one time axis. Colours are names of the style sheet's variables;
the page's script fills them in, so one chart serves light, dark and print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from logscope.findings import Evidence, Finding, Severity
from logscope.parts import PARTS, Role
from logscope.report.drawing import (
    TAG_ROW_PX,
    Span,
    mark_line,
    shade,
    tag,
    tag_rows,
)
from logscope.report.rows import SERIES_COLOURS, Key, Row, by_scale, panel, role_of, title_of
from logscope.report.stack import Drawing, stacked
from logscope.report.strips import strip
from logscope.signals import Part, Signals

MOMENT_POINTS = 2000  # a trace: two for each pixel column of a wide chart
OVERVIEW_POINTS = 4000  # a trace
PLOT_POINTS = 8000  # a trace, of few: there is more to zoom into
MARGIN_SHARE, MARGIN_S, MARGIN_SAMPLES = 0.15, 0.2, 5  # around a moment: the greatest of the three
MOST_NUMBERED = 24  # marks with a number of their own
MOST_SHADED = 300  # shaded spans or lines, so that the chart stays quick
WHOLE_SHARE = 0.8  # a finding over more of a chart than this is not shaded
TIME_TITLE = "time since the start of the log [s]"

OVERVIEW_PARTS = ("dc_link_voltage", "battery_voltage", "motor_speed", "motor_current", "battery_current")
OVERVIEW_PANELS = 3
OVERVIEW_STANDBY = {"motor_speed": "vehicle_speed"}


def finding_chart(finding: Finding, signals: Signals) -> Drawing | None:
    """The moment of a finding; None where no part has samples there."""
    if not (math.isfinite(finding.start_s) and math.isfinite(finding.end_s)):
        return None
    evidence = finding.evidence
    wanted = (*finding.parts, *(x.part for x in evidence.curves), *(x.part for x in evidence.levels))
    parts = [signals[name] for name in dict.fromkeys(wanted) if name in signals]
    window = _window(finding, parts, signals)
    parts = [part for part in parts if _has_samples(part, window)]
    if not parts:
        return None
    timed = [event for event in finding.events if math.isfinite(event.start_s) and math.isfinite(event.end_s)]
    episodes = timed or (finding,)
    severity = finding.severity.value
    shaded = [
        episode for episode in episodes if episode.end_s - episode.start_s <= WHOLE_SHARE * (window[1] - window[0])
    ]
    shapes = [shade(Span(episode.start_s, episode.end_s, severity)) for episode in shaded][:MOST_SHADED]
    marks = [mark for mark in evidence.marks if math.isfinite(mark.time_s)]
    places = tag_rows([mark.time_s for mark in marks[:MOST_NUMBERED]], window)
    tags = [tag(marks[n].time_s, str(n + 1), place, "--mark") for n, place in enumerate(places)]
    shapes += [mark_line(mark.time_s) for mark in marks[:MOST_SHADED]]
    meaning = "an episode of this finding" if finding.events else "the moment of this finding"
    keys = [Key(f"area shade-{severity}", meaning)] if shaded else []
    named = [(str(n + 1), f"{mark.label}, {mark.time_s:.3f} s") for n, mark in enumerate(marks)]
    notes = [f"And {len(named) - MOST_NUMBERED} more moments."] if len(named) > MOST_NUMBERED else []
    rows = _rows(parts, evidence, window, MOMENT_POINTS)
    return _stack(rows, window, shapes, tags, places, keys, notes, named[:MOST_NUMBERED])


def overview_chart(findings: Sequence[tuple[int, Finding]], signals: Signals) -> Drawing | None:
    """The whole capture with the spans of the numbered findings; None where nothing can be drawn."""
    window = (signals.start_s, signals.end_s)
    parts = [part for part in _overview_parts(signals) if _has_samples(part, window)]
    if not parts or not window[1] > window[0]:
        return None
    local, whole = _local_and_whole(findings, window[1] - window[0])
    spans = [Span(f.start_s, f.end_s, f.severity.value) for _, f in local][:MOST_SHADED]
    numbered = local[:MOST_NUMBERED]
    places = tag_rows([f.start_s for _, f in numbered], window)
    tags = [
        tag(f.start_s, str(n), place, f"--{f.severity.value}") for (n, f), place in zip(numbered, places, strict=True)
    ]
    notes = ["Shaded: dangers and warnings, numbered as in the list below."] if local else []
    if whole:
        numbers = ", ".join(str(n) for n, _ in whole)
        notes.append(f"Over most of the log, so not shaded: finding {numbers}.")
    if len(local) > len(numbered):
        notes.append(f"Numbered: the first {len(numbered)} of {len(local)}, worst first.")
    used = dict.fromkeys(f.severity.value for _, f in local)
    keys = [Key(f"area shade-{severity}", severity) for severity in used]
    rows = _rows(parts, Evidence(), window, OVERVIEW_POINTS)
    return _stack(rows, window, [shade(span) for span in spans], tags, places, keys, notes)


def parts_chart(parts: Sequence[Part], window: tuple[float, float], notes: Sequence[str] = ()) -> Drawing | None:
    """Any parts on one time axis: a panel a unit, a strip a state; None where none has a sample in the window."""
    there = [part for part in parts if _has_samples(part, window)]
    rows: list[Row] = []
    drawn = 0
    for group in by_scale(there):
        size = SERIES_COLOURS if group[0].unit else 1  # what has no unit has a scale of its own
        for start in range(0, len(group), size):
            several = group[start : start + size]
            rows.append(panel(several, (), (), window, drawn, PLOT_POINTS))
            drawn += len(several)
    rows += [strip(part, window) for part in there if role_of(part) is not Role.QUANTITY]
    missing = [f"{title_of(part)}: no sample in this stretch." for part in parts if part not in there]
    return _stack(rows, window, [], [], [], [], [*missing, *notes]) if rows else None


def _local_and_whole(
    findings: Sequence[tuple[int, Finding]], length_s: float
) -> tuple[list[tuple[int, Finding]], list[tuple[int, Finding]]]:
    """Dangers and warnings that have a place in the capture, and those that cover most of it."""
    notable = [
        (n, f) for n, f in findings if f.severity.rank >= Severity.WARNING.rank and math.isfinite(f.end_s - f.start_s)
    ]
    whole = [(n, f) for n, f in notable if f.end_s - f.start_s > WHOLE_SHARE * length_s]
    return [entry for entry in notable if entry not in whole], whole


def _overview_parts(signals: Signals) -> list[Part]:
    names = [name if name in signals else OVERVIEW_STANDBY.get(name, name) for name in OVERVIEW_PARTS]
    found = [signals.parts[name] for name in names if name in signals]
    others = [part for part in signals.parts.values() if role_of(part) is Role.QUANTITY]
    return found or others[:OVERVIEW_PANELS]


def _window(finding: Finding, parts: Sequence[Part], signals: Signals) -> tuple[float, float]:
    """The moment, its curves and its marks, with a margin on each side as far as the log reaches."""
    evidence = finding.evidence
    times = [finding.start_s, finding.end_s, *(evidence.window or ()), *(mark.time_s for mark in evidence.marks)]
    for curve in finding.evidence.curves:
        times += [float(curve.time_s[0]), float(curve.time_s[-1])] if curve.time_s.size else []
    sound = [time for time in times if math.isfinite(time)]
    start, end = min(sound), max(sound)
    periods = [MARGIN_SAMPLES * part.period_s for part in parts[:1] if math.isfinite(part.period_s)]
    margin = max(MARGIN_SHARE * (end - start), MARGIN_S, *periods)
    low, high = max(start - margin, min(signals.start_s, start)), min(end + margin, max(signals.end_s, end))
    return (low, high) if high > low else (start - margin, end + margin)


def _has_samples(part: Part, window: tuple[float, float]) -> bool:
    inside = part.between(*window)
    return bool(inside.stop > inside.start)


def _rows(parts: Sequence[Part], evidence: Evidence, window: tuple[float, float], most: int) -> list[Row]:
    rows: list[Row] = []
    drawn = 0
    for group in by_scale(parts):
        rows.append(panel(group, evidence.curves, evidence.levels, window, drawn, most))
        drawn += len(group)
    return rows + [strip(part, window) for part in parts if role_of(part) is not Role.QUANTITY]


def _stack(
    rows: Sequence[Row],
    window: tuple[float, float],
    shapes: Sequence[dict[str, Any]],
    tags: Sequence[dict[str, Any]],
    places: Sequence[int],
    keys: Sequence[Key],
    notes: Sequence[str],
    marks: Sequence[tuple[str, str]] = (),
) -> Drawing:
    """Rows over one time axis, with shapes through all of them and tags above."""
    legend = [key for row in rows for key in (*row.keys, *_level_keys(row))]
    return Drawing(
        figure=stacked(rows, window, TIME_TITLE, shapes, tags, TAG_ROW_PX * (max(places, default=-1) + 1)),
        summary=_summary(rows, window),
        keys=tuple(dict.fromkeys((*legend, *keys))),
        marks=tuple(marks),
        notes=(*notes, *(note for row in rows for note in row.notes)),
        window=window,
    )


def _level_keys(row: Row) -> list[Key]:
    return [Key("dash level", f"{x.label}: {x.value:g} {PARTS[x.part].unit}") for x in row.levels]


def _summary(rows: Sequence[Row], window: tuple[float, float]) -> str:
    shown = "; ".join(row.heading for row in rows)
    drawn = dict.fromkeys(key.label for row in rows for key in row.keys if key.style.startswith("d"))
    added = f", with {', '.join(drawn)}" if drawn else ""
    return f"Chart from {window[0]:.3f} s to {window[1]:.3f} s of {shown}{added}."
