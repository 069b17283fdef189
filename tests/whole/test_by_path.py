"""From Python, logs, vehicle file and definitions can be given by their paths."""

from __future__ import annotations

from pathlib import Path

import pytest

import logscope
from logscope.errors import LogscopeError


def _as(path: Path, how: str) -> object:
    return {"text": str(path), "path": path, "list": [str(path)], "tuple": (path,)}[how]


@pytest.mark.parametrize("how", ["text", "path", "list", "tuple"])
def test_a_check_by_path_is_the_check_of_what_was_read(folder: Path, how: str) -> None:
    log, vehicle = folder / "small.log", folder / "small.toml"
    by_path = logscope.check(_as(log, how), str(vehicle) if how == "text" else vehicle)  # type: ignore[arg-type]
    read = logscope.check(logscope.read(log), logscope.load_vehicle(vehicle))
    assert by_path.to_json() == read.to_json()


@pytest.mark.parametrize("how", ["text", "path", "list", "tuple"])
def test_definitions_may_be_one_path(folder: Path, how: str) -> None:
    log, dbc = folder / "small.log", folder / "small.dbc"
    for logs in (_as(log, how), logscope.read(log)):
        tables = logscope.decode(logs, definitions=_as(dbc, how))  # type: ignore[arg-type]
        assert tables["Link"]["Voltage"].iloc[0] == pytest.approx(1000.0)
    by_vehicle = logscope.decode(log, str(folder / "small.toml"))
    assert by_vehicle["Link"].equals(tables["Link"])


def test_runs_are_compared_by_path(folder: Path) -> None:
    log, vehicle = folder / "small.log", folder / "small.toml"
    by_path = logscope.compare(log, [str(log)], str(vehicle))
    capture = logscope.read(log)
    assert by_path.to_json() == logscope.compare(capture, [capture], logscope.load_vehicle(vehicle)).to_json()


def test_a_path_that_leads_nowhere_is_named(folder: Path) -> None:
    log, vehicle = folder / "small.log", folder / "small.toml"
    for call, name in (
        (lambda: logscope.check(folder / "absent.log", vehicle), "absent.log"),
        (lambda: logscope.check(log, str(folder / "absent.toml")), "absent.toml"),
        (lambda: logscope.decode(log, definitions=str(folder / "absent.dbc")), "absent.dbc"),
    ):
        with pytest.raises(LogscopeError, match=name):
            call()
