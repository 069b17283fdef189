"""The recorder without its threads: how it opens, what it writes and says, and how it ends; by hand."""

from __future__ import annotations

import errno
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from recorded_frames import START, S, frames

from logscope.errors import RequestError
from logscope.recording import recorder as recorders
from logscope.recording.clock import RecordingClock
from logscope.recording.drive_file import DriveFile
from logscope.recording.port import CanBatch, Port, UnpluggedError
from logscope.recording.recorder import BY_TIME, BY_USER, Recorder, Request, SourceStatus, refuse_used
from logscope.recording.serial_port import SerialPort
from logscope.recording.source import Outage
from logscope.recording.specs import CanSpec, SerialSpec

# -- the recorder, without its threads --------------------------------------------------------------


class Quiet:
    """A port that gives nothing."""

    stamps, listening = "made", "quiet"

    def __init__(self) -> None:
        self.closed = 0

    def read(self) -> None:
        return None

    def close(self) -> None:
        self.closed += 1


def recorder_of(folder: Path, *, blf: bool = False, **keys: Any) -> Recorder:
    """A recorder of one bus with its files made, whose threads do not run."""
    clock = RecordingClock(lambda: 7 * S, lambda: START)
    request = Request([CanSpec("can0", "virtual", "x")], [], folder, "v.toml", blf)
    made = Recorder(request, clock, {"can0": lambda: cast(Port, Quiet())}, **keys)
    folder.mkdir()
    made._writers = made._make_writers()
    made._drive = DriveFile(folder)
    made.description = made._describe()
    return made


def described(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "drive.toml").read_text(encoding="utf-8"))


def test_all_that_has_arrived_is_written_before_the_end(tmp_path: Path) -> None:
    told: list[int] = []
    made = recorder_of(tmp_path / "d", listener=lambda arrived: told.append(len(arrived)))
    made._intake.put(0, CanBatch(frames(START)))
    made._intake.put(0, CanBatch(frames(START + S)))
    made._intake.lost[0] = 9
    made._end(BY_TIME)
    made._end(BY_USER)  # the first reason holds
    made._write()
    assert (made.reason, told) == (BY_TIME, [2])
    assert (tmp_path / "d" / "can0-001.log").read_text(encoding="utf-8").count("\n") == 2
    found = described(tmp_path / "d")
    assert (found["ended"], found["source"][0]["lost_in_queue"], found["vehicle"]) == (BY_TIME, 9, "v.toml")
    assert found["source"][0]["files"] == ["can0-001.log"]
    assert sorted(path.name for path in (tmp_path / "d").iterdir()) == ["can0-001.log", "drive.toml"]  # no room held
    assert made.written_bytes == 2 * len("(1700000000.000000) can0 01A#05\n")


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (OSError(errno.ENOSPC, "No space"), "the disk is full"),
        (OSError(errno.EDQUOT, "Quota"), "the disk is full"),
        (OSError(errno.EIO, "Input/output error"), "a file could not be written (Input/output error)"),
        (KeyError("x"), "of a defect of logscope while writing (KeyError: 'x')"),
    ],
)
def test_writing_that_fails_ends_the_recording_with_its_reason(tmp_path: Path, error: Exception, reason: str) -> None:
    made = recorder_of(tmp_path / "d")

    def fails(_: object) -> None:
        raise error

    made._writers[0].write = fails  # type: ignore[method-assign]
    made._intake.put(0, CanBatch(frames(START)))
    made._write()
    assert made.reason == reason
    assert (made.ended.is_set(), made.sources[0]._stopping.is_set()) == (True, True)
    assert described(tmp_path / "d")["ended"] == reason


def test_a_recording_that_ends_as_asked_stops_its_sources_itself(tmp_path: Path) -> None:
    made = recorder_of(tmp_path / "d")
    made._end(BY_USER)
    made._write()
    assert not made.sources[0]._stopping.is_set()
    assert (made._reason, made.reason) == (BY_USER, BY_USER)


@pytest.mark.parametrize(
    ("last", "number", "raised"),
    [(False, errno.ENOSPC, False), (False, errno.EIO, True), (True, errno.EIO, False)],
)
def test_a_description_that_finds_no_room_leaves_the_former_one(
    tmp_path: Path, last: bool, number: int, raised: bool
) -> None:
    made = recorder_of(tmp_path / "d")

    def fails(_: object) -> None:
        raise OSError(number, "no")

    made._drive = cast(Any, SimpleNamespace(write=fails, finish=fails))
    if raised:
        with pytest.raises(OSError, match="no"):
            made._save(last=last)
    else:
        made._save(last=last)


def test_how_a_source_stands(tmp_path: Path) -> None:
    made = recorder_of(tmp_path / "d")
    account = made.sources[0].account
    account.frames, account.error_frames, account.lost_in_driver, account.bytes = 30, 2, 4, 7
    made._intake.lost[0] = 5
    assert made.status() == [SourceStatus("can0", False, 30, 2, 9, "")]
    account.frames = 0
    account.outages.append(Outage(1, None, "gone"))
    made.description.sources[0].form = "lines"
    assert made.status() == [SourceStatus("can0", True, 7, 2, 9, "gone")]


def test_events_and_notes_have_their_moment(tmp_path: Path) -> None:
    moments = iter([0, 2 * S, 5 * S, 6 * S])
    made = recorder_of(tmp_path / "d")
    made.clock = cast(Any, SimpleNamespace(start_ns=START, now_ns=lambda: START + next(moments)))
    assert made.elapsed_s == 0.0
    assert made.mark_event() == 5.0
    made.note("hm")
    assert (made.description.events, made.description.notes) == ([START + 2 * S], [(START + 6 * S, "hm")])


@pytest.mark.parametrize(
    ("blf", "record", "forms"), [(False, False, ["candump", "lines"]), (True, True, ["blf", "bytes"])]
)
def test_each_source_is_written_in_its_form(tmp_path: Path, blf: bool, record: bool, forms: list[str]) -> None:
    shape, kind = ('[record]\nsync = "A5"\n', 'type = "u8"\n') if record else ("[pairs]\n", "")
    definition = tmp_path / "c.toml"
    definition.write_text(
        f'[console]\nname = "C"\n{shape}[time]\nrate_Hz = 1\n[[signal]]\nname = "x"\n{kind}', encoding="utf-8"
    )
    consoles = [SerialSpec("c", "COM4", 9600, definition)]
    request = Request([CanSpec("can0", "virtual", "x")], consoles, tmp_path / "d", blf=blf)
    ports: dict[str, Callable[[], Port]] = {name: lambda: cast(Port, Quiet()) for name in ("can0", "c")}
    made = Recorder(request, None, ports)
    made._writers = made._make_writers()
    sources = made._describe().sources
    assert [(each.name, each.form, each.given, each.definition) for each in sources] == [
        ("can0", forms[0], "virtual:x", ""), ("c", forms[1], "COM4@9600", "c.toml"),
    ]  # fmt: skip
    assert [(each.stamps, each.listening) for each in sources] == [("made", "quiet")] * 2
    assert request.given == ["virtual:x", "COM4@9600"]


class Asked(SerialPort):
    """A serial port that keeps what it is asked, or is gone."""

    def __init__(self, gone: str = "") -> None:
        self.asked, self.gone = [], gone

    def ask_once(self, text: bytes) -> None:
        if self.gone:
            raise UnpluggedError(self.gone)
        self.asked.append(text)


def test_each_console_is_asked_once_what_is_to_be_sent_to_it(tmp_path: Path) -> None:
    made = recorder_of(tmp_path / "d")
    texts = {"a": b"start\r\n", "b": b"", "c": b"go\r\n"}
    consoles = [SerialSpec(name, "COM4", 9600, tmp_path, text) for name, text in texts.items()]
    made._request = Request([], consoles, tmp_path)
    made.sources = [cast(Any, SimpleNamespace(name=name)) for name in ("can0", "a", "b", "c", "d")]
    first, silent, gone, other = Asked(), Asked(), Asked("no device"), Asked()
    made._ports = cast(Any, [Quiet(), first, silent, gone, other])
    made._ask_consoles()
    assert (first.asked, silent.asked, other.asked) == ([b"start\r\n"], [], [])
    assert [text for _, text in made.description.notes] == [
        "sent once to a: start", "nothing could be sent to c: no device",
    ]  # fmt: skip


def test_ports_that_were_opened_are_closed_where_another_cannot_be(tmp_path: Path) -> None:
    first = Quiet()

    def fails() -> Port:
        raise RequestError("no")

    request = Request([CanSpec("a", "virtual", "x"), CanSpec("b", "virtual", "y")], [], tmp_path / "d")
    with pytest.raises(RequestError, match="no"):
        Recorder(request, None, {"a": lambda: cast(Port, first), "b": fails})
    assert first.closed == 1


def test_a_folder_that_cannot_be_made_is_refused_and_the_ports_closed(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    port = Quiet()
    request = Request([CanSpec("can0", "virtual", "x")], [], tmp_path / "file" / "d")
    made = Recorder(request, None, {"can0": lambda: cast(Port, port)})
    with pytest.raises(RequestError, match=r"cannot write into the folder \(.+\)\. Name another\."):
        made.start()
    assert port.closed == 1


def test_every_source_is_asked_to_stop_before_any_is_waited_for(tmp_path: Path) -> None:
    made = recorder_of(tmp_path / "d")
    calls: list[str] = []

    def source(name: str) -> Any:
        return SimpleNamespace(
            ask_to_stop=lambda: calls.append(f"ask {name}"), wait=lambda: calls.append(f"wait {name}")
        )

    made.sources = [source("a"), source("b")]
    made._thread = cast(Any, SimpleNamespace(join=lambda: calls.append(f"join {made.ended.is_set()}")))
    made.stop()
    assert calls == ["ask a", "ask b", "wait a", "wait b", "join True"]
    assert made.reason == BY_USER


def test_only_an_empty_or_new_folder_is_recorded_into(tmp_path: Path) -> None:
    refuse_used(tmp_path / "new")
    refuse_used(tmp_path)
    (tmp_path / "x").write_bytes(b"")
    with pytest.raises(RequestError, match="this folder is not empty, and a recording never replaces another"):
        refuse_used(tmp_path)
    with pytest.raises(RequestError, match="this is a file, not a folder"):
        refuse_used(tmp_path / "x")


def test_sockets_of_the_system_are_read_directly_where_that_is_possible(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    monkeypatch.setattr(recorders, "open_socketcan", lambda spec, clock: opened.append("socket"))
    monkeypatch.setattr(recorders, "open_can", lambda spec, clock: opened.append("python-can"))
    for possible in (True, False):
        monkeypatch.setattr(recorders, "is_possible", lambda possible=possible: possible)
        for interface in ("socketcan", "slcan"):
            recorders._can_opener(CanSpec("can0", interface, "can0", 5), RecordingClock())()
    assert opened == ["socket", "python-can", "python-can", "python-can"]
