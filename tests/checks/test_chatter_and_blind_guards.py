"""What counts as chatter, and what a log cannot show of dropouts: each guard on both sides of its edge.

Expected by hand from the limits that the code gives its reasons for (common practice, no published source).
"""

from __future__ import annotations

import numpy as np
import pytest
from contactor_pieces import history, link_of, part, switchings

from logscope.checks.contactors.blind import Blind, Shown, _closed, _shown, blind_to
from logscope.checks.contactors.chatter import chatter, chatter_groups, closed_briefly

MAIN, NEGATIVE, LINK = "main_contactor", "negative_contactor", "dc_link_voltage"
T = np.arange(0.0, 10.0, 0.01)
LOADED = part("battery_current", T, np.full(T.size, 50.0))


@pytest.mark.parametrize(
    ("moments", "groups"),
    [
        ((1.0, 1.25, 1.5), 1),
        ((1.0, 1.25), 0),
        ((1.0, 1.25, 1.55), 0),  # 0.3 s apart is a sequence
        ((1.0, 1.25, 1.5, 3.0, 3.25, 3.5), 2),
    ],
)
def test_chatter_is_three_switchings_within_less_than_300_ms_of_one_another(moments, groups):
    changes = switchings(MAIN, *((at_s, k % 2 == 0) for k, at_s in enumerate(moments)))
    assert len(chatter_groups(changes)) == groups


def test_chatter_is_counted_over_all_bursts_and_timed_by_the_longest():
    made = history(
        [part(MAIN, T, 0 * T)],
        switched={MAIN: switchings(MAIN, *((t, True) for t in (1.0, 1.1, 1.2, 4.0, 4.125, 4.25, 4.375, 8.0)))},
    )
    (found,) = chatter(made)
    assert (found.kind, found.severity.name) == ("contactor.chatter", "WARNING")
    assert (found.measured["count"].value, found.measured["longest_s"].value) == (7.0, 0.375)
    assert (found.start_s, found.end_s) == (1.0, 4.375)
    assert "7 switchings in 2 bursts" in found.title


@pytest.mark.parametrize(("within_s", "off_s", "brief"), [(0.0, 2.9, True), (0.0, 3.0, False), (0.25, 2.8, False)])
def test_a_contactor_closed_for_less_than_a_second_at_most_dropped_again(within_s, off_s, brief):
    changes = switchings(MAIN, (2.0, True), (off_s, False), within_s=within_s)
    found = closed_briefly(history([part(MAIN, T, 0 * T)], switched={MAIN: changes}))
    assert len(found) == brief
    if brief:
        closed = found[0].measured["closed_s"]
        assert (closed.value, closed.low, closed.high) == (None, None, pytest.approx(off_s - 2.0))
        assert found[0].measured["count"].value == 1.0


def test_a_contactor_that_opens_for_less_than_a_second_or_chatters_is_not_closed_briefly():
    for moments in (((1.0, True), (3.0, False), (3.5, True)), ((1.0, True), (1.2, False), (1.4, True))):
        made = history([part(MAIN, T, 0 * T)], switched={MAIN: switchings(MAIN, *moments)})
        assert closed_briefly(made) == []


@pytest.mark.parametrize(
    ("blind", "shortest_s", "too_much"),
    [
        (Blind(Shown.LINK, 100.0, 10.0, 0.15), 0.15, False),
        (Blind(Shown.LINK, 100.0, 10.1, 0.15), 0.15, True),
        (Blind(Shown.LINK, 100.0, 0.0, 0.16), 0.16, True),
        (Blind(Shown.UNLOADED, 100.0, 0.0, 0.02), None, False),
        (Blind(Shown.CURRENT_UNKNOWN, 100.0, 0.0, 0.02), None, False),
        (Blind(Shown.STATES_ALONE, 100.0, 0.0, 0.02), None, True),
    ],
)
def test_a_log_is_blind_by_its_gaps_its_period_and_what_it_lacks(blind, shortest_s, too_much):
    assert (blind.shortest_s, blind.too_much) == (shortest_s, too_much)


def test_dropouts_show_in_the_link_under_load_within_the_time_watched():
    loads = np.where((T > 2.005) & (T < 2.995), 5.1, 5.0)
    current, link = part("battery_current", T, loads), link_of(part(LINK, T, np.full(T.size, 350.0)))
    assert _shown(history([current], link=link), 0.0, 5.0) is Shown.LINK
    assert _shown(history([current], link=link), 0.0, 2.0) is Shown.UNLOADED
    assert _shown(history([current], link=link), 3.0, 5.0) is Shown.UNLOADED
    assert _shown(history(link=link), 0.0, 5.0) is Shown.CURRENT_UNKNOWN
    assert _shown(history([current]), 0.0, 5.0) is Shown.STATES_ALONE
    assert _shown(history([current], link=link_of(link.part, full_v=None)), 0.0, 5.0) is Shown.STATES_ALONE


def test_the_time_watched_goes_from_the_first_closing_to_the_last_opening():
    parts = [part(MAIN, T + 0.5, 0 * T), part(NEGATIVE, T + 0.25, 0 * T)]
    both = {MAIN: switchings(MAIN, (2.0, True), (6.0, False), within_s=0.125)}
    assert _closed(history(parts, switched=both)) == (2.0, 5.875)
    both[NEGATIVE] = switchings(NEGATIVE, (1.0, True), within_s=0.125)
    assert _closed(history(parts, switched=both)) == (1.0, 5.875)
    assert _closed(history(parts, switched={MAIN: switchings(MAIN, (3.0, False), (4.0, True))})) == (0.5, 20.0)
    assert _closed(history(parts, switched={MAIN: switchings(MAIN, (0.5, False), within_s=0.25)})) == (0.5, 0.5)


def test_what_is_missing_of_the_time_watched_is_that_of_the_part_that_shows_dropouts():
    """The link lacks 1 s, the state 3 s; read every 10 ms and 100 ms."""
    link_at, state_at = T[(T < 3.0) | (T > 4.0)], np.arange(0.0, 10.0, 0.1)
    state_at = state_at[(state_at < 4.05) | (state_at > 7.05)]
    link = link_of(part(LINK, link_at, 350.0 + np.sin(100 * link_at)))
    parts = [part(MAIN, state_at, 0 * state_at)]
    switched = {MAIN: switchings(MAIN, (1.0, True), (9.0, False))}
    seen = blind_to(history([*parts, LOADED], link=link, switched=switched))
    assert (seen.shown, seen.watched_s) == (Shown.LINK, 8.0)
    assert (seen.missing_s, seen.apart_s) == (pytest.approx(1.0, abs=0.03), pytest.approx(0.01, rel=0.05))
    states = blind_to(history(parts, link=link, switched=switched))
    assert states.shown is Shown.CURRENT_UNKNOWN
    assert (states.missing_s, states.apart_s) == (pytest.approx(3.0, abs=0.25), pytest.approx(0.1, rel=0.05))
    fine = part(NEGATIVE, T, 0 * T)  # which lacks nothing
    worst = blind_to(history([*parts, fine], link=link, switched={**switched, NEGATIVE: []}))
    assert (worst.missing_s, worst.apart_s) == (states.missing_s, states.apart_s)
