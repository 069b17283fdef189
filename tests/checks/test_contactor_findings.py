"""What the contactor findings state: each measured value and moment of made histories, by hand."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import history, link_of, opening, part, switchings

from logscope.checks.contactors import check, welded
from logscope.checks.contactors import dropout as dropouts
from logscope.checks.contactors import load as loads
from logscope.checks.contactors.chatter import chatter, closed_briefly
from logscope.checks.contactors.drop import Drop
from logscope.checks.contactors.dropout import _finding as dropout_finding
from logscope.checks.contactors.dropout import dropout
from logscope.checks.contactors.switching_history import make_finding
from logscope.checks.wording import Words
from logscope.findings import Event, Mark, Measured, Severity
from logscope.observations.dc_link.openings import Opening
from logscope.vehicle import DcLink, Precharge, Vehicle

MAIN, NEGATIVE, RELAY, LINK = "main_contactor", "negative_contactor", "precharge_relay", "dc_link_voltage"
T = np.arange(0.0, 20.0, 0.01)
LOADED = part("battery_current", T, np.full(T.size, 50.0))
STATE = part(MAIN, T, 0 * T)
BLED = Vehicle(precharge=Precharge(capacitance_uF=1000, tolerance=0.2), dc_link=DcLink(bleeder_ohm=47000))


def test_the_longest_brief_closing_may_have_begun_when_the_state_was_last_open() -> None:
    """0.5 s as reported and 0.25 s before, then 0.625 s: the longest is 0.875 s by what is known of its closing."""
    changes = switchings(MAIN, (2.0, True), (2.5, False), (5.0, True), (5.625, False), within_s=0.25)
    (found,) = closed_briefly(history([STATE], switched={MAIN: changes}))
    assert found.measured["closed_s"] == Measured(None, "s", None, 0.875)
    assert found.measured["count"] == Measured(2.0, "1")
    assert found.title == "Main contactor: closes and opens again 2 times, after at most 875 ms"
    assert [(event.start_s, event.end_s) for event in found.events] == [(2.0, 2.5), (5.0, 5.625)]
    assert found.severity is Severity.WARNING


def test_a_brief_closing_is_left_out_where_either_change_is_part_of_chatter() -> None:
    """Chatter at 5.0 to 5.4 s; what opens as it begins, 0.6 s after a closing, belongs to it."""
    moments = ((4.4, True), (5.0, False), (5.2, True), (5.4, False))
    assert closed_briefly(history([STATE], switched={MAIN: switchings(MAIN, *moments)})) == []
    alone = ((2.0, True), (2.4, False), *moments)
    (found,) = closed_briefly(history([STATE], switched={MAIN: switchings(MAIN, *alone)}))
    assert found.measured["count"].value == 1.0


def test_each_part_that_chatters_has_a_finding_with_its_own_bursts() -> None:
    bursts = {
        RELAY: switchings(RELAY, *((t, True) for t in (1.0, 1.1, 1.2, 1.3))),
        MAIN: switchings(MAIN, *((t, True) for t in (4.0, 4.25, 4.5))),
    }
    made = history([part(RELAY, T, 0 * T), STATE], switched=bursts)
    relay, main = chatter(made)
    assert relay.title.startswith("Precharge relay: chatters, 4 switchings in 1 burst")
    assert (main.measured["longest_s"].value, main.measured["count"].value) == (0.5, 3.0)
    assert "the state is logged every 10 ms" in main.method
    assert (relay.parts[0], main.parts[0]) == (RELAY, MAIN)


def test_a_finding_shows_its_leading_part_first_and_marks_its_first_episode() -> None:
    made = history([LOADED, STATE, part(LINK, T, 0 * T)])
    words = Words("Title", "Said.", "Next.")
    events = (Event(1.0, 2.0), Event(4.0, 5.0))
    found = make_finding(
        made, "closed_briefly", Severity.WARNING, words, events=events, measured={}, leading="battery_current"
    )
    assert found.kind == "contactor.closed_briefly"
    assert found.parts == ("battery_current", MAIN, LINK)
    assert found.evidence.marks == (Mark(1.0, "closed briefly"),)
    assert (found.start_s, found.end_s) == (1.0, 5.0)
    for leading in (None, NEGATIVE):
        other = make_finding(made, "order", Severity.INFO, words, events=events, measured={}, leading=leading)
        assert other.parts == (MAIN, LINK, "battery_current")


@pytest.mark.parametrize(
    ("start_s", "end_s", "kinds"),
    [
        # a state drops out from 5.0 to 5.5 s; what the link shows from 0.3 s before to 0.3 s after is the same
        (5.79, 6.0, 1),
        (5.81, 6.0, 2),
        (4.5, 4.71, 1),
        (4.5, 4.69, 2),
    ],
)
def test_a_dropout_that_state_and_link_show_is_one(
    start_s: float, end_s: float, kinds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_link = Drop(start_s, end_s, LINK, Measured(50.0, "A", 50.0, 50.0), 100.0, 200.0)
    monkeypatch.setattr(dropouts, "falls", lambda _: [by_link])
    for name in ("lifts", "after_current"):
        monkeypatch.setattr(dropouts, name, lambda _: [])
    changes = switchings(MAIN, (0.5, True), (5.0, False), (5.5, True))
    found = dropout(history([LOADED, STATE], switched={MAIN: changes, RELAY: []}))
    assert len(found) == kinds


def test_the_dropouts_of_a_part_are_gathered_with_the_worst_of_each() -> None:
    made = history([LOADED, part(LINK, T, np.full(T.size, 350.0))])
    drops = [
        Drop(2.0, 2.75, LINK, Measured(20.0, "A", 10.0, 30.0), 300.0, 340.0),
        Drop(5.0, 5.5, LINK, Measured(15.0, "A", 10.0, 60.0), 250.0, 320.0, lifted=True),
        Drop(8.0, 8.25, LINK, None, None, None),
    ]
    found = dropout_finding(made, drops)
    assert found.measured == {
        "current_A": drops[1].current,
        "count": Measured(3.0, "1"),
        "longest_s": Measured(0.75, "s"),
        "link_low_V": Measured(250.0, "V"),
        "link_high_V": Measured(340.0, "V"),
    }
    assert "up to 60.0 A flowed" in found.explanation
    assert "The link rose because the motor braked" in found.explanation
    assert [event.end_s for event in found.events] == [2.75, 5.5, 8.25]
    idle = dropout_finding(made, [replace(drops[0], current=Measured(2.0, "A", 1.0, 3.0)), drops[2]])
    assert "No load current is seen" in idle.explanation
    assert "The link rose" not in idle.explanation
    bare = dropout_finding(history([part(LINK, T, 0 * T)]), drops[2:])
    assert bare.measured["current_A"] == Measured(None, "A")
    motor = dropout_finding(history([part("motor_current", T, np.full(T.size, 50.0))]), drops[:1])
    assert motor.measured["motor_current_A"] == drops[0].current


# --- welded


def stuck(**fields: Any) -> Any:
    usual = {
        "opening": opening(5.0, 5.1, 9.0, start_s=5.5), "level_v": 349.0, "seen_fall_v": 0.5, "expected_fall_v": 21.0,
        "correlation": 0.95, "current": Measured(40.0, "A", 39.0, 41.0), "reasons": ("it does not fall",),
    }  # fmt: skip
    return welded._Stuck(**{**usual, **fields})


def test_a_weld_states_its_level_its_time_and_its_falls() -> None:
    made = history([part(LINK, T, 0 * T), STATE])
    found = welded._finding(made, stuck())
    assert (found.kind, found.severity, found.start_s, found.end_s) == ("contactor.welded", Severity.DANGER, 5.0, 9.0)
    assert found.measured == {
        "level_V": Measured(349.0, "V"),
        "seen_s": Measured(3.5, "s"),
        "seen_fall_V": Measured(0.5, "V"),
        "correlation": Measured(0.95, "1"),
        "expected_fall_V": Measured(21.0, "V"),
        "current_A": Measured(40.0, "A", 39.0, 41.0),
    }
    assert found.parts[0] == LINK
    bare = welded._finding(made, stuck(expected_fall_v=None, current=None, correlation=None))
    assert set(bare.measured) == {"level_V", "seen_s", "seen_fall_V", "correlation"}


@pytest.mark.parametrize(
    ("fields", "alone"),
    [
        ({}, False),
        ({"correlation": None}, False),
        ({"current": None}, False),
        ({"correlation": None, "current": None}, True),
    ],
)
def test_a_missing_fall_alone_may_be_an_open_bleeder(fields: Any, alone: bool) -> None:
    found = welded._finding(history([part(LINK, T, 0 * T)]), stuck(**fields))
    assert found.title.endswith("(or its bleeder is open)") is alone


def test_openings_that_nothing_decides_are_one_finding_with_the_longest() -> None:
    """A tenth off takes 56.4 s · ln(1/0.9) = 5.94 s."""
    unclear = [stuck(reasons=()), stuck(reasons=(), opening=opening(12.0, 12.1, 18.0, start_s=12.5))]
    found = welded._open(history([part(LINK, T, 0 * T)], vehicle=BLED), unclear)
    assert (found.kind, found.severity) == ("contactor.undetermined", Severity.INFO)
    assert found.measured == {"seen_s": Measured(5.5, "s")}
    assert [(event.start_s, event.end_s) for event in found.events] == [(5.0, 9.0), (12.0, 18.0)]
    assert f"for at least {56.4 * log(1 / 0.9):.3g} s" in found.next_step
    assert found.title.endswith("for only 5.5 s after it")
    assert "until the link has fallen by a tenth" in welded._open(history(), unclear).next_step


def level(value: float, **more: Any) -> Any:
    """Link and pack at 350 V until 5 s, the link at `value` from there on; the pack still."""
    volts = part(LINK, T, np.where(T < 5.0, 350.0, value))
    pack = part("battery_voltage", T, np.full(T.size, 350.0))
    return history([pack, *more.pop("parts", [])], link=link_of(volts, noise_v=0.1), **more)


@pytest.mark.parametrize(
    ("made", "at", "known"),
    [
        (level(334.0), opening(5.0, 5.1, 15.0), True),
        (level(332.0), opening(5.0, 5.1, 15.0), False),  # 5 % below the pack are 332.5 V
        (level(334.0), opening(5.0, 5.1, 5.65), True),
        (level(334.0), opening(5.0, 5.1, 5.55), False),  # half a second
        (level(334.0), opening(5.0, 5.1, 15.0, shown_by="dc_link_voltage"), False),
        (level(334.0), opening(5.0, 5.1, 15.0, shown_by=""), True),  # a log that begins with an open path
        (history(link=link_of(part(LINK, T, np.full(T.size, 350.0)))), opening(5.0, 5.1, 15.0), False),
        (history([part("battery_voltage", T, np.full(T.size, 350.0))]), opening(5.0, 5.1, 15.0), False),
    ],
)
def test_a_link_is_stuck_where_it_stays_within_five_per_cent_of_its_pack(
    made: Any, at: Opening, known: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(welded, "fit_discharge", lambda *_: None)
    assert (welded._stuck(made, at) is not None) is known


@pytest.mark.parametrize(("claim_high", "reasons"), [(0.19, 2), (0.21, 1)])
def test_what_is_stuck_is_measured_from_its_first_to_its_last_readings(
    claim_high: float, reasons: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fall from 349 V by 0.05 V/s for 9.9 s; a bleeder of 56.4 s would have taken 349 V · (1 − exp(−9.9/56.4))."""
    volts = np.where(T < 5.0, 350.0, 349.0 - 0.05 * (T - 5.0))
    made = history(
        [part("battery_voltage", T, np.full(T.size, 350.0)), LOADED], link=link_of(part(LINK, T, volts), noise_v=0.1),
        vehicle=BLED,
    )  # fmt: skip
    level = SimpleNamespace(falls=False, rate=SimpleNamespace(claim_high=claim_high / 56.4))  # a fifth of its bleeder's
    monkeypatch.setattr(welded, "fit_discharge", lambda *_: level)
    found = welded._stuck(made, opening(5.0, 5.1, 15.0))
    assert found is not None
    assert len(found.reasons) == reasons
    assert found.level_v == pytest.approx(348.994, abs=0.003)
    assert found.seen_fall_v == pytest.approx(0.493, abs=0.003)
    assert found.expected_fall_v == pytest.approx(found.level_v * (1 - exp(-9.9 / 56.4)), rel=1e-3)
    assert found.correlation is None
    assert found.current == Measured(50.0, "A", 50.0, 50.0)
    assert found.reasons[-1] == "the pack still delivers 50 A"
    assert found.seen_s == pytest.approx(9.9)


@pytest.mark.parametrize(
    ("fall_v_per_s", "pack_v_per_s", "leaves"), [(0.09, 0.0, True), (0.05, 0.0, False), (0.09, 0.05, False)]
)
def test_a_link_leaves_a_pack_that_does_not_fall_with_it(
    fall_v_per_s: float, pack_v_per_s: float, leaves: bool
) -> None:
    """Twice three noises of 0.1 V are 0.6 V, over 9.9 s."""
    volts = part(LINK, T, 350.0 - fall_v_per_s * np.maximum(T - 5.0, 0.0))
    pack = part("battery_voltage", T, 350.0 - pack_v_per_s * np.maximum(T - 5.0, 0.0))
    link = link_of(volts, noise_v=0.1)
    at = opening(5.0, 5.1, 15.0)

    class Fit:
        falls = True

        def voltage(self, time_s: Any) -> Any:
            return np.interp(time_s, T, volts.value)

    made, fit = history([pack], link=link), Fit()
    assert welded._leaves(made, fit, at, link) is leaves  # type: ignore[arg-type]
    fit.falls = False
    assert not welded._leaves(made, fit, at, link)  # type: ignore[arg-type]


def test_readings_that_rise_together_are_one_voltage_from_ten_of_them_on() -> None:
    at = 5.0 + 0.1 * np.arange(60)
    wave = np.sin(2 * np.pi * at / 1.3)
    pack, link = part("battery_voltage", at, 350.0 + 3 * wave), link_of(part(LINK, at, 345.0 + 3 * wave))
    nine, ten = opening(5.0, 5.05, 5.95), opening(5.0, 5.05, 6.05)
    assert welded._correlation(pack, link, nine) is None
    assert welded._correlation(pack, link, ten) == pytest.approx(1.0)
    noisy = np.random.default_rng(4).normal(0.0, 3.0, 60)
    loose = link_of(part(LINK, at, 345.0 + 3 * wave + noisy))
    assert welded._correlation(pack, loose, opening(5.0, 5.05, 11.0)) is None  # some 0.6


# --- all in all


def test_sound_contactors_state_what_was_seen_of_them() -> None:
    openings = [opening(9.0, 9.1, 20.0), opening(4.0, 4.1, 5.0), opening(6.0, 6.1, 7.0, shown_by=LINK)]
    amps = part("battery_current", T, np.select([T < 5.0, T < 8.0], [30.0, 90.0], 2.0))
    made = history(
        [amps, STATE, part(NEGATIVE, T, 0 * T)],
        link=link_of(part(LINK, T, np.full(T.size, 350.0))),
        openings=openings,
        switched={
            MAIN: switchings(MAIN, (2.0, True), (4.0, False), (5.0, True), (9.0, False)),
            NEGATIVE: switchings(NEGATIVE, (1.0, True)),
        },
    )
    found = check._nothing_seen(made)
    assert (found.kind, found.severity) == ("contactor.sound", Severity.GOOD)
    assert (found.start_s, found.end_s) == (1.0, 20.0)
    assert found.measured["count"] == Measured(2.0, "1")
    assert found.measured["current_A"] == Measured(30.0, "A", 30.0, 30.0)  # not by an opening that no state shows
    assert found.measured["shortest_dropout_s"].value == pytest.approx(0.01, rel=0.1)
    assert found.measured["missing_s"] == Measured(0.0, "s")
    assert "Main contactor closed 2 times, negative contactor closed once." in found.explanation
    states = check._nothing_seen(history([STATE], switched={MAIN: switchings(MAIN, (2.0, True))}))
    assert (states.kind, states.severity) == ("contactor.undetermined", Severity.INFO)
    assert states.measured["current_A"] == Measured(None, "A")
    assert states.measured["shortest_dropout_s"] == Measured(None, "s")


def test_why_nothing_can_be_checked_says_what_is_missing() -> None:
    switched = history([STATE], switched={MAIN: []})
    assert check._why_nothing(switched).startswith("no contactor switches, and the link never")
    assert check._why_nothing(history()).startswith("no contactor's state is mapped, and")
    doubted = history()
    doubted = replace(doubted, signals=replace(doubted.signals, doubtful={NEGATIVE: "why"}))
    assert check._why_nothing(doubted).startswith("the contactors' states are in doubt, and")


# --- openings under load


@pytest.mark.parametrize(
    ("source", "jump_v", "drained_v", "found_v"),
    [
        ("battery_current", -100.0, -55.0, -100.0),
        ("battery_current", 80.0, -55.0, 80.0),
        ("battery_current", 0.0, -55.0, -55.0),
        ("battery_current", None, -55.0, None),
        ("motor_current", -100.0, -55.0, -55.0),  # its windings discharge an opened link, too
        ("motor_current", 80.0, -55.0, 80.0),
        ("motor_current", 0.0, 0.0, 0.0),
        ("motor_current", None, -55.0, "none"),
    ],
)
def test_what_throws_the_link_off_is_its_jump_or_what_drained_it(
    source: str, jump_v: Any, drained_v: float, found_v: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loads, "_jump", lambda *_: jump_v)
    monkeypatch.setattr(loads, "_drained", lambda *_: drained_v)
    current = part(source, T, np.full(T.size, -50.0))
    made = history([current], link=link_of(part(LINK, T, np.full(T.size, 350.0))))
    found = loads._loaded(made, opening(5.0, 5.1, 9.0), current)
    if found_v == "none":
        assert found is None
        return
    assert found is not None
    assert (found.jump_v, found.source, found.current.value) == (found_v, source, 50.0)


def test_a_proven_opening_under_load_states_its_current_and_jump() -> None:
    made = history([part(LINK, T, 0 * T), STATE, LOADED])
    one = loads.Loaded(opening(5.0, 5.25, 9.0), Measured(100.0, "A", 80.0, 120.0), "battery_current", -60.0)
    found = loads._proven(made, one)
    assert (found.severity, found.start_s, found.end_s) == (Severity.WARNING, 5.0, 5.25)
    assert found.measured == {"current_A": one.current, "link_jump_V": Measured(-60.0, "V")}
    assert "was 100 A just before, and 80.0 to 120 A around the opening" in found.explanation
    assert "known to within 250 ms" in found.method
    assert found.parts[0] == MAIN
    motor = loads._proven(made, replace(one, source="motor_current", current=Measured(100.0, "A", None, 120.0)))
    assert motor.measured["motor_current_A"].value == 100.0
    assert "and 0 to 120 A around" in motor.explanation


def test_openings_left_open_give_the_range_of_their_currents() -> None:
    unclear = [
        loads.Loaded(opening(5.0, 5.25, 9.0), Measured(90.0, "A", 80.0, 120.0), "battery_current", None),
        loads.Loaded(opening(12.0, 12.25, 15.0), Measured(70.0, "A", 60.0, 75.0), "battery_current", None),
    ]
    found = loads._open(history([LOADED]), unclear, LOADED)
    assert found.measured == {"current_A": Measured(None, "A", 60.0, 120.0)}
    assert [(event.start_s, event.end_s) for event in found.events] == [(5.0, 5.25), (12.0, 12.25)]
    assert "up to 120 A" in found.title
    assert "the current is logged every 10 ms" in found.method


@pytest.mark.parametrize(("peak_v", "jump_v"), [(398.0, 0.0), (400.0, 50.0)])
def test_a_link_is_thrown_up_from_what_the_pack_read_in_the_middle_of_the_opening(
    peak_v: float, jump_v: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pack reads 350 V, but 380 V amid the bracket, at 5.05 s: 5 % above that are 399 V."""
    monkeypatch.setattr(loads, "fit_discharge", lambda *_: None)
    link = link_of(part(LINK, T, np.where(T >= 5.105, peak_v, 350.0)))
    pack = part("battery_voltage", T, np.where(np.abs(T - 5.05) < 0.005, 380.0, 350.0))
    found = loads._jump(history([pack], link=link), link, opening(5.0, 5.1, 9.0, level_v=350.0))
    assert found == jump_v
