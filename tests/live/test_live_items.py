"""The live view piece by piece: looks that are due, verdicts kept, buses, parts and lines; expected by hand."""

from __future__ import annotations

import io
import pickle
from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, columns
from rich.console import Console
from rich.text import Text

from logscope.capture.frames import Flag
from logscope.capture.samples import Samples
from logscope.checks.needs import Needs, Readiness
from logscope.findings import Finding, Measured, Severity
from logscope.live import judge, missing, process, screen, view, window, work
from logscope.live.buses import Buses
from logscope.live.items import End, LeftOut, Now
from logscope.live.judge import Judge, _Due
from logscope.live.picture import BusNow, Margin, PartNow, Phase, Sequence, Verdict, View
from logscope.live.replayed import in_slices
from logscope.live.sequence import sequence_of
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

NB = "\N{NO-BREAK SPACE}"


def finding(kind: str, start_s: float, **more: Any) -> Finding:
    return Finding(kind, Severity.WARNING, start_s, start_s + 1.0, f"title of {kind}", "", "", (), **more)


def signals(*parts: Part, start_s: float = 0.0, end_s: float = 100.0) -> Signals:
    return Signals({each.name: each for each in parts}, start_s, end_s)


def part(name: str, value: list[float], unit: str = "V", period_s: float = 1.0, **more: Any) -> Part:
    return Part(name, period_s * np.arange(len(value)), np.array(value), unit, f"M.{name}", **more)


def test_an_attempt_is_looked_at_three_times_after_its_end() -> None:
    made = Judge(Vehicle())
    made._followed_s = 7.0
    made._follow_precharge(True, 7.5)
    made._followed_s = 7.5
    made._follow_precharge(True, 8.0)
    assert made._due == []
    made._follow_precharge(False, 9.0)
    # from 5 s before the look that saw it first
    assert made._due == [
        _Due(9.2, "precharge", 2.0, final=False), _Due(12.0, "precharge", 2.0, final=False),
        _Due(19.0, "precharge", 2.0, final=True),
    ]  # fmt: skip
    made._follow_precharge(False, 10.0)
    assert len(made._due) == 3


@pytest.mark.parametrize(("now_s", "looked"), [(67.0, False), (67.1, True)])
def test_what_precharges_for_a_minute_is_looked_at_as_it_stands(now_s: float, looked: bool) -> None:
    made = Judge(Vehicle())
    made._followed_s = 7.0
    made._follow_precharge(True, 7.5)
    made._follow_precharge(True, now_s)
    assert bool(made._due) is looked


def test_a_fault_is_looked_at_from_a_minute_before_it_comes() -> None:
    made = Judge(Vehicle())

    def fault(*healthy: bool) -> Signals:
        return signals(part("fault", [0.0] * len(healthy), "", healthy=np.array(healthy, np.bool_)))

    made._follow_fault(fault(False, True), 80.0)
    made._follow_fault(signals(), 81.0)
    assert made._due == []
    first = Judge(Vehicle())
    first._follow_fault(fault(False), 1.0)  # a fault from the beginning is one, too
    assert len(first._due) == 3
    made._follow_fault(fault(True, False), 90.0)
    assert [(each.at_s, each.check, each.start_s, each.final) for each in made._due] == [
        (90.2, "trips", 30.0, False), (93.0, "trips", 30.0, False), (100.0, "trips", 30.0, True),
    ]  # fmt: skip
    made._follow_fault(fault(False), 91.0)  # still the same one
    assert len(made._due) == 3
    made._follow_fault(fault(True), 92.0)
    made._follow_fault(fault(False), 93.0)
    assert len(made._due) == 6


def test_of_looks_at_one_stretch_the_last_counts() -> None:
    due = [_Due(3.0, "trips", 1.0, final=True), _Due(1.0, "trips", 1.0, final=False), _Due(2.0, "trips", 0.0,
    final=False),
           _Due(2.5, "precharge", 1.0, final=False)]  # fmt: skip
    assert judge._latest(due) == [due[0], due[2], due[3]]


def verdict(start_s: float, check: str = "trips", *, final: bool = False, title: str = "t") -> Verdict:
    return Verdict(check, "k", Severity.INFO, start_s, title, None, None, final)


@pytest.mark.parametrize(
    ("former", "new", "kept"),
    [
        (verdict(5.0), verdict(5.5, title="new"), ["new"]), (verdict(5.0), verdict(4.5, title="new"), ["new"]),
        (verdict(5.0), verdict(5.51, title="new"), ["t", "new"]),
        (verdict(5.0), verdict(5.0, "precharge", title="new"), ["t", "new"]),
        (verdict(5.0, final=True), verdict(5.0, title="new"), ["t"]),
        (verdict(5.0, final=True), verdict(6.0, title="new"), ["t", "new"]),
    ],
)  # fmt: skip
def test_a_verdict_is_replaced_until_it_is_final(former: Verdict, new: Verdict, kept: list[str]) -> None:
    made = Judge(Vehicle())
    made._keep(former)
    made._keep(new)
    assert [each.title for each in made.verdicts] == kept


@pytest.mark.parametrize(("start_s", "final"), [(90.0, False), (89.9, True)])
def test_a_verdict_carries_what_the_check_found(start_s: float, final: bool) -> None:
    found = finding("precharge.slow", start_s, cause="x", measured={"time_constant_s": Measured(0.2, "s")})
    assert judge._verdict(_Due(0.0, "precharge", 0.0, final=False), found, 100.0) == Verdict(
        "precharge", "precharge.slow", Severity.WARNING, start_s, "title of precharge.slow", "x", 0.2, final
    )
    other = judge._verdict(_Due(0.0, "trips", 0.0, final=True), finding("trip.other", 99.0), 100.0)
    assert (other.cause, other.time_constant_s, other.final) == (None, None, True)


@pytest.fixture
def checked(monkeypatch: pytest.MonkeyPatch) -> tuple[Judge, list[Any], dict[str, list[Finding]]]:
    """A judge whose checks are replaced: what they were asked, and what they find."""
    asked: list[Any] = []
    found: dict[str, list[Finding]] = {"precharge": [], "trips": [], "limits": []}

    def run(seen: Signals, vehicle: Vehicle, chosen: str) -> tuple[list[Finding], list[Any]]:
        asked.append((chosen, seen.start_s, seen.end_s))
        return found[chosen], []

    monkeypatch.setattr(judge, "chosen_checks", lambda name: name)
    monkeypatch.setattr(judge, "run_checks", run)
    monkeypatch.setattr(
        judge,
        "examine",
        lambda of, vehicle: SimpleNamespace(signals=replace(of, doubtful={"x": "odd"}), vehicle=vehicle),
    )
    return Judge(Vehicle(limits=Limits(motor_current_A=350.0))), asked, found


def test_a_look_sees_its_own_stretch_and_keeps_verdicts_on_events(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, asked, found = checked
    found["precharge"] = [
        finding("precharge.slow", 20.0), finding("precharge.drift", 20.0), finding("precharge.complete", 10.0),
        finding("precharge.fast", 10.1), finding("precharge.resistor_stress", 30.0),
    ]  # fmt: skip
    made._judge(signals(start_s=4.0), _Due(0.0, "precharge", 10.0, final=False), 50.0)
    assert [each.kind for each in made.verdicts] == ["precharge.slow", "precharge.fast"]
    made._judge(signals(start_s=4.0), _Due(0.0, "precharge", 1.0, final=False), 50.0)
    assert asked == [("precharge", 10.0, 50.0), ("precharge", 4.0, 50.0)]
    assert made.doubted == {"x": "odd"}
    found["trips"] = [finding(kind, 20.0) for kind in ("trip.none", "trip.pattern", "trip.near")]
    made._judge(signals(), _Due(0.0, "trips", 1.0, final=False), 50.0)
    assert not [each for each in made.verdicts if each.check == "trips"]


def test_what_is_due_is_judged_once_and_the_window_surveyed_every_eight_seconds(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, asked, _ = checked
    made._due = [_Due(6.0, "precharge", 1.0, final=False), _Due(7.0, "precharge", 1.0, final=False)]
    for now_s in (5.9, 6.0, 6.5):
        made.follow(signals(), Phase.OFF, now_s)
    assert asked == [("precharge", 1.0, 6.0)]
    made.follow(signals(), Phase.OFF, 7.9)
    assert [name for name, *_ in asked] == ["precharge", "precharge"]
    made.follow(signals(), Phase.OFF, 8.0)
    made.follow(signals(), Phase.OFF, 15.9)
    assert [name for name, *_ in asked].count("limits") == 1
    made.follow(signals(), Phase.OFF, 16.0)
    assert [name for name, *_ in asked].count("limits") == 2
    made.follow(signals(), Phase.PRECHARGING, 17.0)
    made.finish(signals(), 18.0)
    assert [each for each in asked if each[0] == "precharge"][-1] == ("precharge", 11.0, 18.0)
    assert [name for name, *_ in asked].count("limits") == 3
    assert made._due == []


def test_a_made_up_precharge_warms_the_check_up(checked: tuple[Judge, list[Any], dict[str, list[Finding]]]) -> None:
    _, asked, _ = checked
    judge.warm_up(Vehicle())
    assert asked == [("precharge", 0.0, 3.0)]


def test_the_smallest_margin_is_kept_by_the_name_of_its_limit(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, _, found = checked
    for left in (50.0, 70.0, 40.0):
        measured = {"motor_current_margin_A": Measured(left, "A"), "other_margin_V": Measured(None, "V"),
                    "count": Measured(3.0, "")}  # fmt: skip
        found["limits"] = [finding("limits.margin", 0.0, measured=measured)]
        made._take_margins(signals(), Vehicle(limits=Limits(motor_current_A=350.0)))
    assert list(made.margins) == ["motor_current"]
    assert (made.margins["motor_current"].left, made.margins["motor_current"].unit) == (40.0, "A")
    assert made.margins["motor_current"].what != "motor_current"


@pytest.mark.parametrize(
    ("names", "asked_for"),
    [(("motor_current",), True), (("motor_current", "fault"), False), (("battery_voltage",), False)],
)
def test_trips_are_sought_by_the_current_alone_where_no_fault_is_logged(
    names: tuple[str, ...], asked_for: bool, checked: tuple[Judge, list[Any], dict[str, list[Finding]]]
) -> None:
    made, asked, _ = checked
    made._survey(signals(*(part(name, [1.0, 2.0]) for name in names)), 90.0)
    assert [each for each in asked if each[0] == "trips"] == ([("trips", 30.0, 90.0)] if asked_for else [])


def test_each_disturbance_is_counted_once_by_its_minute() -> None:
    made = Judge(Vehicle())
    time_s = np.array([0.0, 59.9, 60.0, 70.0, 125.0])
    study = SimpleNamespace(
        speed=SimpleNamespace(time_s=time_s), disturbances=[SimpleNamespace(first=k) for k in range(5)]
    )
    seen: Any = SimpleNamespace(speed=SimpleNamespace(study=study))
    made._count(seen, 70.0)
    assert made.by_minute == {0: 2, 1: 1}
    made._count(seen, 70.0)
    made._count(seen, 200.0)
    assert made.by_minute == {0: 2, 1: 2, 2: 1}
    other = Judge(Vehicle())
    other._count(SimpleNamespace(speed=None), 70.0)  # type: ignore[arg-type]
    other._count(seen, 200.0)
    assert other.by_minute == {1: 1, 2: 1}


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
