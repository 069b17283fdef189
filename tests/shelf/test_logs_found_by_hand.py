"""Logs in folders, their keys and contents: what is a log, which vehicle file serves it, what makes two the same."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from bus_frames import Frame, columns
from small_shelf import write_log, write_vehicle

from logscope.capture.frames import Block, Flag
from logscope.errors import LogError, RequestError
from logscope.shelf import contents, find, keys, places
from logscope.shelf.contents import Contents
from logscope.shelf.find import Found, Search
from logscope.vehicle import load_vehicle


@pytest.mark.parametrize(
    ("name", "none", "log"),
    [
        ("a.log", False, True), ("A.LOG", False, True), ("a.log.gz", False, True), ("a.mf4.XZ", False, True),
        ("a.asc", False, True), ("a.blf", False, True), ("a.trc.zip", False, True), ("a.gz", False, False),
        ("a.csv", False, False), ("log", False, False), ("a.log.txt", False, False), (".a.log", True, True),
        ("vehicle.toml", True, False), ("x.DBC", True, False), ("a.html", True, False), ("a.json", True, False),
        ("a.parquet", True, False), ("a.toml.log", False, True),
    ],
)  # fmt: skip
def test_names_say_what_is_meant_as_a_log_and_what_is_ours(name: str, none: bool, log: bool) -> None:
    assert find._is_none(name) is none
    assert find._is_log_name(name) is log
    assert find._is_log_name(os.path.join("x.csv", name)) is log


def found_in(
    place: Path, *named: str, vehicle: Path | None = None, notes: Path | None = None
) -> tuple[list[Found], Search]:
    search = Search(vehicle, notes)
    return list(search.logs([str(place / name) for name in named] or [str(place)])), search


def names(found: Sequence[Found], place: Path) -> list[str]:
    return [Path(each.log).relative_to(place).as_posix() for each in found]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Logs of two vehicles, one below the other, and what is no log."""
    write_vehicle(tmp_path / "cars", "Hazel")
    write_vehicle(tmp_path / "cars" / "b", "Rowan")
    for name in ("cars/2.log", "cars/1.log", "cars/b/deep/3.log", "cars/.hidden/4.log", "cars/.5.log", "stray.log"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        write_log(tmp_path / name, 1)
    (tmp_path / "cars" / "torn.log").write_bytes(bytes(range(256)))
    (tmp_path / "cars" / "list.txt").write_text("resistor, screen", encoding="utf-8")
    (tmp_path / "cars" / "archive").mkdir()
    (tmp_path / "cars" / "archive" / "_logscope.json").write_text("{}", encoding="utf-8")
    write_log(tmp_path / "cars" / "archive" / "6.log", 1)
    return tmp_path


def test_logs_come_in_order_each_with_the_nearest_vehicle_file_above(place: Path) -> None:
    found, search = found_in(place / "cars")
    assert names(found, place / "cars") == ["1.log", "2.log", "torn.log", "b/deep/3.log"]
    hazel, rowan = (place / "cars" / "vehicle.toml").resolve(), (place / "cars" / "b" / "vehicle.toml").resolve()
    assert [each.vehicle for each in found] == [hazel, hazel, hazel, rowan]
    assert [bool(each.refused) for each in found] == [False, False, True, False]
    assert "torn.log" in found[2].refused
    assert search.other_files == [str(place / "cars" / "list.txt")]


def test_each_log_is_found_once_and_one_that_was_named_is_meant(place: Path) -> None:
    found, search = found_in(place / "cars", "b/deep/3.log", "b", "b/deep/../deep/3.log", "list.txt")
    assert [Path(each.log).name for each in found] == ["3.log", "list.txt"]
    assert found[1].refused
    assert search.other_files == []


def test_notes_are_no_log_and_one_vehicle_file_may_serve_all(place: Path) -> None:
    own = place / "cars" / "b" / "vehicle.toml"
    found, _ = found_in(place, "cars", "stray.log", vehicle=own, notes=place / "cars" / "1.log")
    assert names(found, place) == ["cars/2.log", "cars/torn.log", "cars/b/deep/3.log", "stray.log"]
    assert {each.vehicle for each in found} == {own}


def test_without_or_with_a_bad_vehicle_file_it_is_said(place: Path) -> None:
    ((only,), _) = found_in(place, "stray.log")
    assert (only.vehicle, only.refused) == (
        None, "no vehicle.toml lies beside or above this log. Write one, or name it with --vehicle.",
    )  # fmt: skip
    (place / "cars" / "vehicle.toml").write_text("[vehicle]\nnam = 3\n", encoding="utf-8")
    ((only,), search) = found_in(place / "cars", "1.log")
    assert only.vehicle == (place / "cars" / "vehicle.toml").resolve()
    assert "vehicle.toml" in only.refused
    assert search.vehicle_at(only.vehicle) is search.vehicle_at(only.vehicle)  # read once
    assert search.vehicle_at(only.vehicle)[0] is None
    with pytest.raises(RequestError, match="no such file or folder"):
        found_in(place, "absent")


def frames(count: int, period_s: float = 0.1, different: int = 1000, identifier: int = 0x100) -> list[Frame]:
    """Frames of so many different payloads."""
    return [Frame(period_s * k, identifier, (k % different).to_bytes(3, "big"), 0) for k in range(count)]


def contents_of(*blocks: list[Frame]) -> Contents:
    found = Contents()
    made = [Block(columns(each)) for each in blocks]
    assert list(found.watched(made)) == made
    return found


def test_equal_frames_have_one_digest_however_they_are_cut_and_timed() -> None:
    drive = frames(300)
    whole = contents_of(drive)
    assert len(whole.digest) == 24
    assert contents_of(drive[:1], drive[1:250], drive[250:]).digest == whole.digest
    assert contents_of(frames(300, 0.1001)).digest == whole.digest
    assert contents_of(drive[:299]).digest != whole.digest
    assert contents_of(drive[::-1]).digest != whole.digest
    assert contents_of(frames(300, identifier=0x101)).digest != whole.digest
    longer = [Frame(each.time_s, each.identifier, each.data + b"\0", 0) for each in drive]
    assert contents_of(longer).digest != whole.digest


@pytest.mark.parametrize(("different", "empty"), [(99, True), (100, False)])
def test_a_log_in_which_next_to_nothing_moves_has_no_digest(different: int, empty: bool) -> None:
    assert (contents_of(frames(500, different=different)).digest == "") is empty


def test_the_digest_is_of_the_first_data_frames_and_the_identifiers_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents, "_FRAMES", 150)
    drive = frames(152)
    first = contents_of(drive[:150]).digest
    assert contents_of(drive).digest == first
    assert contents_of(drive[:149]).digest != first
    assert contents_of(drive[:90], drive[90:], frames(5, identifier=0x7)).digest == first
    other = [
        Frame(2000.0, 0x200, b"", Flag.REMOTE),
        Frame(2000.1, 0x300, b"\1", Flag.ERROR),
        Frame(2000.2, 0x50, b"\1", 0),
    ]
    found = contents_of(drive, other)
    assert found.identifiers == {0x100, 0x50}
    assert found.digest == first
    assert contents_of(other[:2], drive).digest == first


def test_the_key_of_a_file_is_that_of_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: SHA-256 of “abc”
    assert keys.file_content(path).hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert keys.combined_key([b"a", b"b"]) == keys.combined_key([b"ab"]) != keys.combined_key([b"b", b"a"])
    assert keys.combined_key([]) != keys.combined_key([b"a"])
    assert len(keys.combined_key([])) == 64
    assert len(keys.checks_version()) == 12
    assert keys.combined_key([]) != hashlib.sha256().hexdigest()  # of this version of the checks


def test_the_mapping_of_a_vehicle_is_its_signals_and_definitions_alone(tmp_path: Path) -> None:
    write_vehicle(tmp_path, "Hazel")
    path = tmp_path / "vehicle.toml"
    text = path.read_text(encoding="utf-8")
    first = keys.mapping_version(load_vehicle(path))
    assert len(first) == 12
    path.write_text(text.replace("Hazel", "Rowan") + "\n[precharge]\nresistance_ohm = 47\n", encoding="utf-8")
    assert keys.mapping_version(load_vehicle(path)) == first
    path.write_text(text.replace('motor_speed = "Link.Speed"', ""), encoding="utf-8")
    assert keys.mapping_version(load_vehicle(path)) != first
    (tmp_path / "small.dbc").rename(tmp_path / "other.dbc")
    path.write_text(text.replace("small.dbc", "other.dbc"), encoding="utf-8")
    assert keys.mapping_version(load_vehicle(path)) == first  # by content, not by name
    with (tmp_path / "other.dbc").open("a", encoding="utf-8") as file:
        file.write("\n")
    assert keys.mapping_version(load_vehicle(path)) != first


@pytest.mark.parametrize(
    ("system", "environment", "below"),
    [
        ("win32", {"LOCALAPPDATA": "/base"}, "/base/logscope/Cache"),
        ("win32", {}, "/home/x/AppData/Local/logscope/Cache"),
        ("darwin", {}, "/home/x/Library/Caches/logscope"), ("linux", {"XDG_CACHE_HOME": "/base"}, "/base/logscope"),
        ("linux", {}, "/home/x/.cache/logscope"), ("linux", {"XDG_CACHE_HOME": ""}, "/home/x/.cache/logscope"),
    ],
)  # fmt: skip
def test_each_system_has_its_place_for_what_can_be_made_again(
    system: str, environment: dict[str, str], below: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8; Apple's and Microsoft's names from memory."""
    monkeypatch.setattr(sys, "platform", system)
    for name in ("LOCALAPPDATA", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(Path, "home", lambda: Path("/home/x"))
    assert keys.cache_folder() == Path(below)


NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        ({"LastModified": NOON, "created": 1.0}, NOON), ({"last_modified": "2026-03-01T12:00:00+00:00"}, NOON),
        ({"mtime": NOON.timestamp()}, NOON), ({"mtime": round(NOON.timestamp())}, NOON),
        ({"updated": datetime(2026, 3, 1, 12)}, NOON), ({"created": "2026-03-01T13:00:00+01:00"}, NOON),
        ({"LastModified": None, "mtime": 3600}, datetime(1970, 1, 1, 1, tzinfo=UTC)),
        ({"updated": 5, "created": 9}, datetime(1970, 1, 1, 0, 0, 5, tzinfo=UTC)),
        ({"last_modified": NOON.astimezone(timezone(timedelta(hours=2)))}, NOON),
        ({}, datetime(1970, 1, 1, tzinfo=UTC)),
    ],
)  # fmt: skip
def test_stores_say_in_many_ways_when_a_file_changed(known: dict[str, object], expected: datetime) -> None:
    assert places._modified(known) == expected


@pytest.mark.parametrize(
    ("given", "name", "remote"),
    [
        ("s3://a/b", "s3://a/b", True), ("s3:/a/b", "s3://a/b", True), ("gs+x://a", "gs+x://a", True),
        ("C:/a/b", "C:/a/b", False), ("c:\\a", "c:\\a", False), ("a.log", "a.log", False), ("/a/b", "/a/b", False),
        ("s3:\\a\\b", "s3://a/b", True),
        ("s3://a/my%20log", "s3://a/my%20log", True),
    ],
)  # fmt: skip
def test_a_url_is_whole_again_after_a_path(given: str, name: str, remote: bool) -> None:
    assert places.name_of(given) == name
    assert places.is_remote(places.name_of(given)) is remote


def test_a_file_of_this_machine_is_its_own_copy_with_size_and_time(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(b"abc")
    os.utime(path, (1.0, NOON.timestamp()))
    assert places.stamp_of(str(path)) == (3, NOON)
    assert places.stamp_of(str(tmp_path / "gone.log")) is None
    assert places.fetched(str(path), tmp_path / "copies") == path
    assert not (tmp_path / "copies").exists()


def test_a_log_elsewhere_is_fetched_under_its_own_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Store:
        def info(self, path: str) -> dict[str, object]:
            if path != "logs/b.log":
                raise FileNotFoundError(path)
            return {"size": 7, "mtime": NOON.timestamp()}

        def open(self, path: str, mode: str):  # type: ignore[no-untyped-def]
            self.info(path)
            (tmp_path / "source").write_bytes(b"content")
            return (tmp_path / "source").open(mode)

    monkeypatch.setattr(places, "store_of", lambda name: (Store(), name.removeprefix("x9://")))
    assert places.stamp_of("x9://logs/b.log") == (7, NOON)
    assert places.stamp_of("x9://logs/c.log") is None
    copy = places.fetched("x9://logs/b.log", tmp_path / "new" / "place")
    assert copy == tmp_path / "new" / "place" / "b.log"
    assert copy.read_bytes() == b"content"
    with pytest.raises(LogError, match="cannot be fetched"):
        places.fetched("x9://logs/c.log", tmp_path)


class _Shelf:
    """A store with a folder of three files."""

    def exists(self, path: str) -> bool:
        return path.startswith("logs")

    def isdir(self, path: str) -> bool:
        return path == "logs"

    def find(self, path: str) -> list[str]:
        return ["logs/b.log.gz", "logs/a.log", "logs/list.txt"]

    def unstrip_protocol(self, path: str) -> str:
        return f"x9://{path}"


def test_logs_elsewhere_are_found_by_their_names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "store_of", lambda name: (_Shelf(), name.removeprefix("x9://")))
    own = Path("v.toml")
    search = Search(own)
    assert list(search.logs(["x9://logs", "x9://logs/a.log"])) == [
        Found("x9://logs/a.log", own), Found("x9://logs/b.log.gz", own)
    ]  # fmt: skip
    assert search.other_files == ["x9://logs/list.txt"]
    assert list(Search(own).logs(["x9://logs/list.txt"])) == [Found("x9://logs/list.txt", own)]  # named, so meant
    with pytest.raises(RequestError, match="nothing at this URL"):
        list(Search(own).logs(["x9://absent"]))
    with pytest.raises(RequestError, match="need --vehicle"):
        list(Search().logs(["x9://logs"]))


def test_a_file_url_is_the_path_that_it_was_made_of(tmp_path: Path) -> None:
    """By pathlib's own URLs: a space is %20 there."""
    path = tmp_path / "my drive" / "ä.log"
    assert Path(places.name_of(path.as_uri())) == path
