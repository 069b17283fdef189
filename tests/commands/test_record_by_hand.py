"""What `logscope record` says and does around a recording: the recorder, the keys and the view are made by hand."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import typer
from bus_frames import Frame, columns

from logscope.commands import record
from logscope.errors import RequestError
from logscope.live.items import Lines, Now, Records
from logscope.outputs import HTML
from logscope.recording.keys import Key
from logscope.recording.port import CanBatch, SerialBatch
from logscope.recording.recorder import BY_TIME, BY_USER, Request, SourceStatus
from logscope.recording.specs import CanSpec, SerialSpec

OUT, V = Path("drive"), Path("v.toml")
CAN = CanSpec("can0", "socketcan", "can0", 500_000)
BARE = CanSpec("can1", "socketcan", "can1")
CONSOLE = SerialSpec("Debug", "/dev/ttyX", 115200, Path("d.toml"), b"json 1\n")


@pytest.mark.parametrize(
    ("status", "line"),
    [
        (SourceStatus("can0", False, 1234, 0, 0, ""), "can0: 1,234 frames, none lost"),
        (SourceStatus("can0", False, 9, 2, 3000, ""), "can0: 9 frames, 2 of them error frames, 3,000 lost"),
        (SourceStatus("Debug", True, 9, 0, 0, "it is gone"), "Debug: 9 bytes, none lost; unplugged: it is gone"),
    ],
)
def test_how_a_source_stands(status: SourceStatus, line: str) -> None:
    assert record._status_line(status) == line


@pytest.mark.parametrize(
    ("written", "elapsed_s", "free", "said"),
    [
        (1_000_000, 10.0, 360_000_000, "room for 1.0 h"),  # 0.1 MB/s
        (1_000_000, 10.0, 48 * 360_000_000, "room for 48.0 h"), (1_000_000, 10.0, 49 * 360_000_000, "room for days"),
        (100_000, 0.5, 360_000_000, "room for 1.0 h"),  # the first second counts as one
        (0, 10.0, 7200, "room for 2.0 h"),  # a byte a second at the lowest
    ],
)  # fmt: skip
def test_how_long_the_disk_has_room(written: int, elapsed_s: float, free: int, said: str) -> None:
    recorder: Any = SimpleNamespace(written_bytes=written, elapsed_s=elapsed_s, free_bytes=free)
    assert record._room(recorder) == said


class _Terminal:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def print(self, text: str, **how: object) -> None:
        assert (how["markup"], how["highlight"]) == (False, False)  # names from outside are text and no markup
        self.lines.append(text)


@pytest.mark.parametrize(
    ("reason", "why"), [(BY_USER, BY_USER), (BY_TIME, BY_TIME), ("the disk is full", "because the disk is full")]
)
def test_the_end_of_a_recording_is_said(reason: str, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    recorder: Any = SimpleNamespace(reason=reason, status=lambda: [SourceStatus("can0", False, 3, 0, 0, "")])
    console: Any = _Terminal()
    monkeypatch.setattr(import_module("logscope.live.screen"), "view_lines", lambda view: [(f"line of {view}", "")])
    last: Any = "view"
    record._conclude(console, recorder, OUT, last)
    assert console.lines.pop(0) == "line of view"
    assert console.lines == ["can0: 3 frames, none lost", f"Recording: drive (ended {why})"]


@pytest.mark.parametrize(
    ("send", "yes", "tty", "answer", "refusal"),
    [
        (b"", False, False, False, ""), (b"json 1\n", True, False, False, ""), (b"json 1\n", False, True, True, ""),
        (b"json 1\n", False, True, False, "nothing was recorded"),
        (b"json 1\n", False, False, True, "“json 1” would be sent to /dev/ttyX, once"),
    ],
)  # fmt: skip
def test_nothing_is_sent_without_a_yes(
    send: bytes, yes: bool, tty: bool, answer: bool, refusal: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record.sys, "stdin", SimpleNamespace(isatty=lambda: tty))
    monkeypatch.setattr(typer, "confirm", lambda text: answer)
    specs = [SerialSpec("Debug", "/dev/ttyX", 115200, Path("d.toml"), send)]
    if refusal:
        with pytest.raises(RequestError, match=refusal):
            record._confirm(specs, yes=yes)
    else:
        record._confirm(specs, yes=yes)


class _Recorder:
    """Notes what it is asked for. reason : of its end"""

    def __init__(self, reason: str = BY_USER) -> None:
        self.done: list[Any] = []
        self.ended, self.reason, self.sources = Event(), reason, []
        self.clock = SimpleNamespace(now_ns=lambda: 77)
        self.elapsed_s, self.written_bytes, self.free_bytes = 12.4, 3_450_000, 10**15

    def mark_event(self) -> None:
        self.done.append("event")

    def note(self, text: str) -> None:
        self.done.append(f"note {text}")

    def start(self) -> None:
        self.done.append("start")

    def stop(self, reason: str) -> None:
        self.done.append(f"stop {reason}")

    def status(self) -> list[SourceStatus]:
        return [SourceStatus("can0", False, 3, 0, 0, ""), SourceStatus("can1", False, 4, 0, 0, "")]


@pytest.mark.parametrize(
    ("asked", "done", "ends"),
    [
        ([], [], False), ([Key.EVENT, "bonded"], ["event", "note bonded"], False), ([Key.END, Key.EVENT], [], True),
        ([Key.EVENT, Key.END], ["event"], True),
    ],
)  # fmt: skip
def test_keys_are_obeyed(asked: list[Any], done: list[str], ends: bool) -> None:
    recorder: Any = _Recorder()
    keys: Any = SimpleNamespace(asked=lambda: asked)
    assert record._obey(keys, recorder) is ends
    assert recorder.done == done


@pytest.fixture
def no_screen(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Keys that are pressed, one list a look; without any there is no keyboard. Waiting takes no time."""
    pressed: list[Any] = []

    @contextmanager
    def keyboard() -> Iterator[Any]:
        yield SimpleNamespace(asked=lambda: pressed.pop(0) if pressed else [], typed="") if pressed else None

    monkeypatch.setattr(import_module("logscope.recording.keys"), "keyboard", keyboard)
    monkeypatch.setattr(record, "_DRAW_S", 0.001)
    return pressed


@pytest.mark.parametrize(
    ("until_s", "asked", "ended", "keys", "by_time"),
    [
        (0.0, False, False, [], True), (None, True, False, [], False), (None, False, True, [], False),
        (None, False, False, [[], [Key.END]], False), (30.0, False, False, [[Key.END]], False),
        (0.01, False, False, [], True),
        (0.0, True, False, [], False),
    ],
)  # fmt: skip
def test_what_ends_the_wait(
    until_s: float | None, asked: bool, ended: bool, keys: list[Any], by_time: bool, no_screen: list[Any]
) -> None:
    no_screen += keys
    recorder: Any = _Recorder()
    if ended:
        recorder.ended.set()
    ending = record._Ending()
    if asked:
        ending.ask()
    until = None if until_s is None else time.monotonic() + until_s
    assert record._watch(recorder, None, ending, until) is by_time


def test_signals_to_end_are_noted_and_handlers_given_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with record._asked_to_end() as ending:
        assert not ending.asked
        os.kill(os.getpid(), signal.SIGTERM)
        assert ending.asked
    assert signal.getsignal(signal.SIGTERM) is before


class _View:
    def __init__(self, *of: Any) -> None:
        self.of, self.offered, self.failure, self.view, self.finished = of, [], "", None, False

    def offer(self, items: list[Any]) -> None:
        self.offered += items

    def finish(self) -> None:
        self.finished = True


def test_the_screen_shows_how_far_it_is_and_the_clock_of_the_recording(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Any] = []

    @contextmanager
    def shown(draw: Any) -> Iterator[Any]:
        yield lambda: draw(24)

    monkeypatch.setattr(record, "shown", shown)
    monkeypatch.setattr(import_module("logscope.live.screen"), "screen", lambda *of: drawn.append(of))
    view: Any = _View()
    recorder: Any = _Recorder()
    with record._drawn(recorder, view, None) as draw:
        draw()
        view.failure = "it ended."
        draw()
    assert view.offered == [Now(77), Now(77)]
    lines = ["Recording for 12 s, 3.5 MB, room for days   can0: 3 frames, none lost", "can1: 4 frames, none lost"]
    assert drawn[0] == (None, lines, "Space marks an event, a typed line is a note, q ends.", "", 24)
    assert drawn[1][1] == [*lines, "The recording is not affected, but the view has failed: it ended."]
    with record._drawn(recorder, None, None) as draw:
        draw()
    assert len(drawn) == 2


def test_what_was_written_is_handed_to_the_view_by_its_source(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two buses, then a console of lines and one of records."""
    kinds = {"lines.toml": None, "records.toml": "a record"}
    monkeypatch.setattr(
        import_module("logscope.definitions.serial"),
        "load_serial_definition",
        lambda path: SimpleNamespace(record=kinds[path.name]),
    )
    serials = [SerialSpec(name, "p", 9600, Path(f"{name}.toml")) for name in ("lines", "records")]
    view: Any = _View()
    listen = record._listener(view, Request((CAN, BARE), serials, OUT))
    assert listen is not None
    frames = columns([Frame(0.1, 0x10, b"\1")])
    listen(
        [(1, CanBatch(frames)), (2, SerialBatch(b"a=1", 5)), (3, SerialBatch(b"\2\3", 9)), (2, SerialBatch(b"2\n", 7))]
    )
    first, second, third = view.offered
    assert first is frames
    assert second == Records(1, b"\2\3", 9)
    assert (type(third), third.console) == (Lines, 0)
    assert b"a=12" in third.text
    assert record._listener(None, Request((CAN,), (), OUT)) is None
    assert np.array_equal(first.time_ns, [100_000_000])


def test_the_view_gets_the_rates_that_were_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_module("logscope.live.process"), "LiveProcess", _View)
    made: Any = record._view(Request((CAN, BARE), (CONSOLE,), OUT), V)
    assert made.of == (V, [Path("d.toml")], {"can0": 500_000})


def test_cautions_and_sources_are_said_before_it_begins() -> None:
    console: Any = _Terminal()
    source = SimpleNamespace(name="can0", listening="listens only", stamps="by the adapter")
    record._introduce(console, SimpleNamespace(sources=[source]), Request((CAN,), (), OUT))  # type: ignore[arg-type]
    assert console.lines[-1] == "can0 (socketcan:can0@500000): listens only; stamps: by the adapter"
    assert len(console.lines) > 1


@pytest.fixture
def recording(monkeypatch: pytest.MonkeyPatch, no_screen: list[Any]) -> SimpleNamespace:
    """The command with a recorder of ours; `made` keeps what it was asked to record."""
    kept = SimpleNamespace(made=[], console=_Terminal(), recorder=_Recorder(), checked=[], view=None)

    def recorder(request: Request, listener: Any = None) -> Any:
        kept.made.append((request, listener))
        return kept.recorder

    monkeypatch.setattr(
        import_module("logscope.vehicle"), "load_vehicle", lambda path: SimpleNamespace(bit_rates={None: 250_000})
    )
    monkeypatch.setattr(import_module("logscope.recording.recorder"), "Recorder", recorder)
    monkeypatch.setattr(record, "terminal", lambda: kept.console)
    monkeypatch.setattr(record, "someone_watches", lambda: False)
    monkeypatch.setattr(record, "_introduce", lambda *of: None)
    monkeypatch.setattr(record, "_check", lambda *of: kept.checked.append(of))
    return kept


def test_a_recording_by_time_is_as_asked_for(recording: SimpleNamespace) -> None:
    recording.recorder.reason = BY_TIME
    guard: Any = "guard"
    record.record(guard, V, OUT, ["socketcan:can0@500000", "x=socketcan:can1"], log_format=record.Format.BLF,
    rotate_mb=1.5,
                  seconds=0.0, check=True)  # fmt: skip
    ((request, listener),) = recording.made
    assert request == Request(
        [CanSpec("can0", "socketcan", "can0", 500_000), CanSpec("x", "socketcan", "can1", 250_000)], [], OUT, "v.toml",
        True,
        1_500_000,
    )  # fmt: skip
    assert listener is None
    assert recording.recorder.done == ["start", f"stop {BY_TIME}"]
    assert recording.checked == [("guard", OUT, V)]


def test_a_recording_that_ended_for_a_reason_of_its_own_says_so_by_its_status(recording: SimpleNamespace) -> None:
    recording.recorder.reason = "the disk is full"
    recording.recorder.ended.set()
    guard: Any = "guard"
    with pytest.raises(typer.Exit) as ended:
        record.record(guard, V, OUT, ["socketcan:can0"])
    assert ended.value.exit_code == 1
    assert recording.recorder.done == ["start", f"stop {BY_USER}"]
    assert recording.checked == []
    ((request, _),) = recording.made
    assert (request.blf, request.most_bytes) == (False, 256_000_000)
    with pytest.raises(RequestError, match="nothing to record"):
        record.record(guard, V, OUT)


def test_the_view_is_finished_whatever_happens(recording: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> None:
    view = _View()
    monkeypatch.setattr(record, "someone_watches", lambda: True)
    monkeypatch.setattr(record, "_view", lambda request, vehicle: view)
    monkeypatch.setattr(record, "_listener", lambda *of: "listener")
    monkeypatch.setattr(recording.recorder, "start", lambda: 1 / 0)
    guard: Any = "guard"
    with pytest.raises(ZeroDivisionError):
        record.record(guard, V, OUT, ["socketcan:can0"])
    assert view.finished
    assert recording.made[0][1] == "listener"


def test_the_report_goes_into_the_recording(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[Any] = []
    monkeypatch.setattr(import_module("logscope.vehicle"), "load_vehicle", lambda path: f"vehicle {path}")
    monkeypatch.setattr(import_module("logscope.logs"), "open_logs", lambda logs, known: (logs, known))
    monkeypatch.setattr(record, "with_progress", lambda capture: capture)
    monkeypatch.setattr(import_module("logscope.pipeline"), "check", lambda capture, known: (capture, known))
    monkeypatch.setattr(record, "deliver", lambda made, show, report, json: done.append((made, report, json)))
    guard: Any = SimpleNamespace(allow=lambda *of: done.append(of))
    record._check(guard, OUT, V)
    assert done == [
        (OUT / "report.html", HTML),
        ((([OUT], "vehicle v.toml"), "vehicle v.toml"), OUT / "report.html", None),
    ]
