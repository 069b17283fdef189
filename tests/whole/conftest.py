"""Small logs, definitions and vehicle files for tests of the whole way."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import logscope.cli

if TYPE_CHECKING:
    from logscope.shelf.job import Job, Outcome

ROOT = Path(__file__).parents[2]

DBC = """VERSION ""
NS_ :
BS_:
BU_: INV
BO_ 256 Link: 4 INV
 SG_ Voltage : 0|16@1+ (0.1,0) [0|500] "V" INV
 SG_ Speed : 16|16@1- (1,0) [-9000|9000] "rpm" INV
BO_ 257 Status: 1 INV
 SG_ Fault : 0|4@1+ (1,0) [0|15] "" INV
 SG_ Contactor : 4|2@1+ (1,0) [0|3] "" INV
 SG_ Relay : 6|1@1+ (1,0) [0|1] "" INV
VAL_ 257 Fault 0 "None" 3 "Overcurrent" 5 "Overheated" ;
VAL_ 257 Contactor 0 "Open" 1 "Closed" ;
"""

VEHICLE = """[vehicle]
name = "Hazel"
[[can]]
definitions = ["small.dbc"]
[signals]
dc_link_voltage = "Link.Voltage"
motor_speed = "Link.Speed"
main_contactor = { signal = "Status.Contactor", on = ["Closed"] }
fault = "Status.Fault"
[precharge]
resistance_ohm = 150
capacitance_uF = 1000
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a space in its name, holding small.dbc, small.toml and a log of three frames."""
    folder = tmp_path / "my logs"
    folder.mkdir()
    (folder / "small.dbc").write_text(DBC, encoding="utf-8")
    (folder / "small.toml").write_text(VEHICLE, encoding="utf-8")
    lines = ["(0.000000) can0 100#10270500", "(0.010000) can0 101#13", "(0.020000) can0 100#1127FBFF", ""]
    (folder / "small.log").write_text("\n".join(lines), encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def in_one_process(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Shelves are checked in this process, whose imports are done; and what is kept is kept in the test's folder."""
    from logscope.shelf import engine

    def check_here(jobs: Iterable[Job], workers: int) -> Iterator[Outcome]:
        from logscope.shelf.work import checked

        return (checked(replace(job, memory_MB=None)) for job in jobs)

    monkeypatch.setattr(engine, "on_this_machine", check_here)
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "cache"))


@pytest.fixture(scope="session")
def sample_logs() -> Path:
    """The logs that come with the project."""
    return ROOT / "sample_logs"


@pytest.fixture(scope="session")
def decoders() -> Path:
    """The definitions and vehicle files that come with the project."""
    return ROOT / "decoders"


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Runs the command line in this process: exit status, and what it printed and complained of."""

    def call(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["logscope", *map(str, arguments)])
        with pytest.raises(SystemExit) as stopped:
            logscope.cli.main()
        printed = capsys.readouterr()
        return int(stopped.value.code or 0), printed.out, printed.err

    return call
