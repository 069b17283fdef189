"""`logscope size-precharge`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from logscope.commands.guarded import Writes
from logscope.commands.options import JsonFile
from logscope.commands.output import terminal
from logscope.outputs import HTML

if TYPE_CHECKING:
    from logscope.sizing.series import Series


class SeriesName(StrEnum):
    """Resistor series of IEC 60063."""

    E6 = "E6"
    E12 = "E12"
    E24 = "E24"
    E96 = "E96"


def size_precharge(
    voltage: Annotated[float, typer.Option("--voltage", metavar="V", help="Nominal pack voltage.", show_default=False)],
    capacitance: Annotated[
        float,
        typer.Option("--capacitance", metavar="UF", help="All capacitance on the link, in µF.", show_default=False),
    ],
    time: Annotated[
        float | None, typer.Option("--time", metavar="S", help="Required time to the closing fraction, in seconds.")
    ] = None,
    close_fraction: Annotated[
        float,
        typer.Option(
            "--close-fraction", metavar="SHARE", help="Share of pack voltage at which the main contactor closes."
        ),
    ] = 0.95,
    min_voltage: Annotated[
        float | None, typer.Option("--min-voltage", metavar="V", help="Lowest pack voltage.")
    ] = None,
    max_voltage: Annotated[
        float | None, typer.Option("--max-voltage", metavar="V", help="Highest pack voltage.")
    ] = None,
    load_ohm: Annotated[
        float | None,
        typer.Option("--load-ohm", metavar="OHM", help="Resistor on the link during precharge, e.g. a bleeder."),
    ] = None,
    load_power: Annotated[
        float | None,
        typer.Option("--load-power", metavar="W", help="Constant-power load on the link during precharge."),
    ] = None,
    load_cut_in: Annotated[
        float | None, typer.Option("--load-cut-in", metavar="V", help="Link voltage at which that load starts.")
    ] = None,
    series: Annotated[SeriesName, typer.Option("--series", help="Resistor values, IEC 60063.")] = SeriesName.E24,
    resistance: Annotated[
        float | None, typer.Option("--resistance", metavar="OHM", help="Use this resistor instead of choosing one.")
    ] = None,
    resistor_tolerance: Annotated[
        float, typer.Option("--resistor-tolerance", metavar="SHARE", help="0.05 for 5 %.")
    ] = 0.05,
    capacitor_tolerance: Annotated[
        float, typer.Option("--capacitor-tolerance", metavar="SHARE", help="0.1 for 10 %.")
    ] = 0.10,
    peak_current: Annotated[
        float, typer.Option("--peak-current", metavar="A", help="Highest current allowed in relay and resistor.")
    ] = 50.0,
    rated_power: Annotated[
        float | None, typer.Option("--rated-power", metavar="W", help="Continuous rating of your resistor.")
    ] = None,
    pulse_energy: Annotated[
        float | None, typer.Option("--pulse-energy", metavar="J", help="Single-pulse rating of your resistor.")
    ] = None,
    loop_ohm: Annotated[
        float, typer.Option("--loop-ohm", metavar="OHM", help="Resistance of the loop that the main contactor closes.")
    ] = 0.010,
    loop_uh: Annotated[float, typer.Option("--loop-uh", metavar="UH", help="Inductance of that loop, in µH.")] = 1.0,
    discharge_time: Annotated[
        float, typer.Option("--discharge-time", metavar="S", help="Time in which the bleeder must reach 60 V.")
    ] = 120.0,
    html: Annotated[
        Path | None, Writes(HTML), typer.Option("--html", metavar="F.html", help="Write a page with a chart here.")
    ] = None,
    json: JsonFile = None,
) -> None:
    """Choose a precharge resistor for pack voltage, link capacitance and required time; refuse what is impossible."""
    from logscope.files import write_text
    from logscope.sizing import precharge
    from logscope.sizing.requirements import PrechargeRequirements
    from logscope.sizing.show import design_to_json, print_design

    design = precharge.size_precharge(
        PrechargeRequirements(
            voltage_V=voltage,
            capacitance_uF=capacitance,
            time_s=time,
            close_fraction=close_fraction,
            min_voltage_V=min_voltage,
            max_voltage_V=max_voltage,
            load_ohm=load_ohm,
            load_W=load_power,
            load_cut_in_V=load_cut_in,
            series=cast("Series", series.value),
            resistance_ohm=resistance,
            resistor_tolerance=resistor_tolerance,
            capacitor_tolerance=capacitor_tolerance,
            peak_current_A=peak_current,
            rated_power_W=rated_power,
            pulse_rating_J=pulse_energy,
            loop_ohm=loop_ohm,
            loop_H=loop_uh * 1e-6,
            discharge_s=discharge_time,
        )
    )
    if json is not None:
        write_text(json, design_to_json(design))
    if html is not None:
        from logscope.sizing.page import design_to_html

        write_text(html, design_to_html(design))
    print_design(design, terminal())
