"""A shelf of tiny logs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from logscope.shelf.archive import Archive, open_or_create
from logscope.shelf.fill import Engine, Tally, Wishes, fill
from logscope.shelf.find import Search
from logscope.shelf.job import Outcome
from logscope.shelf.schema import TABLES, Record
from logscope.shelf.work import checked

DBC = """VERSION ""
NS_ :
BS_:
BU_: INV
BO_ 256 Link: 4 INV
 SG_ Voltage : 0|16@1+ (0.1,0) [0|500] "V" INV
 SG_ Speed : 16|16@1- (1,0) [-9000|9000] "rpm" INV
"""
VEHICLE = """[vehicle]
name = "{name}"
[[can]]
definitions = ["small.dbc"]
[signals]
dc_link_voltage = "Link.Voltage"
motor_speed = "Link.Speed"
"""
DAY_S = 86_400
START_S = 1_772_355_600  # 2026-03-01 09:00 UTC
SPENT = ("work_s", "memory_MB")  # differs from run to run


def write_log(path: Path, day: int, level: int = 0x1000, start_s: float = 0.0, frames: int = 20) -> None:
    """A log of 10 Hz from nine o'clock of a day."""
    times = (START_S + DAY_S * day + start_s + 0.1 * n for n in range(frames))
    lines = [f"({time:.6f}) can0 100#{level:04X}0000" for time in times]
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")


def write_vehicle(folder: Path, name: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "small.dbc").write_text(DBC, encoding="utf-8")
    (folder / "vehicle.toml").write_text(VEHICLE.format(name=name), encoding="utf-8")


def in_this_process(jobs) -> Iterator[Outcome]:  # type: ignore[no-untyped-def]
    return map(checked, jobs)


def filled(places: Path | list[str], out: Path, engine: Engine = in_this_process, **wishes) -> tuple[Archive, Tally]:  # type: ignore[no-untyped-def]
    archive = open_or_create(out)
    names = places if isinstance(places, list) else [str(places)]
    vehicle = wishes.pop("vehicle", None)
    return archive, fill(archive, Search(vehicle), names, engine, Wishes(**wishes), lambda done, of: None)


def contents(archive: Archive) -> dict[str, list[Record]]:
    """All that an archive holds, but for what it cost."""
    found = {}
    for table in TABLES:
        records = archive.dataset(table).to_table().to_pylist()
        rest = [{name: value for name, value in each.items() if name not in SPENT} for each in records]
        found[table] = sorted(rest, key=repr)
    return found
