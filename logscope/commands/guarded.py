"""Which parameters of a command are read and which are written, and the refusal of what would harm a file.

Every path among a command's parameters says which it is: `Annotated[Path, Reads(), typer.Option(…)]`.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Annotated, Any, get_args, get_type_hints

import typer

from logscope.commands.given import given_files
from logscope.outputs import Guard, Kind, kind_for, refuse_repeated_outputs

OVERWRITE = Annotated[
    bool, typer.Option("--overwrite", help="Also replace files that logscope did not write, but never an input.")
]


@dataclass(frozen=True)
class Reads:
    """Marks a parameter whose files, or folders of files, are read.

    vehicle : it names further files; stream : “-” among several files is standard input; column : it is a file and,
    after a colon, one of its columns
    """

    vehicle: bool = False
    stream: bool = False
    column: bool = False


@dataclass(frozen=True, init=False)
class Writes:
    """Marks a parameter that names an output, of one of these kinds."""

    kinds: tuple[Kind, ...]

    def __init__(self, *kinds: Kind) -> None:
        object.__setattr__(self, "kinds", kinds)


def roles(command: Callable[..., Any]) -> dict[str, Reads | Writes]:
    """The parameters of a command that are paths to read or to write."""
    hints = get_type_hints(command, include_extras=True)
    marks = ((name, mark) for name, hint in hints.items() for mark in get_args(hint)[1:])
    return {name: mark for name, mark in marks if isinstance(mark, Reads | Writes)}


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """The command, with patterns of file names expanded, and refusing outputs that would harm a file before anything of
    the logs is read.

    A command with outputs gets the option `--overwrite`. One that finds its files only later takes a parameter
    `guard` and asks it for each.
    """
    marks = roles(command)
    if not any(isinstance(mark, Writes) for mark in marks.values()):
        return command
    signature = inspect.signature(command, eval_str=True)
    shown = [parameter for parameter in signature.parameters.values() if parameter.name != "guard"]
    shown.append(inspect.Parameter("overwrite", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=OVERWRITE))

    @wraps(command)
    def run(*, overwrite: bool = False, **arguments: Any) -> None:
        for name, mark in marks.items():
            if isinstance(mark, Reads) and isinstance(arguments[name], list):
                arguments[name] = given_files(arguments[name], stream=mark.stream)
        guard = _guard(arguments, marks, overwrite)
        command(**arguments, **({"guard": guard} if "guard" in signature.parameters else {}))

    run.__signature__ = signature.replace(parameters=shown)  # type: ignore[attr-defined]
    return run


def _guard(arguments: Mapping[str, Any], marks: Mapping[str, Reads | Writes], overwrite: bool) -> Guard:
    """The guard of one call, after it has looked at all its outputs."""
    outputs = {
        f"--{name.replace('_', '-')}": (arguments[name], mark.kinds)
        for name, mark in marks.items()
        if isinstance(mark, Writes) and arguments[name] is not None
    }
    paths = {name: path for name, (path, _) in outputs.items()}
    read = [
        (path, mark)
        for name, mark in marks.items()
        if isinstance(mark, Reads)
        for path in (_without_column(each) if mark.column else each for each in _paths(arguments[name]))
    ]
    Guard(tuple(path for path, _ in read)).refuse_inputs(paths.values())
    refuse_repeated_outputs(paths)
    named = (file for path, mark in read if mark.vehicle for file in _vehicle_files(path)) if outputs else ()
    guard = Guard((*(path for path, _ in read), *named), overwrite)
    guard.refuse_inputs(paths.values())
    for path, kinds in outputs.values():
        guard.allow(path, kind_for(path, kinds))
    return guard


def _paths(value: Path | list[Path] | None) -> Iterator[Path]:
    if isinstance(value, Path):
        yield value
    else:
        yield from value or ()


def _without_column(path: Path) -> Path:
    """The file of FILE:COLUMN; a path without a column is left to the command to refuse."""
    file, colon, _ = str(path).rpartition(":")
    return Path(file) if colon and len(file) > 1 else path


def _vehicle_files(path: Path) -> tuple[Path, ...]:
    from logscope.vehicle import load_vehicle

    return load_vehicle(path).files
