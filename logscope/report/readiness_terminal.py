"""What can be checked with a vehicle file, and with a log, for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from logscope.checks.needs import Readiness
from logscope.findings import Measured
from logscope.parts import part_name, part_title
from logscope.quantities import counted, value_text
from logscope.report.terminal import Cell, print_cells
from logscope.report.words import check_name
from logscope.signals import Signals

if TYPE_CHECKING:
    from rich.console import Console

_WIDTH = len("cannot run")


def print_readiness(name: str, checks: Sequence[Readiness], console: Console) -> None:
    """Each check: whether it can run, what it needs, what would make it stronger."""
    runs = sum(each.runs for each in checks)
    print_cells(console, (Cell(f"{name}: {runs} of {len(checks)} checks can run.", "bold"),))
    for each in checks:
        text = f"{check_name(each.needs.check)}: {each.needs.shows}?"
        if not each.runs:
            if each.wanted:
                text += f"\nMap {_either(each.wanted)}{' or a [[load]]' if each.needs.loads else ''}."
            if each.wanted_keys:
                text += f"\nEnter one or more of {', '.join(each.wanted_keys)}."
        else:
            more = [f"{part_name(part)} ({adds})" for part, adds in each.parts.items()]
            more += [f"{key} ({adds})" for key, adds in each.keys.items()]
            text += f"\nMore with: {'; '.join(more)}." if more else ""
        style = "green" if each.runs else "yellow"
        print_cells(console, (Cell("can run" if each.runs else "cannot run", style), Cell(text)), _WIDTH)


def print_parts(signals: Signals, sources: Mapping[str, str], console: Console) -> None:
    """Each mapped part: its signal, samples and typical period in a log, or why it has none."""
    print_cells(console, (Cell("Mapped signals in this log", "bold"),))
    for part, source in sources.items():
        logged = signals.parts.get(part)
        if logged is None:
            text = f"{source}: {signals.empty.get(part) or signals.doubtful.get(part, 'not in this log')}"
        else:
            period = f", every {value_text(Measured(logged.period_s, 's'))}" if logged.has_period else ""
            text = f"{source}: {counted(int(logged.time_s.size), 'sample')}{period}"
        print_cells(console, (Cell(f"{part_title(part)}: {text}", "" if logged is not None else "yellow"),))


def _either(sets: Sequence[Sequence[str]]) -> str:
    """'DC-link voltage', or 'torque and torque target, or motor current and motor current target'."""
    return ", or ".join(" and ".join(part_name(part) for part in each) for each in sets)
