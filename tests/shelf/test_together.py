"""Which rows of a shelf are of one recording, by a table of made rows; expected by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from logscope.shelf.schema import Record
from logscope.shelf.together import recordings

START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def row(name: str, begins_s: float, lasts_s: float, **more: object) -> Record:
    """A checked log with a date of its own."""
    return {
        "key": name, "status": "checked", "date_from": "log", "vehicle_file": "hazel.toml", "vehicle": "Hazel",
        "logs": [f"drives/{name}.log"], "date": START + timedelta(seconds=begins_s), "duration_s": lasts_s,
        "content": name,
    } | more  # fmt: skip


LONG = row("long", 0.0, 100.0)
GROUPS: dict[str, tuple[list[Record], list[set[str]]]] = {
    "side by side": ([LONG, row("b", 5.0, 90.0)], [{"long", "b"}]),
    "two short ones within a long one": ([LONG, row("b", 10.0, 10.0), row("c", 50.0, 10.0)], [{"long", "b", "c"}]),
    "in whatever order": ([row("c", 50.0, 10.0), row("b", 10.0, 10.0), LONG], [{"long", "b", "c"}]),
    "a chain": ([LONG, row("b", 90.0, 100.0), row("c", 180.0, 50.0)], [{"long", "b", "c"}]),
    "one after another": ([LONG, row("b", 100.0, 50.0)], []),
    "two recordings": (
        [LONG, row("b", 1.0, 9.0), row("c", 200.0, 9.0), row("d", 201.0, 9.0)], [{"long", "b"}, {"c", "d"}],
    ),
    "of two vehicles": ([LONG, row("b", 5.0, 90.0, vehicle_file="rowan.toml")], []),
    "in two folders": ([LONG, row("b", 5.0, 90.0, logs=["others/b.log"])], []),
    "one that failed": ([LONG, row("b", 5.0, 90.0, status="failed")], []),
    "one dated by its file": ([LONG, row("b", 5.0, 90.0, date_from="file")], []),
    "one drive in two formats": ([LONG, row("b", 0.0, 100.0, content="long")], []),
    "four at once": ([row(str(k), k, 50.0) for k in range(4)], [{"0", "1", "2", "3"}]),
    "five at once, of a clock that restarts": ([row(str(k), k, 50.0) for k in range(5)], []),
    "five, four at once": ([*(row(str(k), k, 50.0) for k in range(4)), row("4", 50.5, 9.0)], [set("01234")]),
}  # fmt: skip


@pytest.mark.parametrize("name", GROUPS)
def test_dated_logs_of_one_place_that_overlap_are_one_recording(name: str) -> None:
    rows, expected = GROUPS[name]
    assert [{each["key"] for each in group} for group in recordings(rows)] == expected
