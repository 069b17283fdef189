"""What of a shelf is done already, is outdated or renamed, by tables of made rows; and how jobs are made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from made_records import START, archive_of, job, log, outcome, row
from small_shelf import write_log, write_vehicle

from logscope.shelf.archive import Archive
from logscope.shelf.fill import Shelf, Tally, Wishes, _bundle, _content, _keep, _place, fill
from logscope.shelf.find import Found, Search
from logscope.shelf.job import Job, Outcome, failed
from logscope.shelf.keys import combined_key, file_content


def shelf_of(folder: Path, *rows: Any, **wishes: Any) -> Shelf:
    return Shelf(archive_of(folder, *map(outcome, rows)), Search(), Wishes(**wishes))


@pytest.mark.parametrize(
    ("status", "wishes", "files", "done"),
    [
        ("checked", {}, [], True), ("checked", {"again": True}, [], True), ("changed", {}, [], False),
        ("failed", {}, [], True), ("failed", {"again": True}, [], False), ("failed", {"pages": True}, [], True),
        ("checked", {"pages": True}, [], False), ("checked", {"pages": True}, ["page"], True),
        ("checked", {"pages": True}, ["samples"], False), ("checked", {"signals": True}, ["samples"], True),
        ("checked", {"signals": True}, ["page"], False), ("checked", {"signals": True, "pages": True}, ["page"], False),
        ("checked", {"signals": True, "pages": True}, ["page", "samples"], True),
    ],
)  # fmt: skip
def test_a_log_is_done_where_all_that_is_wanted_of_it_is_there(
    status: str, wishes: dict[str, bool], files: list[str], done: bool, tmp_path: Path
) -> None:
    shelf = shelf_of(tmp_path, row("a", status=status), **wishes)
    for file, path in (("page", shelf.archive.report("a")), ("samples", shelf.archive.samples_file(shelf.known[0]))):
        if file in files:
            path.parent.mkdir(parents=True)
            path.write_bytes(b"x")
    assert shelf._is_done("a") is done
    assert not shelf._is_done("unknown")


def test_rows_of_logs_with_another_content_are_outdated(tmp_path: Path) -> None:
    rows = [
        row("same"), row("changed"), row("gone"),
        row("two", logs=["drives/x.log", "drives/y.log"], log_keys=["x", "y"]),
        row("both", logs=["drives/x.log", "drives/z.log"], log_keys=["x", "z"]),
    ]  # fmt: skip
    shelf = shelf_of(tmp_path, *rows)
    shelf.keys = {f"drives/{name}.log": name for name in ("same", "x", "y")} | {
        "drives/changed.log": "new", "drives/z.log": "z2",
    }  # fmt: skip
    shelf.logs = {key: log(key=key) for key in shelf.keys.values()}
    assert sorted(each["key"] for each in shelf.outdated()) == ["both", "changed"]
    assert set(shelf.former) == {"same", "changed", "gone", "x", "y", "z"}
    assert shelf.former["z"]["key"] == "both"


def test_a_row_is_renamed_where_its_logs_have_other_names_alone(tmp_path: Path) -> None:
    rows = [
        row("a"), row("moved"), row("gone"), row("torn", status="failed"),
        row("two", logs=["drives/x.log", "drives/y.log"], log_keys=["x", "y"]),
    ]  # fmt: skip
    shelf = shelf_of(tmp_path, *rows)
    shelf.keys = {"drives/a.log": "a", "copy of a.log": "a", "new.log": "moved", "drives/x.log": "x", "y2.log": "y",
                  "drives/moved.log": "another", "torn 2.log": "torn"}  # fmt: skip
    shelf.logs = {key: log(name, key) for name, key in reversed(shelf.keys.items())}
    found = {each["key"]: names for each, names in shelf.renamed()}
    assert found == {"moved": ["new.log"], "two": ["drives/x.log", "y2.log"]}


@pytest.mark.parametrize(
    ("change", "stays"),
    [({}, True), ({"key": "ab"}, False), ({"status": "failed"}, False), ({"date": START.replace(month=4)}, False),
     ({"date": START.replace(day=30)}, True), ({"severity": "danger"}, True)],
)  # fmt: skip
def test_a_row_is_written_over_where_key_status_and_month_stay(change: dict[str, Any], stays: bool) -> None:
    assert (_place(row("a")) == _place(row("a") | change)) is stays


def test_an_outcome_replaces_the_former_row_and_is_counted(tmp_path: Path) -> None:
    shelf, tally = shelf_of(tmp_path, row("a"), row("b")), Tally()
    _keep(shelf, outcome(row("a", 40)), tally)
    _keep(shelf, failed(job(log("b.log")), "torn"), tally)
    _keep(shelf, outcome(row("c")), tally)
    assert (tally.checked, tally.failed, tally.kept) == (2, 1, 0)
    assert sorted((each["key"], each["month"], each["status"]) for each in shelf.archive.known()) == [
        ("a", "2026-04", "checked"), ("b", "2026-03", "failed"), ("c", "2026-03", "checked"),
    ]  # fmt: skip


def test_a_job_carries_what_is_asked_for(tmp_path: Path) -> None:
    write_vehicle(tmp_path / "car", "Hazel")
    write_log(tmp_path / "car" / "a.log", 1)
    vehicle = tmp_path / "car" / "vehicle.toml"
    asked = {"pages": True, "signals": False, "limit_s": 5.0, "memory_MB": 77.0}
    shelf = shelf_of(tmp_path / "archive", **asked)
    made = shelf.of([log()], vehicle)
    assert made == Job((log(),), made.vehicle, "Hazel", True, False, 5.0, 77.0, "")
    assert made.vehicle is not None
    assert (made.vehicle.path, made.vehicle.contents) == (str(vehicle), {})
    assert shelf.of([log()], vehicle, "no").refused == "no"
    assert shelf.of([log()], None, "no") == Job((log(),), None, "", refused="no")
    (tmp_path / "bad.toml").write_text("x", encoding="utf-8")
    assert shelf.of([log()], tmp_path / "bad.toml", "no") == Job((log(),), None, "", refused="no")
    found, of_log = shelf._job(Found(str(tmp_path / "car" / "a.log"), vehicle))
    digests = [file_content(tmp_path / "car" / name) for name in ("a.log", "vehicle.toml", "small.dbc")]
    assert found.key == combined_key(digests) == of_log.key
    assert (found.size, of_log.refused, _content(found.name)) == (
        (tmp_path / "car" / "a.log").stat().st_size,
        "",
        digests[0],
    )
    gone, of_gone = shelf._job(Found(str(tmp_path / "gone.log"), vehicle))
    assert (gone.size, gone.modified.year) == (0, 1970)
    assert of_gone.refused.startswith(f"{tmp_path / 'gone.log'}: the log cannot be read (No such file")
    assert shelf._job(Found(str(tmp_path / "gone.log"), vehicle, "torn"))[1].refused == "torn"
    portable = shelf_of(tmp_path / "other", portable=True).of([log()], vehicle)
    assert portable.vehicle is not None
    assert sorted(portable.vehicle.contents) == ["small.dbc", "vehicle.toml"]
    assert (portable.report, portable.signals, portable.limit_s, portable.memory_MB) == (False, False, 600.0, None)


def test_a_vehicle_file_is_bundled_by_paths_below_the_folder_of_all(tmp_path: Path) -> None:
    for name in ("cars/hazel.toml", "dbc/a/x.dbc"):
        (tmp_path / name).parent.mkdir(parents=True)
        (tmp_path / name).write_text(name, encoding="utf-8")
    found = _bundle([tmp_path / "cars" / "hazel.toml", tmp_path / "cars" / ".." / "dbc" / "a" / "x.dbc"])
    assert found.path == "cars/hazel.toml"
    assert found.contents == {name: name.encode() for name in ("cars/hazel.toml", "dbc/a/x.dbc")}


def test_a_run_counts_logs_that_are_new_kept_and_copies(tmp_path: Path) -> None:
    """The checks are replaced by rows of the logs' keys; a log that names itself torn fails."""
    write_vehicle(tmp_path / "car", "Hazel")
    for n, name in enumerate(("a", "b", "torn")):
        write_log(tmp_path / "car" / f"{name}.log", 40 * n)
    (tmp_path / "car" / "copy.log").write_bytes((tmp_path / "car" / "a.log").read_bytes())
    (tmp_path / "car" / "list.txt").write_text("no log", encoding="utf-8")
    jobs: list[list[str]] = []

    def engine(asked: Iterable[Job]) -> Iterator[Outcome]:
        jobs.append([])
        for each in asked:
            name = Path(each.logs[0].name).stem
            jobs[-1].append(name)
            fields = {"logs": [each.logs[0].name], "log_keys": [each.key]}
            yield (
                failed(each, "torn")
                if name == "torn"
                else Outcome(each, {"rows": [row(each.key, ord(name[0]), **fields)]})
            )

    seen: list[tuple[int, int]] = []

    def run(archive: Archive, **wishes: bool) -> Tally:
        return fill(archive, Search(), [str(tmp_path / "car")], engine, Wishes(**wishes), lambda *of: seen.append(of))

    archive = archive_of(tmp_path / "archive")
    first = run(archive)
    assert (first.found, first.kept, first.checked, first.failed) == (4, 1, 2, 1)
    assert first.other_files == [str(tmp_path / "car" / "list.txt")]
    assert first.keys == {each["key"] for each in archive.known()}
    assert len(first.keys) == 3
    assert seen == [(1, 4), (2, 4), (4, 4)]
    assert jobs == [["a", "b", "torn"], []]
    second = run(archive)
    assert (second.found, second.kept, second.checked, second.failed) == (4, 4, 0, 0)
    assert run(archive, again=True).failed == 1
    (tmp_path / "car" / "b.log").unlink()
    last = run(archive)
    assert (last.found, last.kept, len(last.keys), len(archive.known())) == (3, 3, 2, 3)


@pytest.mark.parametrize(("joint", "rows"), [("checked", [2]), ("failed", [1, 1])])
def test_logs_of_one_recording_become_one_row_where_their_joint_check_succeeds(
    joint: str, rows: list[int], tmp_path: Path
) -> None:
    """Two loggers side by side; then one of the logs changes, so that the other is checked by itself again, too."""
    write_vehicle(tmp_path / "car", "Hazel")
    for name, late_s in (("a", 0.0), ("b", 0.5)):
        write_log(tmp_path / "car" / f"{name}.log", 1, start_s=late_s)
    asked: list[list[str]] = []

    def engine(jobs: Iterable[Job]) -> Iterator[Outcome]:
        for each in jobs:
            asked.append(sorted(Path(log.name).name for log in each.logs))
            fields = {"logs": [log.name for log in each.logs], "log_keys": [log.key for log in each.logs]}
            if len(each.logs) > 1 and joint == "failed":
                yield failed(each, "too much")
            else:
                yield Outcome(each, {"rows": [row(each.key, **fields)]})

    archive = archive_of(tmp_path / "archive")

    def run() -> Tally:
        return fill(archive, Search(), [str(tmp_path / "car")], engine, Wishes(), lambda *of: None)

    first = run()
    assert (first.found, first.checked, first.failed, len(first.keys)) == (2, 2, 0, len(rows))
    assert sorted(len(each["logs"]) for each in archive.known()) == rows
    assert asked == [["a.log"], ["b.log"], ["a.log", "b.log"]]
    asked.clear()
    second = run()
    assert (second.kept, second.checked) == (2, 0)
    assert asked == ([] if joint == "checked" else [["a.log", "b.log"]])
    asked.clear()
    write_log(tmp_path / "car" / "b.log", 1, 0x2000, start_s=0.5)
    third = run()
    assert (third.found, third.kept, third.checked) == ((2, 0, 2) if joint == "checked" else (2, 1, 1))
    alone = [each for each in asked if len(each) == 1]
    assert sorted(alone) == ([["a.log"], ["b.log"]] if joint == "checked" else [["b.log"]])
    assert sorted(len(each["logs"]) for each in archive.known()) == rows
