"""Messages are missing where both the time and the counter say so, counted by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import pytest
from made_facts import MS, bus, counter, message, skip

from logscope.bus.facts import CounterFacts, MessageFacts, Skip
from logscope.bus.losses import Losses, _missing, losses


@pytest.mark.parametrize(
    ("after_ms", "by_counter", "count"),
    [
        (40.0, 3, 3),
        (80.0, 3, 7),  # once round a counter of two bits, and three
        (200.0, 3, None),  # so many in a row are an absence, which is judged by itself
        (40.0, 2, None),  # the counter skips less than there was time for
        (10.0, 3, None),  # it skips, and nothing is missing: a restart
        (20.0, 1, 1),
        (44.9, 3, 3),
        (45.1, 3, None),  # nearer to four missing than to three
        (35.1, 3, 3),
        (34.9, 3, None),
        (110.0, 2, 10),
        (120.0, 3, None),  # eleven
    ],
)
def test_a_skip_is_a_loss_where_as_many_periods_went_by(after_ms: float, by_counter: int, count: int | None) -> None:
    skip = Skip(0, round(after_ms * 1e6), by_counter, 0, 0)
    message = SimpleNamespace(counter=SimpleNamespace(listed=(skip,), span=4), learnt_ns=10_000_000)
    assert _missing(cast(MessageFacts, message)) == ([] if count is None else [(skip, count)])


def test_without_a_counter_nothing_is_counted() -> None:
    assert _missing(cast(MessageFacts, SimpleNamespace(counter=None))) == []


def lost(*counters: CounterFacts | None, count: int = 90) -> Losses:
    """The losses of messages every 10 ms with these counters, of which each came so many times."""
    return losses(bus([message(0x100 + k, counter=each, count=count) for k, each in enumerate(counters)]))


def moments(found: Losses) -> tuple[list[tuple[int, float, int]], list[tuple[int, float, int]]]:
    """By the logger and by the sender: identifier, first moment [ms], count."""
    return tuple(  # type: ignore[return-value]
        [(each.message.identifier, each.moments[0][0] / MS, each.count) for each in kind]
        for kind in (found.by_logger, found.by_sender)
    )


def one(at_ms: float, missing: int = 1) -> CounterFacts:
    """A counter that steps over some at a moment; ten periods are the time for nine."""
    return counter(skip(at_ms, at_ms + 10 * (missing + 1), missing))


@pytest.mark.parametrize(
    ("at_ms", "by_logger"),
    [
        ((1000, 1050, 1100), [0x100, 0x101, 0x102]),  # three identifiers within a tenth of a second
        ((1000, 1050, 1100.1), []),
        ((1000, 1050), []),
        ((1000, 1050, 1060, 1130), [0x100, 0x101, 0x102, 0x103]),  # the fourth lost with the second and the third
        ((1000, 1050, 1060, 1151), [0x100, 0x101, 0x102]),
    ],
)
def test_what_several_lose_at_one_moment_the_logger_lost(at_ms: tuple[float, ...], by_logger: list[int]) -> None:
    """Five others have lost nothing, so that those who did are not most of them."""
    found = moments(lost(*(one(at) for at in at_ms), *[counter()] * 5))
    assert [identifier for identifier, *_ in found[0]] == by_logger
    assert [identifier for identifier, *_ in found[1]] == [
        0x100 + k for k in range(len(at_ms)) if 0x100 + k not in by_logger
    ]


@pytest.mark.parametrize(
    ("losing", "known", "by_logger"),
    [(3, 5, True), (2, 4, False), (2, 3, True), (2, 2, False), (5, 9, False)],  # six of ten, of at least three
)
def test_what_most_lose_the_logger_lost(losing: int, known: int, by_logger: bool) -> None:
    """Each at another time."""
    found = moments(lost(*(one(1000 * (k + 1)) for k in range(losing)), *[counter()] * (known - losing)))
    assert [len(each) for each in found] == ([losing, 0] if by_logger else [0, losing])


def test_three_losses_of_one_identifier_are_its_own() -> None:
    own = counter(skip(1000, 1020, 1), skip(1030, 1050, 1), skip(1060, 1090, 2))
    found = lost(own, *[counter()] * 3)
    assert moments(found) == ([], [(0x100, 1000, 4)])
    assert found.by_sender[0].moments == ((1000 * MS, 1020 * MS), (1030 * MS, 1050 * MS), (1060 * MS, 1090 * MS))
    assert found.by_sender[0].share == pytest.approx(4 / 94)  # of those that came and those that did not


def test_an_identifier_may_lose_with_others_and_alone() -> None:
    both = counter(skip(1000, 1020, 1), skip(5000, 5040, 3))
    found = lost(both, one(1010), one(1020), *[counter()] * 5)
    assert moments(found) == ([(0x100, 1000, 1), (0x101, 1010, 1), (0x102, 1020, 1)], [(0x100, 5000, 3)])
    assert found.lost_share == pytest.approx(3 / (8 * 90 + 3))  # the sender's own are no loss of the log


@pytest.mark.parametrize(
    ("skips", "learnt_ms", "known"),
    [(18, 10, 1), (19, 10, 0), (1, 0, 0)],  # a fifth of 90 frames
)
def test_a_counter_that_skips_often_counts_something_else(skips: int, learnt_ms: int, known: int) -> None:
    of = counter(skip(1000, 1020, 1), skips=skips)
    found = losses(bus([message(counter=of, count=90, learnt_ns=learnt_ms * MS), message(0x200)]))
    assert (found.known, len(found.by_sender)) == (known, known)
    assert found.lost_share == 0.0


@pytest.mark.parametrize(("known", "comparable"), [(2, False), (3, True)])
def test_three_counters_are_needed_to_compare(known: int, comparable: bool) -> None:
    found = lost(*[counter()] * known)
    assert (found.known, found.comparable, found.lost_share) == (known, comparable, 0.0)


def test_without_messages_nothing_is_lost() -> None:
    assert (lost().known, lost().lost_share) == (0, 0.0)
