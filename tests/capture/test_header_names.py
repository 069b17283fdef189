"""What the names of columns say: roles, units and number bases, by a table (common practice, no published source)."""

from __future__ import annotations

import pytest

from logscope.capture.delimited_header import base_of, is_time, roles_of, time_unit_of


@pytest.mark.parametrize(
    ("header", "roles"),
    [
        ("Time,ID,Data", {"time": (1,), "identifier": (2,), "data": (3,)}),
        ("time_ms,CAN ID (hex),DLC,Data Bytes", {"time": (1,), "identifier": (2,), "length": (3,), "data": (4,)}),
        ("Time,ID,D0,D1,D2", {"time": (1,), "identifier": (2,), "data": (3, 4, 5)}),
        ("Time,ID,D2,D1,D0", {"time": (1,), "identifier": (2,), "data": (5, 4, 3)}),  # in the order of their numbers
        ("Time,ID,B1,B10,B2", {"time": (1,), "identifier": (2,), "data": (3, 5, 4)}),
        ("Time,ID,D0,D0", {"time": (1,), "identifier": (2,), "data": (3,)}),  # the first of one number
        ("Time,Time Stamp,ID,Data", {"time": (1,), "identifier": (3,), "data": (4,)}),
        ("Bus,Time,ID,Dir,Data", {"bus": (1,), "time": (2,), "identifier": (3,), "direction": (4,), "data": (5,)}),
        ("Time,ID,Ext,Data", {"time": (1,), "identifier": (2,), "extended": (3,), "data": (4,)}),
        ("Time,ID", None),
        ("ID,Data", None),
        ("Time,Data", None),
    ],
)  # fmt: skip
def test_columns_by_their_names(header: str, roles: dict[str, tuple[int, ...]] | None) -> None:
    assert roles_of(header.split(",")) == roles


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("Time [ms]", "ms"), ("time_ms", "ms"), ("Timestamp (µs)", "us"), ("Time [s]", "s"), ("t.ns", "ns"),
        ("Time", None), ("s", None), ("Times", None), ("Time [h]", None), ("time seconds", "s"),
    ],
)  # fmt: skip
def test_the_unit_of_time_in_a_name(name: str, unit: str | None) -> None:
    assert time_unit_of(name) == unit


@pytest.mark.parametrize(
    ("name", "base"),
    [("ID (hex)", 16), ("id_dec", 10), ("ID decimal", 10), ("ID", None), ("Hexagon", None), ("IDHEX", None)],
)
def test_the_number_base_in_a_name(name: str, base: int | None) -> None:
    assert base_of(name) == base


@pytest.mark.parametrize(("name", "time"), [("Time", True), ("time_us", True), ("Timestamp [s]", True), ("ID", False)])
def test_a_name_of_time(name: str, time: bool) -> None:
    assert is_time(name) is time
