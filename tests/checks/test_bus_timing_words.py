"""The findings on timing, load and error frames of a bus: each value and word that depends on one, by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_bus_context import AT, CURRENT, SPEED, context, spans, value
from made_facts import MS, bus, message, silence
from motor_traces import part

from logscope.bus.bit_rate import BitRate, Source
from logscope.bus.error_frames import Episode, ErrorStory, State
from logscope.bus.facts import ErrorFrames, MessageFacts, Still
from logscope.bus.lateness import LateMessages
from logscope.bus.load import Load
from logscope.bus.record import BusRecord
from logscope.bus.spacing import Uneven
from logscope.bus.waits import Wait
from logscope.bus.walk import LONGEST
from logscope.checks.bus import errors, load, timing
from logscope.checks.bus.check import bus as whole_bus
from logscope.findings import Finding, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

# ------------------------------------------------------------------------------------------- timing


@pytest.mark.parametrize(
    ("count", "said"), [(2, None), (3, "late 3 times"), (LONGEST, f"late at least {LONGEST} times")]
)
def test_late_messages_need_three_steps(monkeypatch: pytest.MonkeyPatch, count: int, said: str | None) -> None:
    steps = tuple(silence(3000 + 500 * k, 3050 + 501 * k) for k in range(count))
    monkeypatch.setattr(timing, "late_messages", lambda bus: [LateMessages(message(0x100), 0.01, steps)])
    found = timing._late(bus([]), context(SPEED))
    assert len(found) == (said is not None)
    for one in found:
        longest_s = (50 + count - 1) / 1e3
        assert one.title == f"Message Drive0: {said}, up to {1000 * longest_s:.3g} ms apart"
        assert "It usually comes every 10 ms" in one.explanation
        assert (one.kind, one.severity, one.parts) == ("bus.message_late", Severity.INFO, ("motor_speed",))
        assert one.measured == {
            "count": Measured(float(count), ""), "longest_s": Measured(pytest.approx(longest_s), "s"),  # type: ignore[arg-type]
        }  # fmt: skip
        assert spans(one)[1] == pytest.approx((1.5, 1.551))
        assert one.caution == ""


UNEVEN = [
    Uneven(Wait(message(0x100), 0.1, 0.08, 0.003), 0.002), Uneven(Wait(message(0x101), 0.2, 0.15, None), 0.002),
]  # fmt: skip


@pytest.mark.parametrize(
    ("rate", "two", "found"),
    [
        (BitRate(500_000, Source.GIVEN, 0.0), (), 2),
        (BitRate(None, Source.UNKNOWN, 0.0), (), 0),
        (BitRate(500_000, Source.GIVEN, 600_000.0), (), 0),  # contradicted
        (BitRate(500_000, Source.GIVEN, 0.0), (0x101,), 1),
        (BitRate(500_000, Source.GIVEN, 0.0), (0x100, 0x101), 0),
    ],
)
def test_uneven_messages_are_one_finding(
    monkeypatch: pytest.MonkeyPatch, rate: BitRate, two: tuple[int, ...], found: int
) -> None:
    monkeypatch.setattr(BusRecord, "rate", lambda self, bus: rate)
    monkeypatch.setattr(timing, "uneven_messages", lambda bus, bit_rate: UNEVEN if bit_rate == 500_000 else [])
    monkeypatch.setattr(timing, "two_senders", lambda m: 1 if m.identifier in two else None)
    jitter = timing._uneven(bus([], first_ns=3_000 * MS, last_ns=9_000 * MS), context(SPEED))
    assert len(jitter) == (found > 0)
    for one in jitter:
        noun = "2 messages" if found == 2 else "1 message"
        assert one.title == f"Bus can0: the spacing of {noun} varies, of Drive0 by 80 ms around 100 ms"
        assert "(calculated: 3 ms at worst)" in one.explanation
        assert "varies by (2 ms)" in one.method
        assert (one.kind, one.severity, one.start_s, one.end_s) == ("bus.jitter", Severity.INFO, 1.0, 7.0)
        assert one.caution == ""
        assert one.measured == {
            "count": Measured(float(found), ""), "variation_s": Measured(0.08, "s"),
            "longest_wait_s": Measured(0.003, "s"),
        }  # fmt: skip


def test_frozen_content_is_described_by_its_longest_stretch(monkeypatch: pytest.MonkeyPatch) -> None:
    stills = [
        Still(3_000 * MS, 4_000 * MS, 100),
        Still(6_000 * MS, 8_500 * MS, 120),
        Still(9_000 * MS, 12_000 * MS, 90),
    ]
    asked: list[bool] = []

    def frozen(m: MessageFacts, in_use: Any) -> list[Still]:
        asked.append(in_use(12_000 * MS, 22_000 * MS))
        return stills if m.identifier == 0x100 else []

    monkeypatch.setattr(timing, "frozen_stretches", frozen)
    moving = Part("motor_speed", AT, 900.0 + AT, "rpm", "Wide.Speed")
    (one,) = timing._frozen(bus([message(0x100), message(0x300)]), context(moving, CURRENT))
    assert asked == [True, False]  # a message is no witness of itself
    assert one.title == "Message Drive0: values frozen for 2.5 s while its counter ran"
    assert "the same in 120 frames in a row" in one.explanation
    assert (one.kind, one.severity) == ("bus.frozen", Severity.WARNING)
    assert one.measured == {"count": Measured(3.0, ""), "longest_s": Measured(2.5, "s")}
    assert spans(one) == [(1.0, 2.0), (4.0, 6.5), (7.0, 10.0)]
    assert one.caution == ""


# --------------------------------------------------------------------------------------------- load


@pytest.mark.parametrize(
    ("busiest", "late", "lower", "step", "verdict"),
    [
        (0.71, False, False, "Lengthen the periods", "The busiest second is above 70 %"),
        (0.70, True, False, "unless messages arrive late", "leave room: a bus is usually planned to 70 %"),
        (0.70, False, True, "Nothing to do.", "How much is free cannot be determined"),
        (0.90, False, False, "Lengthen", "above 70 %"),
        (0.91, False, True, "Lengthen", "nearly full"),
    ],
)
def test_what_is_said_of_a_load(busiest: float, late: bool, lower: bool, step: str, verdict: str) -> None:
    of: Any = SimpleNamespace(busiest=busiest, lower_bound=lower)
    assert step in load._step(busiest, late)
    assert verdict in load._verdict(of)


def test_the_longest_wait_is_said_beside_the_period_and_what_was_seen() -> None:
    assert load._wait_in_words(None, context()) == ""
    assert load._wait_in_words(Wait(message(0x100), 0.1, 0.02, None), context()) == (
        "No longest wait can be calculated for Drive0: the messages before it may fill the bus."
    )
    assert load._wait_in_words(Wait(message(0x100), 0.1, 0.02, 0.003), context()) == (
        "Calculated worst case, not seen in the log: Drive0 waits 3 ms of its period of 100 ms. "
        "Its spacing in the log varies by 20 ms."
    )


def test_of_waits_the_largest_share_of_a_period_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    waits = [Wait(message(0x100), 1.0, 0.0, 0.03), Wait(message(0x101), 0.02, 0.0, 0.01)]
    monkeypatch.setattr(load, "longest_waits", lambda bus, rate: waits)
    assert load._longest_wait(bus([]), 1) is waits[1]
    waits.append(Wait(message(0x102), 1.0, 0.0, None))
    assert load._longest_wait(bus([]), 1) is waits[2]
    waits.clear()
    assert load._longest_wait(bus([]), 1) is None


@pytest.mark.parametrize(
    ("inferred", "seen"),
    [(250_000, "its frames are spaced as at 250 kbit/s"), (None, "600 kbit passed within one second")],
)
def test_a_contradicted_rate_says_what_was_seen(inferred: int | None, seen: str) -> None:
    rate = BitRate(500_000, Source.GIVEN, 600_000.0, 9, inferred)
    one = load._contradicted(bus([], first_ns=3_000 * MS, last_ns=9_000 * MS), rate, context())
    assert one.title == f"Bus can0: the stated bit rate of 500 kbit/s cannot be right: {seen}"
    assert (one.kind, one.severity, one.start_s, one.end_s) == ("bus.bit_rate", Severity.WARNING, 1.0, 7.0)
    assert one.measured == {"bit_rate_bit_per_s": Measured(inferred, "bit/s", 600_000.0)}
    assert one.expected == {"bit_rate_bit_per_s": Measured(500_000.0, "bit/s")}
    assert one.caution == ""


LOW = "the load is a lower bound, and no longest wait is calculated"
PLAIN = Load(100e3, 200e3, 0.2, 0.4, 20_000 * MS, False)


@pytest.mark.parametrize(
    ("of", "rate", "waits", "title", "inside"),
    [
        (PLAIN, BitRate(500_000, Source.GIVEN, 0.0), [],
         "Bus can0: load 20.0 %, 40.0 % in the busiest second, at 500 kbit/s", ["Bit rate: as stated."]),
        (PLAIN, BitRate(83_333, Source.INFERRED, 0.0, 77), [Wait(message(0x100), 0.1, 0.02, 0.003)],
         "Bus can0: load 20.0 %, 40.0 % in the busiest second, at 83.33 kbit/s",
         ["Bit rate: inferred from 77 frames that follow another without a pause. Longest wait: calculated, not seen"]),
        (replace(PLAIN, lower_bound=True), BitRate(500_000, Source.GIVEN, 0.0), [],
         "Bus can0: load at least 20.0 %, at least 40.0 % in the busiest second, at 500 kbit/s", [LOW]),
        (replace(PLAIN, mean=None, busiest=None), BitRate(None, Source.UNKNOWN, 0.0), [],
         "Bus can0: 100 kbit/s on average, 200 kbit/s in the busiest second", []),
    ],
)  # fmt: skip
def test_a_load_is_said_with_where_its_rate_is_from(
    monkeypatch: pytest.MonkeyPatch, of: Load, rate: BitRate, waits: list[Wait], title: str, inside: list[str]
) -> None:
    monkeypatch.setattr(load, "longest_waits", lambda bus, bit_rate: waits)
    one = load._load(bus([], first_ns=3_000 * MS, last_ns=60_000 * MS), of, rate, context())
    assert (one.title, one.caution, one.start_s, one.end_s) == (title, "", 17.0, 18.0)
    assert [text for text in inside if text not in one.method] == []
    assert (LOW in one.method) == of.lower_bound
    assert ("Longest wait" in one.method) == bool(waits)
    assert value(one, "mean_bit_per_s") == 100e3
    assert value(one, "busiest_bit_per_s") == 200e3
    if rate.value is None:
        assert '[[can]] bus = "can0", bit_rate = 500000, or with --bit-rate can0=500000' in one.next_step
        assert "load unknown" in one.explanation
        assert set(one.measured) == {"mean_bit_per_s", "busiest_bit_per_s"}
    else:
        assert one.measured["mean_load_percent"] == Measured(pytest.approx(20.0), "%")  # type: ignore[arg-type]
        assert one.measured["busiest_load_percent"] == Measured(pytest.approx(40.0), "%")  # type: ignore[arg-type]
        assert one.measured["bit_rate_bit_per_s"] == Measured(float(rate.value), "bit/s")
    assert one.measured.get("longest_wait_s") == (Measured(0.003, "s") if waits else None)


def test_a_busy_second_at_the_beginning_begins_with_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "longest_waits", lambda bus, bit_rate: [])
    made = bus([], first_ns=19_600 * MS, last_ns=60_000 * MS)
    one = load._load(made, PLAIN, BitRate(500_000, Source.GIVEN, 0.0), context())
    assert (one.start_s, one.end_s) == (pytest.approx(17.6), 18.0)


@pytest.mark.parametrize(
    ("frames", "span_ms", "contradicted", "found"),
    [
        (99, 5000, False, None),
        (100, 1000, False, "bus.load"),
        (100, 999, False, None),
        (100, 999, True, "bus.bit_rate"),
    ],
)
def test_a_load_needs_a_hundred_frames_and_a_second(
    monkeypatch: pytest.MonkeyPatch, frames: int, span_ms: int, contradicted: bool, found: str | None
) -> None:
    rate = BitRate(500_000, Source.GIVEN, 600_000.0 if contradicted else 0.0)
    monkeypatch.setattr(BusRecord, "rate", lambda self, bus: rate)
    made = bus([], frames=frames, first_ns=3_000 * MS, last_ns=(3_000 + span_ms) * MS, bits=50_000)
    kinds = [each.kind for each in load.load(made, context())]
    assert kinds == ([found] if found else [])


# ------------------------------------------------------------------------------------- error frames


def story(disturbing: int = 8, bursts_s: tuple[float, ...] = (4.0, 6.0), **facts: Any) -> ErrorStory:
    known: dict[str, Any] = {
        "bursts_ns": np.array([round(each * 1e9) for each in bursts_s], np.int64), "until_ns": 62_000 * MS,
        "overflows": 0, "no_acknowledge": 0, "violations": {}, "episodes": (), "transmit_counter": None,
        "receive_counter": None,
    }  # fmt: skip
    return ErrorStory(disturbing=disturbing, **(known | facts))


def errors_of(monkeypatch: pytest.MonkeyPatch, of: ErrorStory, frames: int = 1000, **facts: Any) -> list[Finding]:
    monkeypatch.setattr(errors, "story_of", lambda found, end_ns: of)
    found = ErrorFrames(8, {(0x008, 0, 4): 8}, **facts)
    return errors.error_frames(bus([], frames=frames, errors=found), context())


PASSIVE = Episode(State.PASSIVE, 5_000 * MS, 8_000 * MS, True)


@pytest.mark.parametrize(
    ("of", "frames", "severity"),
    [
        (story(10), 1000, Severity.INFO),  # what plugging in a logger may cause
        (story(11), 10_999, Severity.WARNING),
        (story(11), 11_000, Severity.INFO),  # one in a thousand
        (story(1, episodes=(PASSIVE,)), 11_000, Severity.WARNING),
    ],
)
def test_error_frames_are_grave_where_they_are_many_or_the_controller_gave_up(
    monkeypatch: pytest.MonkeyPatch, of: ErrorStory, frames: int, severity: Severity
) -> None:
    (one,) = errors_of(monkeypatch, of, frames)
    assert (one.kind, one.severity, one.cause, one.parts) == ("bus.error_frames", severity, "undetermined", ())
    assert value(one, "error_frame_percent") == pytest.approx(100 * of.disturbing / (frames + of.disturbing))


def test_error_frames_are_measured_and_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    of = story(violations={"bit stuffing": 5}, transmit_counter=136, receive_counter=9)
    (one,) = errors_of(monkeypatch, of, 992)
    assert one.title == "Bus can0: 8 error frames in 2 bursts"
    assert one.explanation == (
        "Classes: protocol violation 8 (of these bit stuffing 5). Highest error counters: transmit 136, receive 9: "
        "what the logger itself sends fails. They go with neither current nor switching, as far as these are logged."
    )
    assert one.measured == {
        "count": Measured(8.0, ""), "burst_count": Measured(2.0, ""), "error_frame_percent": Measured(0.8, "%"),
        "transmit_error_count": Measured(136.0, ""), "receive_error_count": Measured(9.0, ""),
    }  # fmt: skip
    assert spans(one) == [(2.0, 2.0), (4.0, 4.0)]
    assert "too many to keep" not in one.method
    (some,) = errors_of(monkeypatch, story(until_ns=32_000 * MS), 992, until_ns=32_000 * MS)
    assert "what they go with are known up to 30 s only" in some.method


def test_states_of_the_controller_go_before_bursts(monkeypatch: pytest.MonkeyPatch) -> None:
    off = Episode(State.OFF, 10_000 * MS, 11_000 * MS, True)
    (one,) = errors_of(monkeypatch, story(episodes=(PASSIVE, off)))
    assert spans(one) == [(3.0, 6.0), (8.0, 9.0)]
    assert value(one, "longest_s") == 3.0
    assert errors_of(monkeypatch, story(0, ())) == []
    (silent,) = errors_of(monkeypatch, story(no_acknowledge=8, bursts_s=tuple(range(4, 254))), 0)
    assert (silent.cause, len(silent.events)) == ("no_acknowledge", 200)
    assert "another node is powered" in silent.next_step
    (unheard,) = errors_of(monkeypatch, story(), 0)
    assert (unheard.cause, "Not one frame was received" in unheard.explanation) == ("bit_rate", True)
    (lone,) = errors_of(monkeypatch, story(1, (4.0,)), 0)
    assert value(lone, "error_frame_percent") == 100.0
    (passive,) = errors_of(monkeypatch, story(0, (), episodes=(PASSIVE,), transmit_counter=128), 0)
    assert value(passive, "error_frame_percent") == 0.0
    assert "transmit_error_count" not in passive.measured
    assert value(unheard, "error_frame_percent") == 100.0


@pytest.mark.parametrize(
    ("bursts", "ratio", "words"),
    [
        (((2, 12),), None, "They come only while the current is high"),
        (((2, 12), (30, 60)), 7.98, "They come 7.98 times as often while the current is high"),
    ],
)
def test_errors_under_current_name_it(
    monkeypatch: pytest.MonkeyPatch, bursts: tuple[tuple[int, int], ...], ratio: float | None, words: str
) -> None:
    """High for 12 of 59.9 s; 10 bursts then and 5 in the other 47.9 s: (10/12) / (5/47.9) = 7.98."""
    high = part("motor_current", AT, np.where(AT < 12.0, 200.0, 0.0))
    counts = (10, 5)[: len(bursts)]
    moments = np.concatenate([np.linspace(a + 0.5, b - 0.5, n) for (a, b), n in zip(bursts, counts, strict=True)])
    of = story(15, tuple((moments + 2.0).tolist()))
    monkeypatch.setattr(errors, "story_of", lambda found, end_ns: of)
    (one,) = errors.error_frames(bus([], frames=1000, errors=ErrorFrames(15)), context(high))
    assert (one.cause, one.parts) == ("current", ("motor_current",))
    assert words in one.explanation
    assert "or a plug that moves while driving" in one.explanation
    assert value(one, "rate_ratio") == (None if ratio is None else pytest.approx(ratio, rel=0.01))


def test_a_message_of_a_part_in_doubt_is_in_doubt() -> None:
    known = Vehicle.model_validate({"signals": {"torque": "can0:Drive0.Torque", "brake": "Drive1.Brake"}})
    made = replace(context(), vehicle=known, signals=Signals({}, 0.0, 60.0, doubtful={"torque": "x", "fault": "y"}))
    assert [made.in_doubt(message(0x100 + k)) for k in range(4)] == [True, False, False, False]


def test_a_check_without_frames_has_nothing_to_check() -> None:
    empty = context()
    for record in (None, empty.record):
        with pytest.raises(NothingToCheck, match="no CAN frames"):
            whole_bus(empty.signals, Observations(empty.signals, Vehicle(), record), Vehicle())
