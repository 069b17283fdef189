"""What states say of a link that rises, by tables of made states: a state may be logged late, or be the wrong signal.

True by construction: the test itself switches. How late a state may come is common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.observations.dc_link.flags import (
    FLAG_LAG_S,
    drawn_from,
    first_on_s,
    nothing_closes,
    surely_closed,
    with_flags,
    without_rise,
)
from logscope.observations.dc_link.link import describe_link
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Part, Signals

END_S = 20.0
MAIN, NEGATIVE, RELAY = "main_contactor", "negative_contactor", "precharge_relay"
Spans = list[tuple[float, float]]


def state(name: str, spans: Spans, period_s: float = 0.1) -> Part:
    """A state that is on within these spans, read half a period after each multiple of it."""
    at = np.arange(period_s / 2, END_S, period_s)
    on = np.any([(at >= begin) & (at < end) for begin, end in [*spans, (99.0, 99.0)]], axis=0)
    return Part(name, at, on.astype(float), "", f"States.{name}", 1.0, on=on)


def log(*parts: Part) -> Signals:
    return Signals({part.name: part for part in parts}, 0.0, END_S)


CLOSED = {RELAY: [(10.0, 11.0)], MAIN: [(10.8, 18.0)]}


@pytest.mark.parametrize(
    ("start_s", "end_s", "spans", "surely_open"),
    [
        (4.0, 6.0, CLOSED, True),
        (9.0, 10.5, CLOSED, False),  # the relay closes within
        (9.0, 9.95, CLOSED, False),  # it is logged as closed a moment later, and may be late
        (4.0, 9.64, CLOSED, True),  # by a lag and two messages, 0.35 s, before the first reading that says closed
        (4.0, 9.75, CLOSED, False),
        (18.35, 19.0, CLOSED, True),  # as long after the last one, 17.95 s
        (18.25, 19.0, CLOSED, False),
        (11.5, 12.0, CLOSED, False),  # the contactor is closed
        (19.0, 19.5, CLOSED, True),
        (4.0, 6.0, {RELAY: [], MAIN: [(10.8, 18.0)]}, False),  # a relay that never closes is the wrong signal
        (4.0, 6.0, {MAIN: [(10.8, 18.0)]}, False),  # not logged
    ],
)
def test_states_say_that_nothing_closes_only_where_both_are_seen_open_all_the_while(
    start_s: float, end_s: float, spans: dict[str, Spans], surely_open: bool
) -> None:
    made = log(*(state(name, closed) for name, closed in spans.items()))
    assert nothing_closes(made, start_s, end_s) is surely_open


def test_states_that_are_missing_for_a_while_do_not_say_that_nothing_closed() -> None:
    relay, main = state(RELAY, CLOSED[RELAY]), state(MAIN, CLOSED[MAIN])
    assert nothing_closes(log(relay, main), 4.0, 6.0)
    for lost, says in (((4.5, 5.5), False), ((3.0, 7.0), False), ((4.9, 5.1), True), ((4.9, 5.2), False)):
        gone = relay.where((relay.time_s < lost[0]) | (relay.time_s > lost[1]))
        assert nothing_closes(log(gone, main), 4.0, 6.0) is says  # 0.3 s without one, or 0.4 s


@pytest.mark.parametrize(
    ("at_s", "spans", "joined"),
    [
        (14.0, {MAIN: [(10.8, 18.0)]}, True),
        (10.0, {MAIN: [(10.8, 18.0)]}, False),
        (10.84, {MAIN: [(10.8, 18.0)]}, False),
        (10.86, {MAIN: [(10.8, 18.0)]}, True),
        (17.79, {MAIN: [(10.8, 18.0)]}, True),  # 0.25 s before the reading that says open: a lag and a message
        (17.81, {MAIN: [(10.8, 18.0)]}, False),  # it opens within what a state may be late
        (14.0, {MAIN: [(10.8, 18.0)], NEGATIVE: [(10.0, 18.0)]}, True),
        (14.0, {MAIN: [(10.8, 18.0)], NEGATIVE: [(15.0, 18.0)]}, False),  # the resistor may lie across that one
        (14.0, {MAIN: [(10.8, 18.0)], NEGATIVE: []}, True),  # never closes: the wrong signal
        (14.0, {NEGATIVE: [(10.0, 18.0)]}, False),
        (0.01, {MAIN: [(0.0, 18.0)]}, False),  # before the first reading
    ],
)
def test_pack_and_link_are_surely_joined_where_each_contactor_reads_closed_and_stays_so(
    at_s: float, spans: dict[str, Spans], joined: bool
) -> None:
    assert surely_closed(log(*(state(name, closed) for name, closed in spans.items())), at_s) is joined


def test_the_first_closing_within_a_span_is_the_first_reading_that_says_so() -> None:
    made = log(state(RELAY, [(3.0, 4.0), (10.0, 11.0)]))
    assert first_on_s(made, RELAY, 0.0, END_S) == pytest.approx(3.05)
    assert first_on_s(made, RELAY, 3.1, END_S) == pytest.approx(10.05)
    assert first_on_s(made, RELAY, 3.1, 9.0) is None
    assert first_on_s(made, MAIN, 0.0, END_S) is None
    assert first_on_s(log(state(RELAY, [(0.0, 4.0)])), RELAY, 0.0, END_S) is None  # closed before the log began


@pytest.mark.parametrize(("amps", "drawn"), [(40.0, True), (-40.0, True), (2.0, False)])
def test_a_link_is_not_apart_while_the_pack_delivers_current(amps: float, drawn: bool) -> None:
    at = np.arange(0.0, END_S, 0.1)
    made = log(Part("battery_current", at, np.where(at > 5.0, amps, 0.0), "A", "Pack.Current"))
    assert drawn_from(made, 6.0, 8.0) is drawn
    assert drawn_from(made, 3.0, 8.1) is drawn  # most of the time
    assert not drawn_from(made, 1.0, 4.0)
    assert not drawn_from(log(), 6.0, 8.0)


def rise(spans: dict[str, Spans], begin_s: float = 9.9, top_s: float = 10.9, ended_by: str = "level") -> Attempt:
    """An attempt by the link's voltage, read every 10 ms, with the moments that states add to it."""
    at = np.arange(0.0, END_S, 0.01)
    volts = np.round(np.interp(at, [begin_s, top_s], [0.0, 350.0]), 1)
    made = log(Part("dc_link_voltage", at, volts, "V", "Hv.Link", 0.1), *(state(n, s) for n, s in spans.items()))
    onset, top = np.searchsorted(at, [begin_s, top_s])
    return with_flags(made, describe_link(made, None), Attempt(int(onset), int(top), int(top), True, ended_by))


def test_an_attempt_has_the_moments_that_the_states_show() -> None:
    found = rise(CLOSED)
    assert (found.relay_s, found.relay_end_s) == pytest.approx((10.05, 11.05))
    assert (found.contactor_after_s, found.contactor_s) == pytest.approx((10.75, 10.85))
    assert not found.stayed_open


def test_states_far_from_an_attempt_are_not_those_of_it() -> None:
    found = rise({RELAY: [(2.0, 3.0), (15.0, 16.0)], MAIN: [(15.8, 18.0)]})
    assert (found.relay_s, found.relay_end_s, found.contactor_s, found.contactor_after_s) == (None,) * 4
    late = rise({RELAY: [(9.9 - 2 * FLAG_LAG_S, 11.0)], MAIN: [(10.9, 18.0)]})
    assert late.relay_s == pytest.approx(9.65)
    assert late.contactor_s == pytest.approx(10.95)


@pytest.mark.parametrize(
    ("relay_on_s", "main_on_s", "relay_seen", "main_seen"),
    [(9.3, 9.6, False, False), (9.5, 9.8, True, True), (10.9, 10.9, True, True), (11.1, 11.1, False, False)],
)
def test_a_relay_may_be_three_lags_before_a_rise_and_a_contactor_one(
    relay_on_s: float, main_on_s: float, relay_seen: bool, main_seen: bool
) -> None:
    """It rises from 9.9 to 10.9 s; each state is first read 50 ms after it changed."""
    found = rise({RELAY: [(relay_on_s, 18.0)], MAIN: [(main_on_s, 18.0)]})
    assert (found.relay_s is not None, found.contactor_s is not None) == (relay_seen, main_seen)


@pytest.mark.parametrize(
    ("main", "relay_until_s", "ended_by", "stayed_open"),
    [
        ((15.0, 18.0), 12.0, "level", True), ((15.0, 18.0), 12.0, "log end", True),
        ((15.0, 18.0), 99.0, "log end", False), ((15.0, 18.0), 99.0, "level", True),
        ((10.95, 18.0), 12.0, "level", False),  # logged as closed within what a state may be late
        ((11.15, 18.0), 12.0, "level", True),
        ((2.0, 9.88), 12.0, "level", False), ((2.0, 9.7), 12.0, "level", True),
    ],
)  # fmt: skip
def test_a_contactor_stayed_open_where_it_says_so_from_before_the_rise_to_after_it(
    main: tuple[float, float], relay_until_s: float, ended_by: str, stayed_open: bool
) -> None:
    found = rise({RELAY: [(9.8, relay_until_s)], MAIN: [main]}, ended_by=ended_by)
    assert found.stayed_open is stayed_open


def test_of_a_contactor_that_is_not_logged_nothing_is_known() -> None:
    assert not rise({RELAY: [(9.8, 12.0)]}).stayed_open


@pytest.mark.parametrize(
    ("volts", "spans", "seen"),
    [
        (2.0, {RELAY: [(10.0, 11.0)], MAIN: [(15.0, 18.0)]}, [(10.05, 11.05)]),
        (2.0, {RELAY: [(10.0, 11.0), (13.0, 14.0)], MAIN: [(15.0, 18.0)]}, [(10.05, 11.05), (13.05, 14.05)]),
        (2.0, {RELAY: []}, []),
        (345.0, {RELAY: [(10.0, 11.0)], MAIN: [(2.0, 18.0)]}, []),  # a link that is at its pack has nowhere to rise
        (250.0, {RELAY: [(10.0, 11.0)], MAIN: [(15.0, 18.0)]}, [(10.05, 11.05)]),  # surely apart
        (250.0, {RELAY: [(10.0, 11.0)]}, []),  # a pack that sags looks alike
        (209.0, {RELAY: [(10.0, 11.0)]}, [(10.05, 11.05)]),
        (211.0, {RELAY: [(10.0, 11.0)]}, []),  # three fifths
        (332.0, {RELAY: [(10.0, 11.0)], MAIN: [(15.0, 18.0)]}, [(10.05, 11.05)]),  # 95 %
        (333.0, {RELAY: [(10.0, 11.0)], MAIN: [(15.0, 18.0)]}, []),
        (2.0, {MAIN: [(10.0, 11.0)]}, [(10.05, 11.05)]),  # without a relay its own
        (2.0, {RELAY: [(10.0, 99.0)]}, [(10.05, 19.95)]),
        (2.0, {RELAY: [(0.0, 11.0)]}, []),  # on since before the log
    ],
)
def test_a_relay_that_closes_without_a_rise_is_seen_where_the_link_could_have_risen(
    volts: float, spans: dict[str, Spans], seen: list[tuple[float, float]]
) -> None:
    at = np.arange(0.0, END_S, 0.01)
    link = Part("dc_link_voltage", at, np.full(at.size, volts), "V", "Hv.Link", 0.1)
    pack = Part("battery_voltage", at, np.full(at.size, 350.0), "V", "Hv.Pack", 0.1)
    made = log(link, pack, *(state(name, closed) for name, closed in spans.items()))
    found = without_rise(made, describe_link(made, None), [])
    assert [(each.start_s, each.end_s) for each in found] == [pytest.approx(span) for span in seen]
    assert all(each.by == (RELAY if RELAY in spans else MAIN) for each in found)


def test_a_closing_that_a_rise_followed_or_the_log_does_not_show_is_not_without_one() -> None:
    """A twentieth of 350 V is 17.5 V; the relay is first read closed at 10.05 s, and open at 11.05 s."""
    at = np.arange(0.0, END_S, 0.01)
    pack = Part("battery_voltage", at, np.full(at.size, 350.0), "V", "Hv.Pack", 0.1)
    relay, main = state(RELAY, [(10.0, 11.0)]), state(MAIN, [(10.0, 11.0)])
    for by_v, from_s, count in ((17.0, 10.5, 1), (18.0, 10.5, 0), (18.0, 11.3, 1), (18.0, 9.8, 1), (18.0, 11.1, 0)):
        link = Part("dc_link_voltage", at, np.where(at < from_s, 2.0, 2.0 + by_v), "V", "Hv.Link", 0.1)
        made = log(link, pack, relay)
        assert len(without_rise(made, describe_link(made, None), [])) == count
    flat = Part("dc_link_voltage", at, np.full(at.size, 2.0), "V", "Hv.Link", 0.1)
    own = Attempt(5, 9, 9, True, "fall", relay_s=float(relay.time_s[100]), contactor_s=float(main.time_s[100]))
    for state_, attempts, count in (
        (relay, [own], 0), (main, [own], 0), (relay, [replace(own, relay_s=9.0)], 1),
        (main, [replace(own, contactor_s=9.0)], 1),
    ):  # fmt: skip
        made = log(flat, pack, state_)
        assert len(without_rise(made, describe_link(made, None), attempts)) == count
    for seen, count in ((3, 1), (2, 0)):
        few = flat.where((at < 9.0) | (at > 12.0) | np.isin(np.arange(at.size), [1020, 1040, 1060][:seen]))
        made = log(few, pack, relay)
        assert len(without_rise(made, describe_link(made, None), [])) == count
