"""The archive of a shelf: what is done again, what a killed run leaves, what other programs read."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pandas as pd
import pytest
from pyarrow import dataset, parquet
from small_shelf import contents, filled, in_this_process, write_log

import logscope
import logscope.files
from logscope.errors import RequestError
from logscope.shelf.archive import Archive, open_or_create
from logscope.shelf.fill import Shelf, _present
from logscope.shelf.job import Job, Outcome, failed
from logscope.shelf.schema import TABLES, VERSION


def test_each_log_is_checked_with_the_nearest_vehicle_file_above_it(shelf: Path, tmp_path: Path) -> None:
    archive, tally = filled(shelf, tmp_path / "archive")
    rows = archive.rows()
    assert (tally.found, tally.checked, tally.failed) == (6, 6, 0)
    assert rows.groupby("vehicle").size().to_dict() == {"Hazel": 3, "Rowan": 3}
    assert set(rows.status) == {"checked"}
    assert set(rows.frames) == {20}
    assert (rows.frames == rows.frames_decoded + rows.frames_undefined + rows.frames_undecodable).all()


def test_a_second_run_does_only_what_is_new_or_changed(shelf: Path, tmp_path: Path) -> None:
    filled(shelf, tmp_path / "archive")
    assert filled(shelf, tmp_path / "archive")[1].kept == 6
    write_log(shelf / "Hazel" / "drives" / "0.log", 0, 0x2000)  # changed
    write_log(shelf / "Rowan" / "drives" / "new.log", 60)
    archive, tally = filled(shelf, tmp_path / "archive")
    assert (tally.checked, tally.kept) == (2, 5)
    fresh, _ = filled(shelf, tmp_path / "fresh")
    assert contents(archive) == contents(fresh)


def test_a_changed_vehicle_file_has_its_logs_checked_again_and_no_others(shelf: Path, tmp_path: Path) -> None:
    filled(shelf, tmp_path / "archive")
    with (shelf / "Hazel" / "small.dbc").open("a", encoding="utf-8") as file:
        file.write("\n")
    archive, tally = filled(shelf, tmp_path / "archive")
    assert (tally.checked, tally.kept, len(archive.rows())) == (3, 3, 6)


def test_a_copy_counts_once_and_a_renamed_log_is_named_anew(shelf: Path, tmp_path: Path) -> None:
    drives = shelf / "Hazel" / "drives"
    filled(shelf, tmp_path / "archive")
    shutil.copy(drives / "0.log", drives / "copy of 0.log")
    os.replace(drives / "1.log", drives / "renamed.log")
    archive, tally = filled(shelf, tmp_path / "archive")
    assert (tally.checked, len(archive.rows())) == (0, 6)
    assert str(drives / "renamed.log") in {name for logs in archive.rows().logs for name in logs}


def test_logs_of_one_recording_become_one_row(shelf: Path, tmp_path: Path) -> None:
    drives = shelf / "Hazel" / "drives"
    write_log(drives / "second logger.log", 0, 0x1000, start_s=0.05)
    for out in ("archive", "archive"):  # and stay one in the next run
        archive, tally = filled(shelf, tmp_path / out)
        rows = archive.rows()
        assert len(rows) == 6
        assert sorted(map(len, rows.logs)) == [1, 1, 1, 1, 1, 2]
    assert tally.kept == 7
    write_log(drives / "second logger.log", 0, 0x1100, start_s=0.05)
    archive, tally = filled(shelf, tmp_path / "archive")
    assert tally.checked == 2  # the other log of the recording too
    assert len(archive.rows()) == 6
    assert contents(archive) == contents(filled(shelf, tmp_path / "fresh")[0])


@pytest.mark.parametrize("wish", ["pages", "signals"])
def test_what_is_asked_for_later_is_added_once_to_a_recording_of_several_logs_too(
    shelf: Path, tmp_path: Path, wish: str
) -> None:
    write_log(shelf / "Hazel" / "drives" / "second logger.log", 0, 0x1000, start_s=0.05)
    filled(shelf, tmp_path / "archive")
    archive, tally = filled(shelf, tmp_path / "archive", **{wish: True})
    assert (tally.checked, len(archive.rows())) == (7, 6)
    assert contents(archive) == contents(filled(shelf, tmp_path / "fresh", **{wish: True})[0])
    assert filled(shelf, tmp_path / "archive", **{wish: True})[1].kept == 7


def test_a_log_that_fails_when_it_is_checked_again_has_one_row(shelf: Path, tmp_path: Path) -> None:
    """Its row then stands under the date of its file, in another month."""

    def failing(jobs: Iterable[Job]) -> Iterator[Outcome]:
        yield from (failed(job, "it hangs") for job in jobs)

    filled(shelf, tmp_path / "archive")
    archive, tally = filled(shelf, tmp_path / "archive", failing, pages=True)
    assert (tally.failed, len(archive.rows()), len(archive.findings())) == (6, 6, 0)


def test_a_log_that_cannot_be_read_costs_its_own_row(shelf: Path, tmp_path: Path) -> None:
    drives = shelf / "Hazel" / "drives"
    (drives / "torn.log").write_bytes(bytes(range(256)))
    (drives / "empty.log").write_bytes(b"")
    (drives / "notes.txt").write_text("bought a resistor", encoding="utf-8")
    archive, tally = filled(shelf, tmp_path / "archive")
    assert (tally.checked, tally.failed, len(tally.other_files)) == (6, 2, 1)
    lost = archive.rows().query("status == 'failed'")
    assert all(name in reason for (name,), reason in zip(lost.logs, lost.reason, strict=True))
    assert filled(shelf, tmp_path / "archive")[1].kept == 8  # and is not tried again
    assert filled(shelf, tmp_path / "archive", again=True)[1].failed == 2


def test_a_log_without_a_vehicle_file_says_so(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    write_log(tmp_path / "logs" / "a.log", 0)
    archive, _ = filled(tmp_path / "logs", tmp_path / "archive")
    assert "no vehicle.toml" in archive.rows().reason[0]


def test_a_log_that_grows_while_it_is_read_is_done_by_the_next_run(shelf: Path, tmp_path: Path) -> None:
    growing = shelf / "Hazel" / "drives" / "1.log"

    def grow(jobs: Iterable[Job]) -> Iterator[Outcome]:
        for job in jobs:
            if job.logs[0].name == str(growing):
                write_log(growing, 1, 0x1001, frames=30)
            yield from in_this_process([job])

    archive, tally = filled(shelf, tmp_path / "archive", grow)
    assert (tally.checked, tally.failed) == (5, 1)
    assert archive.rows().query("status == 'changed'").reason.str.contains("changed while it was read").all()
    archive, tally = filled(shelf, tmp_path / "archive")
    assert (tally.checked, tally.kept) == (1, 5)
    assert contents(archive) == contents(filled(shelf, tmp_path / "fresh")[0])


class _Cut(BaseException):
    """The power goes."""


def test_a_run_cut_at_any_write_leaves_a_readable_archive_and_the_next_completes_it(
    shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the cut nothing more happens on the disk: what was being written stays, under its other name."""
    whole = contents(filled(shelf, tmp_path / "whole", signals=True)[0])
    replace, unlink = os.replace, Path.unlink
    count = sum(1 for _ in (tmp_path / "whole").rglob("*.parquet"))
    for at in range(1, count, 3):
        place = tmp_path / f"cut {at}"
        left = [at]

        def cut(source: Path, target: Path, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise _Cut
            replace(source, target)

        monkeypatch.setattr(logscope.files.os, "replace", cut)
        monkeypatch.setattr(
            Path, "unlink", lambda path, missing_ok=False, left=left: unlink(path, missing_ok) if left[0] >= 0 else None
        )
        with pytest.raises(_Cut):
            filled(shelf, place, signals=True)
        monkeypatch.undo()
        rows = logscope.open_archive(place).rows()
        assert rows.key.is_unique
        archive, tally = filled(shelf, place, signals=True)
        assert tally.kept == len(rows)
        assert contents(archive) == whole
        assert not list(place.rglob(".logscope-*"))


def test_a_full_disk_stops_the_run_with_a_reason_and_the_next_continues(
    shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = parquet.write_table
    left = [7]

    def full(*arguments, **options) -> None:  # type: ignore[no-untyped-def]
        left[0] -= 1
        if left[0] < 0:
            raise OSError(28, "No space left on device")
        write(*arguments, **options)

    monkeypatch.setattr(parquet, "write_table", full)
    with pytest.raises(RequestError, match="No space left"):
        filled(shelf, tmp_path / "archive")
    monkeypatch.undo()
    assert contents(filled(shelf, tmp_path / "archive")[0]) == contents(filled(shelf, tmp_path / "fresh")[0])


def test_the_tables_open_in_pandas_by_themselves_with_units_and_version_in_the_schema(
    shelf: Path, tmp_path: Path
) -> None:
    """pandas and pyarrow as readers that know nothing of us."""
    archive, _ = filled(shelf, tmp_path / "archive", signals=True)
    for table, columns in TABLES.items():
        if not list((tmp_path / "archive" / table).rglob("*.parquet")):
            continue
        read = pd.read_parquet(tmp_path / "archive" / table)
        assert {column.name for column in columns} <= set(read.columns)
        assert {"vehicle", "month"} <= set(read.columns)
        metadata = dataset.dataset(tmp_path / "archive" / table, partitioning="hive").schema.metadata
        assert metadata[b"schema"] == str(VERSION).encode()
    assert set(archive.rows().month) == {"2026-03", "2026-04"}


def test_names_of_vehicles_may_hold_anything(tmp_path: Path) -> None:
    from small_shelf import write_vehicle

    name = 'Hazel / 2: the „blue" one.'
    write_vehicle(tmp_path / "logs", "x")
    (tmp_path / "logs" / "vehicle.toml").write_text(
        (tmp_path / "logs" / "vehicle.toml").read_text(encoding="utf-8").replace('"x"', f"'{name}'"), encoding="utf-8"
    )
    write_log(tmp_path / "logs" / "a.log", 0)
    archive, _ = filled(tmp_path / "logs", tmp_path / "archive")
    assert list(archive.rows().vehicle) == [name]


def test_a_folder_of_other_files_is_no_place_for_an_archive(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(RequestError, match="of no archive"):
        open_or_create(tmp_path)
    with pytest.raises(RequestError, match="no archive"):
        logscope.open_archive(tmp_path)


def test_an_archive_of_another_version_is_not_added_to(tmp_path: Path) -> None:
    archive = open_or_create(tmp_path / "archive")
    (archive.folder / "_logscope.json").write_text('{"archive": 99}', encoding="utf-8")
    with pytest.raises(RequestError, match="another version"):
        open_or_create(tmp_path / "archive")


def test_an_archive_among_the_logs_is_passed_over(shelf: Path) -> None:
    filled(shelf, shelf / "archive")
    archive, tally = filled(shelf, shelf / "archive")
    assert isinstance(archive, Archive)
    assert (tally.found, tally.kept, tally.other_files) == (6, 6, [])


def test_two_runs_at_once_on_one_archive_are_refused_and_a_lock_left_behind_holds_nobody(
    shelf: Path, tmp_path: Path
) -> None:
    def second(jobs: Iterable[Job]) -> Iterator[Outcome]:
        with pytest.raises(RequestError, match="another run is filling"):
            filled(shelf, tmp_path / "archive")
        return in_this_process(jobs)

    assert filled(shelf, tmp_path / "archive", second)[1].checked == 6
    assert (tmp_path / "archive" / "_lock").exists()
    assert filled(shelf, tmp_path / "archive")[1].kept == 6


def test_a_recording_is_present_where_all_of_its_logs_are() -> None:
    rows = [{"key": name, "log_keys": list(name)} for name in ("ab", "ac", "b", "c")]
    shelf = SimpleNamespace(archive=SimpleNamespace(known=lambda: rows), logs={"a": None, "b": None})
    assert [row["key"] for row in _present(cast(Shelf, shelf))] == ["ab", "b"]
