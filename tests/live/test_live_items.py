"""The live view piece by piece: buses, parts, lines and what waits; expected by hand."""

from __future__ import annotations

import io
import pickle
from dataclasses import replace
from importlib import import_module
from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, columns
from made_live import part, signals, verdict
from rich.console import Console
from rich.text import Text

from logscope.capture.frames import Flag
from logscope.capture.samples import Samples
from logscope.checks.needs import Needs, Readiness
from logscope.findings import Severity
from logscope.live import missing, process, screen, view, window, work
from logscope.live.buses import Buses
from logscope.live.items import End, LeftOut, Now
from logscope.live.picture import BusNow, Margin, PartNow, Phase, Sequence, View
from logscope.live.replayed import in_slices
from logscope.live.sequence import sequence_of
from logscope.signals import Part

NB = "\N{NO-BREAK SPACE}"


def test_a_bus_is_counted_over_two_seconds_and_its_errors_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each frame as if of 100 bits at the slow rate and 11 at the fast one; an error frame has none of its own."""
    monkeypatch.setattr(
        import_module("logscope.live.buses"),
        "frame_bits",
        lambda frames: (np.full(len(frames), 100), np.full(len(frames), 11)),
    )
    buses = Buses({"can0": 500_000, None: 250_000})
    data = bytes(8)
    buses.add(columns([Frame(0.5, 0x2AA, data), Frame(1.0, 0x2AA, data), Frame(1.0, 0x2AA, data, Flag.ERROR)]))
    buses.add(columns([Frame(2.5, 0x2AA, data), Frame(2.5, 0x2AA, data, bus="can1")]))
    buses.add(columns([]))
    one, two = buses.now(2_500_000_000)
    assert (one.name, one.frames_per_s, one.error_frames, one.frames) == ("can0", 2.0, 1, 4)
    assert one.bits_per_s == 1.5 * 111  # three of the four bear data
    assert one.load == pytest.approx(one.bits_per_s / 500_000)
    assert (two.name, two.load) == ("can1", pytest.approx(two.bits_per_s / 250_000))
    late = buses.now(3_000_000_000)[0]
    assert (late.frames_per_s, late.error_frames, late.frames) == (2.0, 1, 4)  # two seconds after the block's end
    assert buses.now(3_000_000_001)[0].frames_per_s == 0.5
    assert Buses({}).now(0) == ()
    unknown = Buses({})
    unknown.add(columns([Frame(0.5, 0x2AA, data)]))
    assert unknown.now(500_000_000)[0].load is None


@pytest.mark.parametrize(
    ("of", "text"),
    [
        (part("main_contactor", [0.0, 1.0], "", on=np.array([False, True])), "on"),
        (part("main_contactor", [1.0, 0.0], "", on=np.array([True, False])), "off"),
        (part("inverter_state", [0.0, 2.0], "", labels={2.0: "Run"}, on=np.array([False, True])), "Run"),
        (part("gear", [0.0, 3.0], ""), "3"), (part("motor_speed", [0.0, 1500.0], "rpm"), f"1500{NB}rpm"),
    ],
)  # fmt: skip
def test_the_newest_value_as_text(of: Part, text: str) -> None:
    assert view._value_text(of) == text


@pytest.mark.parametrize(
    ("count", "now_s", "rate_Hz", "arriving"),
    [(41, 4.0, 10.0, True), (41, 6.5, 10.0, False), (41, 5.4, 10.0, True), (1, 0.5, 0.2, True), (41, 20.0, 0.0, False)],
)
def test_a_part_at_this_moment(count: int, now_s: float, rate_Hz: float, arriving: bool) -> None:
    """At 10 Hz until 4 s; a single sample within five seconds is one in five."""
    found = view._part_now(part("motor_speed", [7.0] * count, "rpm", 0.1), now_s)
    age_s = now_s - 0.1 * (count - 1)
    assert found == PartNow("motor_speed", arriving, pytest.approx(rate_Hz), f"7.00{NB}rpm", pytest.approx(age_s))


VIEW = View(
    12.34, (PartNow("motor_speed", True, 10.0, "1500 rpm", 0.1), PartNow("torque", False, 0.0, "3 Nm", 7.4),
            PartNow("throttle", True, 5.0, "2 %", 0.1)),
    (), Sequence(Phase.LIVE, "live: 300 V"), tuple(verdict(float(n), title=f"v{n}", final=n > 5) for n in range(7)),
    tuple((n, n + 1) for n in range(9)),
    (BusNow("can0", 1234.4, 1e5, 0.256, 1200, 9), BusNow("can1", 10.0, 1e3, None, 0, 9)),
    tuple(Margin(f"limit {n}", 10.0 + n, "A") for n in range(4)), tuple(f"missing {n}" for n in range(6)),
    (("a", "odd"), ("b", "odder"), ("c", "oddest")), 12_345,
)  # fmt: skip


def test_the_view_as_lines() -> None:
    assert screen.view_lines(VIEW) == [
        ("    12.3 s   live: 300 V", "bold"),
        ("     1.0 s   v1 (preliminary)", ""), ("     2.0 s   v2 (preliminary)", ""),
        ("     3.0 s   v3 (preliminary)", ""),
        ("     4.0 s   v4 (preliminary)", ""), ("     5.0 s   v5 (preliminary)", ""), ("     6.0 s   v6", ""),
        ("Disturbances of the motor speed: minute 2: 2, minute 3: 3, minute 4: 4, minute 5: 5, minute 6: 6, "
         "minute 7: 7, minute 8: 8, minute 9: 9", "yellow"),
        ("Bus can0: 1234 frames/s, load 26 %, 1,200 error frames", "yellow"),
        ("Bus can1: 10 frames/s, load unknown: give bit_rate under [[can]] in the vehicle file", ""),
        (f"limit 0: 10.0{NB}A left to its limit, the lowest so far", ""),
        (f"limit 1: 11.0{NB}A left to its limit, the lowest so far", ""),
        (f"limit 2: 12.0{NB}A left to its limit, the lowest so far", ""),
        ("Not judged: odd", "yellow"), ("Not judged: odder", "yellow"),
        *((f"missing {n}", "yellow") for n in range(5)),
        ("12,345 frames are not in this view, which was too slow; all are recorded", "yellow"),
    ]  # fmt: skip


def test_limits_that_were_passed_hide_the_others() -> None:
    passed = replace(
        VIEW, margins=(Margin("current", 5.0, "A"), Margin("voltage", -2.5, "V"), Margin("speed", 0.0, "rpm"))
    )
    lines = screen.view_lines(passed)
    assert [line for line in lines if "limit" in line[0]] == [(f"voltage: 2.50{NB}V beyond its limit", "red")]
    danger = replace(
        VIEW, verdicts=(replace(verdict(1.0), severity=Severity.DANGER),), by_minute=(), buses=(), margins=()
    )
    assert screen.view_lines(danger)[1] == ("     1.0 s   t (preliminary)", "bold red")


@pytest.mark.parametrize(
    ("line", "style"),
    [("can0 unplugged", "bold red"), ("12 lost", "yellow"), ("none lost", ""), ("all well", ""),
     ("can0 unplugged, 3 lost", "bold red")],
)  # fmt: skip
def test_what_went_wrong_with_a_source_is_coloured(line: str, style: str) -> None:
    assert screen._style_of_source(line) == style


def shown(of: View | None, rows: int = 24) -> list[str]:
    console = Console(file=io.StringIO(), width=120)
    console.print(screen.screen(of, ["can0: 5 frames"], "q ends", "bonded", rows))
    return [line.rstrip() for line in console.file.getvalue().splitlines()]  # type: ignore[attr-defined]


def test_the_page_ends_with_the_parts_and_the_keys() -> None:
    lines = shown(VIEW)
    assert lines[0] == "can0: 5 frames"
    assert lines[-1] == "q ends   note: bonded"
    assert " ".join(lines[-3].split()) == "torque silent for 7 s throttle 2 % 5 Hz"
    assert " ".join(lines[-2].split()) == "motor speed 1500 rpm 10 Hz"
    assert shown(None) == ["can0: 5 frames", "The view is being prepared …", "q ends   note: bonded"]
    assert Text("x").plain == "x"


@pytest.mark.parametrize(("rows", "listed"), [(24, 20), (10, 8), (19, 16)])
def test_as_many_parts_are_listed_as_there_is_room_for(rows: int, listed: int) -> None:
    """Two columns of at least four; four lines of the screen are kept free, and seven say other things."""
    many = tuple(PartNow(f"part_{n}", True, 1.0, "1", 0.0) for n in range(20))
    bare = View(1.0, many, (), Sequence(Phase.OFF, "off"), (), (), (), (), (), ())
    text = "\n".join(shown(replace(bare, missing=("a", "b", "c", "d", "e")), rows))
    assert text.count("1 Hz") == listed


def test_what_is_missing_is_said_with_what_it_costs(monkeypatch: pytest.MonkeyPatch) -> None:
    def needs(check: str, runs: bool, wanted: tuple[tuple[str, ...], ...] = (), **parts: str) -> Readiness:
        return Readiness(Needs(check, "", (), {}, {}), runs, wanted, (), parts, {})

    checks = [
        needs("precharge", True, (), battery_voltage="the end", torque="more", aux_voltage="power"),
        needs("trips", False, (("motor_current", "fault"), ("motor_speed",))), needs("cooling", False,
        (("throttle",),)),
        needs("encoder", False, (("motor_speed",),), motor_current="the cause"),
    ]  # fmt: skip
    monkeypatch.setattr(missing, "readiness", lambda arriving, keys: checks)
    assert list(missing.missing_parts({"aux_voltage"}, {"aux_voltage", "motor_current"})) == [
        "Motor speed is not mapped: no trips check; no encoder check.",
        "Battery voltage is not mapped: precharge without the end.",
        "Motor current does not arrive: encoder without the cause.",
    ]
    assert list(missing.missing_parts({"battery_voltage", "motor_speed"}, {"torque"})) == [
        "Torque does not arrive: precharge without more."
    ]


@pytest.mark.parametrize(
    ("times", "sizes"),
    [([0.0, 0.09], [2]), ([0.0, 0.1], [1, 1]), ([0.25, 0.0, 0.05, 0.5], [2, 1, 1]), ([], [0])],
)
def test_frames_that_have_waited_come_in_steps(times: list[float], sizes: list[int]) -> None:
    made = columns([Frame(time_s, 0x10, b"\1") for time_s in times])
    pieces = list(in_slices(made, 100_000_000))
    assert [len(each) for each in pieces] == sizes
    assert [stamp for each in pieces for stamp in each.time_ns.tolist()] == (
        sorted(made.time_ns.tolist()) if len(sizes) > 1 else made.time_ns.tolist()
    )


def test_samples_of_a_console_are_joined_and_let_go_of() -> None:
    both = window._joined(Samples(np.array([1, 2]), np.array([1.0, 2.0])), Samples(np.array([5]), np.array([5.0])))
    assert (both.time_ns.tolist(), both.value.tolist()) == ([1, 2, 5], [1.0, 2.0, 5.0])
    late = window._since(both, 2)
    assert (late.time_ns.tolist(), late.value.tolist()) == ([2, 5], [2.0, 5.0])
    made = object.__new__(window.Window)
    made.start_ns, made.latest_ns = None, 0
    assert made.seconds(2_500_000_000) == 2.5
    made._reach(3_000_000_000, 4_000_000_000)
    made._reach(1_000_000_000, 2_000_000_000)
    assert (made.start_ns, made.latest_ns, made.seconds(2_500_000_000)) == (1_000_000_000, 4_000_000_000, 1.5)


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ((), "the link voltage does not arrive"),
        ((part("precharge_relay", [1.0] * 9, "", on=np.ones(9, np.bool_)),),
        "precharge relay closed, and no link voltage arrives"),
        ((part("main_contactor", [1.0] * 9, "", on=np.ones(9, np.bool_)),),
         "main contactor reported closed; the link voltage does not arrive"),
        ((part("dc_link_voltage", [12.0] * 9),), "off: 12 V by reading, which proves nothing dead"),
        ((part("dc_link_voltage", [90.0] * 8 + [40.0]),), "below 60 V: 40 V by reading, which proves nothing dead"),
        ((part("dc_link_voltage", [150.0] * 9), part("battery_voltage", [300.0] * 9)),
         "live: 150 V at 50 % of the pack's 300 V, contactors unknown"),
        ((part("dc_link_voltage", [150.0] * 9), part("precharge_relay", [1.0] * 9, "", on=np.ones(9, np.bool_))),
         "precharging: 150 V"),
    ],
)  # fmt: skip
def test_the_step_of_the_sequence_in_words(parts: tuple[Part, ...], text: str) -> None:
    assert sequence_of(signals(*parts), 8.0).text == text


def test_items_are_taken_up_as_they_come_until_the_end() -> None:
    stream = io.BytesIO(pickle.dumps([Now(1), LeftOut(2)]) + pickle.dumps([Now(3)]))
    inbox = work._Inbox(stream)
    taken: list[Any] = []
    while not (taken and isinstance(taken[-1], End)):
        taken += inbox.take(1.0)
    assert taken == [Now(1), LeftOut(2), Now(3), End()]  # a stream that ends is the end
    assert inbox.take(0.0) == []


def test_what_finds_no_room_is_counted_and_said_before_what_comes_next(monkeypatch: pytest.MonkeyPatch) -> None:
    from collections import deque
    from threading import Condition

    monkeypatch.setattr(process, "_MOST_FRAMES", 4)
    made = object.__new__(process.LiveProcess)
    made._waiting, made._size, made._left_out, made._filled = deque(), 0, 0, Condition()
    three, two = (columns([Frame(0.1 * k, 0x10, b"\1") for k in range(count)]) for count in (3, 2))
    made.offer([three, Now(1), two, Now(2)])
    assert [type(each).__name__ for each in made._waiting] == ["Frames", "Now"]
    assert (made._size, made._left_out) == (4, 3)
    made._size = 0  # as if it had been handed over
    made.offer([two])
    assert made._waiting[2] == LeftOut(3)
    assert (made._size, made._left_out) == (2, 0)
