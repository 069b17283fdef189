"""How the questions about contactors become findings: what is asked of whom, in which order they come, and of what.

By made answers; the numbers by hand.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import history, link_of, part, switchings

from logscope.checks.contactors import check, switching_history
from logscope.checks.contactors import dropout as dropouts
from logscope.findings import Event, Finding, NothingToCheck, Severity
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

MAIN, NEGATIVE, RELAY, LINK = "main_contactor", "negative_contactor", "precharge_relay", "dc_link_voltage"
T = np.arange(0.0, 20.0, 0.1)
NO_MATTER: Any = None


def finding(kind: str, start_s: float, *events: Event) -> Finding:
    return Finding(f"contactor.{kind}", Severity.WARNING, start_s, start_s + 1.0, "", "", "", (), events=events)


@pytest.fixture
def ask(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The check with made answers to its questions; what was handed on as dropouts."""

    def run(made: Any, **answers: list[Finding]) -> Any:
        handed: list[Any] = []

        def loaded(_: Any, dropped: Any) -> list[Finding]:
            handed.append([(event.start_s, event.end_s) for event in dropped])
            return answers.get("opened_under_load", [])

        for name in ("chatter", "closed_briefly", "order", "dropout", "welded"):
            monkeypatch.setattr(check, name, lambda _, name=name: answers.get(name, []))
        monkeypatch.setattr(check, "opened_under_load", loaded)
        monkeypatch.setattr(check, "switching_history", lambda *_: made)
        monkeypatch.setattr(check, "_nothing_seen", lambda _: finding("sound", 0.0))
        found = check.contactors(NO_MATTER, NO_MATTER, NO_MATTER)
        return [(one.kind.partition(".")[2], one.start_s) for one in found], handed[0]

    return run


SWITCHES = history([part(MAIN, T, 0 * T)], switched={MAIN: switchings(MAIN, (2.0, True))})
STILL = history([part(MAIN, T, 0 * T)], switched={MAIN: []})
RELAY_ALONE = history([part(RELAY, T, 0 * T)], switched={RELAY: switchings(RELAY, (2.0, True))})
VOLTAGE = history(link=link_of(part(LINK, T, np.full(T.size, 350.0))))


def test_the_answers_come_in_order_of_time(ask: Any) -> None:
    found, _ = ask(
        SWITCHES, chatter=[finding("chatter", 9.0)], closed_briefly=[finding("closed_briefly", 3.0)],
        order=[finding("order", 5.0)], welded=[finding("welded", 1.0)],
        opened_under_load=[finding("opened_under_load", 4.0)], dropout=[finding("dropout", 7.0)],
    )  # fmt: skip
    assert found == [
        ("welded", 1.0), ("closed_briefly", 3.0), ("opened_under_load", 4.0), ("order", 5.0), ("dropout", 7.0),
        ("chatter", 9.0),
    ]  # fmt: skip


def test_an_opening_under_load_is_not_asked_of_what_dropped_out(ask: Any) -> None:
    """By each of its episodes, or by the one it is."""
    drops = [finding("dropout", 7.0), finding("dropout", 3.0, Event(3.0, 3.5), Event(12.0, 12.5))]
    _, handed = ask(SWITCHES, dropout=drops)
    assert handed == [(7.0, 8.0), (3.0, 3.5), (12.0, 12.5)]


def test_nothing_found_is_sound_where_a_contactor_switches(ask: Any) -> None:
    assert ask(SWITCHES)[0] == [("sound", 0.0)]
    for made in (STILL, VOLTAGE):
        with pytest.raises(NothingToCheck):
            ask(made)
        assert ask(made, welded=[finding("welded", 1.0)])[0] == [("welded", 1.0)]
    for made in (history(), RELAY_ALONE):  # neither a contactor's state nor the link
        with pytest.raises(MissingPart):
            ask(made)


def test_states_are_those_that_are_logged_more_than_once() -> None:
    once = part(NEGATIVE, [1.0], [1.0])
    made = Signals(
        {MAIN: part(MAIN, T, (T > 5.0).astype(float)), NEGATIVE: once, RELAY: part(RELAY, T, 0 * T)}, 0.0, 20.0
    )
    observed: Any = SimpleNamespace(link="link", attempts="attempts", openings=("opening",))
    found = switching_history.switching_history(made, observed, Vehicle())
    assert set(found.switched) == {MAIN, RELAY}
    assert [change.on for change in found.switched[MAIN]] == [True]
    assert (found.link, found.attempts, found.openings) == (None, None, ("opening",))
    assert found.has_states
    volts = part(LINK, T, np.full(T.size, 350.0))
    logged = switching_history.switching_history(
        Signals({LINK: volts, RELAY: made[RELAY]}, 0.0, 20.0), observed, Vehicle()
    )
    assert (logged.link, logged.attempts, logged.has_states) == ("link", "attempts", False)


@pytest.mark.parametrize(
    ("amps", "relay", "chattering", "dropped"),
    [
        (50.0, True, False, True),
        (50.0, False, False, True),
        (0.0, True, False, True),
        (0.0, False, False, False),  # a restart whose precharge is not logged would look the same
        (50.0, True, True, True),
        (0.0, True, True, False),  # a contactor that chatters while it closes
    ],
)
def test_a_state_that_comes_back_is_a_dropout_unless_a_restart_or_chatter_explains_it(
    amps: float, relay: bool, chattering: bool, dropped: bool
) -> None:
    again_s = 5.2 if chattering else 6.0
    more = [(5.3, False), (5.4, True)] if chattering else []
    switched = {MAIN: switchings(MAIN, (1.0, True), (5.0, False), (again_s, True), *more)}
    if relay:
        switched[RELAY] = []
    made = history([part("battery_current", T, np.full(T.size, amps))], switched=switched)
    found = dropouts._by_state(made, MAIN)
    assert [(one.start_s, one.end_s) for one in found][:1] == ([(5.0, again_s)] if dropped else [])
