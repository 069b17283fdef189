"""`logscope seek`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from itertools import chain, count
from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.commands.options import DefiningVehicle, Definitions, JsonFile, Logs, ReportFile
from logscope.commands.output import tell_where, terminal, warn, with_progress
from logscope.outputs import DBC, Guard


def seek(
    logs: Logs,
    guard: Guard,
    like: Annotated[str, typer.Option("--like", metavar="PART", help="A part of the drive system to find.")] = "",
    like_log: Annotated[
        Path | None,
        Reads(column=True),
        typer.Option("--like-log", metavar="F.csv:COLUMN", help="A series of another device to find."),
    ] = None,
    at: Annotated[
        list[float] | None,
        typer.Option("--at", metavar="SECONDS", help="A moment at which you switched something; may be repeated."),
    ] = None,
    within: Annotated[
        float, typer.Option("--within", metavar="SECONDS", help="How exactly you know those moments.", min=0.01)
    ] = 1.0,
    definitions: Definitions = None,
    vehicle: DefiningVehicle = None,
    out: Annotated[
        Path | None,
        Writes(DBC),
        typer.Option("--out", metavar="F.dbc", help="Write what stands out as definitions, a file for each bus."),
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
) -> None:
    """Find fields without a definition by their behaviour, each with its evidence and a line for a DBC file.

    Parts that the vehicle file maps serve as references. Without --like, --like-log and --at every identifier is
    divided into fields. Measure before you rely on a field: likeness is no proof.
    """
    from logscope.files import write_text
    from logscope.seeking.page import found_to_html
    from logscope.seeking.show import print_found, to_json
    from logscope.tasks.seek import seek as search

    found = search(
        logs,
        vehicle,
        definitions or (),
        like=like,
        like_log="" if like_log is None else str(like_log),
        at=at or (),
        within_s=within,
        watch=with_progress,
    )
    written = {} if out is None else _files(out, found.to_dbc())
    for path, _ in written.values():
        guard.allow(path, DBC)
    for path, text in written.values():
        write_text(path, text)
    if report is not None:
        write_text(report, found_to_html(found))
    if json is not None:
        write_text(json, to_json(found))
    console = terminal()
    warn(found.left_out)
    print_found(found, console)
    tell_where(console, {**{name: path for name, (path, _) in written.items()}, "Report": report, "JSON": json})


def _files(out: Path, texts: Mapping[str, str]) -> dict[str, tuple[Path, str]]:
    """Paths and texts of the definitions by what they are: FILE.dbc for one bus, FILE-BUS.dbc for each of several."""
    from logscope.seeking.dbc_line import EMPTY

    if len(texts) <= 1:
        return {"Definitions": (out, next(iter(texts.values()), EMPTY))}
    return {
        f"Definitions of {bus}": (out.with_stem(f"{out.stem}-{name}"), texts[bus])
        for bus, name in zip(texts, file_names(texts), strict=True)
    }


def file_names(buses: Iterable[str]) -> list[str]:
    """Names that every file system accepts and keeps apart, also one to which A and a are the same.

    >>> file_names(["can 0", "can-0", "CAN_0"])
    ['can_0', 'can_0_2', 'CAN_0_3']
    """
    names: list[str] = []
    taken: set[str] = set()
    for bus in buses:
        plain = re.sub("[^A-Za-z0-9]+", "_", bus)
        numbered = (f"{plain}_{number}" for number in count(2))
        name = next(name for name in chain((plain,), numbered) if name.casefold() not in taken)
        taken.add(name.casefold())
        names.append(name)
    return names
