"""What the command line makes of arguments and of errors: one line and an exit status. The commands are made ones."""

from __future__ import annotations

import errno
import io
import os
import sys
from types import SimpleNamespace

import pytest

from logscope import cli
from logscope.cli import _in_words, _is_unread, _run, _usage, spread
from logscope.errors import RequestError

TAKING = ("--before", "--after")


@pytest.mark.parametrize(
    ("given", "spread_out"),
    [
        ("compare --before a b --after c", "compare --before a --before b --after c"),
        ("compare --before a b c", "compare --before a --before b --before c"),
        ("compare --before a --json x y", "compare --before a --json x y"),
        ("compare --before - b", "compare --before - --before b"),
        ("a b --before c", "a b --before c"),
        ("--after a --before b c", "--after a --before b --before c"),
        ("", ""),
    ],
)
def test_an_option_with_several_values_is_repeated(given: str, spread_out: str) -> None:
    assert spread(given.split(), TAKING) == spread_out.split()


def run(monkeypatch: pytest.MonkeyPatch, outcome: object, *arguments: str) -> tuple[int, str, str, list[str]]:
    """Exit status, standard output, standard error, and the arguments that a command got."""
    got: list[str] = []

    def command(args: list[str], *, standalone_mode: bool) -> object:
        got.extend(args)
        assert not standalone_mode
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    out, err = io.StringIO(), io.StringIO()
    monkeypatch.setattr(cli, "group", lambda: command)
    monkeypatch.setattr(sys, "argv", ["logscope", *arguments])
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    return _run(), out.getvalue(), err.getvalue(), got


class Abort(Exception):
    """As the option parser raises it."""


@pytest.mark.parametrize(
    ("outcome", "status", "out", "err"),
    [
        (None, 0, "", ""), (0, 0, "", ""), (1, 1, "", ""),
        (RequestError("it fails", do="Try again."), 2, "", "logscope: it fails. Try again.\n"),
        (RequestError("it fails", example="[can]\n"), 2, "[can]\n", "logscope: it fails.\n"),
        (KeyboardInterrupt(), 2, "", "logscope: stopped\n"), (Abort(), 2, "", "logscope: stopped\n"),
        (OSError(28, "No space left", "a.log"), 2, "", "logscope: a.log: No space left.\n"),
        (ZeroDivisionError("by\nzero"), 2, "", "logscope: internal error in logscope (ZeroDivisionError: by zero). "
         "Please report it with the log.\n"),
        (SystemExit(3), 3, "", ""), (SystemExit(), 0, "", ""),
    ],
)  # fmt: skip
def test_each_outcome_has_its_status_and_one_line(
    monkeypatch: pytest.MonkeyPatch, outcome: object, status: int, out: str, err: str
) -> None:
    assert run(monkeypatch, outcome, "check", "a.log") == (status, out, err, ["check", "a.log"])


def test_no_argument_asks_for_help_and_a_reader_that_has_gone_stops_the_writing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert run(monkeypatch, 0)[3] == ["--help"]
    stopped = []
    monkeypatch.setattr(cli, "_stop_writing", lambda: stopped.append(True) or 141)
    assert run(monkeypatch, BrokenPipeError())[0] == 141
    ended = SystemExit(1)
    ended.__context__ = BrokenPipeError()
    assert run(monkeypatch, ended)[0] == 141
    assert len(stopped) == 2


def test_windows_says_of_a_closed_pipe_that_an_argument_is_invalid(monkeypatch: pytest.MonkeyPatch) -> None:
    closed, named = OSError(errno.EINVAL, "x"), OSError(errno.EINVAL, "x", "a.log")
    assert [_is_unread(each) for each in (closed, named, BrokenPipeError(), None)] == [
        os.name == "nt", False, True, False,
    ]  # fmt: skip
    monkeypatch.setattr(cli, "os", SimpleNamespace(name="nt"))
    assert [_is_unread(each) for each in (closed, named, OSError(errno.EIO, "x"), ValueError())] == [
        True, False, False, False,
    ]  # fmt: skip
    assert _in_words(OSError("odd")) == "file: odd."


def usage(message: str, command: str | None = None) -> str:
    context = None if command is None else SimpleNamespace(info_name=command, parent=object())
    return _usage(SimpleNamespace(format_message=lambda: message, ctx=context))


def test_a_usage_error_says_where_to_look_it_up_or_how_a_number_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["logscope", "plot", "--every", "0.1"])
    assert usage("No such option. ", "plot") == "No such option. See logscope plot --help."
    assert usage("Did you mean that?") == "Did you mean that? See logscope --help."
    whole = SimpleNamespace(info_name="logscope", parent=None)
    assert _usage(SimpleNamespace(format_message=lambda: "Missing", ctx=whole)) == "Missing. See logscope --help."
    assert usage("'x' is not a valid number", "plot").endswith("See logscope plot --help.")
    for argument in ("0,1", "--every=-0,5"):
        monkeypatch.setattr(sys, "argv", ["logscope", "plot", argument])
        assert usage("'0,1' is not a valid number.", "plot") == (
            "'0,1' is not a valid number. Write a point for the decimal comma."
        )
        assert usage("No such option", "plot") == "No such option. See logscope plot --help."
