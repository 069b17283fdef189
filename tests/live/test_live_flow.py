"""How frames and samples pass through the live view: its window, steps and looks, and the loop of its process."""

from __future__ import annotations

import io
import json
import pickle
import sys
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import numpy as np
import pytest
from bus_frames import Frame, columns
from small_shelf import write_vehicle

from logscope.capture.frames import Block
from logscope.capture.open import Capture
from logscope.capture.samples import Samples, SerialLog
from logscope.definitions.spec import MessageSpec
from logscope.errors import VehicleError
from logscope.live import view, work
from logscope.live.items import End, LeftOut, Lines, Now
from logscope.live.picture import BusNow, Phase, Sequence, View
from logscope.live.replayed import slices
from logscope.live.view import LiveView
from logscope.live.window import WINDOW_S, Window
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle, load_vehicle


@pytest.fixture
def vehicle(tmp_path: Path) -> Vehicle:
    write_vehicle(tmp_path, "Hazel")
    return load_vehicle(tmp_path / "vehicle.toml")


def link(time_s: float, raw: int) -> Frame:
    """The message of the small vehicle: a tenth of a volt a count, and the speed."""
    return Frame(time_s, 0x100, raw.to_bytes(2, "little") + bytes(2))


def test_the_window_holds_the_last_two_minutes_from_the_first_stamp(vehicle: Vehicle) -> None:
    made = Window(vehicle)
    empty = made.signals()
    assert (empty.start_s, empty.end_s, set(empty.empty)) == (0.0, 0.0, {"dc_link_voltage", "motor_speed"})
    assert set(empty.empty.values()) == {"nothing has arrived"}
    made.add_frames(columns([link(1000.0 + n, 10 * n) for n in range(100)]))
    made.add_frames(columns([]))
    signals = made.signals()
    assert (signals.start_s, signals.end_s) == (0.0, 99.0)
    assert signals["dc_link_voltage"].value.tolist() == [float(n) for n in range(100)]
    assert signals["dc_link_voltage"].time_s[[0, -1]].tolist() == [0.0, 99.0]
    made.add_frames(columns([link(1000.0 + n, 10 * n) for n in range(100, 200)]))
    later = made.signals()
    assert (later.start_s, later.end_s) == (199.0 - WINDOW_S, 199.0)
    kept = later["dc_link_voltage"].time_s
    assert kept[-1] == 199.0
    assert later.start_s - 30.0 <= kept[0] <= later.start_s  # whole blocks are let go of
    assert (made.start_ns, made.latest_ns) == (1000 * 10**9, 1199 * 10**9)
    assert made.seconds(1001 * 10**9) == 1.0


def test_samples_of_a_console_are_taken_as_they_come(vehicle: Vehicle) -> None:
    made = Window(vehicle)

    def log(*times_s: float) -> SerialLog:
        samples = Samples(np.array([round(t * 1e9) for t in times_s], np.int64), np.array(times_s))
        return SerialLog(MessageSpec("Debug", 0, False, 0, ()), {"x": samples})

    made.add_console(log())
    assert made.start_ns is None
    made.add_console(log(5.0, 6.0))
    made.add_console(log(7.0))
    held = made._consoles["Debug"].signals["x"]
    assert (held.time_ns.tolist(), held.value.tolist()) == ([5 * 10**9, 6 * 10**9, 7 * 10**9], [5.0, 6.0, 7.0])
    assert (made.start_ns, made.latest_ns) == (5 * 10**9, 7 * 10**9)
    made.add_console(log(126.5))
    made.signals()
    assert made._consoles["Debug"].signals["x"].value.tolist() == [7.0, 126.5]  # 120 s before the newest


class _Judge:
    def __init__(self, vehicle: Vehicle) -> None:
        self.followed: list[tuple[Any, ...]] = []
        self.finished: list[tuple[Any, ...]] = []
        self.verdicts: list[Any] = []
        self.by_minute: dict[int, int] = {3: 1, 1: 2}
        self.margins: dict[str, Any] = {"a": "margin"}
        self.doubted: dict[str, str] = {"x": "odd"}

    def follow(self, *of: Any) -> None:
        self.followed.append(of)

    def finish(self, *of: Any) -> None:
        self.finished.append(of)


@pytest.fixture
def live(vehicle: Vehicle, monkeypatch: pytest.MonkeyPatch) -> LiveView:
    monkeypatch.setattr(view, "Judge", _Judge)
    monkeypatch.setattr(view, "missing_parts", lambda arriving, mapped: [f"{sorted(arriving)} of {sorted(mapped)}"])
    monkeypatch.setattr(
        import_module("logscope.live.buses"),
        "frame_bits",
        lambda frames: (np.full(len(frames), 100), np.zeros(len(frames))),
    )
    return LiveView(vehicle, {"can0": 1000})


def test_frames_that_waited_are_followed_in_steps_of_a_tenth_of_a_second(live: LiveView) -> None:
    live.add_frames(columns([link(1.0 + 0.01 * n, n) for n in range(5)]))
    judge: Any = live._judge
    assert len(judge.followed) == 1  # the first step has nothing before it
    live.add_frames(columns([link(1.05 + 0.01 * n, n) for n in range(4)]))
    assert len(judge.followed) == 1
    live.add_frames(columns([link(1.09 + 0.05 * n, n) for n in range(20)]))
    assert len(judge.followed) == pytest.approx(11, abs=1)
    moments = [now_s for _, _, now_s in judge.followed]
    assert np.max(np.diff(moments)) < 0.2
    live.finish()
    ((signals, now_s),) = judge.finished
    assert now_s == signals.end_s == pytest.approx(1.04)


def test_a_look_is_of_this_moment_on_the_clock_of_the_recording(live: LiveView) -> None:
    live.add_frames(columns([link(10.0 + 0.1 * n, 20) for n in range(30)]))
    assert live.follow() is Phase.OFF
    judge: Any = live._judge
    assert judge.followed[-1][1:] == (Phase.OFF, pytest.approx(2.9))
    judge.verdicts = [SimpleNamespace(start_s=5.0), SimpleNamespace(start_s=1.0)]
    now = live.look()
    assert now.now_s == pytest.approx(2.9)
    assert [each.name for each in now.parts] == ["dc_link_voltage", "motor_speed"]
    assert [each.start_s for each in now.verdicts] == [1.0, 5.0] == [each.start_s for each in live.verdicts]
    assert (now.by_minute, now.margins, now.doubted) == (((1, 2), (3, 1)), ("margin",), (("x", "odd"),))
    assert now.missing == ("['dc_link_voltage', 'motor_speed'] of ['dc_link_voltage', 'motor_speed']",)
    assert now.absent == ()
    assert now.sequence.text == "off: 2 V by reading, which proves nothing dead"
    (bus,) = now.buses
    assert bus == BusNow("can0", 10.5, 1050.0, 1.05, 0, 30)  # 21 of them within two seconds
    live.follow(now_ns=13_900_000_000)
    assert live.look().buses[0].frames_per_s == 5.5  # a second of silence: eleven are left
    live.follow(now_ns=16_000_000_000)
    later = live.look()
    assert later.now_s == pytest.approx(6.0)
    assert not any(each.arriving for each in later.parts)
    assert later.buses[0].frames_per_s == 0.0
    assert later.missing == ("[] of ['dc_link_voltage', 'motor_speed']",)
    live.follow(now_ns=1)  # a clock that is behind the stamps
    assert live.look().now_s == pytest.approx(2.9)


def test_rates_of_adapters_come_before_those_of_the_vehicle_file(tmp_path: Path) -> None:
    write_vehicle(tmp_path, "Hazel")
    path = tmp_path / "vehicle.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[[can]]\n", "[[can]]\nbit_rate = 250000\n"), encoding="utf-8")
    made = LiveView(load_vehicle(path), {"can1": 500_000})
    assert made._buses._rates == {None: 250_000, "can1": 500_000}


def test_a_log_comes_again_in_slices_of_its_own_time() -> None:
    frames = columns([Frame(t, 0x10, bytes([n])) for n, t in enumerate((1.3, 1.0, 1.24, 1.25, 2.0))])
    samples = Samples(np.array([900_000_000, 950_000_000, 2_200_000_000], np.int64), np.array([9.0, 9.5, 22.0]))
    console = SerialLog(
        MessageSpec("Debug", 0, False, 0, ()), {"x": samples, "y": Samples(np.zeros(0, np.int64), np.zeros(0))}
    )
    pieces = list(slices(Capture((Block(frames),), (console,))))
    # from the console's first sample, at 0.9 s, to its last
    assert [each.until_ns for each in pieces] == [
        1_150_000_000, 1_400_000_000, 1_650_000_000, 1_900_000_000, 2_150_000_000, 2_400_000_000
    ]  # fmt: skip
    assert [each.frames.time_ns.tolist() for each in pieces] == [
        [1_000_000_000], [1_240_000_000, 1_250_000_000, 1_300_000_000], [], [], [2_000_000_000], []
    ]  # fmt: skip
    assert pieces[1].frames.data(2) == b"\0"
    assert [each.consoles[0].signals["x"].value.tolist() for each in pieces] == [[9.0, 9.5], [], [], [], [], [22.0]]
    assert {each.lasts_s for each in pieces} == {0.25}
    edge = list(slices(Capture((Block(columns([Frame(t, 0x10, b"\1") for t in (1.0, 1.25)])),))))
    assert [each.frames.time_ns.tolist() for each in edge] == [[1_000_000_000], [1_250_000_000]]


class _Live:
    """A view that notes what it is given; its verdicts change at the second look."""

    made: ClassVar[list[_Live]] = []

    def __init__(self, known: Any, rates: Any) -> None:
        self.known, self.rates, self.done = known, rates, []
        self.verdicts: tuple[str, ...] = ()
        _Live.made.append(self)

    def add_frames(self, frames: Any) -> None:
        self.done.append(("frames", len(frames)))

    def add_console(self, log: Any) -> None:
        self.done.append(("console", log))

    def follow(self, now_ns: int | None) -> None:
        self.done.append(("follow", now_ns))

    def finish(self) -> None:
        self.done.append(("finish",))

    def look(self) -> View:
        return View(1.0, (), (), Sequence(Phase.OFF, "off"), (), (), (), (), (), ())


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Runs the loop of the process on these batches of items; gives the views that it sent."""
    _Live.made.clear()
    monkeypatch.setattr(import_module("logscope.vehicle"), "load_vehicle", lambda path: f"vehicle {path}")
    monkeypatch.setattr(import_module("logscope.definitions.serial"), "load_serial_definition", lambda path: path.name)
    monkeypatch.setattr(
        import_module("logscope.live.console"), "reader_of", lambda name: lambda item: f"{name} {item.text!r}"
    )
    monkeypatch.setattr(import_module("logscope.live.judge"), "warm_up", lambda known: None)
    monkeypatch.setattr(import_module("logscope.live.view"), "LiveView", _Live)
    monkeypatch.setattr(work, "FOLLOW_S", 0.0)

    def run(*batches: list[Any], look_s: float = 1000.0) -> list[Any]:
        left = list(batches)
        monkeypatch.setattr(work, "_Inbox", lambda stream: SimpleNamespace(take=lambda wait_s: left.pop(0)))
        monkeypatch.setattr(work, "LOOK_S", look_s)
        monkeypatch.setattr(sys, "argv", ["work", "v.toml", json.dumps({"can0": 5}), "a.toml", "b.toml"])
        out = io.BytesIO()
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=None))
        monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=out))
        work.main()
        out.seek(0)
        sent = []
        while out.tell() < len(out.getvalue()):
            sent.append(pickle.load(out))
        return sent

    return run


def test_the_process_takes_up_each_item_and_ends_with_the_last_picture(served: Any) -> None:
    frames = columns([link(1.0, 5)])
    sent = served([frames, Lines(1, b"x"), Now(7), LeftOut(3)], [], [LeftOut(4), End()])
    (made,) = _Live.made
    assert (made.known, made.rates) == ("vehicle v.toml", {"can0": 5})
    assert made.done == [
        ("frames", 1), ("console", "b.toml b'x'"), ("follow", 7), ("follow", 7), ("follow", 7), ("finish",)
    ]  # fmt: skip
    assert sent[-1].frames_left_out == 7


def test_pictures_come_twice_a_second_and_with_each_verdict(served: Any) -> None:
    assert len(served([], [], [], [End()], look_s=0.0)) == 4
    quiet = len(served([], [], [], [End()]))
    assert quiet in (1, 2)


def test_why_the_view_cannot_go_on_is_sent(served: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path) -> None:
        raise VehicleError("no such file", where=path)

    monkeypatch.setattr(import_module("logscope.vehicle"), "load_vehicle", refuse)
    assert served([End()]) == ["v.toml: no such file."]


def test_a_part_without_a_period_is_of_now_for_a_second_and_a_half() -> None:
    from logscope.live.sequence import longest_age_s

    once = Part("gear", np.array([1.0]), np.array([3.0]), "", "M.Gear")
    assert longest_age_s(once) == 1.5
    assert Signals({}, 0.0, 0.0).parts == {}


def process(**parts: Any) -> Any:
    """A view's process without one: its pipes and its state are given."""
    from collections import deque
    from threading import Condition

    from logscope.live.process import LiveProcess

    made = object.__new__(LiveProcess)
    made._process = SimpleNamespace(**parts)
    made._waiting, made._size, made._left_out, made._filled = deque(), 5, 0, Condition()
    made._reason, made._ending, made.view = "", False, None
    return made


class _Pipe(io.BytesIO):
    """What was written stays to be read."""

    def close(self) -> None:
        pass


def test_items_are_handed_over_together_until_the_end() -> None:
    made = process(stdin=_Pipe())
    made._waiting += [Now(1), Now(2), End()]
    made._hand_over()
    assert pickle.loads(made._process.stdin.getvalue()) == [Now(1), Now(2), End()]
    assert (made._size, list(made._waiting)) == (0, [])


def test_the_newest_picture_counts_and_a_text_is_why_it_failed() -> None:
    views = [View(float(n), (), (), Sequence(Phase.OFF, "off"), (), (), (), (), (), ()) for n in (1, 2)]
    sent = b"".join(map(pickle.dumps, [*views, "no such file."]))
    made = process(stdout=_Pipe(sent), poll=lambda: None)
    made._receive()
    assert made.view == views[1]
    assert made.failure == "no such file."


@pytest.mark.parametrize(
    ("reason", "ending", "status", "failure"),
    [
        ("", False, None, ""), ("", False, -9, "its process ended by itself."), ("", True, 0, ""),
        ("odd", True, 0, "odd"),
        ("odd", False, None, "odd"),
    ],
)  # fmt: skip
def test_a_process_that_ends_by_itself_has_failed(reason: str, ending: bool, status: int | None, failure: str) -> None:
    made = process(poll=lambda: status)
    made._reason, made._ending = reason, ending
    assert made.failure == failure


def test_the_end_waits_for_the_last_picture_and_ends_the_process() -> None:
    done: list[Any] = []
    made = process(
        stdin=_Pipe(), stdout=_Pipe(), kill=lambda: done.append("kill"), wait=lambda: done.append("wait"), pid=77
    )
    made._threads = [SimpleNamespace(join=lambda wait_s: done.append(wait_s)) for _ in range(2)]
    made.view = "the last"
    assert made.finish(30.0) == "the last"
    assert done == [15.0, 15.0, "kill", "wait"]
    assert list(made._waiting) == [End()]
    assert made._ending
    assert made.process == 77
