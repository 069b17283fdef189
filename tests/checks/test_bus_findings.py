"""What the check of the buses says of made traffic: by frames whose moments the test itself chooses.

Expected by hand: a rate is a count over the time in which it was counted, a ratio is that of two rates; the values of
error frames are those of Linux include/uapi/linux/can/error.h. Rules of what a node or an origin is are common
practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.naming import specs_by_key
from logscope.bus.record import BusRecord
from logscope.capture.frames import Flag
from logscope.checks.bus.check import bus
from logscope.checks.bus.context import Context
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.findings import Finding, Severity
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

END_S = 60.0
LONG = MessageSpec("Long", 0x102, False, 8, (SignalSpec("Speed", 32, 16),))  # in the fifth and sixth byte
SPECS = specs_by_key(
    [(None, (LONG, *(MessageSpec(f"Drive{k}", 0x100 + k, False, 8, (), senders=("Inverter",)) for k in range(2))))]
)
DAMAGED = 0x008  # a protocol violation
HIGH_S = (20.0, 35.0)  # the current is high: a quarter of the log
SWITCHED_S = (10.0, 15.0, 40.0, 45.0)
PHASE_S = {
    0x100: 0.0,
    0x101: 0.001,
    0x102: 0.002,
    0x200: 0.015,
    0x300: 0.035,
    0x301: 0.036,
}  # within the 50 ms of each message


@cache
def sent(identifier: int, off: tuple[float, float] | None = None, *, restarts: bool = True) -> tuple[Frame, ...]:
    """A message every 50 ms, with a counter and one byte that varies; off : without it, from 0 on again where asked."""
    data = np.random.default_rng(identifier).integers(0, 256, round(END_S / 0.05))
    frames, counter = [], 0
    for k, byte in enumerate(data.tolist()):
        at_s = 0.05 * k + PHASE_S[identifier]
        if off is not None and off[0] <= at_s < off[1]:
            counter = 0 if restarts else counter + 1
            continue
        frames.append(Frame(at_s, identifier, bytes([counter % 256, byte, 3, 0, 0, 0, 0, 0])))
        counter += 1
    return tuple(frames)


def drive(until_s: float = END_S, amps: float = 150.0, rpm: float = 1500.0) -> Signals:
    """Speed, a current that is high for a quarter of the time, and a contactor that switches now and then."""
    at = np.arange(0.0, until_s, 0.05)
    current = np.where((at >= HIGH_S[0]) & (at < HIGH_S[1]), amps, 2.0)
    closed = np.searchsorted(SWITCHED_S, at) % 2 == 1
    parts = (
        Part("battery_current", at, current, "A", "Pack.Current"),
        Part("motor_speed", at, np.full(at.size, rpm) + np.arange(at.size) % 5, "rpm", "Other.Speed"),
        Part("main_contactor", at, closed * 1.0, "", "Other.Main", on=closed),
    )
    return Signals({part.name: part for part in parts}, 0.0, END_S)


def found(kind: str, frames: Sequence[Frame], signals: Signals, **stated: int) -> list[Finding]:
    """The findings of one kind."""
    traffic = traffic_of(sorted(frames, key=lambda frame: frame.time_s), 5000)
    record = BusRecord(traffic, 0, SPECS, stated)
    every = bus(signals, Observations(signals, Vehicle(), record), Vehicle())
    return [each for each in every if each.kind == kind]


def errors(*moments_s: float, kind: int = DAMAGED, each: int = 3) -> list[Frame]:
    """Bursts of error frames, a millisecond apart."""
    return [Frame(at_s + 1e-3 * k, kind, bytes(8), Flag.ERROR) for at_s in moments_s for k in range(each)]


def spread(count: int, begin_s: float, end_s: float) -> list[float]:
    """So many moments, evenly within a span."""
    return ((np.arange(count) + 0.5) / count * (end_s - begin_s) + begin_s).tolist()


AT_SWITCHING = [at_s + late_s for at_s in SWITCHED_S for late_s in (-0.2, 0.05, 0.25)]
ORIGINS: dict[str, tuple[list[float], Signals, str, float | None]] = {
    "while the current is high alone": (spread(12, *HIGH_S), drive(), "current", None),
    "four of five of them then": (spread(12, *HIGH_S) + spread(3, 46, 59), drive(), "current", (12 / 15) / (3 / 45)),
    "half of them then: chance would do it": (spread(6, *HIGH_S) + spread(6, 46, 59), drive(), "undetermined", None),
    "evenly": (spread(40, 0.5, 59.5), drive(), "undetermined", None),
    "too few": (spread(4, *HIGH_S), drive(), "undetermined", None),
    "a current that disturbs nothing": (spread(12, *HIGH_S), drive(amps=15.0), "undetermined", None),
    "around switchings alone": (AT_SWITCHING, drive(), "switching", None),
    "around switchings four times of five": (
        AT_SWITCHING + spread(3, 46, 59), drive(), "switching", (12 / 2.4) / (3 / 57.6),
    ),
    "what came after the current was logged does not count": (
        spread(12, *HIGH_S) + spread(40, 41, 59), drive(40.0), "current", None,
    ),
    "high for nearly as long as it is logged": (spread(12, *HIGH_S), drive(36.0), "current", None),
    "too little else to compare with": (
        spread(12, *HIGH_S),
        Signals({n: p.where(p.time_s > 16.0) for n, p in drive(36.0).parts.items() if n == "battery_current"}, 0, 60.0),
        "undetermined", None,
    ),
    "nothing else logged": (spread(12, *HIGH_S), Signals({}, 0.0, END_S), "undetermined", None),
}  # fmt: skip


@pytest.mark.parametrize("name", ORIGINS)
def test_error_frames_go_with_what_they_come_with_beyond_chance(name: str) -> None:
    moments, signals, cause, ratio = ORIGINS[name]
    (one,) = found("bus.error_frames", [*sent(0x100), *errors(*moments)], signals)
    assert one.cause == cause
    assert one.measured["burst_count"].value == len(moments)
    assert one.measured["count"].value == 3 * len(moments)
    assert ("rate_ratio" in one.measured) == (cause != "undetermined")
    if cause != "undetermined":
        assert one.measured["rate_ratio"].low is not None
        assert one.measured["rate_ratio"].low > 2.0
        assert one.measured["rate_ratio"].value == (None if ratio is None else pytest.approx(ratio, rel=0.02))


def test_a_bus_on_which_nothing_but_errors_is_heard_may_have_another_bit_rate() -> None:
    (one,) = found("bus.error_frames", errors(*spread(8, 1.0, 50.0)), Signals({}, 0.0, END_S))
    assert one.cause == "bit_rate"


def test_frames_that_nobody_acknowledges_are_the_loggers_own() -> None:
    (one,) = found("bus.error_frames", [*sent(0x100), *errors(*spread(8, *HIGH_S), kind=0x020)], drive())
    assert one.cause == "no_acknowledge"


@pytest.mark.parametrize(("each", "severity"), [(1, Severity.INFO), (4, Severity.WARNING)])
def test_a_few_error_frames_are_no_warning(each: int, severity: Severity) -> None:
    """Six are what plugging in a logger may cause; 24 of 1,200 frames are far more than a sound bus has."""
    (one,) = found("bus.error_frames", [*sent(0x100), *errors(*spread(6, 0.5, 59.5), each=each)], drive())
    assert one.severity is severity
    assert one.measured["error_frame_percent"].value == pytest.approx(100 * 6 * each / (1200 + 6 * each))


OTHERS = (*sent(0x200), *sent(0x300), *sent(0x301))


def node(off: tuple[float, float], *, restarts: bool = True, signals: Signals | None = None) -> list[Finding]:
    """What is said of a node with two messages that is silent for a while."""
    gone = [frame for identifier in (0x100, 0x101) for frame in sent(identifier, off, restarts=restarts)]
    findings = [
        finding
        for kind in ("bus.node_restart", "bus.node_absent")
        for finding in found(kind, [*OTHERS, *gone], signals or drive())
    ]
    return findings


STILL = drive(amps=0.0, rpm=0.0)
ABSENT: dict[str, tuple[tuple[float, float], bool, Signals, str, Severity]] = {
    "restarted while driving": ((10.0, 11.2), True, drive(), "node_restart", Severity.WARNING),
    "restarted at rest": ((10.0, 11.2), True, STILL, "node_restart", Severity.INFO),
    "restarted after 20 s": ((10.0, 30.0), True, drive(), "node_restart", Severity.WARNING),
    "switched on again after 40 s": ((10.0, 50.0), True, drive(), "node_restart", Severity.INFO),
    "gone for 2 s while driving": ((10.0, 12.0), False, drive(), "node_absent", Severity.WARNING),
    "gone for 5 s, as a function is": ((10.0, 15.0), False, drive(), "node_absent", Severity.INFO),
    "gone for good": ((20.0, END_S), False, drive(), "node_absent", Severity.INFO),
}


@pytest.mark.parametrize("name", ABSENT)
def test_a_node_that_stops_is_a_fault_where_it_was_in_use_and_came_back_soon(name: str) -> None:
    off, restarts, signals, kind, severity = ABSENT[name]
    (one,) = node(off, restarts=restarts, signals=signals)
    assert (one.kind, one.severity) == (f"bus.{kind}", severity)
    assert one.measured["longest_s"].value == pytest.approx(off[1] - off[0], abs=0.11)
    assert one.measured["message_count"].value == 2
    assert "Inverter, all 2 messages," in one.title
    assert ("until the end of the log" in one.title) == (off[1] == END_S)


@pytest.mark.parametrize(
    ("second", "severity"),
    [((30.0, 31.2), Severity.WARNING), ((20.0, 55.0), Severity.INFO)],  # 35 s: switched off, and on again
)
def test_a_node_with_one_long_absence_was_switched_off(second: tuple[float, float], severity: Severity) -> None:
    def gone(identifier: int) -> list[Frame]:
        return [f for f in sent(identifier, (10.0, 11.2), restarts=True) if not second[0] <= f.time_s < second[1]]

    frames = [*OTHERS, *gone(0x100), *gone(0x101)]
    (one,) = [f for kind in ("bus.node_restart", "bus.node_absent") for f in found(kind, frames, drive())]
    assert (one.measured["count"].value, one.severity) == (2, severity)
    assert one.measured["longest_s"].value == pytest.approx(second[1] - second[0], abs=0.11)
    assert "2 times, the longest" in one.title


def test_a_node_of_which_a_message_goes_on_is_not_called_by_its_name() -> None:
    gone = [frame for identifier in (0x101, 0x102) for frame in sent(identifier, (10.0, 11.2))]
    (one,) = found("bus.node_restart", [*OTHERS, *sent(0x100), *gone], drive())
    assert "a node (2 messages)" in one.title


@pytest.mark.parametrize(
    ("stated", "severity"), [(500_000, Severity.GOOD), (13_000, Severity.INFO), (11_000, Severity.WARNING)]
)
def test_a_bus_is_full_where_its_frames_need_most_of_the_time(stated: int, severity: Severity) -> None:
    """80 frames a second of 8 bytes: 111 to 135 bits each with the space between them, some 10 kbit/s."""
    frames = [frame for identifier in (0x100, 0x101, 0x200, 0x300) for frame in sent(identifier)]
    (one,) = found("bus.load", frames, drive(), can0=stated)
    share = (one.measured["mean_load_percent"].value or 0.0) / 100
    assert 80 * 111 <= share * stated <= 80 * 135
    assert one.measured["bit_rate_bit_per_s"].value == stated
    assert one.severity is severity


def test_a_stated_rate_that_more_bits_passed_than_it_allows_is_contradicted() -> None:
    frames = [frame for identifier in (0x100, 0x101, 0x200, 0x300) for frame in sent(identifier)]
    (one,) = found("bus.bit_rate", frames, drive(), can0=5_000)
    assert one.severity is Severity.WARNING
    assert one.measured["bit_rate_bit_per_s"].value is None
    assert 80 * 111 <= (one.measured["bit_rate_bit_per_s"].low or 0.0) <= 80 * 135
    assert one.expected["bit_rate_bit_per_s"].value == 5_000


@pytest.mark.parametrize(
    ("speed", "throughout"),
    [
        ((0.0, END_S, 1500.0), True),
        ((10.0, 20.0, 1500.0), True),
        ((10.0, 14.9, 1500.0), False),  # logged for less than half of the span
        ((15.1, 20.0, 1500.0), False),
        ((10.0, 15.2, 1500.0), True),
        ((14.8, 20.0, 1500.0), True),
        ((0.0, END_S, -1500.0), True),
        ((0.0, END_S, 99.0), False),  # now and then below 100 rpm
        ((0.0, END_S, 100.5), True),
        ((0.0, END_S, 0.0), False),
    ],
)
def test_a_drive_is_in_use_throughout_a_span_as_far_as_its_speed_is_logged(
    speed: tuple[float, float, float], throughout: bool
) -> None:
    begin_s, end_s, rpm = speed
    at = np.arange(begin_s, end_s, 0.05)
    part = Part("motor_speed", at, rpm + np.arange(at.size) % 5, "rpm", "Other.Speed")
    traffic = traffic_of(sent(0x200))
    context = Context(BusRecord(traffic, 0, SPECS), Signals({part.name: part}, 0.0, END_S), Vehicle())
    assert context.in_use_throughout(10.0, 20.0, traffic.buses[0].messages[0]) is throughout


def lost(frames: Sequence[Frame], at_s: Sequence[float]) -> list[Frame]:
    """Without the frame that follows each of these moments."""
    times = [frame.time_s for frame in frames]
    gone = {int(np.searchsorted(times, moment)) for moment in at_s}
    return [frame for k, frame in enumerate(frames) if k not in gone]


@pytest.mark.parametrize(
    ("count", "others", "severity"),
    [
        (15, OTHERS, Severity.WARNING),  # 1.25 %: receivers begin to notice
        (6, OTHERS, Severity.INFO),
        (15, sent(0x200), Severity.INFO),  # one other counter does not show who lost them
    ],
)
def test_messages_are_missing_by_the_counter_of_their_sender(
    count: int, others: tuple[Frame, ...], severity: Severity
) -> None:
    frames = [*others, *lost(sent(0x100), spread(count, 15.0, 55.0))]
    (one,) = found("bus.message_missing", frames, drive())
    assert one.severity is severity
    assert one.measured["count"].value == count
    assert one.measured["missing_percent"].value == pytest.approx(100 * count / 1200)
    assert not found("bus.log_incomplete", frames, drive())


def test_two_missing_messages_are_none() -> None:
    assert not found("bus.message_missing", [*OTHERS, *lost(sent(0x100), [20.0, 40.0])], drive())


def test_what_all_counters_skip_at_once_the_logger_has_lost() -> None:
    moments = spread(10, 15.0, 55.0)
    frames = [frame for each in (0x100, 0x200, 0x300, 0x301) for frame in lost(sent(each), moments)]
    (one,) = found("bus.log_incomplete", frames, drive())
    assert one.severity is Severity.INFO
    assert one.measured["count"].value == 40
    assert not found("bus.message_missing", frames, drive())


@pytest.mark.parametrize(("mapped", "severity"), [(True, Severity.WARNING), (False, Severity.INFO)])
def test_a_message_shorter_than_its_definition_is_a_warning_where_a_part_rests_on_it(
    mapped: bool, severity: Severity
) -> None:
    short = [Frame(frame.time_s, 0x102, frame.data[:4]) for frame in sent(0x102)]
    at = np.arange(0.0, END_S, 0.05)
    part = Part("motor_speed", at, np.zeros(at.size), "rpm", "Long.Speed" if mapped else "Other.Speed")
    (one,) = found("bus.length", [*OTHERS, *short], Signals({part.name: part}, 0.0, END_S))
    assert one.severity is severity
    assert (one.measured["count"].value, one.measured["longest_byte"].value) == (1, 4)
    assert "needs 6" in one.title
    assert not found("bus.length", [*OTHERS, *sent(0x102)], Signals({}, 0.0, END_S))
