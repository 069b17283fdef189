"""The order of closing, question by question: made switchings and rises, each time by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import history, link_of, part, switchings

from logscope.checks.contactors import order as orders
from logscope.checks.contactors.order import Closing, closings, order, usual_order
from logscope.observations.dc_link.openings import Switch
from logscope.observations.dc_link.rises import Attempt
from logscope.vehicle import Precharge, Vehicle

MAIN, NEGATIVE, RELAY = "main_contactor", "negative_contactor", "precharge_relay"
T = np.arange(0.0, 10.0, 0.02)


def switch(name: str, at_s: float, within_s: float = 0.0) -> Switch:
    return switchings(name, (at_s, True), within_s=within_s)[0]


def rises(*rows: tuple[float, float], volts: Any = None, at: Any = T) -> Any:
    """Attempts with their onset and top [s]; the readings between them rise evenly unless they are given."""
    made = np.full(at.size, 0.0) if volts is None else np.asarray(volts, dtype=float)
    found = []
    for onset_s, top_s in rows:
        onset, top = (int(np.searchsorted(at, moment - 1e-9)) for moment in (onset_s, top_s))
        if volts is None:
            made[onset : top + 1] = np.linspace(0.0, 300.0, top - onset + 1)
            made[top:] = 300.0
        found.append(Attempt(onset, top, top, onset_seen=True, ended_by="level"))
    link = link_of(part("dc_link_voltage", at, made))
    return SimpleNamespace(
        link=link, found=found, onset_s=lambda one: float(at[one.onset]), top_s=lambda one: float(at[one.top])
    )


@pytest.mark.parametrize(
    ("main_low_s", "main_s", "gradual"),
    [
        (2.52, 2.52, True),  # the top at 2.5 s is no more than a period before
        (2.54, 2.54, False),
        (2.01, 2.01, True),
        (2.0, 2.0, False),  # the onset is no earlier than the closing
    ],
)
def test_a_rise_is_that_before_a_closing_where_the_two_touch(main_low_s: float, main_s: float, gradual: bool) -> None:
    seen = rises((2.0, 2.5))
    assert orders._gradual(seen, seen.found[0], Switch(MAIN, True, main_low_s, main_s)) is gradual


@pytest.mark.parametrize(
    ("readings", "gradual"),
    [
        ([100, 131, 160, 180, 400], True),  # three between 130 and 370 V
        ([100, 129, 160, 180, 400], False),
        ([100, 369, 369, 369, 400], True),
        ([100, 371, 369, 369, 400], False),
    ],
)
def test_a_gradual_rise_has_three_readings_off_a_tenth_of_either_end(readings: Any, gradual: bool) -> None:
    volts = np.full(T.size, 100.0)
    volts[100:105] = readings
    volts[105:] = 400.0
    seen = rises((2.0, 2.08), volts=volts)
    assert orders._gradual(seen, seen.found[0], switch(MAIN, 2.08)) is gradual


@pytest.mark.parametrize(
    ("period_s", "rc_ohm", "stepped"),
    [(0.02, None, True), (0.034, None, False), (0.02, 20.0, False), (0.02, 30.0, True)],
)
def test_a_leap_shows_where_readings_are_three_times_as_fine_as_the_precharge(
    period_s: float, rc_ohm: float | None, stepped: bool
) -> None:
    """Without R·C 0.1 s; 0.8 · 1 mF · R · ln 20 = 48 ms for 20 Ω, 72 ms for 30 Ω."""
    at = np.arange(0.0, 10.0, period_s)
    volts = np.where(at < 3.0, 0.0, 300.0)
    seen = rises((3.0 - period_s, 3.0 + period_s), volts=volts, at=at)
    vehicle = Vehicle(precharge=Precharge(resistance_ohm=rc_ohm, capacitance_uF=None if rc_ohm is None else 1000))
    made = history(link=seen.link, attempts=seen, vehicle=vehicle)
    assert orders._stepped(made, switch(MAIN, 3.0, within_s=0.01)) is stepped
    assert not orders._stepped(history(), switch(MAIN, 3.0))


@pytest.mark.parametrize(
    ("link_v", "constants"), [(0.0, 20.0), (175.0, 10.0), (332.0, 18.0 / 17.5), (333.0, 1.0), (None, 20.0)]
)
def test_a_precharge_takes_its_constants_from_the_links_level_to_the_threshold(
    link_v: float | None, constants: float
) -> None:
    """100 Ω · 1 mF less 20 % are 80 ms; from a share s to 95 % it takes ln((1 − s)/0.05) of them: 350 V is all."""
    vehicle = Vehicle(precharge=Precharge(resistance_ohm=100.0, capacitance_uF=1000, tolerance=0.2))
    pack = part("battery_voltage", T, np.full(T.size, 350.0))
    link = None if link_v is None else link_of(part("dc_link_voltage", T, np.full(T.size, link_v)))
    made = history([pack], link=link, vehicle=vehicle)
    assert orders._shortest_precharge_s(made, switch(MAIN, 3.0)) == pytest.approx(0.08 * np.log(constants))


@pytest.mark.parametrize(
    ("low_s", "at_s", "about"), [(2.5, 4.0, True), (2.51, 4.0, False), (1.0, 2.0, True), (1.0, 1.99, False)]
)
def test_a_rise_about_a_closing_that_is_gradual_is_no_leap(low_s: float, at_s: float, about: bool) -> None:
    """From 2.0 to 2.5 s: where none is about it, nothing is gradual, and nothing leaps."""
    leap = rises((2.0, 2.5), volts=np.where(T < 2.3, 0.0, 300.0))
    made = history(link=leap.link, attempts=leap)
    assert orders._stepped(made, Switch(MAIN, True, low_s, at_s)) is about


def messages(period_s: float, *without: tuple[float, float]) -> Any:
    """Every so often from 0.02 s on, without those in some stretches."""
    at = np.arange(0.02, 10.0, period_s)
    return at[~np.any([(at > a) & (at < b) for a, b in [*without, (99.0, 99.0)]], axis=0)]


@pytest.mark.parametrize(
    ("relay_at", "unseen_s"),
    [
        (messages(0.05), 0.05),
        (messages(0.05, (2.7, 2.95)), 0.07),  # since 0.1 s before the contactor: none until 2.97 s
        (messages(0.05, (2.8, 3.1)), 0.12),  # and until 0.15 s after it, for the state may lag: none but at 3.12 s
        (messages(0.05, (2.8, 3.15)), 0.1),
    ],
)
def test_a_relay_may_have_closed_unseen_between_two_of_its_messages(relay_at: Any, unseen_s: float) -> None:
    """Without R·C a precharge takes 0.1 s and more (common practice, no published source)."""
    relay = part(RELAY, relay_at, np.zeros(len(relay_at)))
    made = history([relay], switched={RELAY: []})
    assert orders._unseen_s(made, switch(MAIN, 3.0)) == pytest.approx(unseen_s)
    text = orders._without_relay(made, switch(MAIN, 3.0))
    ends = "never does" if unseen_s <= 0.06 else f"does not, or for less than {unseen_s * 1e3:.0f} ms"
    assert text == f"the main contactor closes and the precharge relay {ends}"


@pytest.mark.parametrize(
    ("first", "second", "sources", "together", "before"),
    [
        (2.0, 2.1, ("A.Main", "B.Relay"), True, False),  # it may have closed up to 0.2 s before
        (2.0, 2.3, ("A.Main", "B.Relay"), True, True),
        (2.0, 2.1, ("A.Main", "A.Relay"), True, True),  # of one message, and at the same times
        (2.0, 2.1, ("A.Main", "A.Relay"), False, False),
        (2.1, 2.1, ("A.Main", "A.Relay"), True, False),
        (2.0, 2.1, ("Main", "Relay"), True, False),  # no message is named
    ],
)
def test_one_part_closed_before_another_by_more_than_the_lag_unless_one_message_has_both(
    first: float, second: float, sources: Any, together: bool, before: bool
) -> None:
    parts = [
        replace(part(name, T + (0.0 if together else 0.001 * k), 0 * T), source=sources[k])
        for k, name in enumerate((MAIN, RELAY))
    ]
    made = history(parts)
    assert orders._surely_before(made, switch(MAIN, first), switch(RELAY, second, within_s=0.2)) is before


@pytest.mark.parametrize(
    ("opened_s", "closed_s", "onset_s"),
    [
        (None, 4.0, 2.0),
        (None, 2.5, None),  # its top at 2.5 s is no earlier
        (None, 2.52, 2.0),
        (2.0, 4.0, 3.0),  # the rise that begins as it opens does not count
        (1.9, 4.0, 2.0),
        (4.5, 4.0, 2.0),  # nor does an opening afterwards
        (3.1, 4.0, None),
    ],
)
def test_a_link_is_charged_before_its_negative_contactor_where_the_rise_is_over(
    opened_s: float | None, closed_s: float, onset_s: float | None
) -> None:
    seen = rises((2.0, 2.5), (3.0, 3.5))
    changes = [] if opened_s is None else switchings(NEGATIVE, (opened_s, False))
    made = history(attempts=seen, switched={NEGATIVE: changes})
    assert orders._rise_before(made, closed_s) == (None if onset_s is None else pytest.approx(onset_s))
    assert orders._rise_before(history(switched={NEGATIVE: changes}), closed_s) is None


@pytest.mark.parametrize(
    ("relay_s", "main_s", "negative_s", "across"),
    [
        (3.0, 2.0, 4.0, True),
        (2.0, 3.0, 4.0, False),
        (3.0, 2.0, 3.0, False),
        (3.0, 2.0, 2.5, False),
        (None, 2.0, 4.0, False),
    ],
)
def test_a_resistor_across_the_negative_contactor_closes_between_the_two(
    relay_s: Any, main_s: float, negative_s: float, across: bool
) -> None:
    made = history([part(name, T, 0 * T) for name in (MAIN, RELAY, NEGATIVE)])
    relay = None if relay_s is None else switch(RELAY, relay_s)
    assert orders._across_negative(made, Closing(relay, switch(MAIN, main_s), switch(NEGATIVE, negative_s))) is across
    assert not orders._across_negative(made, Closing(switch(RELAY, 3.0), None, switch(NEGATIVE, 4.0)))
    assert not orders._across_negative(made, Closing(switch(RELAY, 3.0), switch(MAIN, 2.0), None))


def states(**spans: Any) -> Any:
    """States in messages of their own: closed in spans [s]; a change is known to 20 ms."""
    parts, switched = [], {}
    for name, closed in spans.items():
        on = np.any([(begin <= T) & (end > T) for begin, end in [*closed, (99.0, 99.0)]], axis=0)
        parts.append(part(name, T, on.astype(float)))
        moments = sorted([(a, True) for a, _ in closed if a > 0] + [(b, False) for _, b in closed if b < 10])
        switched[name] = switchings(name, *moments, within_s=0.02)
    return history(parts, switched=switched)


def test_each_closing_goes_from_one_rest_of_all_to_the_next() -> None:
    made = states(
        main_contactor=[(2.0, 3.0), (5.0, 6.0)],
        negative_contactor=[(1.5, 3.1)],
        precharge_relay=[(1.8, 2.1), (4.8, 5.1)],
    )
    found = closings(made)
    assert [[s.part for s in one.in_order] for one in found] == [[NEGATIVE, RELAY, MAIN], [RELAY, MAIN]]
    assert [one.main and one.main.time_s for one in found] == [2.0, 5.0]
    assert usual_order(made) == "negative contactor, precharge relay, main contactor"
    assert usual_order(states(main_contactor=[(2.0, 3.0)])) == ""
    assert closings(states(main_contactor=[(0.0, 3.0)])) == []
    assert closings(states(main_contactor=[(0.0, 3.0)], negative_contactor=[(2.0, 2.8)])) == []  # its order is not seen
    later = closings(states(main_contactor=[(0.0, 3.0), (5.0, 6.0)]))
    assert [one.main and one.main.time_s for one in later] == [5.0]


@pytest.mark.parametrize(("again_s", "count"), [(3.01, 1), (3.03, 2)])
def test_what_may_have_closed_before_all_were_open_belongs_to_the_same_closing(again_s: float, count: int) -> None:
    """The relay reports open at 3.0 s; the contactor at `again_s`, and it may have closed 20 ms before."""
    made = states(precharge_relay=[(2.0, 3.0)], main_contactor=[(again_s, 5.0)])
    assert len(closings(made)) == count


def test_the_findings_of_an_order_are_gathered_with_their_moments() -> None:
    made = states(
        main_contactor=[(2.0, 3.0), (5.0, 6.0)],
        precharge_relay=[(2.5, 2.8), (5.5, 5.8)],
        negative_contactor=[(1.0, 7.0)],
    )
    (found,) = order(made)
    assert found.start_s == 2.0
    (found,) = order(states(main_contactor=[(2.0, 3.0), (5.0, 6.0)], precharge_relay=[(2.5, 2.8), (5.5, 5.8)]))
    assert [event.start_s for event in found.events] == [2.0, 5.0]
    assert found.measured["count"].value == 2.0
    assert found.title.endswith(": the main contactor closes before the precharge relay")
    assert order(states(main_contactor=[(2.0, 3.0)])) == []  # no relay is logged


@pytest.mark.parametrize(
    ("link_v", "charged", "rise_s", "why"),
    [
        (0.0, None, None, "the negative contactor closes last, onto a link that is not charged"),
        (345.0, None, None, None),
        (0.0, None, 3.0, "the link is charged while the negative contactor reports open"),
    ],
)
def test_a_negative_contactor_that_closes_last_wants_a_charged_link(
    link_v: float, charged: Any, rise_s: float | None, why: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(orders, "_rise_before", lambda *_: rise_s)
    volts = part("dc_link_voltage", T, np.full(T.size, link_v))
    parts = [volts, part("battery_voltage", T, np.full(T.size, 350.0)), *(part(n, T, 0 * T) for n in (MAIN, NEGATIVE))]
    made = history(parts, link=link_of(volts), switched={MAIN: [], NEGATIVE: []})
    closing = Closing(None, switch(MAIN, 3.5), switch(NEGATIVE, 4.0))
    found = orders._contradictions(made, closing)
    assert found == ([] if why is None else [(4.0 if rise_s is None else 3.0, why)])
    together = Closing(None, switch(MAIN, 4.0), switch(NEGATIVE, 4.0))
    assert orders._contradictions(made, together) == ([] if rise_s is None else found)


@pytest.mark.parametrize(
    ("charged", "gradual", "unseen_s", "stepped", "surely"),
    [
        (orders.Charged.YES, False, 0.05, False, False),
        (orders.Charged.NO, False, 0.05, False, True),
        (orders.Charged.UNKNOWN, False, 0.05, False, True),
        (orders.Charged.NO, True, 0.05, False, False),  # the link shows a precharge
        (orders.Charged.NO, False, 0.11, False, False),  # the shortest precharge, 0.1 s, fits between two messages
        (orders.Charged.NO, False, 0.09, False, True),
        (orders.Charged.NO, False, 0.11, True, True),  # but the link leaps
    ],
)
def test_a_contactor_surely_closes_without_the_relay_where_nothing_may_have_hidden_it(
    charged: Any, gradual: bool, unseen_s: float, stepped: bool, surely: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, answer in (("_charged", charged), ("_gradual", gradual), ("_unseen_s", unseen_s), ("_stepped", stepped)):
        monkeypatch.setattr(orders, name, lambda *_, answer=answer: answer)
    made = history(attempts=rises((2.0, 2.5)))
    assert orders._surely_without_relay(made, switch(MAIN, 3.0)) is surely
    if gradual:  # no rise is seen at all
        assert orders._surely_without_relay(history(), switch(MAIN, 3.0))


@pytest.mark.parametrize(
    ("relay_s", "main_s", "wrong_s", "why"),
    [
        (3.0, 2.0, 2.0, "the main contactor closes before the precharge relay"),
        (2.0, 3.0, None, ""),
        (None, 3.0, 3.0, "never does"),
    ],
)
def test_a_main_contactor_wants_its_relay_before_it(
    relay_s: Any, main_s: float, wrong_s: Any, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(orders, "_surely_without_relay", lambda *_: True)
    parts = [part(name, T, 0 * T) for name in (MAIN, RELAY)]
    made = history(parts, switched={RELAY: [], MAIN: []})
    relay = None if relay_s is None else switch(RELAY, relay_s)
    found = orders._contradictions(made, Closing(relay, switch(MAIN, main_s), None))
    assert [moment_s for moment_s, _ in found] == ([] if wrong_s is None else [wrong_s])
    assert all(said.endswith(why) for _, said in found)
    assert orders._contradictions(history(parts, switched={MAIN: []}), Closing(None, switch(MAIN, 3.0), None)) == []
    monkeypatch.setattr(orders, "_surely_without_relay", lambda *_: False)
    assert orders._contradictions(made, Closing(None, switch(MAIN, 3.0), None)) == []
