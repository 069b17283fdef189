"""A short summary of a comparison for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logscope.report.comparison_words import HEADLINES, VERDICT_SEVERITY, VERDICT_WORDS, not_compared, rows
from logscope.report.terminal import STYLES, Cell, print_cells

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.comparison.outcome import Comparison


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Verdict, differences that are not the change, and every measure with its effect and reason."""
    style = STYLES[VERDICT_SEVERITY[comparison.verdict]]
    heading = f"{comparison.vehicle_name}: {HEADLINES[comparison.verdict]} {comparison.reason}"
    print_cells(console, (Cell(heading, style),))
    for caution in comparison.cautions:
        print_cells(console, (Cell(f"Note: {caution}"),))
    for difference in comparison.differences:
        print_cells(console, (Cell(f"Another difference: {difference.text}"),))
    width = max(map(len, VERDICT_WORDS.values()))
    for row in rows(comparison):
        text = row.title
        if row.effect:
            limits = f" (95 %: {row.limits})" if row.limits else ""
            text += f": {row.before or '–'} → {row.after or '–'}\nchange {row.effect}{limits}"
        text += f"\n{row.reason}" if row.reason else ""
        word = next(style for severity, style in STYLES.items() if severity.value == row.severity)
        print_cells(console, (Cell(row.verdict, word), Cell(text)), width)
    for reason, titles in not_compared(comparison):
        print_cells(console, (Cell(f"Not comparable: {', '.join(titles)}: {reason}"),))
