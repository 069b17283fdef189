"""A shelf on the terminal: what was done, the worst logs, what drifts, and what could not be checked."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from logscope.quantities import counted, limits_text, value_text
from logscope.report.history_text import date_text, drift_label, drift_text
from logscope.report.shelf_page import FAILED, WORST, Shelf, worst_first
from logscope.report.terminal import Cell, print_cells

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.shelf.fill import Tally

_NAMED = 10  # logs that could not be checked; the page and the archive name all


def print_shelf(shelf: Shelf, tally: Tally, console: Console) -> None:
    """The summary of a run."""
    counts = Counter(log.severity for log in shelf.logs)
    shares = ", ".join(f"{counts[word]} {word}" for word in ("danger", "warning", "info", "good") if counts[word])
    print_cells(console, (Cell(_done(tally)),))
    held = f"In the archive: {len(shelf.logs)} recordings. Verdicts: {shares or 'none'}."
    print_cells(console, (Cell(held, "bold"),))
    for log in worst_first(shelf.logs)[:WORST]:
        text = f"{log.vehicle}, {date_text(log.row)}, {log.row.log}\n{log.trouble}"
        print_cells(console, (Cell(log.severity, "bold"), Cell(text)))
    for history in shelf.histories:
        for drift in history.drifts:
            print_cells(console, (Cell(drift_label(drift)), Cell(f"{history.vehicle_name}. {drift_text(drift)}")))
    for each in shelf.differing:
        text = (
            f"{each.vehicle}. {each.title}: {value_text(each.level)} ({limits_text(each.level)}), the others "
            f"{value_text(each.others)} ({limits_text(each.others)})."
        )
        also = f" {each.coincides[0].upper()}{each.coincides[1:]} differs, too." if each.coincides else ""
        print_cells(console, (Cell("Differs"), Cell(text + also)))
    lost = [log for log in shelf.logs if log.severity == FAILED]
    for log in lost[:_NAMED]:
        reason = log.trouble if log.row.log in log.trouble else f"{log.row.log}: {log.trouble}"
        print_cells(console, (Cell(f"Not checked: {reason}"),))
    if len(lost) > _NAMED:
        print_cells(console, (Cell(f"… and {len(lost) - _NAMED} more that could not be checked."),))


def _done(tally: Tally) -> str:
    parts = [f"{counted(tally.found, 'log')} found", f"{tally.checked} checked"]
    parts += [f"{tally.kept} known from earlier runs or copies"]
    parts += [f"{tally.failed} could not be checked"] if tally.failed else []
    parts += [f"{counted(len(tally.other_files), 'file')} passed over, no log"] if tally.other_files else []
    return f"{', '.join(parts)}."
