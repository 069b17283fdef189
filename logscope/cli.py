"""The command line: its commands, and every error as one line. What a command does stands in `commands/`."""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Annotated, Any

import typer
import typer.main
from typer.core import TyperCommand

from logscope import __version__
from logscope.commands.check import check
from logscope.commands.compare import compare
from logscope.commands.decode import decode
from logscope.commands.demo import demo
from logscope.commands.draft import draft
from logscope.commands.guarded import guarded
from logscope.commands.inventory import inventory
from logscope.commands.plot import plot
from logscope.commands.record import record
from logscope.commands.replay import replay
from logscope.commands.seek import seek
from logscope.commands.shelf import shelf
from logscope.commands.signals import signals
from logscope.commands.size_precharge import size_precharge
from logscope.commands.trend import trend
from logscope.commands.vehicle import vehicle
from logscope.errors import LogscopeError


def spread(arguments: Sequence[str], options: Iterable[str]) -> list[str]:
    """An option with several values becomes the option once for each of them, so that `--before *.log` works.

    >>> spread(["compare", "--before", "a.log", "b.log", "--after", "c.log"], ["--before", "--after"])
    ['compare', '--before', 'a.log', '--before', 'b.log', '--after', 'c.log']
    """
    taking = set(options)
    written: list[str] = []
    current, values = "", 0
    for argument in arguments:
        if argument.startswith("-") and argument != "-":
            current, values = (argument, 0) if argument in taking else ("", 0)
        elif current:
            values += 1
            if values > 1:
                written.append(current)
        written.append(argument)
    return written


_SEVERAL_VALUES = ("--before", "--after")  # options that take all values up to the next option
_UNUSABLE = 2  # exit status of a request or input that is unusable
# Of a program whose reader has gone, as shells count it: 128 + SIGPIPE. Zero would say that nothing was found.
_UNREAD = 141

# What the option parser adds to a help text that says nothing to who does not program: types of arguments, and ranges.
_TYPES = re.compile(r" <(?:list\[\w+\]|path|str|int|float)(?: range)?>")
_RANGES = re.compile(r";\s+x>=[\d.e+-]+(?=\])|\s*\[x>=[\d.e+-]+\]")

app = typer.Typer(rich_markup_mode=None)


class _Command(TyperCommand):
    """A command whose help is in plain words."""

    def get_help(self, ctx: Any) -> str:
        """As typer writes it, its columns kept, without types and ranges."""
        text = _TYPES.sub(lambda found: " " * len(found[0]), super().get_help(ctx))
        return _RANGES.sub("", text)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"logscope {__version__}")
        raise typer.Exit


@app.callback(epilog="Example: logscope check drive.log --vehicle hazel.toml --report report.html")
def logscope(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Diagnoses the drive system of an electric-vehicle conversion from its CAN and serial logs."""


for _command, _help, _example in (
    (check, "Check a log and say what to do next.", "drive.log --vehicle hazel.toml --report report.html"),
    (
        compare,
        "Compare logs before and after a change.",
        "--before old-1.log old-2.log --after new.log --vehicle hazel.toml",
    ),
    (
        trend,
        "Show key measures over all logs of a project.",
        "logs --vehicle hazel.toml --notes changes.csv --report trend.html",
    ),
    (
        shelf,
        "Check all logs of many drives, on all cores or a cluster.",
        "logs --vehicle hazel.toml --out archive --report overview.html",
    ),
    (
        record,
        "Record CAN and serial on one clock, never transmitting.",
        "--can socketcan:can0 --serial COM4@115200:console.toml --vehicle hazel.toml --out first-drive",
    ),
    (
        replay,
        "Show a log in the live view; nothing is sent to a bus.",
        "drive.log --vehicle hazel.toml --speed 10",
    ),
    (inventory, "List what is in a log, with periods and bus load.", "drive.log --definitions hazel.dbc"),
    (signals, "List every signal with its figures and its course.", "drive.log --definitions hazel.dbc"),
    (
        plot,
        "Draw signals on one time axis, as a page or a picture.",
        "drive.log --vehicle hazel.toml --signal motor_speed --out p.html",
    ),
    (
        draft,
        "Write a first vehicle file from definitions and a log.",
        "drive.log --definitions hazel.dbc --out hazel.toml",
    ),
    (
        seek,
        "Find fields without a definition by how they behave.",
        "drive.log --like dc_link_voltage --vehicle hazel.toml --out found.dbc",
    ),
    (vehicle, "Say which checks a vehicle file allows, and what would add more.", "hazel.toml drive.log"),
    (
        decode,
        "Write decoded signals to Parquet or CSV.",
        "drive.log --vehicle hazel.toml --out tables --signal Pack.Voltage",
    ),
    (
        size_precharge,
        "Size a precharge circuit: resistor, times, currents, energies.",
        "--voltage 320 --max-voltage 344 --capacitance 1000 --time 0.5",
    ),
    (demo, "Simulate a drive, check it, write the report.", "hazel-demo"),
):
    _name = _command.__name__.replace("_", "-")
    app.command(_name, cls=_Command, short_help=_help, epilog=f"Example: logscope {_name} {_example}")(
        guarded(_command)
    )


@cache
def group() -> Any:
    """All commands with their options, read from the functions' signatures once: that takes longer than a refusal."""
    return typer.main.get_command(app)


def main() -> None:
    """Run the command line; every error is one line on stderr."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a Windows console may lack a character; never fail over that
    sys.exit(_run())


def _run() -> int:
    try:
        arguments = spread(sys.argv[1:], _SEVERAL_VALUES) or ["--help"]
        status = int(group()(args=arguments, standalone_mode=False) or 0)
        sys.stdout.flush()
        return status
    except LogscopeError as error:
        if error.example:
            print(error.example, end="")
        return _complain(str(error))
    except KeyboardInterrupt:
        return _complain("stopped")
    except OSError as error:
        return _stop_writing() if _is_unread(error) else _complain(_in_words(error))
    except SystemExit as ended:  # with which typer and rich answer such an error themselves
        return _stop_writing() if _is_unread(ended.__context__) else int(ended.code or 0)
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error of the option parser
            return _complain(_usage(error))
        if type(error).__name__ == "Abort":
            return _complain("stopped")
        kind = type(error).__name__
        return _complain(f"internal error in logscope ({kind}: {error}). Please report it with the log.")


def _is_unread(error: BaseException | None) -> bool:
    """Whether whoever read standard output has gone, as `head` does; Windows reports that as an invalid argument."""
    windows = os.name == "nt" and isinstance(error, OSError) and (error.errno, error.filename) == (errno.EINVAL, None)
    return isinstance(error, BrokenPipeError) or windows


def _stop_writing() -> int:
    """Nothing more is written, not even when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return _UNREAD


_COMMA = re.compile(r"\s[+-]?\d+,\d+(?=\s|$)")


def _usage(error: Any) -> str:
    """A usage error of the option parser, with where to look it up, or what a number with a comma is to be."""
    what = str(error.format_message()).strip().rstrip(".")
    if "valid number" in what and any(_COMMA.fullmatch(f" {each.rpartition('=')[2]}") for each in sys.argv[1:]):
        return f"{what}. Write a point for the decimal comma."
    context = getattr(error, "ctx", None)
    command = f" {context.info_name}" if context is not None and context.parent is not None else ""
    return f"{what}{'' if what.endswith('?') else '.'} See logscope{command} --help."


def _in_words(error: OSError) -> str:
    return f"{error.filename or 'file'}: {error.strerror or error}."


def _complain(text: str) -> int:
    print("logscope: " + " ".join(text.split()), file=sys.stderr)
    return _UNUSABLE
