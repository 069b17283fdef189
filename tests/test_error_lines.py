"""Errors as one line: what is wrong, where, what to do; and what a name was probably meant to be."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.errors import (
    DefinitionError,
    LogError,
    LogscopeError,
    RequestError,
    VehicleError,
    check_the_path,
    did_you_mean,
)


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (LogscopeError("it fails"), "it fails."), (LogscopeError(" it fails. "), "it fails."),
        (LogscopeError("is it so?"), "is it so?"),
        (LogscopeError("it fails", do=" Try again. "), "it fails. Try again."),
        (LogscopeError("it\n  fails", where=Path("a.log")), "a.log: it fails."),
        (LogscopeError("it fails", where="a.log", line=7, do="Mend it."), "a.log:7: it fails. Mend it."),
        (LogscopeError("it fails", line=7), "it fails."),
        (LogscopeError("it fails", where="a.log", line=0), "a.log: it fails."),
    ],
)  # fmt: skip
def test_an_error_is_one_line_with_its_place(error: LogscopeError, line: str) -> None:
    assert str(error) == line
    assert error.example == ""


def test_every_error_is_one_that_the_command_line_knows_and_may_bring_an_example() -> None:
    for kind in (LogError, DefinitionError, VehicleError, RequestError):
        made = kind("it fails", example="[can]\n")
        assert isinstance(made, LogscopeError)
        assert made.example == "[can]\n"


@pytest.mark.parametrize(
    ("word", "hint"),
    [("torqe", "Did you mean “Torque”?"), ("TORQUE", "Did you mean “Torque”?"), ("toq", "Did you mean “Torque”?"),
     ("to", ""), ("speed", ""), ("slipp", "Did you mean “slip”?")],
)  # fmt: skip
def test_the_nearest_known_word_is_offered_if_it_is_near(word: str, hint: str) -> None:
    """Near is 2·M/T of six tenths (difflib): three of three letters in six make 6/9."""
    assert did_you_mean(word, ["Torque", "slip", "brake"]) == hint


def test_a_path_that_cannot_be_opened_is_answered_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "drive.log").write_text("", encoding="utf-8")
    (tmp_path / "folder.log").mkdir()
    assert check_the_path(tmp_path / "drive.log").startswith("Check that you may read it")
    assert check_the_path(tmp_path / "driv.log") == "Did you mean “drive.log”?"
    assert check_the_path(tmp_path / "folde.log") != "Did you mean “folder.log”?"  # a folder is no log
    assert check_the_path(tmp_path / "*.asc") == check_the_path(tmp_path / "a?.log") == "No file fits this pattern."
    for path in (tmp_path / "zzz.bin", tmp_path / "no" / "such.log"):
        assert check_the_path(path) == "Check the path; one with spaces needs quotation marks around it."
