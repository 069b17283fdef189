"""What a far stamp is, on both sides of each limit; by hand, since no published log with known faults is at hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from made_frames import frames_at

from logscope.capture.clock import SECOND_NS as S
from logscope.capture.clock import WRAPS_NS, Clock, on_one_clock
from logscope.capture.frames import Account, BadLine, Block, Gap, TimeStep
from logscope.capture.samples import Samples, SerialAccount, SerialLog
from logscope.capture.shift import Shift, shifted_blocks, shifted_serial
from logscope.definitions.spec import MessageSpec

MS = 1_000_000
DAY = 86_400 * S


def mended(*stamps: int, ahead: Sequence[int] = ()) -> tuple[list[int], Clock]:
    """The stamps on one clock, and what was noted."""
    clock = Clock()
    return clock.mend(np.array(stamps, np.int64), np.array(ahead, np.int64)).tolist(), clock


def test_counters_wrap_after_what_their_bits_hold() -> None:
    """16 and 32 bits of milliseconds: 65.536 s and 49.7 days; 32 bits of microseconds: 71.6 minutes."""
    assert [span / S for span in WRAPS_NS] == pytest.approx([65.536, 49.71026962963 * 86_400, 4294.967296])


@pytest.mark.parametrize(
    ("leap_ns", "gaps", "steps"),
    [
        (S, 0, 0),
        (S + 1, 1, 0),
        (DAY, 1, 0),
        (DAY + 1, 0, 1),
        (-S, 0, 0),  # frames out of order
        (-S - 1, 0, 1),
    ],
)
def test_a_leap_is_reordering_a_gap_or_a_step(leap_ns: int, gaps: int, steps: int) -> None:
    """Ten stamps every 10 ms from ten days on, then ten more after the leap, on the same grid."""
    before = [10 * DAY + 10 * MS * k for k in range(10)]
    after = [before[-1] + leap_ns + 10 * MS * k for k in range(10)]
    found, clock = mended(*before, *after)
    assert (len(clock.gaps), len(clock.steps), clock.repaired, clock.wraps) == (gaps, steps, 0, 0)
    assert found[:10] == before
    assert found[10:] == ([before[-1] + 10 * MS * k for k in range(10)] if steps else after)
    if gaps:
        assert clock.gaps == [Gap(before[-1], before[-1] + leap_ns)]
    if steps:
        assert clock.steps == [TimeStep(before[-1], leap_ns)]


@pytest.mark.parametrize(
    ("votes_back", "votes_with", "repaired"),
    [(2, 1, 1), (1, 2, 0), (1, 1, 0), (3, 0, 1), (0, 0, 0), (1, 0, 1)],
)
def test_the_next_stamps_vote_on_a_far_one(votes_back: int, votes_with: int, repaired: int) -> None:
    """An hour ahead; of those after it some stand by the old clock and some by the new one. A tie is a leap."""
    start = 10 * DAY
    far = start + 3600 * S
    following = [start + MS] * votes_back + [far + MS] * votes_with
    clock = Clock()
    found = clock.mend(np.array([start - MS, start, far], np.int64), np.array(following, np.int64))
    assert clock.repaired == repaired
    assert found[2] == (start if repaired else far)


@pytest.mark.parametrize(
    ("before", "after", "span"),
    [
        # within a second after the wrap, or one before it where buses come out of order
        (65_000 * MS, 464 * MS, WRAPS_NS[0]),
        (65_000 * MS, 465 * MS, WRAPS_NS[0]),
        # a silence through the wrap: at most 1.024 s of the short counter, a minute of the long ones on either side
        (64_512 * MS, 1_024 * MS, WRAPS_NS[0]),
        (64_511 * MS, 1_024 * MS, 0),
        (64_512 * MS, 1_025 * MS, 0),
        (4_234_967_296_000, 60 * S, WRAPS_NS[2]),
        (4_234_967_295_999, 60 * S, 0),
        (4_234_967_296_000, 60 * S + 1, 0),
        (4_290_000 * MS, 10 * S, WRAPS_NS[2]),
        (3_000 * S, 10 * S, 0),
        (WRAPS_NS[1] - 60 * S, 60 * S, WRAPS_NS[1]),
    ],
)
def test_a_counter_wrapped_that_stood_near_its_end_and_starts_near_zero(before: int, after: int, span: int) -> None:
    assert Clock._wrapped(before, after) == span


@pytest.mark.parametrize(("before", "span"), [(68_536 * MS, 1), (68_537 * MS, 0), (66_536 * MS, 1), (66_535 * MS, 0)])
def test_a_wrap_is_a_fall_by_the_span_give_or_take_a_second(before: int, span: int) -> None:
    """To 2 s, or 67.536 s unrolled: a second later at most, or a second earlier where frames are out of order."""
    assert bool(Clock._wrapped(before, 2_000 * MS)) == bool(span)


def test_a_silence_through_a_wrap_is_a_gap() -> None:
    before, after = 4_290_000 * MS, 10_000 * MS
    found, clock = mended(before, before + 10 * MS, after, after + 10 * MS)
    unrolled = after + WRAPS_NS[2]
    assert found == [before, before + 10 * MS, unrolled, unrolled + 10 * MS]
    assert (clock.wraps, clock.gaps) == (1, [Gap(before + 10 * MS, unrolled)])


@pytest.mark.parametrize(
    ("first", "others", "begins"),
    [
        (10 * S, [0, 10 * MS], 0),  # the two after it agree on another time
        (10 * S, [0], 10 * S),  # one alone does not
        (10 * S, [0, S], 0),
        (10 * S, [0, S + 1], 10 * S),  # not together within a second
        (S, [0, 10 * MS], S),  # out of order by a second
        (S + 1, [0, 10 * MS], 0),
        (-DAY, [0, 10 * MS], -DAY),  # a silence of a day
        (-DAY - 1, [0, 10 * MS], 0),
    ],
)
def test_the_first_stamp_is_wrong_where_the_next_agree_on_another_time(
    first: int, others: Sequence[int], begins: int
) -> None:
    start = 100 * DAY
    found, clock = mended(start + first, *[start + each for each in others])
    assert found[0] == start + begins
    assert clock.repaired == (begins != first)


@pytest.mark.parametrize(("early_ns", "wraps"), [(200_000, 1), (S, 1), (S + 1, 0)])
def test_a_log_may_begin_just_before_its_counter_wraps(early_ns: int, wraps: int) -> None:
    """The first stamp stands alone before the wrap, by a second at most: further off it is wrong."""
    span = WRAPS_NS[2]
    found, clock = mended(span - early_ns, 0, 100_000, 200_000)
    later = [span, span + 100_000, span + 200_000] if wraps else [0, 100_000, 200_000]
    assert found == [span - early_ns if wraps else 0, *later]
    assert (clock.wraps, clock.repaired, clock.steps) == (wraps, 1 - wraps, [])


def test_what_was_mended_is_in_the_account_of_the_last_block() -> None:
    start = 10 * DAY
    stamps = [[start, start + 10 * MS], [start + 3600 * S, start + 20 * MS], [start + 30 * MS, start + 2 * S]]
    blocks = [Block(frames_at(each), Account(files=("a.log",), frames=2)) for each in stamps]
    found = list(on_one_clock(blocks, Clock()))
    assert [each.frames.time_ns.tolist() for each in found] == [
        stamps[0], [start + 10 * MS, start + 20 * MS], stamps[2],
    ]  # fmt: skip
    assert [each.account.stamps_repaired for each in found] == [0, 0, 1]
    assert found[2].account.gaps == (Gap(start + 30 * MS, start + 2 * S),)
    assert found[2].account.frames == 2
    assert found[2].account.notes == ("a.log: 1 single timestamps far off were replaced by the one before",)


# ------------------------------------------------------------------------------- another log's clock


def test_a_shift_moves_by_its_offset_and_by_its_drift_from_the_middle() -> None:
    """100 ppm: a second after the middle 0.1 ms later, a second before it 0.1 ms earlier."""
    shift = Shift(5 * S, 100e-6, 20 * S)
    stamps = [19 * S, 20 * S, 21 * S]
    expected = [24 * S - 100_000, 25 * S, 26 * S + 100_000]
    assert shift.stamps(np.array(stamps, np.int64)).tolist() == expected
    assert [shift.stamp(each) for each in stamps] == expected


def test_what_an_account_says_of_time_moves_with_the_log() -> None:
    shift = Shift(5 * S, 1e-3, 0)
    account = Account(time_steps=(TimeStep(10 * S, 7),), gaps=(Gap(20 * S, 30 * S),), frames=2)
    (block,) = shifted_blocks([Block(frames_at([10 * S, 40 * S]), account)], shift)
    assert block.frames.time_ns.tolist() == [15_010 * MS, 45_040 * MS]
    assert block.account == Account(
        time_steps=(TimeStep(15_010 * MS, 7),), gaps=(Gap(25_020 * MS, 35_030 * MS),), frames=2
    )
    samples = Samples(np.array([10 * S], np.int64), np.array([1.5]))
    spec = MessageSpec("Console", 0, False, 0, ())
    log = SerialLog(spec, {"Speed": samples}, SerialAccount(restarts=(Gap(20 * S, 30 * S),), lines=3))
    moved = shifted_serial(log, shift)
    assert moved.signals["Speed"].time_ns.tolist() == [15_010 * MS]
    assert moved.signals["Speed"].value.tolist() == [1.5]
    assert moved.account == SerialAccount(restarts=(Gap(25_020 * MS, 35_030 * MS),), lines=3)


# ------------------------------------------------------------------------------------------ accounts


def test_accounts_add_up_field_by_field() -> None:
    """Counts add, files and notes stand once, and no more than twenty bad lines are named."""
    names = (
        "lines", "lines_bad", "other", "sample_lines", "frames", "error_frames", "remote_frames", "out_of_order",
        "stamps_repaired", "lost", "resets",
    )  # fmt: skip
    bad = tuple(BadLine("a.log", k, "bad") for k in range(15))
    first = Account(
        **{name: k + 1 for k, name in enumerate(names)}, files=("a", "b"), notes=("n",), assumptions=("x",), bad=bad,
        restarts=(Gap(1, 2),), time_steps=(TimeStep(3, 4),), gaps=(Gap(5, 6),),
    )  # fmt: skip
    second = Account(
        **{name: 100 * (k + 1) for k, name in enumerate(names)}, files=("b", "c"), notes=("n", "m"),
        assumptions=("y", "x"), bad=bad, restarts=(Gap(7, 8),), time_steps=(TimeStep(9, 10),), gaps=(Gap(11, 12),),
    )  # fmt: skip
    both = first + second
    assert {name: getattr(both, name) for name in names} == {name: 101 * (k + 1) for k, name in enumerate(names)}
    assert (both.files, both.notes, both.assumptions) == (("a", "b", "c"), ("n", "m"), ("x", "y"))
    assert both.bad == (*bad, *bad[:5])
    assert both.restarts == (Gap(1, 2), Gap(7, 8))
    assert both.time_steps == (TimeStep(3, 4), TimeStep(9, 10))
    assert both.gaps == (Gap(5, 6), Gap(11, 12))


def test_the_account_of_a_console_is_that_of_any_log() -> None:
    bad = (BadLine("c.txt", 4, "cut"),)
    serial = SerialAccount(("c.txt",), 10, 6, 3, 1, bad, 2, (Gap(1, 2),), 5, ("n",), ("a",))
    assert serial.as_account() == Account(
        files=("c.txt",), lines=10, sample_lines=6, other=3, lines_bad=1, bad=bad, resets=2, restarts=(Gap(1, 2),),
        out_of_order=5, notes=("n",), assumptions=("a",),
    )  # fmt: skip
