"""A small fixed part of the fuzzing; the full run is `python tests/fuzz/fuzz.py 20000`."""

from __future__ import annotations

from fuzz import run


def test_damaged_files_end_in_a_result_or_in_one_line() -> None:
    outcomes = run(25)
    assert outcomes["FAULT"] == 0
    assert outcomes["result"] > 6
    assert outcomes["refused"] > 1
