"""What the contactor findings say: each sentence that depends on a value, or on what is logged; numbers by hand."""

from __future__ import annotations

from typing import Any

import pytest

from logscope.checks.contactors.blind import Blind, Shown
from logscope.checks.contactors.text import (
    chatter_words,
    closed_briefly_words,
    dropout_words,
    loaded_words,
    order_words,
    perhaps_loaded_words,
    perhaps_welded_words,
    sound_words,
    welded_words,
)

MAIN, RELAY, LINK = "main_contactor", "precharge_relay", "dc_link_voltage"


def test_chatter_says_how_often_how_long_and_how_it_was_counted() -> None:
    said = chatter_words(RELAY, 7, 2, 0.375, 0.02, 0.3)
    assert said.title == "Precharge relay: chatters, 7 switchings in 2 bursts"
    assert said.explanation.startswith("Its state changed back and forth for up to 375 ms.")
    assert said.method == "Less than 300 ms between two changes; the state is logged every 20 ms."
    assert chatter_words(MAIN, 3, 1, 0.2, 0.02, 0.3).title == "Main contactor: chatters, 3 switchings in 1 burst"


def test_a_brief_closing_says_how_long_at_most() -> None:
    said = closed_briefly_words(3, 0.4, 1.0)
    assert said.title == "Main contactor: closes and opens again 3 times, after at most 400 ms"
    assert said.method == "Reported where the state is closed for less than 1 s."
    assert "again once, after" in closed_briefly_words(1, 0.4, 1.0).title


def test_an_order_leads_with_its_first_reason_and_gives_all() -> None:
    said = order_words(2, ["one thing", "another"])
    assert said.title == "Contactor order contradicts a precharge: one thing"
    assert said.explanation.startswith("Seen 2 times: one thing; another. The link has to be charged")
    assert "up to 150 ms and one message period late" in said.method


@pytest.mark.parametrize(
    ("part", "source", "jump_v", "title", "moved", "unlike"),
    [
        (MAIN, "battery_current", -60.4, "Main contactor: opened under load, up to 120 A", "by 60 V down", False),
        (LINK, "battery_current", 60.6, "A contactor: opened under load, up to 120 A", "by 61 V up", True),
        (
            "negative_contactor", "motor_current", 5.0,
            "Negative contactor: opened under load, up to 120 A of motor current", "by 5 V up", False,
        ),
    ],
)  # fmt: skip
def test_an_opening_under_load_says_its_current_and_how_the_link_moved(
    part: str, source: str, jump_v: float, title: str, moved: str, unlike: bool
) -> None:
    said = loaded_words(part, source, 100.0, 80.0, 120.0, 0.05, jump_v)
    assert said.title == title
    current = "pack current" if source == "battery_current" else "motor current"
    assert said.explanation.startswith(f"The {current} was 100 A just before, and 80.0 to 120 A around the opening.")
    assert f"The link moved {moved}, so" in said.explanation
    assert "known to within 50 ms." in said.method
    assert ("No state is logged" in said.method) is unlike


def test_what_came_first_is_left_open_with_the_worst_current() -> None:
    said = perhaps_loaded_words(2, 120.0, 0.1)
    assert said.title == "Contactors: opened under load or just after it, up to 120 A"
    assert said.explanation.startswith("Seen 2 times: the current ended about when")
    assert "may be late by 150 ms and a message period, the current is logged every 100 ms" in said.method


@pytest.mark.parametrize(
    ("part", "loaded_a", "low_v", "high_v", "lifted", "title", "said", "method"),
    [
        (
            MAIN,
            80.0,
            200.4,
            351.0,
            False,
            "Main contactor: dropped out under load and closed again without precharge",
            "Its state opened 3 times for up to 400 ms and came back with no precharge between. Before it up to 80.0 A "
            "flowed (motor current).",
            "The link lay between 200 and 351 V meanwhile, as far as its samples show.",
        ),
        (
            LINK,
            None,
            None,
            351.0,
            False,
            "A contactor: dropped out and closed again without precharge",
            "The link voltage left the pack 3 times for up to 400 ms and came back with no precharge between. No load "
            "current is seen before it.",
            "A plug or fuse holder that opens for a moment, or the sense wire, would look the same.",
        ),
        (
            LINK,
            80.0,
            340.0,
            420.0,
            True,
            "A contactor: dropped out under load and closed again without precharge",
            "The link voltage left the pack 3 times for up to 400 ms and came back with no precharge between. "
            "Before it "
            "up to 80.0 A flowed (motor current). The link rose because the motor braked while the pack was "
            "disconnected: it can rise until a component fails.",
            "The link lay between 340 and 420 V meanwhile, as far as its samples show. A plug or fuse holder "
            "that opens "
            "for a moment, or the sense wire, would look the same.",
        ),
    ],
)
def test_a_dropout_says_what_left_the_pack_for_how_long_and_under_which_load(
    part: str, loaded_a: Any, low_v: Any, high_v: Any, lifted: bool, title: str, said: str, method: str
) -> None:
    words = dropout_words(part, 3, 0.4, loaded_a, "motor_current", low_v, high_v, lifted=lifted)
    assert (words.title, words.explanation, words.method) == (title, said, method)


def test_a_weld_gives_its_reasons_and_what_a_missing_fall_alone_leaves_open() -> None:
    said = welded_words(349.6, 5.0, ["one thing", "another"], False)
    assert said.title == "A contactor does not open: the link stays at 350 V with the pack"
    assert said.explanation == "The states report an open path for 5 s, but one thing and another."
    alone = welded_words(349.6, 5.0, ["one thing"], True)
    assert alone.title.endswith("with the pack (or its bleeder is open)")
    assert alone.explanation.endswith("An open bleeder would look the same: treat the link as live either way.")
    assert said.hands_near_hv


def test_an_opening_not_confirmed_says_how_long_the_log_should_run() -> None:
    said = perhaps_welded_words(2, 1.5, 6.0)
    assert said.title == "Contactor opening not confirmed: the link is logged for only 1.5 s after it"
    assert said.explanation.startswith("Seen 2 times.")
    assert "after key-off for at least 6 s, in which its bleeder takes a tenth off." in said.next_step
    assert "after key-off until the link has fallen by a tenth." in perhaps_welded_words(1, 1.5, None).next_step


@pytest.mark.parametrize(
    ("blind", "title", "said", "next_step"),
    [
        (
            Blind(Shown.LINK, 100.0, 0.0, 0.02),
            "Contactors: no chatter, dropout, wrong order or opening under load seen",
            " A dropout under load shorter than 20 ms may not show.",
            "Nothing to do.",
        ),
        (
            Blind(Shown.UNLOADED, 100.0, 0.0, 0.02),
            "Contactors: no chatter or wrong order seen; no load current flowed that would show dropouts",
            "",
            "Nothing to do.",
        ),
        (
            Blind(Shown.CURRENT_UNKNOWN, 100.0, 2.0, 0.02),
            "Contactors: no chatter or wrong order seen; dropouts and openings under load need a logged current; "
            "2 s are "
            "missing",
            " 2 s of 100 s are missing from the log.",
            "Nothing to do.",
        ),
        (
            Blind(Shown.STATES_ALONE, 100.0, 0.0, 0.2),
            "Contactors: not enough is logged, dropouts and welded contacts need the link voltage",
            "",
            "Record link voltage and pack current together with the states, every 10 ms or faster.",
        ),
        (
            Blind(Shown.LINK, 100.0, 0.0, 0.2),
            "Contactors: dropouts cannot be determined, 200 ms between two samples",
            " A dropout under load shorter than 200 ms may not show.",
            "Record link voltage, current and contactor states every 10 ms or faster.",
        ),
        (
            Blind(Shown.LINK, 100.0, 20.0, 0.02),
            "Contactors: dropouts cannot be determined, 20 s of 100 s are missing from the log",
            " A dropout under load shorter than 20 ms may not show. 20 s of 100 s are missing from the log.",
            "Find out why the logger loses messages (bus load, loose plug, slow card). Record the drive again.",
        ),
    ],
)
def test_sound_is_said_with_what_the_log_cannot_show(blind: Blind, title: str, said: str, next_step: str) -> None:
    words = sound_words({MAIN: 1, "negative_contactor": 2}, "negative contactor, main contactor", 4.0, blind)
    counted = (
        "Main contactor closed once, negative contactor closed 2 times. At most 4.00 A flowed around the openings."
    )
    assert (words.title, words.explanation, words.next_step) == (title, counted + said, next_step)
    assert words.method.endswith(" Order of closing as logged: negative contactor, main contactor.")
    assert not words.hands_near_hv
    bare = sound_words({MAIN: 1}, "", None, blind)
    assert bare.explanation == "Main contactor closed once." + said
    assert bare.method.endswith("only under load.")
