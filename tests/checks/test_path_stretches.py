"""When the states say that no path joins pack and link, by tables of made states.

Expected by hand from the circuit: current flows through the negative contactor, where one is logged, and through the
main contactor or the relay with its resistor.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.observations.dc_link.openings import OPENING_TRAVEL_S, path_stretches, switches
from logscope.signals import Part, Signals

MAIN, NEGATIVE, RELAY = "main_contactor", "negative_contactor", "precharge_relay"
END_S = 20.0
Spans = list[tuple[float, float]]
ALL = (-1.0, 99.0)


def states(**closed: Spans) -> Signals:
    """Each state in a message of its own, every 20 ms, closed in its spans."""
    parts = {}
    for number, (name, spans) in enumerate(closed.items()):
        at = np.arange(0.001 * number, END_S, 0.02)
        on = np.any([(at >= since) & (at < until) for since, until in [*spans, (99.0, 99.0)]], axis=0)
        parts[name] = Part(name, at, on.astype(float), "", f"{name}.State", 1.0, on=on)
    return Signals(parts, 0.0, END_S)


# what is closed when; each stretch by what opened the path and when, what closed it and when, and what opens meanwhile
Said = tuple[str | None, float, str | None, float, tuple[str, ...]]
STRETCHES: dict[str, tuple[dict[str, Spans], list[Said]]] = {
    "main alone": ({MAIN: [(-1.0, 8.0)]}, [(MAIN, 8.0, None, 0.0, ())]),
    "main, the negative one stays closed": (
        {MAIN: [(-1.0, 8.0)], NEGATIVE: [ALL]}, [(MAIN, 8.0, None, 0.0, ())],
    ),
    "the negative one, main stays closed": (
        {MAIN: [ALL], NEGATIVE: [(-1.0, 8.0)]}, [(NEGATIVE, 8.0, None, 0.0, ())],
    ),
    "the negative one, no main logged": ({NEGATIVE: [(-1.0, 8.0)]}, [(NEGATIVE, 8.0, None, 0.0, ())]),
    "the negative one for a while": (
        {MAIN: [ALL], NEGATIVE: [(-1.0, 8.0), (12.0, 99.0)]}, [(NEGATIVE, 8.0, NEGATIVE, 12.0, ())],
    ),
    "main, then the negative one": (
        {MAIN: [(-1.0, 8.0)], NEGATIVE: [(-1.0, 9.0)]}, [(MAIN, 8.0, None, 0.0, (NEGATIVE,))],
    ),
    "the negative one, then main": (
        {MAIN: [(-1.0, 9.0)], NEGATIVE: [(-1.0, 8.0)]}, [(NEGATIVE, 8.0, None, 0.0, (MAIN,))],
    ),
    "main, while the relay still joins": (
        {RELAY: [(-1.0, 10.0)], MAIN: [(-1.0, 8.0)]}, [(RELAY, 10.0, None, 0.0, ())],
    ),
    "the relay, while main joins": ({RELAY: [(-1.0, 8.0)], MAIN: [ALL]}, []),
    "a whole cycle": (
        {NEGATIVE: [(1.5, 12.1)], RELAY: [(2.0, 3.4)], MAIN: [(3.2, 12.0)]},
        [(None, 0.0, RELAY, 2.0, ()), (MAIN, 12.0, None, 0.0, (NEGATIVE,))],
    ),
    "closed again through the relay": (
        {NEGATIVE: [ALL], RELAY: [(12.0, 13.4)], MAIN: [(-1.0, 8.0), (13.2, 99.0)]}, [(MAIN, 8.0, RELAY, 12.0, ())],
    ),
    "a precharge that never reached the contactor": (
        {NEGATIVE: [ALL], RELAY: [(6.0, 7.0)], MAIN: [(-1.0, 3.0)]}, [(MAIN, 3.0, RELAY, 6.0, ())],
    ),
    "the relay closes onto an open negative contactor": (
        {NEGATIVE: [(-1.0, 3.0), (9.0, 99.0)], RELAY: [(6.0, 12.0)], MAIN: [(-1.0, 3.1)]},
        [(NEGATIVE, 3.0, NEGATIVE, 9.0, (MAIN,))],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", STRETCHES)
def test_pack_and_link_are_apart_while_either_side_of_the_path_is_open(name: str) -> None:
    closed, expected = STRETCHES[name]
    found = path_stretches(states(**closed))
    assert len(found) == len(expected)
    for stretch, (opened, opened_s, shut, shut_s, later) in zip(found, expected, strict=True):
        for switch, part, at_s in ((stretch.opened, opened, opened_s), (stretch.closed, shut, shut_s)):
            assert (None if switch is None else switch.part) == part
            assert switch is None or switch.time_s == pytest.approx(at_s, abs=0.021)
        assert tuple(switch.part for switch in stretch.later) == later


def test_a_state_changed_between_its_last_message_and_the_one_that_shows_it() -> None:
    """Messages every 0.5 s, which may be a period late; what opens does so after the message by its own travel."""
    at = np.arange(10) * 0.5
    on = np.isin(np.arange(10), (3, 4, 5))
    closed, opened = switches(Part(MAIN, at, on.astype(float), "", "Made.Main", on=on))
    assert (closed.on, closed.low_s, closed.time_s, closed.high_s) == (True, pytest.approx(0.5), 1.5, 1.5)
    assert (opened.on, opened.low_s, opened.time_s) == (False, pytest.approx(2.0), 3.0)
    assert opened.high_s == pytest.approx(3.0 + OPENING_TRAVEL_S)
    assert switches(None) == switches(Part(MAIN, at, at, "V", "Made.Main")) == []
