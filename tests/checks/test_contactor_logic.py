"""The logic of order, dropouts and welded contacts, by tables of made states: each row needs one guard of the code.

Expected by hand from the circuit: a resistor charges a capacitor as 1 − exp(−t/RC), a bleeder empties it as exp(−t/RC)
(Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7); a closed contactor joins both voltages.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.checks.contactors.blind import Shown, blind_to
from logscope.checks.contactors.dropout import dropout
from logscope.checks.contactors.order import _shortest_precharge_s, closings, order
from logscope.checks.contactors.switching_history import SwitchingHistory, switching_history
from logscope.checks.contactors.welded import welded
from logscope.findings import Finding
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

HAZEL = Vehicle(precharge=Precharge(resistance_ohm=150, capacitance_uF=1000), dc_link=DcLink(bleeder_ohm=47000))
MEGOHM = HAZEL.model_copy(update={"dc_link": DcLink(bleeder_ohm=1e6)})
PLAIN = Vehicle()
PACK_V, RC_S, END_S = 350.0, 0.15, 20.0
MAIN, NEGATIVE, RELAY = "main_contactor", "negative_contactor", "precharge_relay"
Spans = list[tuple[float, float]]


@dataclass
class Made:
    """States closed in spans [s], each in a message of its own unless `together`; a link and a pack by formula."""

    closed: dict[str, Spans]
    link: FloatArray | None = None  # at T, None: not logged
    pack: FloatArray | float | None = PACK_V
    amps: FloatArray | float | None = None
    period_s: dict[str, float] = field(default_factory=dict)
    together: bool = False
    every: int = 1  # of T, at which voltages and current are read

    def history(self, vehicle: Vehicle = HAZEL) -> SwitchingHistory:
        parts = {}
        for number, (name, spans) in enumerate(self.closed.items()):
            at = np.arange(0.0 if self.together else 0.001 * number, END_S, self.period_s.get(name, 0.02))
            on = np.any([(at >= begin) & (at < end) for begin, end in [*spans, (99.0, 99.0)]], axis=0)
            source = f"States.{name}" if self.together else f"{name}.State"
            parts[name] = Part(name, at, on.astype(float), "", source, 1.0, on=on)
        for name, unit, value in (
            ("dc_link_voltage", "V", self.link),
            ("battery_voltage", "V", self.pack),
            ("battery_current", "A", self.amps),
        ):
            if value is not None:
                noise = np.random.default_rng([7, len(name)]).normal(0.0, 0.1, T.size)
                parts[name] = Part(
                    name, T, np.round(np.broadcast_to(value, T.shape) + noise, 1), unit, f"Hv.{name}", 0.1
                )
        made = Signals(parts, 0.0, END_S)
        return switching_history(made, Observations(made, vehicle), vehicle)


T = np.arange(0.0, END_S, 0.01)


def charged(from_s: float, closed_s: float, level_v: float = PACK_V, rc_s: float = RC_S) -> FloatArray:
    """Through the resistor from one time on, at the pack's voltage from another."""
    through = level_v * -np.expm1(-np.maximum(T - from_s, 0.0) / rc_s)
    return np.where(closed_s <= T, PACK_V, through)


def closed_onto(at_s: float, before_v: float = 0.0) -> FloatArray:
    return np.where(at_s <= T, PACK_V, before_v)


# relay, main, negative: when each closes; the link; what is wrong, by part of its words
LATE, NEVER = 19.0, None
ORDERS: dict[str, tuple[float | None, float | None, float | None, FloatArray | None, list[str]]] = {
    "negative, relay, main": (2.0, 3.2, 1.5, charged(2.0, 3.2), []),
    "relay, negative, main": (1.5, 3.2, 2.0, charged(2.0, 3.2), []),
    "main surely before the relay": (
        3.0, 2.0, 1.5, closed_onto(2.0), ["main contactor closes before the precharge relay"],
    ),
    "main before the relay within a lag": (2.1, 2.0, 1.5, charged(2.0, 3.0), []),
    "main, relay, negative, the link charged before that": (2.5, 1.5, 4.0, charged(2.5, 4.0), []),
    "main, relay, negative, the link not charged": (
        2.5, 1.5, 2.9, closed_onto(2.9),
        ["main contactor closes before the precharge relay", "negative contactor closes last"],
    ),
    "no relay, an empty link": (NEVER, 3.0, 1.5, closed_onto(3.0), ["the precharge relay never does"]),
    "no relay, a link still charged": (NEVER, 3.0, 1.5, closed_onto(3.0, 345.0), []),
    "no relay, a link charged halfway": (NEVER, 3.0, 1.5, closed_onto(3.0, 170.0), ["the precharge relay never does"]),
    "no relay, but the link rises by itself": (NEVER, 3.2, 1.5, charged(2.0, 3.2), []),
    "no relay, no link logged": (NEVER, 3.0, 1.5, None, ["the precharge relay never does"]),
    "negative last, onto an empty link": (2.0, 3.2, 4.5, closed_onto(4.5), ["negative contactor closes last"]),
    "negative last, the link charged before it": (
        2.0, 3.2, 4.5, charged(2.0, 3.2), ["the link is charged while the negative contactor reports open"],
    ),
    "negative last, no link logged": (2.0, 3.2, 4.5, None, []),
    "negative last within a lag": (2.0, 3.2, 3.3, closed_onto(3.3), []),
}  # fmt: skip


@pytest.mark.parametrize("name", ORDERS)
def test_order_is_judged_by_what_the_states_and_the_link_leave_no_doubt_about(name: str) -> None:
    relay_s, main_s, negative_s, link, wrong = ORDERS[name]
    closed = {
        RELAY: [] if relay_s is None else [(relay_s, relay_s + 3.0)],
        MAIN: [] if main_s is None else [(main_s, LATE)],
        NEGATIVE: [] if negative_s is None else [(negative_s, LATE)],
    }
    found = order(Made(closed, link).history())
    assert len(found) == bool(wrong)
    for text in wrong:
        assert text in found[0].title + found[0].explanation
    if wrong:
        assert found[0].measured["count"].value == len(wrong)


def test_each_closing_of_a_log_is_judged_by_itself() -> None:
    """Sound, wrong, sound: one of three. The log's last second is open, its first too."""
    closed = {
        RELAY: [(2.0, 3.4), (14.0, 15.4)],
        MAIN: [(3.2, 6.0), (8.0, 12.0), (15.2, LATE)],
        NEGATIVE: [(1.5, 6.1), (7.5, 12.1), (13.5, LATE + 0.1)],
    }
    link = np.select(
        [T < 6.0, T < 8.0, T < 12.0, T < 14.0],
        [charged(2.0, 3.2), np.zeros(T.size), np.full(T.size, PACK_V), np.zeros(T.size)],
        charged(14.0, 15.2),
    )
    history = Made(closed, link).history()
    assert [[s.part for s in each.in_order] for each in closings(history)] == [
        [NEGATIVE, RELAY, MAIN], [NEGATIVE, MAIN], [NEGATIVE, RELAY, MAIN],
    ]  # fmt: skip
    (found,) = order(history)
    assert found.measured["count"].value == 1
    assert found.start_s == pytest.approx(8.0, abs=0.03)


def test_a_log_that_begins_with_something_closed_shows_no_order() -> None:
    closed = {RELAY: [(4.0, 5.0)], MAIN: [(-1.0, 2.0), (3.0, LATE)], NEGATIVE: [(-1.0, LATE)]}
    history = Made(closed, closed_onto(3.0)).history()
    assert closings(history) == []
    assert order(history) == []


@pytest.mark.parametrize(
    ("link", "vehicle", "takes_s"),
    [
        (None, HAZEL, 0.8 * RC_S * log(1 / 0.05)),
        (closed_onto(3.0, 175.0), HAZEL, 0.8 * RC_S * log(0.5 / 0.05)),
        (closed_onto(3.0, 345.0), HAZEL, 0.0),
        (None, PLAIN, 0.1),
    ],
)
def test_a_precharge_takes_as_long_as_its_fastest_resistor_from_where_the_link_stood(
    link: FloatArray | None, vehicle: Vehicle, takes_s: float
) -> None:
    """To 95 % of the pack, 20 % faster than R·C; without R·C 0.1 s (common practice, no published source)."""
    history = Made({MAIN: [(3.0, LATE)], RELAY: []}, link).history(vehicle)
    assert _shortest_precharge_s(history, history.switched[MAIN][0]) == pytest.approx(takes_s, rel=0.02)


@pytest.mark.parametrize(("gap_s", "count"), [(0.05, 1), (1.0, 2)])
def test_messages_that_cross_make_no_second_closing(gap_s: float, count: int) -> None:
    """The relay reports off just before the contactor reports on: within a lag it may have been closed until then."""
    closed = {RELAY: [(2.0, 3.0)], MAIN: [(3.0 + gap_s, LATE)]}
    assert len(closings(Made(closed).history())) == count


@pytest.mark.parametrize(("together", "judged"), [(True, True), (False, False)])
def test_states_of_one_message_are_ordered_without_a_lag(together: bool, judged: bool) -> None:
    closed = {RELAY: [(2.06, 3.4)], MAIN: [(2.0, LATE)], NEGATIVE: [(1.0, LATE)]}
    found = order(Made(closed, closed_onto(2.0), together=together).history())
    assert bool(found) == judged


@pytest.mark.parametrize(
    ("relay_period_s", "link", "judged"),
    [
        (0.02, closed_onto(3.0), True),  # a precharge would show in the relay
        (1.0, charged(2.6, 3.0), False),  # it would not, and the link rises by itself
        (1.0, closed_onto(3.0), True),  # it would not, but the link leaps
        (1.0, None, False),  # it would not, and no link is logged
    ],
)
def test_a_relay_that_is_logged_too_seldom_may_have_closed_unseen(
    relay_period_s: float, link: FloatArray | None, judged: bool
) -> None:
    """The vehicle file states no resistor: the shortest usual precharge, 0.1 s, fits between two messages of 1 s."""
    closed = {RELAY: [], MAIN: [(3.0, LATE)], NEGATIVE: [(1.0, LATE)]}
    found = order(Made(closed, link, period_s={RELAY: relay_period_s}).history(PLAIN))
    assert bool(found) == judged


# how long the main contactor is open, what else is closed, the load [A], and whether that is a dropout
OUT_S, BACK_S = 8.0, 8.4
DROPS: dict[str, tuple[float, dict[str, Spans], float | None, bool]] = {
    "under load": (0.4, {RELAY: []}, 120.0, True),
    "under a load that charges": (0.4, {RELAY: []}, -60.0, True),
    "under load, no relay logged": (0.4, {}, 120.0, True),
    "without load": (0.4, {RELAY: []}, 0.0, True),
    "without load, no relay logged: a restart looks the same": (0.4, {}, 0.0, False),
    "no current logged, no relay logged": (0.4, {}, None, False),
    "nearly as long as a key takes": (1.7, {RELAY: []}, 120.0, True),
    "as long as a key takes": (2.3, {RELAY: []}, 120.0, False),
    "precharged meanwhile": (1.2, {RELAY: [(8.5, 9.1)]}, 120.0, False),
    "precharged before": (0.4, {RELAY: [(2.0, 3.4)]}, 120.0, True),
    "the negative contactor stays closed": (0.4, {NEGATIVE: [(1.0, LATE)], RELAY: []}, 120.0, True),
    "the negative contactor opens with it, for longer than a dropout": (
        1.2, {NEGATIVE: [(1.0, 7.9), (10.2, LATE)], RELAY: []}, 120.0, False,
    ),
    "precharged once the negative contactor is back": (
        0.4, {NEGATIVE: [(1.0, 7.95), (9.2, LATE)], RELAY: [(8.8, 9.2)]}, 120.0, False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DROPS)
def test_a_state_that_opens_and_closes_again_is_a_dropout_unless_a_key_or_a_precharge_explains_it(name: str) -> None:
    out_s, others, amps, is_drop = DROPS[name]
    closed = {MAIN: [(3.2, OUT_S), (OUT_S + out_s, LATE)], **others}
    flowing = None if amps is None else np.where((T > 4.0) & (T < OUT_S), amps, 0.0)
    found = [each for each in dropout(Made(closed, amps=flowing).history()) if each.parts[0] == MAIN]
    assert len(found) == is_drop
    if is_drop:
        (one,) = found
        assert one.measured["count"].value == 1
        assert one.measured["longest_s"].value == pytest.approx(out_s, abs=0.021)
        assert one.start_s == pytest.approx(OUT_S, abs=0.021)
        assert one.measured["current_A"].value == pytest.approx(abs(amps or 0.0), abs=0.5)


def test_two_dropouts_are_one_finding_with_the_longest_and_the_link_s_range() -> None:
    closed = {MAIN: [(3.2, 8.0), (8.4, 12.0), (12.9, LATE)], RELAY: []}
    link = np.select(
        [(T >= 8.0) & (T < 8.4), (T >= 12.0) & (T < 12.9)], [np.full(T.size, 340.0), np.full(T.size, 335.0)], PACK_V
    )
    amps = np.where(T > 4.0, 120.0, 0.0)
    (found,) = [each for each in dropout(Made(closed, link, amps=amps).history()) if each.parts[0] == MAIN]
    assert found.measured["count"].value == 2
    assert found.measured["longest_s"].value == pytest.approx(0.9, abs=0.03)
    assert found.measured["link_low_V"].value == pytest.approx(335.0, abs=0.5)
    assert found.measured["link_high_V"].value == pytest.approx(350.0, abs=0.5)
    assert [event.start_s for event in found.events] == pytest.approx([8.0, 12.0], abs=0.03)


@pytest.mark.parametrize(("between_v", "lasts_s", "count"), [(300.0, 0.6, 1), (PACK_V, 0.42, 1), (PACK_V, 0.6, 2)])
def test_a_link_drops_out_again_only_from_where_it_stood_with_its_pack(
    between_v: float, lasts_s: float, count: int
) -> None:
    """Twice down to 200 V for 0.1 s: at 300 V between them it never came back; within half a second it is one event."""
    again_s = 8.1 + lasts_s
    low = ((T >= 8.0) & (T < 8.1)) | ((again_s <= T) & (again_s + 0.1 > T))
    link = np.select([low, (T >= 8.1) & (again_s > T)], [200.0, between_v], PACK_V)
    made = Made({MAIN: [(-1.0, 99.0)]}, link, amps=np.full(T.size, 120.0))
    (found,) = [each for each in dropout(made.history()) if each.parts[0] == "dc_link_voltage"]
    assert found.measured["count"].value == count
    assert found.start_s == pytest.approx(8.0, abs=0.02)


@pytest.mark.parametrize(("amps", "is_drop"), [(0.0, False), (120.0, True)])
def test_chatter_is_a_dropout_only_under_load(amps: float, is_drop: bool) -> None:
    closed = {MAIN: [(3.2, 8.0), (8.1, 8.2), (8.3, 8.4), (8.5, LATE)], RELAY: []}
    flowing = np.where(T > 4.0, amps, 0.0)
    found = [each for each in dropout(Made(closed, amps=flowing).history()) if each.parts[0] == MAIN]
    assert bool(found) == is_drop


# A contactor that opens at 8 s with the log going on for 11 s more.
OFF_S = 8.0
SLOW_S = 47.0 * 1.2  # 47 kΩ · 1000 µF at the slow end of the tolerance of 20 %
AFTER = np.maximum(T - OFF_S, 0.0)
WAVE = 3.0 * np.sin(2 * np.pi * T / 2.7)
SINKING = WAVE - 0.3 * AFTER  # by less than 1 % in all, as a pack that was charged does
STILL = np.full(T.size, PACK_V)
OPENED: dict[str, Spans] = {MAIN: [(-1.0, OFF_S)]}
ONE_BY_ONE: dict[str, Spans] = {MAIN: [(-1.0, OFF_S)], NEGATIVE: [(-1.0, 13.0)]}


def left_at(from_s: float, constant_s: float, level_v: float = PACK_V) -> FloatArray:
    return level_v * np.exp(-np.maximum(T - from_s, 0.0) / constant_s)


@dataclass
class Weld:
    """A made opening; what is said of it, by part of its words; '' where it is left open, None where all is sound."""

    link: FloatArray
    said: str | None
    pack: FloatArray | float | None = PACK_V
    amps: FloatArray | float | None = None
    vehicle: Vehicle = HAZEL
    closed: dict[str, Spans] = field(default_factory=lambda: OPENED)


WELDS = {
    "does not fall": Weld(STILL, "it does not fall"),
    "does not fall, no bleeder known": Weld(STILL, "", vehicle=PLAIN),
    "falls through its bleeder": Weld(left_at(OFF_S, 47.0), None),
    "falls by less than shows": Weld(left_at(OFF_S, 10e3), "it does not fall"),
    "falls a sixth as fast as its bleeder asks": Weld(left_at(OFF_S, 6 * SLOW_S), None),
    "does not fall, a bleeder of 1 MΩ": Weld(STILL, "it does not fall", vehicle=MEGOHM),
    "falls by less than shows, and little less than 1 MΩ asks": Weld(left_at(OFF_S, 5500.0), "", vehicle=MEGOHM),
    "falls by a fifth of what 1 MΩ asks, as far as 12 s show": Weld(left_at(OFF_S, 6000.0), "", vehicle=MEGOHM),
    "follows a pack that moves": Weld(STILL + WAVE, "moves with the pack's", pack=PACK_V + WAVE, vehicle=PLAIN),
    "follows a pack that moves and ends a little lower": Weld(
        STILL + SINKING, "moves with the pack's", pack=PACK_V + SINKING, vehicle=PLAIN,
    ),
    "moves against the pack": Weld(STILL - WAVE, "", pack=PACK_V + WAVE, vehicle=PLAIN),
    "moves beside a pack that stands still": Weld(STILL + WAVE, "", vehicle=PLAIN),
    "falls beside a pack that moves": Weld(left_at(OFF_S, 47.0), None, pack=PACK_V + WAVE, vehicle=PLAIN),
    "the pack's reading dies with the link": Weld(
        left_at(OFF_S, 400.0), "", pack=left_at(OFF_S, 400.0), vehicle=PLAIN,
    ),
    "below the pack by more than two sensors differ": Weld(np.where(OFF_S <= T, 0.9 * PACK_V, PACK_V), None),
    "below 60 V": Weld(np.where(OFF_S <= T, 55.0, PACK_V), None, pack=np.where(OFF_S <= T, 55.0, 56.0)),
    "current still flows": Weld(STILL, "the pack still delivers 40 A", amps=40.0, vehicle=PLAIN),
    "as little current as auxiliaries draw": Weld(STILL, "", amps=3.0, vehicle=PLAIN),
    "falls once the negative contactor opens": Weld(
        left_at(13.0, 47.0), "it falls only once the negative contactor opens", vehicle=PLAIN, closed=ONE_BY_ONE,
    ),
    "is discharged actively once the negative contactor opens": Weld(
        left_at(13.0, 1.0), "", vehicle=PLAIN, closed=ONE_BY_ONE,
    ),
    "closes again within half a second": Weld(
        STILL, None, closed={MAIN: [(-1.0, OFF_S), (8.4, 99.0)]},
    ),
    "no pack voltage": Weld(STILL, None, pack=None),
}  # fmt: skip


@pytest.mark.parametrize("name", WELDS)
def test_a_contactor_is_called_welded_by_what_only_a_joined_link_does(name: str) -> None:
    made = WELDS[name]
    found = welded(Made(made.closed, made.link, made.pack, made.amps, every=5).history(made.vehicle))
    if made.said is None:
        assert found == []
        return
    assert [each.kind for each in found] == ["contactor.welded" if made.said else "contactor.undetermined"]
    assert made.said in _said(found[0])


def _said(finding: Finding) -> str:
    return " ".join((finding.title, finding.explanation, finding.method))


def test_a_welded_contactor_is_measured_against_the_fall_of_its_bleeder() -> None:
    """By hand: in 12 s a bleeder of 56.4 s takes some 67 V off 350 V; here the link falls by 0.5 V in all."""
    (found,) = welded(Made(OPENED, left_at(OFF_S, 8000.0)).history())
    seen_s = found.measured["seen_s"].value
    assert seen_s == pytest.approx(END_S - OFF_S, abs=0.3)
    assert found.measured["level_V"].value == pytest.approx(PACK_V, abs=0.3)
    assert found.measured["expected_fall_V"].value == pytest.approx(PACK_V * (1 - exp(-seen_s / SLOW_S)), rel=0.01)
    assert found.measured["seen_fall_V"].value == pytest.approx(PACK_V * (1 - exp(-seen_s / 8000.0)), abs=0.3)


# when the main contactor is closed, when 120 A flow; what would show a dropout, and how long it was watched for
WATCHED: dict[str, tuple[Spans, tuple[float, float], Shown, float]] = {
    "closes and opens": ([(3.0, 12.0)], (5.0, 8.0), Shown.LINK, 9.0),
    "the log ends while it is closed": ([(3.0, 99.0)], (14.0, 18.0), Shown.LINK, END_S - 3.0),
    "the log begins while it is closed": ([(-1.0, 12.0)], (1.0, 2.0), Shown.LINK, 12.0),
    "opens in between": ([(3.0, 6.0), (8.0, 12.0)], (9.0, 10.0), Shown.LINK, 9.0),
    "current once it is open": ([(3.0, 12.0)], (13.0, 18.0), Shown.UNLOADED, 9.0),
    "current before it closes": ([(3.0, 99.0)], (0.5, 2.0), Shown.UNLOADED, END_S - 3.0),
}


@pytest.mark.parametrize("name", WATCHED)
def test_dropouts_are_watched_for_from_the_first_closing_to_the_last_opening_or_the_end(name: str) -> None:
    spans, (since_s, until_s), shown, watched_s = WATCHED[name]
    amps = np.where((since_s <= T) & (until_s > T), 120.0, 0.0)
    found = blind_to(Made({MAIN: spans}, STILL, amps=amps).history())
    assert found.shown is shown
    assert found.watched_s == pytest.approx(watched_s, abs=0.2)  # the state's lag
    assert (found.shortest_s is None) == (shown is Shown.UNLOADED)
