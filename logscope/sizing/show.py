"""A design as JSON, or as tables in the terminal."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from logscope.findings import CAUTION_HV
from logscope.report.json import measured_fields, number, to_json_text, version
from logscope.report.terminal import printable
from logscope.report.words import in_shown_unit
from logscope.sizing import words
from logscope.sizing.component_notes import component_notes
from logscope.sizing.precharge import Alternative, PrechargeDesign, Stall

if TYPE_CHECKING:
    from rich.console import Console

SCHEMA = 1


def design_to_json(design: PrechargeDesign) -> str:
    """The design as JSON text; `low` and `high` are edges over pack voltage and tolerances, not 95 % limits."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "wish": asdict(design.needs),
            "choice": asdict(design.choice),
            "values": {name: measured_fields(value) for name, value in design.values.items()},
            "alternatives": [_alternative_fields(option) for option in design.alternatives],
            "stalls": [asdict(stall) | {"allowed_s": number(stall.allowed_s)} for stall in design.stalls],
            "warnings": list(words.warnings(design)),
            "points": [{"about": about, "text": text} for about, text in component_notes(design)],
            "sources": list(words.SOURCES),
            "caution": CAUTION_HV,
        }
    )


def _alternative_fields(option: Alternative) -> dict[str, Any]:
    return {
        "resistance_ohm": option.resistance_ohm,
        "time_to_close_s": measured_fields(option.time_to_close_s),
        "peak_current_A": measured_fields(option.peak_current_A),
        "fits": option.fits,
    }


def value_rows(design: PrechargeDesign) -> list[tuple[str, list[tuple[str, str, str, str]]]]:
    """Sections of rows: label, value, band, meaning; a section or row without a value is left out."""
    sections = []
    for heading, entries in words.SECTIONS:
        rows = [
            (label, words.figures(shown.value, shown.unit), words.band_text(shown), meaning)
            for name, label, meaning in entries
            if name in design.values
            for shown in (in_shown_unit(name, design.values[name]),)
        ]
        if rows:
            sections.append((heading, rows))
    return sections


def alternative_row(option: Alternative) -> tuple[str, str, str, str, str]:
    """Resistor, time, its band, peak current at most, and whether it meets the requirements."""
    time, peak = option.time_to_close_s, words.figures(option.peak_current_A.high, "A")
    fits = "yes" if option.fits else "no"
    return words.ohm_text(option.resistance_ohm), words.figures(time.value, "s"), words.band_text(time), peak, fits


def stall_row(stall: Stall) -> tuple[str, str, str, str, str]:
    """Part of pack voltage, load that holds it there, power, energy until the timeout, time to the pulse rating."""
    load = words.figures(stall.load_ohm, "ohm") if stall.load_ohm > 0 else "a short circuit"
    allowed = "" if stall.allowed_s is None else words.figures(stall.allowed_s, "s")
    power, energy = words.figures(stall.power_W, "W"), words.figures(stall.energy_J, "J")
    return f"{100 * stall.fraction:g} %", load, power, energy, allowed


ALTERNATIVE_HEADINGS = ("Resistor", "Time to close", "Band", "Peak current", "Fits")
STALL_HEADINGS = ("Stalled at", "Load", "Power", "Energy until timeout", "Time to pulse rating")


def print_design(design: PrechargeDesign, console: Console) -> None:
    """Outcome, warnings, the values with their bands, neighbouring resistors, stalls, points, caution."""
    _say(console, f"Precharge resistor {words.headline(design)}.", "bold")
    _say(console, words.reason(design))
    for text in words.warnings(design):
        _say(console, f"WARNING {text}", "yellow")
    for heading, rows in value_rows(design):
        _table(console, heading, ("", "Value", "Band"), [row[:3] for row in rows])
    _table(console, "Neighbouring resistor values", ALTERNATIVE_HEADINGS, map(alternative_row, design.alternatives))
    _table(console, "Stalled precharge", STALL_HEADINGS, map(stall_row, design.stalls))
    console.print()
    for about, text in component_notes(design):
        _say(console, f"{about}: {text}")
    _say(console, f"CAUTION {CAUTION_HV}", "bold red")


def _say(console: Console, text: str, style: str = "") -> None:
    console.print(printable(text, console.encoding), style=style or None, markup=False, highlight=False)


def _table(console: Console, heading: str, names: tuple[str, ...], rows: Any) -> None:
    """A heading and a table; a column that is empty throughout is left out."""
    from rich.table import Table

    cells = [[printable(cell, console.encoding) for cell in row] for row in rows]
    used = [k for k in range(len(names)) if any(row[k] for row in cells)]
    table = Table(title=heading, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for k in used:
        table.add_column(names[k], overflow="fold")
    for row in cells:
        table.add_row(*(row[k] for k in used))
    console.print()
    console.print(table, markup=False, highlight=False)
