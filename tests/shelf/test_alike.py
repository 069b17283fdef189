"""What real shelves hold: one drive in two formats, clocks that restart, files that a logger split, two vehicles."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import can
import numpy as np
import pytest
from small_shelf import DAY_S, START_S, filled, write_log, write_vehicle

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.rows import CHECKS, MAPPING, Row
from logscope.history.series import series_of
from logscope.history.trends import changes
from logscope.measures import Repeated
from logscope.report.shelf_page import shelf_to_html
from logscope.shelf.alike import kinds_by_identifiers
from logscope.shelf.overview import overview

MEASURE = next(each for each in MEASURES if isinstance(each, Repeated))
START = datetime(2026, 3, 1, tzinfo=UTC)


def messages(seed: int, start_s: float, count: int = 300) -> list[can.Message]:
    rng = np.random.default_rng(seed)
    return [
        can.Message(timestamp=start_s + 0.01 * n, arbitration_id=0x100, is_extended_id=False, data=rng.bytes(4))
        for n in range(count)
    ]


def write(path: Path, drive: list[can.Message]) -> None:
    with can.Logger(path) as writer:
        for message in drive:
            writer(message)


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".trc"])
def test_a_drive_in_two_formats_counts_once(tmp_path: Path, suffix: str) -> None:
    """Written by python-can."""
    write_vehicle(tmp_path / "logs", "Hazel")
    for day in range(2):
        write(tmp_path / "logs" / f"{day}.log", messages(day, START_S + DAY_S * day))
    write(tmp_path / "logs" / f"again{suffix}", messages(0, START_S))
    archive, tally = filled(tmp_path / "logs", tmp_path / "archive")
    assert (tally.checked, len(archive.rows())) == (3, 3)  # nor are they joined into one recording
    shown = overview(archive)
    assert sum(bool(log.same_as) for log in shown.logs) == 1
    assert len(shown.histories[0].rows) == 2
    assert "counted once" in shelf_to_html(shown)


def test_logs_of_a_clock_that_always_begins_at_one_date_are_no_recording(tmp_path: Path) -> None:
    write_vehicle(tmp_path / "logs", "Hazel")
    for n in range(6):
        write_log(tmp_path / "logs" / f"{n}.log", 0, 0x1000 + n, start_s=0.01 * n)
    archive, _ = filled(tmp_path / "logs", tmp_path / "archive")
    assert len(archive.rows()) == 6


def test_two_vehicles_in_one_folder_are_noticed_by_their_identifiers(tmp_path: Path) -> None:
    write_vehicle(tmp_path / "logs", "Hazel")
    for day in range(4):
        write_log(tmp_path / "logs" / f"{day}.log", day)
    strange = tmp_path / "logs" / "strange.log"
    write_log(strange, 9)
    strange.write_text(strange.read_text(encoding="utf-8").replace("can0 100#", "can0 3A7#"), encoding="utf-8")
    page = shelf_to_html(overview(filled(tmp_path / "logs", tmp_path / "archive")[0]))
    assert "2 different sets of identifiers (4 and 1 log)" in page


def test_a_part_more_on_the_bus_makes_no_other_vehicle() -> None:
    known = list(range(10))
    kinds = kinds_by_identifiers({"a": known, "b": [*known, 77, 78], "c": [*known[2:]], "d": [], "e": [500, 501]})
    assert kinds == {"a": 0, "b": 0, "c": 0, "d": 0, "e": 1}


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        (range(10), range(10), True),
        (range(10), range(5), True),  # half of all that either has
        (range(10), range(4), False),  # though the other has all of its own in common
        (range(4), range(10), False),
        (range(6), range(2, 8), True),  # four of eight
        (range(6), range(3, 9), False),
    ],
)
def test_logs_are_of_one_kind_where_half_of_all_their_identifiers_are_common(
    one: range, other: range, alike: bool
) -> None:
    """The share of the common among all: P. Jaccard, Bull. Soc. Vaudoise Sci. Nat. 37 (1901), from memory."""
    assert (len(set(kinds_by_identifiers({"a": one, "b": other}).values())) == 1) is alike


def test_the_kind_of_most_logs_is_the_first() -> None:
    found = kinds_by_identifiers({"a": [1, 2], "b": [7, 8], "c": [7, 8]})
    assert found == {"a": 1, "b": 0, "c": 0}


def row(n: int, value: float, start: datetime | None = None, **more) -> Row:  # type: ignore[no-untyped-def]
    values = {MEASURE.name: Measured(value, MEASURE.unit, value * 0.99, value * 1.01)}
    return Row(f"{n}.log", start or START + timedelta(days=n), True, 60.0, values, **more)


def stepped(n: int) -> float:
    return 0.15 * (1.5 if n >= 10 else 1.0) * (1 + 0.002 * np.cos(7.0 * n))


@pytest.mark.parametrize(
    ("late", "words"),
    [
        ({"periods_s": {MEASURE.name: 0.1}}, "the sampling period (10 ms before, 100 ms after)"),
        ({"made_with": {MAPPING: "b", CHECKS: "a"}}, MAPPING),
        ({"made_with": {MAPPING: "a", CHECKS: "b"}}, CHECKS),
    ],
)
def test_a_step_that_may_come_of_how_it_was_measured_is_not_claimed_of_the_vehicle(late: dict, words: str) -> None:  # type: ignore[type-arg]
    early = {"periods_s": {MEASURE.name: 0.01}, "made_with": {MAPPING: "a", CHECKS: "a"}}
    (found,) = changes(
        [row(n, stepped(n), **(early | late if n >= 10 else early)) for n in range(20)], (), MEASURES
    ).drifts
    assert [each.replace("\N{NO-BREAK SPACE}", " ") for each in found.coincides] == [words]
    before = [row(n, stepped(n), **(early | late if n >= 5 else early)) for n in range(20)]
    (found,) = changes(before, (), MEASURES).drifts
    assert found.coincides == ()  # the one change has nothing to do with the other
    assert found.step is not None
    assert found.step.log == "10.log"


def test_the_files_that_a_logger_split_are_one_log() -> None:
    """Ten files a drive, one after the other: they say no more of the vehicle than one."""
    rows = [
        row(10 * drive + n, 0.15 + 0.001 * drive, START + timedelta(days=drive, minutes=n))
        for drive in range(4) for n in range(10)
    ]  # fmt: skip
    series = series_of(MEASURE, rows)
    assert series is not None
    assert series.rows == (0, 10, 20, 30)
    alone = series_of(MEASURE, rows[::10])
    assert alone is not None
    assert series.deviation == pytest.approx(alone.deviation)


def test_logs_ordered_by_the_dates_of_their_files_are_said() -> None:
    rows = [row(n, stepped(n)) for n in range(20)]
    undated = [Row(each.log, each.date, each.log not in ("3.log", "4.log"), 60.0, each.values) for each in rows]
    (found,) = changes(undated, (), MEASURES).drifts
    assert found.by_file == 2
