"""The findings on messages, nodes, senders and timing of a bus: each value and word that depends on one, by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from made_bus_context import AT, CURRENT, SPEED, context, spans, value
from made_facts import MS, bus, counter, message, skip
from motor_traces import part

from logscope.bus.absences import Absence
from logscope.bus.checksums import FailingChecksum
from logscope.bus.facts import MessageFacts
from logscope.bus.losses import Losses, MissingMessages
from logscope.bus.senders import TwoSenders
from logscope.checks.bus import messages, nodes, senders
from logscope.findings import Event, Measured, Severity
from logscope.signals import Part


def test_the_parts_in_messages_are_those_of_their_name_without_bus_and_sender() -> None:
    made = context(SPEED, CURRENT)
    assert made.parts_in([message(0x100)]) == ("motor_speed",)
    assert made.parts_in([message(0x200)]) == ("battery_current",)
    assert made.parts_in([message(0x200), message(0x100)]) == ("motor_speed", "battery_current")
    assert made.parts_in([message(0x101), message(0x400)]) == ()


# ------------------------------------------------------------------------------------------ missing


def missing(identifier: int, count: int, of: int, *moments: tuple[float, float]) -> MissingMessages:
    pairs = tuple((round(a * MS), round(b * MS)) for a, b in moments)
    return MissingMessages(message(identifier, count=of, learnt_ns=20 * MS), pairs, count)


@pytest.mark.parametrize(("count", "found"), [(2, 0), (3, 1)])
def test_three_missing_messages_are_worth_a_finding(monkeypatch: pytest.MonkeyPatch, count: int, found: int) -> None:
    for which in range(2):
        each = missing(0x100, count, 97, (4000, 4040))
        lost = Losses((each,), (), 3, 0.5) if which == 0 else Losses((), (each,), 3, 0.5)
        monkeypatch.setattr(messages, "losses", lambda bus, lost=lost: lost)
        assert len(messages._missing(bus([]), context())) == found


def test_what_the_logger_lost_is_one_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    both = (missing(0x100, 2, 48, (9000, 9040), (4000, 4040)), missing(0x101, 3, 47, (4000, 4040)))
    monkeypatch.setattr(messages, "losses", lambda bus: Losses(both, (), 3, 0.034))
    (one,) = messages._missing(bus([]), context(SPEED))
    assert (one.kind, one.severity, one.parts) == ("bus.log_incomplete", Severity.INFO, ("motor_speed",))
    assert one.title == "Bus can0: the log misses 5 messages of 2 identifiers"
    assert "3.4 % of what the counters cover" in one.explanation
    assert one.measured == {"count": Measured(5.0, ""), "missing_percent": Measured(5.0, "%")}
    assert one.caution == ""
    assert spans(one) == [(2.0, 2.04), (7.0, 7.04)]


@pytest.mark.parametrize(
    ("known", "of", "severity", "said", "step"),
    [
        (3, 297, Severity.WARNING, "Other messages are complete then", "Look at the sender"),
        (3, 298, Severity.INFO, "Other messages are complete then", "Look at the sender"),
        (2, 27, Severity.INFO, "Too few other messages have a counter", "second logger"),
    ],
)
def test_what_a_sender_lost_is_a_warning_from_a_hundredth_on(
    monkeypatch: pytest.MonkeyPatch, known: int, of: int, severity: Severity, said: str, step: str
) -> None:
    each = missing(0x100, 3, of, (4000, 4040))
    monkeypatch.setattr(messages, "losses", lambda bus: Losses((), (each,), known, 0.0))
    (one,) = messages._missing(bus([]), context())
    assert (one.kind, one.severity) == ("bus.message_missing", severity)
    percent = 100 * 3 / (3 + of)
    assert one.title == f"Message Drive0: 3 messages missing by its counter ({percent:.2g} %)"
    assert value(one, "missing_percent") == pytest.approx(percent)
    assert "(usually 20.0 ms)" in one.explanation
    assert said in one.explanation
    assert step in one.next_step


@pytest.mark.parametrize(("count", "listed"), [(1, 1), (200, 200), (201, 200)])
def test_two_hundred_moments_are_listed(count: int, listed: int) -> None:
    each = missing(0x100, count, 900, *((10 * k, 10 * k + 5) for k in range(count)))
    words = messages.Words("t", "e", "n", hands_near_hv=False)
    one = messages._gathered("bus.message_missing", Severity.INFO, words, [each], context())
    assert (len(one.events), value(one, "count")) == (listed, count)


# -------------------------------------------------------------------------------------------- short


@pytest.mark.parametrize(
    ("facts", "found"),
    [
        ({"longest": 5}, True),
        ({"longest": 6}, False),
        ({"longest": 5, "remotes": 999}, True),
        ({"longest": 5, "remotes": 1000}, False),  # not one frame with data
        ({"identifier": 0x400, "longest": 1}, False),  # no definition
    ],
)
def test_a_message_that_is_never_long_enough(facts: dict[str, Any], found: bool) -> None:
    made = [message(**({"identifier": 0x200, "first_ns": 3_000 * MS, "last_ns": 9_000 * MS} | facts))]
    (*short,) = messages._short(bus(made), context())
    assert bool(short) == found
    for one in short:
        assert (one.kind, one.severity, one.start_s, one.end_s) == ("bus.length", Severity.INFO, 1.0, 7.0)
        assert one.title == "Message Long has 5 bytes, its definition needs 6"
        assert one.measured == {"count": Measured(1.0, ""), "longest_byte": Measured(5.0, "byte")}
        assert (one.caution, one.events) == ("", ())


def test_a_short_message_is_a_warning_where_a_part_rests_on_it() -> None:
    two = bus([message(0x200, longest=4), message(0x200, longest=2, bus="can1")])
    (one,) = messages._short(two, context(CURRENT))
    assert (one.severity, one.parts, value(one, "count")) == (Severity.WARNING, ("battery_current",), 2.0)
    assert one.title == "Message Long has 4 bytes, its definition needs 6, and 1 more"
    assert "No frame of Long is as long" in one.explanation


def test_failing_checksums_are_those_of_mapped_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = np.arange(250) * 10 * MS + 3_000 * MS
    monkeypatch.setattr(messages, "failing_checksums", lambda m: [FailingChecksum("Crc8", wrong, 5000)])
    made = bus([message(0x100), message(0x101)])
    (one,) = messages._checksums(made, context(SPEED))
    assert (one.kind, one.severity, one.parts) == ("bus.checksum", Severity.WARNING, ("motor_speed",))
    assert one.title == "Message Drive0: the checksum fails in 250 of 5000 frames"
    assert "(Crc8) holds in all other frames" in one.explanation
    assert one.measured == {"count": Measured(250.0, ""), "failing_percent": Measured(5.0, "%")}
    assert one.caution == ""
    assert (len(one.events), one.events[1]) == (200, Event(1.01, 1.01))
    assert messages._checksums(made, context()) == []


# -------------------------------------------------------------------------------------------- nodes


def absent(start_s: float, end_s: float | None, members: Any, restarted: bool = False) -> Absence:
    def stamp(at_s: float) -> int:
        return round((at_s + 2.0) * 1e9)

    return Absence(tuple(members), stamp(start_s), None if end_s is None else stamp(end_s), stamp(60.0), restarted)


DRIVES = [message(0x100 + k) for k in range(3)]
USED = part("motor_speed", AT, np.full(AT.size, 900.0))
IDLE = part("motor_speed", AT, np.zeros(AT.size))


@pytest.mark.parametrize(
    ("gaps", "speed", "kind", "severity", "words"),
    [
        ([(10, 39.9, True)], USED, "bus.node_restart", Severity.WARNING, "restarted for 29.9 s,"),
        ([(10, 40.0, True)], USED, "bus.node_restart", Severity.INFO, "restarted for 30 s,"),
        ([(10, 39.9, True)], IDLE, "bus.node_restart", Severity.INFO, "restarted for 29.9 s,"),
        ([(10, 12.9, False)], USED, "bus.node_absent", Severity.WARNING, "stopped sending for 2.9 s,"),
        ([(10, 13.0, False)], USED, "bus.node_absent", Severity.INFO, "stopped sending for 3 s,"),
        ([(58, None, False)], USED, "bus.node_absent", Severity.INFO,
         "stopped sending for 2 s until the end of the log,"),
        ([(5, 6, True), (10, 39, False)], USED, "bus.node_restart", Severity.WARNING,
         "restarted 2 times, the longest for 29 s,"),
        ([(5, 6, False), (58, None, False)], USED, "bus.node_absent", Severity.WARNING,
         "stopped sending 2 times, the longest for 2 s until the end of the log,"),
    ],
)  # fmt: skip
def test_a_node_is_a_fault_where_it_came_back_soon_in_use(
    gaps: list[tuple[float, float | None, bool]], speed: Part, kind: str, severity: Severity, words: str
) -> None:
    group = [absent(start, end, DRIVES, restarted) for start, end, restarted in gaps]
    one = nodes._finding(bus(DRIVES), group, context(speed))
    assert (one.kind, one.severity) == (kind, severity)
    assert one.title == f"Bus can0: Inverter, all 3 messages, {words} while others kept sending"
    assert ("The drive was in use" in one.explanation) == (speed is USED)
    assert ("their counters started again" in one.explanation) == (kind == "bus.node_restart")
    assert ("has lost its supply or tripped its watchdog" in one.explanation) == (kind == "bus.node_restart")
    assert ("If this was not switched off on purpose" in one.next_step) == (
        kind == "bus.node_absent" and severity is Severity.INFO
    )
    lengths = [(60.0 if end is None else end) - start for start, end, _ in gaps]
    assert (value(one, "count"), value(one, "message_count")) == (len(gaps), 3.0)
    assert value(one, "longest_s") == pytest.approx(max(lengths))
    assert spans(one) == [(start, 60.0 if end is None else end) for start, end, _ in gaps]


@pytest.mark.parametrize(
    ("members", "who"),
    [
        (DRIVES, "Inverter, all 3 messages,"),
        (DRIVES[:2], "a node (2 messages)"),  # the third went on
        ([DRIVES[0]], "Drive0"),
        ([*DRIVES, message(0x200)], "a node (4 messages)"),
    ],
)
def test_a_node_is_called_by_its_name_where_all_of_it_stopped(members: list[MessageFacts], who: str) -> None:
    assert nodes._who(bus([*DRIVES, message(0x200)]), absent(1, 2, members), context()) == who


def test_a_node_of_one_message_is_called_by_its_name() -> None:
    assert nodes._who(bus(DRIVES[:1]), absent(1, 2, DRIVES[:1]), context()) == "Inverter"


def test_one_message_that_pauses_is_a_node_only_where_it_restarted(monkeypatch: pytest.MonkeyPatch) -> None:
    gaps = [
        absent(1, 2, DRIVES[:1]), absent(3, 4, DRIVES[:1], True), absent(5, 6, DRIVES[1:]), absent(7, 8, DRIVES[:0:-1]),
    ]  # fmt: skip
    monkeypatch.setattr(nodes, "absences", lambda bus: gaps)
    found = nodes.nodes(bus(DRIVES), context())
    assert [(each.kind, spans(each)) for each in found] == [
        ("bus.node_restart", [(3.0, 4.0)]), ("bus.node_absent", [(5.0, 6.0), (7.0, 8.0)]),
    ]  # fmt: skip


# ------------------------------------------------------------------------------------------ senders


@pytest.mark.parametrize(("copies", "severity"), [(False, Severity.WARNING), (True, Severity.INFO)])
def test_two_senders_are_said_with_their_clocks(
    monkeypatch: pytest.MonkeyPatch, copies: bool, severity: Severity
) -> None:
    two = TwoSenders(0.02, 40.123, 38.0, 42.0, copies)
    monkeypatch.setattr(senders, "two_senders", lambda m: two if m.identifier == 0x100 else None)
    made = [message(0x100, first_ns=3_000 * MS, last_ns=9_000 * MS), message(0x101)]
    (one,) = senders.senders(bus(made), context(SPEED))
    assert (one.kind, one.severity, one.start_s, one.end_s) == ("bus.two_senders", severity, 1.0, 7.0)
    tail = ", with the same contents" if copies else ""
    assert one.title == f"Message Drive0: two senders on can0, their clocks 40.1 ppm apart{tail}"
    assert ("Every other frame repeats the one before it, each sender every 20.0 ms" in one.explanation) == copies
    assert ("two devices, each every 20.0 ms" in one.explanation) != copies
    assert ("unplug it" in one.next_step) != copies
    assert one.measured == {
        "drift_ppm": Measured(40.123, "ppm", 38.0, 42.0), "sender_period_s": Measured(0.02, "s"),
    }  # fmt: skip
    assert (one.parts, one.caution) == (("motor_speed",), "")


@pytest.mark.parametrize(("count", "together"), [(2, False), (3, True)])
def test_three_identifiers_with_two_senders_have_one_cause(
    monkeypatch: pytest.MonkeyPatch, count: int, together: bool
) -> None:
    by_name = {0x100 + k: TwoSenders(0.02 + k, 40.0 + k, 38.0, 42.0, False) for k in range(count)}
    monkeypatch.setattr(senders, "two_senders", lambda m: by_name.get(m.identifier))
    made = [message(0x100 + k, first_ns=(3 + k) * 1000 * MS, last_ns=9_000 * MS) for k in range(4)]
    found = senders.senders(bus(made), context(SPEED))
    assert len(found) == (1 if together else count)
    if together:
        (one,) = found
        assert one.title == "Bus can0: 3 identifiers come from two senders each"
        assert "Drive0, Drive1 and Drive2 are sent by two clocks" in one.explanation
        assert (one.severity, one.start_s, one.end_s, len(one.events)) == (Severity.INFO, 1.0, 7.0, 3)
        assert (value(one, "drift_ppm"), value(one, "sender_period_s")) == (40.0, 0.02)  # of the first


def test_a_counter_that_shows_no_loss_has_no_finding() -> None:
    made = [message(0x100 + k, counter=counter()) for k in range(3)]
    assert messages._missing(bus(made), context()) == []
    lossy = [
        message(0x100, counter=counter(*(skip(1000 * k, 1000 * k + 20, 1) for k in range(1, 4))), count=90),
        *made[1:],
    ]
    (one,) = messages._missing(bus(lossy), context())
    assert (one.kind, value(one, "count")) == ("bus.message_missing", 3.0)
