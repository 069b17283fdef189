"""A history on the terminal and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from logscope.findings import Measured
from logscope.history.rows import Drift, History, Note, Row, StepChange
from logscope.quantities import counted, duration_text, limits_text, value_text
from logscope.report.comparison_words import level_text
from logscope.report.json import SCHEMA, measured_fields, number, to_json_text, utc_text, version
from logscope.report.terminal import Cell, print_cells

if TYPE_CHECKING:
    from rich.console import Console

_DATE_WIDTH = 17


def date_text(row: Row) -> str:
    """When the log was recorded; a date that is not its own is marked."""
    return f"{row.date:%Y-%m-%d %H:%M}{'' if row.dated else '*'}"


def drift_label(drift: Drift) -> str:
    """What a change is, in two words at most."""
    if drift.step is None:
        return "Drift"
    return "Not comparable" if drift.coincides else "Step"


def drift_text(drift: Drift) -> str:
    """A drift, or a step, in some sentences."""
    text = _line_text(drift) if drift.step is None else _step_text(drift, drift.step)
    if not drift.by_file:
        return text
    return f"{text} {counted(drift.by_file, 'log')} without a date: the order is that of the files’ dates."


def _line_text(drift: Drift) -> str:
    between = " A change noted in between may be the reason." if drift.changed else ""
    way = "rises" if _grows(drift) else "falls"
    return (
        f"{drift.title} {way} by {_size(drift.change)} over {drift.logs} logs in {drift.days:.3g} days. "
        f"{_chance(drift)}{between}"
    )


def _step_text(drift: Drift, step: StepChange) -> str:
    levels = (
        f"{value_text(step.before)} before ({limits_text(step.before)}, {counted(step.logs_before, 'log')}), "
        f"{value_text(step.after)} after ({limits_text(step.after)}, {counted(step.logs_after, 'log')})"
    )
    size, log, way = f"by {_size(drift.change)}", PurePath(step.log).name, "up" if _grows(drift) else "down"
    if drift.coincides:
        return (
            f"{drift.title} differs {size} from {log} on ({step.date:%Y-%m-%d}): {levels}. The vehicle need not "
            f"have changed, for {_and(drift.coincides)} changed with it. To decide, record one drive in both ways."
        )
    between = " A change noted in that time may be the reason." if drift.changed else ""
    return (
        f"{drift.title} steps {way} {size} at {log} ({step.date:%Y-%m-%d}): {levels}. "
        f"It changed between {step.since:%Y-%m-%d %H:%M} and {step.until:%Y-%m-%d %H:%M} (95 %). "
        f"{_chance(drift)}{between}"
    )


def _grows(drift: Drift) -> bool:
    return (drift.change.value or 0.0) > 0


def _size(change: Measured) -> str:
    """How large a change is, whichever way it goes."""
    value, low, high = change.value, change.low, change.high
    if value is not None and low is not None and high is not None and value < 0:
        change = Measured(-value, change.unit, -high, -low)
    return f"{value_text(change)} (95 %: {limits_text(change)})"


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _chance(drift: Drift) -> str:
    percent = 100.0 * drift.p_value
    return f"Probability by chance alone: {'less than 0.01 %' if percent < 0.01 else f'{percent:.2g} %'}."


def in_order(history: History) -> list[Row | Note]:
    """Rows and notes together in order of time."""
    return sorted([*history.rows, *history.notes], key=lambda entry: entry.date)


def print_history(history: History, console: Console) -> None:
    """One entry a log with its measures, and the notes between."""
    for entry in in_order(history):
        if isinstance(entry, Note):
            print_cells(
                console, (Cell(f"{entry.date:%Y-%m-%d %H:%M}"), Cell(f"Changed: {entry.text}", "bold")), _DATE_WIDTH
            )
            continue
        lines = [f"{entry.log}, {duration_text(entry.duration_s)}"]
        lines += [f"{history.titles.get(name, name)}: {level_text(value)}" for name, value in entry.values.items()]
        lines += [f"Note: {caution}" for caution in entry.cautions]
        print_cells(console, (Cell(date_text(entry)), Cell("\n".join(lines))), _DATE_WIDTH)
    for drift in history.drifts:
        print_cells(console, (Cell(drift_label(drift)), Cell(drift_text(drift), "bold")), _DATE_WIDTH)
    if any(not row.dated for row in history.rows):
        print_cells(console, (Cell("* the log has no date; the date in its name is shown, or that of the file."),))
    for log, reason in history.skipped:
        print_cells(console, (Cell(f"Not read: {reason if log in reason else f'{log}: {reason}'}"),))


def _step_fields(step: StepChange | None) -> dict[str, object] | None:
    if step is None:
        return None
    return {
        "log": step.log,
        "date_utc": utc_text(step.date),
        "since_utc": utc_text(step.since),
        "until_utc": utc_text(step.until),
        "before": measured_fields(step.before),
        "after": measured_fields(step.after),
        "logs_before": step.logs_before,
        "logs_after": step.logs_after,
    }


def history_to_json(history: History) -> str:
    """The whole history as JSON text."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "rows": [
                {
                    "log": row.log,
                    "date_utc": utc_text(row.date),
                    "date_from": row.date_from,
                    "duration_s": number(row.duration_s),
                    "values": {name: measured_fields(value) for name, value in row.values.items()},
                    "assumptions": list(row.cautions),
                }
                for row in history.rows
            ],
            "drifts": [
                {
                    "measure": drift.name,
                    "logs": drift.logs,
                    "days": number(drift.days),
                    "change": measured_fields(drift.change),
                    "p_value": number(drift.p_value),
                    "changed_in_between": drift.changed,
                    "step": _step_fields(drift.step),
                    "coincides_with": list(drift.coincides),
                }
                for drift in history.drifts
            ],
            "notes": [{"date_utc": utc_text(note.date), "text": note.text} for note in history.notes],
            "not_read": [{"log": log, "reason": reason} for log, reason in history.skipped],
        }
    )
