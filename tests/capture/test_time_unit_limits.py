"""When a unit of time is in doubt: frames of known length at 1 Mbit/s (ISO 11898-1), logs of known length."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest
from made_frames import frames_at

from logscope.capture.asc_time import AscTime, moment_of
from logscope.capture.columns import ColumnLayout, TimeUnit
from logscope.capture.frames import Account, Block, Flag, Frames, TimeStep
from logscope.capture.rows import concatenate, counts_of
from logscope.capture.time_unit import TimeColumn, _doubt, _Seen, doubted
from logscope.time_doubt import TimeDoubt

S = 1_000_000_000
DAY_S = 86_400.0


def seen_of(*blocks: Frames, leaps_ns: Sequence[int] = ()) -> _Seen:
    """What has passed after these blocks; leaps_ns : steps of the clock in the last of them."""
    seen = _Seen()
    for block in blocks:
        seen.add(block, Account())
    seen.add(frames_at([]), Account(time_steps=tuple(TimeStep(0, each) for each in leaps_ns)))
    return seen


@pytest.mark.parametrize(
    ("flags", "length", "wire_us"),
    [
        (Flag(0), 0, 47),
        (Flag(0), 8, 111),  # 47 + 64 bits at 1 µs
        (Flag.EXTENDED, 8, 131),  # 67 + 64
        (Flag.FD, 64, 111),  # 47 bits at 1 µs, 512 at 1/8 µs
        (Flag.FD | Flag.EXTENDED, 8, 75),  # 67, and 64 at 1/8
    ],
)
def test_frames_need_their_bits_at_the_fastest_rate(flags: Flag, length: int, wire_us: float) -> None:
    seen = seen_of(frames_at([0], [5], [length], [int(flags)]))
    assert seen.shortest_s == pytest.approx(wire_us * 1e-6)


def test_a_log_needs_the_time_of_its_fullest_bus_or_of_its_most_frequent_message() -> None:
    """On can1 two frames of 111 µs and one of 47; identifier 7 of can0 and of can1 are two messages."""
    made = frames_at([0] * 5, [7, 7, 8, 9, 7], [0, 8, 8, 0, 0], bus=[0, 1, 1, 1, 0], buses=("can0", "can1"))
    seen = seen_of(made)
    assert dict(seen.wire_s) == pytest.approx({"can0": 94e-6, "can1": 269e-6})
    assert dict(seen.frames) == {("can0", 7): 2, ("can1", 7): 1, ("can1", 8): 1, ("can1", 9): 1}
    assert seen.shortest_s == pytest.approx(1e-3)  # twice the same: a period of a millisecond
    assert seen_of(made, made).shortest_s == pytest.approx(3e-3)
    assert seen_of(frames_at([0] * 9, list(range(9)), [8] * 9)).shortest_s == pytest.approx(999e-6)


def test_a_log_is_from_its_first_stamp_to_its_last_in_any_order() -> None:
    assert seen_of(frames_at([5 * S, 9 * S]), frames_at([3 * S, 4 * S])).length_s == 6.0
    assert seen_of().length_s == 0.0


def doubt(frames: int, length_s: float, unit: TimeUnit = "s", leaps_ns: Sequence[int] = ()) -> TimeDoubt | None:
    """The doubt about a log of so many frames of one message, by a column of this unit."""
    stamps = [0] * (frames - 1) + [round(length_s * S)]
    layout = ColumnLayout(time="t", identifier="id", data=("d",))
    return _doubt(seen_of(frames_at(stamps), leaps_ns=leaps_ns), TimeColumn(unit, "guessed", layout), "a.csv")


@pytest.mark.parametrize(
    ("frames", "length_s", "unit", "doubtful"),
    [
        (1001, 0.901, "s", False),  # a second is needed, less the grid of a tenth
        (1001, 0.899, "s", True),
        (1001, DAY_S, "s", False),
        (1001, DAY_S + 1, "s", True),
        (1001, 0.0, "date", False),  # a date has no unit
        (1001, DAY_S + 1, "date", False),
    ],
)
def test_a_log_is_no_shorter_than_its_frames_and_no_longer_than_a_day(
    frames: int, length_s: float, unit: TimeUnit, doubtful: bool
) -> None:
    assert (doubt(frames, length_s, unit) is not None) == doubtful


@pytest.mark.parametrize(
    ("frames", "length_s", "unit", "others"),
    [
        # 200 000 s: 200 s in ms; 0.2 s in µs is too short for a thousand frames
        (1001, 200_000.0, "s", [("milliseconds", 200.0)]),
        (101, 200_000.0, "s", [("milliseconds", 200.0), ("microseconds", 0.2)]),
        # 20 frames in 200 s are one in ten seconds: offered after those that make it more frequent than one in five
        (20, 200_000.0, "s", [("microseconds", 0.2), ("milliseconds", 200.0)]),
        (41, 200_000.0, "s", [("milliseconds", 200.0), ("microseconds", 0.2)]),
        (1001, 0.05, "ms", [("seconds", 50.0)]),
        (1001, 0.05, "us", [("milliseconds", 50.0), ("seconds", 50_000.0)]),
        (1001, 0.05, "ns", [("microseconds", 50.0), ("milliseconds", 50_000.0)]),
        (5001, 1e-5, "s", []),
    ],
)
def test_other_units_are_offered_that_make_the_log_as_long_as_it_may_be(
    frames: int, length_s: float, unit: TimeUnit, others: list[tuple[str, float]]
) -> None:
    found = doubt(frames, length_s, unit)
    assert found is not None
    assert [name for name, _ in found.others] == [name for name, _ in others]
    assert [length for _, length in found.others] == pytest.approx([length for _, length in others])
    assert (found.length_s, found.shortest_s) == pytest.approx((length_s, (frames - 1) * 1e-3))
    assert (found.file, found.source) == ("a.csv", "guessed")


def test_leaps_of_the_clock_count_to_the_length() -> None:
    """Each step of a log in milliseconds, read as seconds, is more than a day: 500 000 s and back are 200 000."""
    found = doubt(1001, 0.0, "s", leaps_ns=[500_000 * S, -300_000 * S])
    assert found is not None
    assert found.length_s == pytest.approx(200_000.0)
    assert doubt(5001, 0.0, "s", leaps_ns=[1000]) is None  # the clock did jump: no unit explains it
    backwards = doubt(1001, 0.0, "s", leaps_ns=[-200_000 * S])
    assert backwards is not None
    assert backwards.length_s == pytest.approx(200_000.0)


def test_a_doubt_is_in_the_account_of_the_last_block() -> None:
    layout = ColumnLayout(time="t", identifier="id", data=("d",))
    blocks = [Block(frames_at([0]), Account(frames=1)), Block(frames_at([200_000 * S]), Account(frames=1))]
    first, last = doubted(blocks, TimeColumn("s", "guessed", layout), "a.csv")
    assert first.account == Account(frames=1)
    assert [each.unit for each in last.account.time_doubts] == ["seconds"]
    assert 'time_unit = "us"' in last.account.time_doubts[0].remedy  # two frames in 0.2 s, not in 200 s
    assert list(doubted([], TimeColumn("s", "guessed", layout), "a.csv")) == []


# ------------------------------------------------------------------------------------ dates of ASC


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("Mon Jan 5 12:00:00 am 2026", (2026, 1, 5, 0, 0, 0, 0)),  # midnight
        ("Mon Jan 5 12:00:00 pm 2026", (2026, 1, 5, 12, 0, 0, 0)),  # noon
        ("Mon Feb 2 11:59:58.5 PM 2026", (2026, 2, 2, 23, 59, 58, 500_000)),
        ("Mon Mar 2 1:02:03.25 a.m. 2026", (2026, 3, 2, 1, 2, 3, 250_000)),
        ("Mo März 2 13:02:03.000123 2026", (2026, 3, 2, 13, 2, 3, 123)),
        ("Mo M?r 2 13:02:03,123456789 2026", (2026, 3, 2, 13, 2, 3, 123_456)),
        ("Do Apr 2 00:00:00 2026", (2026, 4, 2, 0, 0, 0, 0)),
        ("Sat May 2 00:00:00 2026", (2026, 5, 2, 0, 0, 0, 0)),
        ("Sa Mai 2 00:00:00 2026", (2026, 5, 2, 0, 0, 0, 0)),
        ("Tue Jun 2 00:00:00 2026", (2026, 6, 2, 0, 0, 0, 0)),
        ("Thu Jul 2 00:00:00 2026", (2026, 7, 2, 0, 0, 0, 0)),
        ("Sun Aug 2 00:00:00 2026", (2026, 8, 2, 0, 0, 0, 0)),
        ("Wed Sep 2 00:00:00 2026", (2026, 9, 2, 0, 0, 0, 0)),
        ("Fri Oct 2 00:00:00 2026", (2026, 10, 2, 0, 0, 0, 0)),
        ("Fr Okt 2 00:00:00 2026", (2026, 10, 2, 0, 0, 0, 0)),
        ("Mon Nov 2 00:00:00 2026", (2026, 11, 2, 0, 0, 0, 0)),
        ("Wed Dec 2 00:00:00 2026", (2026, 12, 2, 0, 0, 0, 0)),
        ("Mi Dez 2 00:00:00 2026", (2026, 12, 2, 0, 0, 0, 0)),
        ("Mon Feb 30 00:00:00 2026", None),
        ("Mon Foo 2 00:00:00 2026", None),
        ("2026-02-02 00:00:00", None),
    ],
)
def test_a_date_in_english_or_german_is_read_to_the_microsecond(text: str, moment: tuple[int, ...] | None) -> None:
    assert moment_of(text) == (None if moment is None else datetime(*moment, tzinfo=UTC))  # type: ignore[misc, arg-type]


@pytest.mark.parametrize(
    ("head", "start_s", "unreadable"),
    [
        (["date Sun Sep 9 12:00:00 am 2001"], 999_993_600, ""),  # 2001-09-09T00:00:00Z by calendar
        (["date Sat Sep 8 11:59:59 pm 2001"], 0, ""),  # before: a writer without a date
        (["date Thu Jan 1 01:00:00 am 1970"], 0, ""),
        (["date Mon Mar 2 09:00:00.250 am 2026", "Begin Triggerblock Mon Mar 2 09:05:00.5 am 2026"],
         1_772_442_300.5, ""),  # the later line counts
        (["date what is this"], 0, "what is this"),
        (["date what is this", "begin triggerblock Mon Mar 2 09:00:00.25 am 2026"], 1_772_442_000.25, ""),
        (["// date Mon Mar 2 09:00:00 am 2026"], 0, ""),
    ],
)  # fmt: skip
def test_the_head_says_when_a_log_begins(head: list[str], start_s: float, unreadable: str) -> None:
    asc = AscTime()
    later = "date Mon Mar 2 09:00:00 am 2020\n"  # after the first frame no line is of the head
    lines = [*(each + "\n" for each in head), "0.5 1 100 Rx d 0\n", later, "0.7 1 100 Rx d 0\n"]
    assert list(asc.lines(lines)) == [*lines[: len(head)], "internal events logged\n", *lines[len(head) :]]
    assert (asc.start_ns, asc.unreadable) == (round(start_s * 100) * 10_000_000, unreadable)


def test_stamps_that_count_from_the_line_before_add_up_to_the_nanosecond() -> None:
    lines = ["base hex  timestamps relative\n", " 0.5 a\n", "  0.000000001 b\n", "1.6 c\n", "no stamp\n", "0.0 d\n"]
    assert list(AscTime().lines(lines)) == [
        lines[0], "internal events logged\n", " 0.500000000 a\n", "  0.500000001 b\n", "2.100000001 c\n",
        "no stamp\n", "2.100000001 d\n",
    ]  # fmt: skip


# ------------------------------------------------------------------------------- counts and joining


@pytest.mark.parametrize(("previous_ns", "backwards"), [(10, 1), (11, 2), (9, 1)])
def test_frames_are_out_of_order_that_are_stamped_before_the_one_before(previous_ns: int, backwards: int) -> None:
    made = frames_at([10, 10, 20, 15], flags=[int(Flag.ERROR), int(Flag.REMOTE), int(Flag.ERROR | Flag.FD), 0])
    assert counts_of(made, previous_ns) == {
        "frames": 4, "error_frames": 2, "remote_frames": 1, "out_of_order": backwards,
    }  # fmt: skip
    assert counts_of(frames_at([]), previous_ns)["out_of_order"] == 0


def test_tables_of_frames_join_with_one_table_of_buses() -> None:
    first = frames_at([1, 2], [10, 11], [2, 1], [1, 0], [1, 0], ("a", "b"))
    second = frames_at([3, 4], [12, 13], [3, 0], [0, 8], [0, 1], ("b", "c"))
    both = concatenate([first, frames_at([], buses=("never",)), second])
    assert both.buses == ("a", "b", "c")
    assert both.time_ns.tolist() == [1, 2, 3, 4]
    assert both.identifier.tolist() == [10, 11, 12, 13]
    assert both.bus.tolist() == [1, 0, 1, 2]
    assert both.flags.tolist() == [1, 0, 0, 8]
    assert [both.data(row) for row in range(4)] == [b"\0\1", b"\2", b"\0\1\2", b""]
    assert len(concatenate([])) == 0
