"""`logscope signals`."""

from __future__ import annotations

from logscope.commands.options import DefiningVehicle, Definitions, JsonFile, Logs
from logscope.commands.output import tell_where, terminal, warn, with_progress


def signals(
    logs: Logs, definitions: Definitions = None, vehicle: DefiningVehicle = None, json: JsonFile = None
) -> None:
    """List every signal: samples, period, lowest, highest and last value, its course, and the part it resembles."""
    from logscope.files import write_text
    from logscope.survey.show import print_rows, rows_to_json
    from logscope.tasks.signals import list_signals

    found = list_signals(logs, vehicle, definitions or (), watch=with_progress)
    if json is not None:
        write_text(json, rows_to_json(found.rows, found.account, found.duration_s, found.notes))
    warn(found.notes)
    console = terminal()
    print_rows(found.rows, found.duration_s, console)
    tell_where(console, {"JSON": json})
