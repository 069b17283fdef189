"""The view as text on a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from logscope.findings import Measured, Severity
from logscope.live.picture import View
from logscope.parts import part_name
from logscope.quantities import quantity_text

_STYLES = {Severity.GOOD: "green", Severity.INFO: "", Severity.WARNING: "yellow", Severity.DANGER: "bold red"}
_VERDICTS = 6  # the latest
_MINUTES = 8
_MARGINS = 3
_MISSING = 5


def screen(view: View | None, recorded: Sequence[str], keys: str, typed: str, rows: int = 24) -> RenderableType:
    """Everything on one page.

    recorded : a line a source; keys : what can be pressed; typed : the note so far; rows : of the terminal
    """
    lines: list[RenderableType] = [Text(line, style=_style_of_source(line)) for line in recorded]
    if view is None:
        lines.append(Text("The view is being prepared …", style="dim"))
    else:
        lines += [Text(line, style=style) for line, style in view_lines(view)]
        room = max(rows - len(lines) - 4, 4)
        lines.append(_parts(view, room))
    lines.append(Text(f"{keys}{f'   note: {typed}' if typed else ''}", style="dim"))
    return Group(*lines)


def view_lines(view: View) -> list[tuple[str, str]]:
    """The view but for its parts, as lines with their style."""
    lines = [(f"{view.now_s:8.1f} s   {view.sequence.text}", "bold")]
    for verdict in view.verdicts[-_VERDICTS:]:
        first = "" if verdict.final else " (preliminary)"
        lines.append((f"{verdict.start_s:8.1f} s   {verdict.title}{first}", _STYLES[verdict.severity]))
    if view.by_minute:
        minutes = ", ".join(f"minute {minute + 1}: {count}" for minute, count in view.by_minute[-_MINUTES:])
        lines.append((f"Disturbances of the motor speed: {minutes}", "yellow"))
    for bus in view.buses:
        load = (
            "load unknown: give bit_rate under [[can]] in the vehicle file"
            if bus.load is None
            else f"load {100 * bus.load:.0f} %"
        )
        errors = f", {bus.error_frames:,} error frames" if bus.error_frames else ""
        lines.append((f"Bus {bus.name}: {bus.frames_per_s:.0f} frames/s, {load}{errors}", "yellow" if errors else ""))
    passed = [margin for margin in view.margins if margin.left < 0]
    for margin in (passed or view.margins)[:_MARGINS]:
        left = quantity_text(Measured(abs(margin.left), margin.unit))
        text = f"{left} beyond its limit" if margin.left < 0 else f"{left} left to its limit, the lowest so far"
        lines.append((f"{margin.what}: {text}", "red" if margin.left < 0 else ""))
    lines += [(f"Not judged: {reason}", "yellow") for _, reason in view.doubted[:2]]
    lines += [(text, "yellow") for text in view.missing[:_MISSING]]
    if view.frames_left_out:
        text = f"{view.frames_left_out:,} frames are not in this view, which was too slow; all are recorded"
        lines.append((text, "yellow"))
    return lines


def _style_of_source(line: str) -> str:
    return "bold red" if "unplugged" in line else "yellow" if " lost" in line and "none lost" not in line else ""


def _parts(view: View, room: int) -> Table:
    """The parts in two columns, those that do not arrive first, as many as there is room for."""
    table = Table.grid(padding=(0, 2))
    ordered = sorted(view.parts, key=lambda part: part.arriving)
    cells = [
        (
            Text(part_name(part.name), style="" if part.arriving else "red"),
            Text(
                part.value if part.arriving else f"silent for {part.age_s:.0f} s", style="" if part.arriving else "red"
            ),
            Text(f"{part.rate_Hz:.3g} Hz" if part.arriving else "", style="dim"),
        )
        for part in ordered
    ]
    half = min((len(cells) + 1) // 2, room)
    for k in range(half):
        right = cells[k + half] if k + half < len(cells) else ()
        table.add_row(*cells[k], *right)
    return table
