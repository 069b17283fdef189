"""Late and absent messages by hand, on facts of made messages every 10 ms: each rule on both sides of its edge.

The rules are common practice, no published source: late from 2.5 periods to half a second, absent from ten on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from made_facts import MS, bus, counter, message, silence, skip

from logscope.bus.absences import Absence, absences, cyclic_messages
from logscope.bus.facts import CounterFacts, MessageFacts, Silence
from logscope.bus.lateness import late_messages

_OTHERS = (0x200, 0x210, 0x220)


def late(
    *silences: Silence, of: CounterFacts | None = None, others: Sequence[MessageFacts] | None = None, **facts: Any
) -> list[tuple[float, ...]]:
    """The late steps of 0x100 [ms], in company of others that come every 10 ms."""
    company = [message(identifier) for identifier in _OTHERS] if others is None else others
    judged = message(0x100, silences=silences, counter=of or counter(), **facts)
    found = {each.message.identifier: each for each in late_messages(bus([judged, *company]))}
    assert set(found) <= {0x100}
    return [(each.start_ns / MS, each.end_ns / MS) for each in found[0x100].steps] if found else []


@pytest.mark.parametrize(
    ("length_ms", "is_late"), [(25, False), (25.1, True), (100, True), (500, True), (500.1, False)]
)
def test_late_is_more_than_two_and_a_half_periods_and_no_absence(length_ms: float, is_late: bool) -> None:
    assert late(silence(3000, 3000 + length_ms)) == ([(3000, 3000 + length_ms)] if is_late else [])


@pytest.mark.parametrize(("length_ms", "is_late"), [(29, False), (31, True)])
def test_late_is_more_than_half_as_much_again_as_its_slowest_usual_step(length_ms: float, is_late: bool) -> None:
    """One step in ten takes 20 ms: nineteen of twenty are no longer than that."""
    steps = np.where(np.arange(199) % 10 == 0, 20, 10)
    stamps = np.concatenate(([0], np.cumsum(steps))) * MS
    company = [message(identifier) for identifier in _OTHERS]
    assert bool(late(silence(3000, 3000 + length_ms), others=company, stamps_ns=stamps)) == is_late


@pytest.mark.parametrize(
    ("of", "is_late"),
    [
        (counter(), True),
        (counter(skip(3000, 3040, 3)), False),  # missing, not late
        (counter(skip(2000, 2040, 3)), True),  # missing elsewhere
        (counter(skip(2000, 2040, 3), skips=2), False),  # not all skips are known
    ],
)
def test_a_message_that_is_missing_is_not_late(of: CounterFacts, is_late: bool) -> None:
    assert bool(late(silence(3000, 3040), of=of)) == is_late


@pytest.mark.parametrize("unknown", [{"learnt_ns": 0}, {"counter": None}])
def test_without_a_counter_or_a_period_nothing_is_late(unknown: dict[str, Any]) -> None:
    company = [message(identifier) for identifier in _OTHERS]
    judged = message(0x100, silences=(silence(3000, 3040),), counter=counter())
    assert len(late_messages(bus([judged, *company]))) == 1
    assert late_messages(bus([replace(judged, **unknown), *company])) == []


@pytest.mark.parametrize(
    ("changed", "is_late"),
    [
        ({}, True),
        ({"period_ms": 14.9}, True),
        ({"period_ms": 15.1}, False),  # too slow to show that the logger kept up
        ({"count": 501}, False),  # its last frame is at 5.0 s, before the step
        ({"count": 501, "last_ns": 9_000 * MS}, True),
        ({"count": 500, "last_ns": 9_000 * MS}, False),  # half as many frames: it comes and goes
        ({"first_ns": 6_001 * MS}, False),
        ({"first_ns": 6_000 * MS}, True),
        ({"last_ns": 6_039 * MS}, False),
        ({"last_ns": 6_040 * MS}, True),
        ({"silences": (silence(6_005, 6_030),)}, False),  # silent at the same time
        ({"silences": (silence(6_027, 6_060),)}, False),  # for more than 0.3 of it
        ({"silences": (silence(6_029, 6_062),)}, True),
        ({"silences": (silence(6_005, 6_025),)}, True),  # no longer than half of it
        ({"silences": (silence(6_005, 6_026),)}, False),
        ({"silences": tuple(silence(100 * k, 100 * k + 19) for k in range(16))}, True),
        ({"silences": tuple(silence(100 * k, 100 * k + 20) for k in range(16))}, False),  # others may be as long
        ({"silences": tuple(silence(100 * k, 100 * k + 20) for k in range(15))}, True),
    ],
)
def test_two_others_must_have_come_in_time(changed: dict[str, Any], is_late: bool) -> None:
    """The step lasts from 6.00 to 6.04 s; of two others the one is changed."""
    others = [message(0x200), message(0x210, **changed)]
    assert bool(late(silence(6_000, 6_040), others=others)) == is_late


@pytest.mark.parametrize(("end_ms", "is_late"), [(6_013, False), (6_011, True)])
def test_another_that_was_late_too_forbids_it_whoever_came_in_time(end_ms: float, is_late: bool) -> None:
    """The third is silent until 6.013 s, for 0.3 of the step and a little more."""
    others = [message(0x200), message(0x210), message(0x220, silences=(silence(5_970, end_ms),))]
    assert bool(late(silence(6_000, 6_040), others=others)) == is_late


def test_late_messages_have_their_period_and_longest_step() -> None:
    company = [message(identifier) for identifier in _OTHERS]
    steps = (silence(1000, 1030), silence(3000, 3060), silence(5000, 5040))
    (found,) = late_messages(bus([message(0x100, silences=steps, counter=counter()), *company]))
    assert (found.message.identifier, found.steps) == (0x100, steps)
    assert (found.period_s, found.longest_s) == pytest.approx((0.01, 0.06))


# ---------------------------------------------------------------------------------------- absences


@pytest.mark.parametrize(
    ("facts", "cyclic"),
    [
        ({}, True),
        ({"count": 20}, True),
        ({"count": 19}, False),
        ({"stamps_ns": np.cumsum(np.where(np.arange(100) % 10 == 0, 29, 10)) * MS}, True),
        ({"stamps_ns": np.cumsum(np.where(np.arange(100) % 10 == 0, 31, 10)) * MS}, False),  # comes on events as well
        ({"stamps_ns": np.cumsum(np.where(np.arange(100) % 3 == 0, 30, 10)) * MS}, False),
    ],
)
def test_a_cyclic_message_keeps_a_period_through_the_log(facts: dict[str, Any], cyclic: bool) -> None:
    assert [each.identifier for each, _ in cyclic_messages(bus([message(**facts)]))] == ([0x100] if cyclic else [])


def absent(judged: Sequence[MessageFacts], others: int = 3, **facts: Any) -> list[Absence]:
    """The absences on a bus where so many others come every 10 ms until 60 s."""
    rest = [message(0x200 + k, count=6001) for k in range(others)]
    return absences(bus([*judged, *rest], **facts))


def node(*silences: Silence, identifier: int = 0x100, period_ms: float = 10.0, **facts: Any) -> MessageFacts:
    """A message until 60 s with these silences."""
    return message(identifier, period_ms, **({"count": 6001, "last_ns": 60_000 * MS, "silences": silences} | facts))


@pytest.mark.parametrize(
    ("period_ms", "length_ms", "found"),
    [
        (10, 500, False),
        (10, 501, True),
        (100, 1000, False),  # ten periods
        (100, 1001, True),
    ],
)
def test_an_absence_is_ten_periods_and_half_a_second(period_ms: float, length_ms: float, found: bool) -> None:
    assert bool(absent([node(silence(20_000, 20_000 + length_ms), period_ms=period_ms)])) == found


@pytest.mark.parametrize(("length_ms", "found"), [(2000, False), (2001, True)])
def test_ten_periods_are_those_of_its_slowest_usual_steps(length_ms: float, found: bool) -> None:
    """Nine steps in ten take 100 ms, the tenth 200."""
    stamps = np.cumsum(np.where(np.arange(200) % 10 == 0, 200, 100)) * MS
    assert bool(absent([node(silence(20_000, 20_000 + length_ms), stamps_ns=stamps)])) == found


@pytest.mark.parametrize(("count", "found"), [(15, 15), (16, 0)])
def test_a_message_that_comes_and_goes_is_not_absent(count: int, found: int) -> None:
    silences = [silence(2_000 * k, 2_000 * k + 800) for k in range(1, count + 1)]
    assert len(absent([node(*silences)])) == found


@pytest.mark.parametrize(("last_ms", "found"), [(50_000, False), (49_999, True)])
def test_who_stops_ten_seconds_before_the_end_did_not_go_to_sleep(last_ms: float, found: bool) -> None:
    absences_found = absent([node(last_ns=round(last_ms * MS))])
    assert bool(absences_found) == found
    for each in absences_found:
        assert (each.start_ns, each.end_ns, each.until_ns, each.restarted) == (49_999 * MS, None, 60_000 * MS, False)
        assert each.length_s == pytest.approx(10.001)


@pytest.mark.parametrize(("others", "found"), [(2, True), (1, False)])
def test_where_most_have_stopped_the_bus_went_to_sleep(others: int, found: bool) -> None:
    """Two stop at 20 and 30 s: with two others half of the messages are still sent at the end."""
    stopped = [node(last_ns=at * 1000 * MS) for at in (20, 30)]
    assert len(absent(stopped, others)) == (2 if found else 0)


@pytest.mark.parametrize(
    ("second", "together"),
    [
        ((20_000, 22_000), True),
        ((20_025, 22_000), True),  # a period and a half, and 10 ms
        ((20_026, 22_000), False),
        ((20_000, 22_500), True),  # back within half a second
        ((20_000, 22_501), False),
        ((19_975, 21_600), True),
        ((19_974, 21_600), False),
    ],
)
def test_messages_of_one_node_stop_and_start_together(second: tuple[float, float], together: bool) -> None:
    found = absent([node(silence(20_000, 22_000)), node(silence(*second), identifier=0x101)])
    assert [len(each.members) for each in found] == ([2] if together else [1, 1])
    if together:
        (both,) = found
        assert both.start_ns == max(20_000, second[0]) * MS  # from the last of their frames …
        assert both.end_ns == min(22_000, second[1]) * MS  # … to the first
        assert both.length_s == pytest.approx((min(22_000, second[1]) - max(20_000, second[0])) / 1e3)


@pytest.mark.parametrize(("second_ms", "together"), [(24_800, True), (24_801, False)])
def test_a_slow_message_may_come_back_two_periods_later(second_ms: float, together: bool) -> None:
    slow = node(silence(20_000, second_ms), identifier=0x101, period_ms=400.0)
    found = absent([node(silence(20_000, 24_000)), slow])
    assert [len(each.members) for each in found] == ([2] if together else [1, 1])


@pytest.mark.parametrize(
    ("counters", "restarted"),
    [
        ([counter(skip(20_000, 22_000, 3, value=1), span=256)], True),
        ([counter(skip(20_000, 22_000, 3, value=2), span=256)], False),
        ([counter(skip(20_000, 22_000, 3, value=0), span=101)], True),
        ([counter(skip(20_000, 22_000, 3, value=0), span=100)], False),  # one in fifty by chance
        ([counter(skip(20_000, 22_000, 3, value=0), span=16)] * 2, True),  # one in 64
        ([counter(skip(20_000, 22_000, 3, value=0), span=14)] * 2, False),  # one in 49
        ([counter(skip(20_000, 22_000, 3, value=0), span=256), counter(skip(20_000, 22_000, 3, value=9))], False),
        ([counter(skip(20_000, 22_000, 3, value=0), span=256), None], True),
        ([counter(skip(1_000, 1_020, 1, value=0), span=256)], False),  # a skip elsewhere
        ([None], False),
    ],
)
def test_counters_at_their_start_show_a_restart(counters: Sequence[CounterFacts | None], restarted: bool) -> None:
    members = [node(silence(20_000, 22_000), identifier=0x100 + k, counter=each) for k, each in enumerate(counters)]
    (found,) = absent(members)
    assert found.restarted == restarted


@pytest.mark.parametrize(
    ("silent_ms", "found"),
    [((20_500, 21_499), True), ((20_500, 21_500), False), ((19_000, 21_000), False), ((21_000, 23_000), False)],
)
def test_a_bus_that_was_silent_for_half_of_it_slept(silent_ms: tuple[float, float], found: bool) -> None:
    """The message is absent from 20 to 22 s."""
    assert bool(absent([node(silence(20_000, 22_000))], silences=(silence(*silent_ms),))) == found


@pytest.mark.parametrize(
    ("quiet", "until_ms", "others", "found"),
    [
        (0, 0, 1, 1),
        (0, 0, 0, 0),  # nobody kept on
        (3, 21_000, 1, 1),  # one of five
        (4, 21_000, 1, 0),  # one of six
        (4, 20_999, 1, 1),  # the four were absent for less than half of it
    ],
)
def test_enough_others_must_have_kept_on(quiet: int, until_ms: float, others: int, found: int) -> None:
    """The node is absent from 20 to 22 s, some others from 19 s on."""
    silent = [node(silence(20_000, 22_000))]
    overlap = [node(silence(19_000, until_ms), identifier=0x300 + k) for k in range(quiet)]
    alike = [each for each in absent([*silent, *overlap], others) if each.start_ns == 20_000 * MS]
    assert len(alike) == found


@pytest.mark.parametrize(("from_ms", "found"), [(19_999, 1), (20_000, 0)])
def test_a_message_that_began_meanwhile_did_not_keep_on(from_ms: float, found: int) -> None:
    other = node(identifier=0x200, first_ns=round(from_ms * MS))
    assert len(absences(bus([node(silence(20_000, 22_000)), other]))) == found
