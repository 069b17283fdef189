"""The command line among other programs: pipes, patterns, standard input, terminals with and without colour."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from logscope import __version__, cli
from logscope.commands import given

COMMANDS = list(cli.group().commands)
READER_GONE = 141  # 128 + SIGPIPE, as shells report it (POSIX.1-2017, XCU 2.8.2, and signal 13)

Run = Callable[..., tuple[int, str, str]]


def test_the_version_is_that_of_the_package(command: Run) -> None:
    assert command("--version") == (0, f"logscope {__version__}\n", "")


def test_without_arguments_it_prints_its_help(command: Run) -> None:
    status, out, err = command()
    assert (status, err) == (0, "")
    assert out.startswith("Usage: ")
    assert all(f"\n  {name} " in out for name in COMMANDS)


@pytest.mark.parametrize("name", [(), *((name,) for name in COMMANDS)])
def test_help_fits_80_columns_and_ends_with_an_example(command: Run, name: tuple[str, ...], monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setenv("COLUMNS", "80")
    status, out, _ = command(*name, "--help")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert re.search(r"Example: logscope [\w-]+ ", out)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["inventory", "small.log"]])
def test_a_reader_that_has_gone_is_no_error(folder: Path, arguments: list[str]) -> None:
    """As after `| head -1`; not zero, which would say that nothing was found."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "logscope", *arguments]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, cwd=folder, check=False)
    os.close(writing)
    assert (done.returncode, done.stderr) == (READER_GONE, b"")


def test_lines_are_not_wrapped_in_a_pipe(command: Run, folder: Path) -> None:
    status, out, _ = command("check", folder / "small.log", "--vehicle", folder / "small.toml", "--fail-on", "never")
    assert status == 0
    assert max(map(len, out.splitlines())) > 120
    assert [line for line in out.splitlines() if line != line.rstrip()] == []


@pytest.mark.parametrize("colours", [True, False])
def test_colour_is_for_terminals_that_want_it(folder: Path, colours: bool) -> None:
    pty = pytest.importorskip("pty")  # which Windows lacks
    master, terminal = pty.openpty()
    wish = {"TERM": "xterm-256color", "COLUMNS": "80"} | ({} if colours else {"NO_COLOR": "1"})
    there = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "FORCE_COLOR")}
    arguments = ["check", "small.log", "--vehicle", "small.toml", "--fail-on", "never"]
    process = subprocess.Popen(
        [sys.executable, "-m", "logscope", *arguments],
        stdin=terminal, stdout=terminal, stderr=subprocess.DEVNULL, cwd=folder, env=there | wish,
    )  # fmt: skip
    os.close(terminal)
    shown = b""
    while True:
        try:
            piece = os.read(master, 1 << 16)
        except OSError:  # Linux reports the end that way
            break
        if not piece:
            break
        shown += piece
    os.close(master)
    assert process.wait() == 0
    assert bool(re.search(rb"\x1b\[[0-9;]*3[0-7]m", shown)) is colours
    plain = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", shown).decode()
    assert all(len(line) <= 80 for line in plain.splitlines())


def test_patterns_that_no_shell_expanded_are_expanded(command: Run, folder: Path) -> None:
    (folder / "small.log").rename(folder / "first [1].log")
    assert command("inventory", folder / "f*.log")[0] == 0
    assert command("inventory", folder / "first [1].log")[0] == 0  # a file by its own name
    status, _, err = command("inventory", folder / "g*.log")
    assert (status, err.count("\n")) == (2, 1)
    assert "g*.log" in err


def test_a_pattern_may_stand_in_a_folder_with_brackets_in_its_name(tmp_path: Path) -> None:
    folder = tmp_path / "logs [old]" / "week 1"
    folder.mkdir(parents=True)
    files = [folder / f"run {number}.log" for number in (1, 2)]
    for file in files:
        file.touch()
    assert given.given_files([folder / "run ?.log"], stream=False) == files
    assert given.given_files([tmp_path / "logs [old]" / "**" / "*.log"], stream=False) == files


@pytest.mark.parametrize("packed", [False, True])
def test_a_dash_reads_standard_input(command: Run, folder: Path, packed: bool, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    import gzip

    content = (folder / "small.log").read_bytes()
    given.standard_input.cache_clear()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(gzip.compress(content) if packed else content)))
    request = ("--vehicle", folder / "small.toml", "--fail-on", "never")
    piped = command("check", "-", *request)
    assert piped == command("check", folder / "small.log", *request)
    assert piped[0] == 0


def test_a_dash_is_for_logs_alone(command: Run, folder: Path) -> None:
    status, _, err = command("inventory", folder / "small.log", "--definitions", "-")
    assert (status, err.count("\n")) == (2, 1)


def test_a_dash_with_nothing_piped_in_is_refused(command: Run, folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    given.standard_input.cache_clear()
    monkeypatch.setattr(sys, "stdin", None)
    status, out, err = command("inventory", "-")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "standard input" in err


@pytest.mark.parametrize(("typed", "offered"), [("logscope inv", "inventory"), ("logscope check --ver", "--verbose")])
def test_a_shell_completes_commands_and_options(typed: str, offered: str) -> None:
    code = "import sys; sys.argv[0] = 'logscope'; from logscope.cli import main; main()"
    asked = {"_LOGSCOPE_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(typed.count(" "))}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, encoding="utf-8", env=os.environ | asked, check=True
    )
    assert offered in done.stdout.split()
