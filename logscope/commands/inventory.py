"""`logscope inventory`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Writes
from logscope.commands.options import BitRates, DefiningVehicle, Definitions, JsonFile, Logs, bit_rates
from logscope.commands.output import terminal, warn, with_progress
from logscope.outputs import CSV


def inventory(
    logs: Logs,
    definitions: Definitions = None,
    vehicle: DefiningVehicle = None,
    bit_rate: BitRates = None,
    json: JsonFile = None,
    csv: Annotated[
        Path | None, Writes(CSV), typer.Option("--csv", metavar="F.csv", help="Write the table here.")
    ] = None,
) -> None:
    """List buses and identifiers: names, counts, periods, lengths, which bytes change, and the load of each bus."""
    from logscope.files import write_text
    from logscope.inventory.show import print_inventory, to_csv, to_json
    from logscope.tasks.inventory import take_inventory

    found = take_inventory(logs, vehicle, definitions or (), bit_rate=bit_rates(bit_rate), watch=with_progress)
    for path, text in ((json, to_json), (csv, to_csv)):
        if path is not None:
            write_text(path, text(found))
    warn(f"{place.where}: {place.text}: {place.reason}" for place in found.skipped)
    print_inventory(found, terminal())
