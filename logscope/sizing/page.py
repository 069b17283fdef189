"""A design as one HTML page, in the style of the report, with a chart of link voltage and resistor power."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from logscope.arrays import FloatArray
from logscope.findings import CAUTION_HV, Level
from logscope.report.drawing import TAG_ROW_PX, mark_line, tag
from logscope.report.html import render_page
from logscope.report.rows import PANEL_PX, TIME_DECIMALS, Key, Row, numbers
from logscope.report.stack import Drawing, stacked
from logscope.report.words import glossary_of
from logscope.sizing import show, words
from logscope.sizing.choose import corners, nominal
from logscope.sizing.circuit import Circuit, link_curve
from logscope.sizing.component_notes import component_notes
from logscope.sizing.precharge import PrechargeDesign

_POINTS = 300  # about one for each two pixels of a chart
_PAST_TIMEOUT = 1.1  # how much of the time axis lies after the timeout
_AIR = 1.12  # above the highest value, room for a label
TIME_TITLE = "time since the precharge relay closed [s]"


def design_to_html(design: PrechargeDesign) -> str:
    """The design as HTML text that needs nothing else."""
    sections, considered = show.value_rows(design), component_notes(design)
    chart = design_chart(design)
    meanings = (meaning for _, rows in sections for row in rows for meaning in row)
    texts = [words.reason(design), *meanings, *(text for _, text in considered), *words.SOURCES, CAUTION_HV]
    return render_page(
        "sizing.html.j2",
        title="Precharge: sizing",
        facts=_facts(design),
        headline=words.headline(design),
        reason=words.reason(design),
        warnings=words.warnings(design),
        chart=chart,
        sections=sections,
        tables=(
            (
                "Neighbouring resistor values",
                show.ALTERNATIVE_HEADINGS,
                _used(map(show.alternative_row, design.alternatives)),
            ),
            ("Stalled precharge", show.STALL_HEADINGS, _used(map(show.stall_row, design.stalls))),
        ),
        points=considered,
        sources=words.SOURCES,
        glossary=glossary_of(texts),
        caution=CAUTION_HV,
    )


def _used(rows: Any) -> list[tuple[str, ...]]:
    """The rows without trailing columns that are empty throughout."""
    cells = list(rows)
    width = max(k + 1 for row in cells for k, cell in enumerate(row) if cell)
    return [row[:width] for row in cells]


def _facts(design: PrechargeDesign) -> list[tuple[str, str]]:
    needs = design.needs
    spread = f" ({needs.lowest_v:g} to {needs.highest_v:g})" if needs.lowest_v < needs.highest_v else ""
    time = "set by the resistor" if needs.time_s is None else words.figures(needs.time_s, "s")
    loads = [words.ohm_text(needs.load_ohm)] if needs.load_ohm is not None else []
    loads += [f"{needs.load_W:g} W from {needs.load_cut_in_V:g} V"] if needs.load_W is not None else []
    return [
        ("Pack voltage", f"{needs.voltage_V:g}{spread} V"),
        ("Link capacitance", f"{needs.capacitance_uF:g} µF ± {100 * needs.capacitor_tolerance:g} %"),
        (f"Required time to {100 * needs.close_fraction:.4g} %", time),
        ("Load during precharge", " and ".join(loads) or "nothing"),
    ]


def design_chart(design: PrechargeDesign) -> Drawing:
    """Link voltage and power in the resistor until just after the timeout, the contactor left open."""
    needs, ohm = design.needs, design.choice.resistance_ohm
    timeout = design.values["timeout_s"].value or 0.0
    close = design.values["time_to_close_s"].value or 0.0
    time = np.linspace(0.0, _PAST_TIMEOUT * timeout, _POINTS)

    def power(circuit: Circuit) -> FloatArray:
        return np.asarray((circuit.source_v - link_curve(circuit, time)) ** 2 / circuit.resistance_ohm)

    level = Level(needs.close_fraction * needs.voltage_V, "closing threshold", "")
    rows = (
        _row("Link voltage [V]", design, time, lambda c: link_curve(c, time), 1, (level,)),
        _row("Power in the resistor [W]", design, time, power, 2, ()),
    )
    marks = ((close, "closing fraction reached (nominal)"), (timeout, "timeout"))
    summary = (
        f"Chart of link voltage and resistor power over {time[-1]:.3g} s, {ohm:g} ohm, with bands of the tolerances."
    )
    legend = tuple(key for row in rows for key in row.keys)
    level_key = Key("dash level", f"{level.label}: {words.figures(level.value, 'V')}")
    named = tuple((str(n), f"{label}, {words.figures(at, 's')}") for n, (at, label) in enumerate(marks, 1))
    lines = [mark_line(at) for at, _ in marks if math.isfinite(at)]
    tags = [tag(at, str(n), 0, "--mark") for n, (at, _) in enumerate(marks, 1)]
    figure = stacked(rows, (0.0, float(time[-1])), TIME_TITLE, lines, tags, TAG_ROW_PX)
    return Drawing(figure, summary, (*legend, level_key), named)


def _row(
    name: str, design: PrechargeDesign, time: FloatArray, of: Callable[[Circuit], FloatArray], colour: int,
    levels: tuple[Level, ...],
) -> Row:  # fmt: skip
    """A nominal line and the band of all edges."""
    needs, ohm = design.needs, design.choice.resistance_ohm
    value = of(nominal(needs, ohm))
    edges = np.array([of(circuit) for circuit in corners(needs, ohm)])
    low, high = edges.min(axis=0), edges.max(axis=0)
    label = name.split(" [")[0]
    shared = {"x": numbers(time, TIME_DECIMALS), "type": "scatter", "mode": "lines", "yhoverformat": ".4~g"}
    hidden = {"line": {"width": 0, "color": f"--curve-{colour}"}, "hoverinfo": "skip", "name": ""}
    traces = (
        shared | hidden | {"y": numbers(low), "fill": "none"},
        shared | hidden | {"y": numbers(high), "fill": "tonexty", "fillcolor": f"--band-{colour}"},
        shared | {"y": numbers(value), "name": label, "line": {"color": f"--curve-{colour}", "width": 2}},
    )
    keys = (
        Key(f"line curve-{colour}", f"{label}, nominal"),
        Key(f"area band-{colour}", f"{label}: band of pack voltage and tolerances"),
    )
    top = _AIR * float(high.max())
    return Row(name, PANEL_PX, traces, min(0.0, float(low.min())), top, keys, levels)
