"""A short summary of a result for the terminal.

Words carry the meaning, colour only helps; what the console's encoding lacks is spelled out, and
control characters in names are dropped.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections import Counter
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from logscope.findings import Severity
from logscope.report import model
from logscope.report.story import Card, cards
from logscope.report.words import counted

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.result import Result

MOST_FINDINGS = 25  # about a screen; --verbose and the report list them all
STYLES = {
    Severity.DANGER: "bold red",
    Severity.WARNING: "yellow",
    Severity.INFO: "cyan",
    Severity.GOOD: "green",
}
_SPELLED = {
    "\N{MINUS SIGN}": "-", "\N{EN DASH}": "-", "\N{EM DASH}": "-", "Ω": "ohm", "µ": "u", "μ": "u",
    "“": '"', "”": '"', "’": "'", "…": "...", "×": "x", "≥": ">=", "≤": "<=", "±": "+/-", "°": "deg ",
    "τ": "tau",
    "\N{NO-BREAK SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " ", "·": "*", "→": "->", "≈": "about ",
}  # fmt: skip
_BREAKS = re.compile(r"[^\S\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}]+")  # a number keeps its unit
_UNSEEN = {"Cc", "Cf", "Cs", "Co"}
_WORD_WIDTH = max(len(severity.value) for severity in Severity)


class Cell(NamedTuple):
    """Text in one style."""

    text: str
    style: str = ""


class Detail(StrEnum):
    """How much the summary says: verdict and what is wrong; also every finding in a line; or each with its text."""

    BRIEF = "brief"
    USUAL = "usual"
    FULL = "full"


def print_summary(result: Result, console: Console, detail: Detail = Detail.USUAL) -> None:
    """Verdict, cautions, what is wrong and what to do, the findings, what was not checked, the account of the log."""
    verdict = model.verdict(result)
    heading = f"{result.vehicle_name}: {verdict.headline} {verdict.advice}"
    print_cells(console, (Cell(heading, STYLES[verdict.severity]),))
    numbered = model.number_findings(result)
    wrong = cards(result, numbered)
    for caution in model.cautions(result):
        print_cells(console, (Cell("CAUTION", STYLES[Severity.DANGER]), Cell(caution)))
    for card in wrong:
        _print_card(card, console, brief=detail is Detail.BRIEF)
    if detail is Detail.BRIEF:
        return
    for caution in result.capture.account.cautions:
        print_cells(console, (Cell(f"Note: {caution}"),))
    if numbered:
        print_cells(console, (Cell("Findings", "bold"),))
    most = len(numbered) if detail is Detail.FULL else MOST_FINDINGS
    for entry in numbered[:most]:
        severity = entry.finding.severity
        text = f"{entry.number}. {entry.finding.title} [{entry.when}]"
        if detail is Detail.FULL:
            text = "\n".join(filter(None, [text, entry.finding.explanation, _next(entry.finding.next_step)]))
        print_cells(console, (Cell(severity.value.upper(), STYLES[severity]), Cell(text)))
    if more := numbered[most:]:
        counts = Counter(entry.finding.severity for entry in more)
        listed = ", ".join(counted(counts[s], s) for s in reversed(Severity) if counts[s])
        print_cells(console, (Cell(f"And {listed} more; --verbose, the report and the JSON list them all."),))
    for check, reasons in model.not_checked_rows([item for item in result.not_checked if not item.in_part]):
        print_cells(console, (Cell(f"Not checked: {check}: {'; '.join(reasons)}"),))
    for check, reasons in model.not_checked_rows([item for item in result.not_checked if item.in_part]):
        print_cells(console, (Cell(f"{check[:1].upper()}{check[1:]}: {'; '.join(reasons)}"),))
    sums = (model.line_sum(result.capture.account), model.frame_sum(result.capture))
    print_cells(console, (Cell(f"Log: {'; '.join(total.text() for total in sums)}."),))


def _print_card(card: Card, console: Console, *, brief: bool) -> None:
    """One thing that is wrong: its origin, the finding that leads, and what to do."""
    text = card.title
    if card.sure:
        numbers = ", ".join(str(entry.number) for entry in card.members)
        text += f". {card.sure}; explains finding{'' if len(card.members) == 1 else 's'} {numbers}."
    if not brief:
        finding = card.leading.finding
        leading = f"{finding.title}. " if card.sure else ""
        steps = [f"{number}. {action}" for number, action in enumerate(card.actions, start=1)]
        only = [_next(action) for action in card.actions]
        text = "\n".join(filter(None, [text, f"{leading}{finding.explanation}", *(steps if len(steps) > 1 else only)]))
        if card.rival:
            text += f"\nNext likeliest: {card.rival}. What would decide: {card.deciding_test}"
    print_cells(console, (Cell(card.severity.value.upper(), STYLES[card.severity]), Cell(text)))


def _next(step: str) -> str:
    return f"Next: {step}" if step else ""


def printable(text: str, encoding: str) -> str:
    """The text on one line with only what the encoding holds.

    >>> printable("2 Ω\\x1b[31m", "cp1252")
    '2 ohm[31m'
    """
    seen = "".join(c for c in _BREAKS.sub(" ", text).strip() if unicodedata.category(c) not in _UNSEEN)
    try:
        seen.encode(encoding)
        return seen
    except UnicodeEncodeError:
        spelled = "".join(c if _holds(encoding, c) else _SPELLED.get(c, c) for c in seen)
        return spelled.encode(encoding, "replace").decode(encoding)


def _holds(encoding: str, character: str) -> bool:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def print_cells(console: Console, cells: tuple[Cell, ...], width: int = _WORD_WIDTH) -> None:
    """Cells side by side; all but the last are `width` wide, as a severity's word is, the last one wraps."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    for _ in cells[:-1]:
        grid.add_column(width=width, no_wrap=True)
    grid.add_column(overflow="fold")
    shown = [[printable(line, console.encoding) for line in cell.text.splitlines()] for cell in cells]
    # Wrapped here, for rich parts a number from its unit at the no-break space.
    room = max(console.width - (len(cells) - 1) * (width + 1), 1)
    shown[-1] = [textwrap.fill(line, room, break_on_hyphens=False) for line in shown[-1]]
    grid.add_row(*(Text("\n".join(lines), style=cell.style) for lines, cell in zip(shown, cells, strict=True)))
    console.print(grid)
