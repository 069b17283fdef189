"""The contactor findings in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logscope.checks.contactors.blind import COARSEST_S, WANTED_S, Blind
from logscope.checks.wording import Words, number, seconds
from logscope.observations.dc_link.flags import FLAG_LAG_S

_OFF_FIRST = "With the power off, isolated and proved dead: "
_SUPPLY = (
    "Check the 12 V supply at the coil while the sequence runs (sag, loose plug or ground, weak battery), the driver "
    "and its economiser, then the contacts: each bounce under voltage erodes them."
)
_NAMES = {
    "precharge_relay": "precharge relay",
    "main_contactor": "main contactor",
    "negative_contactor": "negative contactor",
}


def name_of(part: str) -> str:
    """A contactor in words."""
    return _NAMES[part]


def times(count: int) -> str:
    """'once', '3 times'."""
    return "once" if count == 1 else f"{count} times"


def chatter_words(part: str, switchings: int, spells: int, longest_s: float, period_s: float, gap_s: float) -> Words:
    """A part that switches several times within some 100 ms."""
    return Words(
        f"The {name_of(part)} chatters: {switchings} switchings, {times(spells)}",
        f"Its state changed back and forth with less than {seconds(gap_s)} between; the longest spell took "
        f"{seconds(longest_s)}. The state is logged every {seconds(period_s)}: bounces between two samples are not "
        "seen, so there may be more.",
        _OFF_FIRST + "look at the coil and its wiring. " + _SUPPLY,
    )


def closed_briefly_words(count: int, longest_s: float, brief_s: float) -> Words:
    """A main contactor that closes and drops again."""
    return Words(
        f"The main contactor closes and drops again: {times(count)}, for {seconds(longest_s)} at most",
        f"It reported closed and, less than {seconds(brief_s)} later, open again. A sequence that finds a fault "
        "opens it on purpose; a coil that its supply cannot hold drops by itself. The log does not tell the two "
        "apart.",
        "See whether a fault is set at that moment. " + _SUPPLY,
    )


def order_words(count: int, reasons: Sequence[str]) -> Words:
    """An order of closing that contradicts a precharge."""
    return Words(
        f"Order of the contactors contradicts a precharge: {reasons[0]}",
        f"Seen {times(count)}: {'; '.join(reasons)}. A state may reach the log up to {seconds(FLAG_LAG_S)} and one "
        "message period late; that is allowed for. Negative side first or last are both usual; but the link has to "
        "be charged through the resistor before the last contactor closes.",
        "Check which output drives which coil, and the sequence of the controller. "
        + _OFF_FIRST
        + "test the contactors for welded contacts.",
    )


def loaded_words(part: str, value_a: float, low_a: float, high_a: float, within_s: float, jump_v: float) -> Words:
    """An opening under load, which the link proves."""
    return Words(
        f"The {name_of(part)} opened under load: up to {number(high_a)} A",
        f"The last pack current before the earliest moment of opening was {number(value_a)} A; between the samples "
        f"around the opening (known to within {seconds(within_s)}) it lay between {number(low_a)} and "
        f"{number(high_a)} A. That it still flowed shows in the link: {abs(jump_v):.0f} V "
        f"{'less' if jump_v < 0 else 'more'} than just before, which a bleeder cannot do in that time.",
        "Have the sequence stop the inverter and wait for the current to fall before it opens the contactor; look "
        "for what made it open (fault, 12 V sag, emergency stop). "
        + _OFF_FIRST
        + "inspect the contacts: each opening under load erodes or welds them.",
    )


def perhaps_loaded_words(count: int, worst_a: float, current_period_s: float) -> Words:
    """Openings about which the current ended, with nothing to tell which came first."""
    return Words(
        f"Opened under load or just after it: current up to {number(worst_a)} A about the moment of opening",
        f"Seen {times(count)}: the current ended about when the state changed. The state may be late by "
        f"{seconds(FLAG_LAG_S)} and a message period, the current is logged every {seconds(current_period_s)}, and "
        "no link voltage behind the opening shows which came first.",
        "Record contactor state and pack current every 10 ms, and the link voltage beyond key-off.",
    )


def dropout_words(
    part: str,
    count: int,
    longest_s: float,
    loaded_a: float | None,
    source: str,
    low_v: float | None,
    high_v: float | None,
    *,
    lifted: bool,
) -> Words:
    """A contactor, or the link, that falls away and comes back. loaded_a : None where no load current is seen."""
    by_state = part in _NAMES
    what = f"The {name_of(part)}" if by_state else "A contactor"
    told = (
        f"{'Its state fell' if by_state else 'The link voltage went'} away and came back {times(count)}, for "
        f"{seconds(longest_s)} at most, with no precharge between. "
    )
    told += (
        f"Before it up to {number(loaded_a)} A flowed ({source})." if loaded_a else "No load current is seen before it."
    )
    if low_v is not None and high_v is not None:
        told += f" The link lay between {low_v:.0f} and {high_v:.0f} V meanwhile, as far as its samples show."
    if lifted:
        told += (
            " It rose because the motor braked while the pack was gone: what it gives back then has nowhere to go, "
            "and the link can rise until something breaks."
        )
    if not by_state:
        told += " A plug or a fuse holder that opens for a moment, or the sense wire, would look the same."
    return Words(
        f"{what} dropped out{' under load' if loaded_a else ''} and closed again without precharge",
        told,
        "Do not drive on: closing onto a drained link can weld the contactor, and the drive cuts out on the road. "
        "Check the 12 V supply and ground of the coils, interlock and emergency-stop loop for a loose contact. "
        + _OFF_FIRST
        + "check the contacts and the high-voltage plugs.",
    )


def welded_words(level_v: float, seen_s: float, reasons: Sequence[str], only_decay: bool) -> Words:
    """A link that stays with the pack. only_decay : nothing but the missing fall shows it."""
    doubt = " A bleeder that is open would look the same: treat the link as live either way." if only_decay else ""
    return Words(
        f"A contactor does not open: the link stays with the pack at {level_v:.0f} V"
        + (" (or its bleeder is open)" if only_decay else ""),
        f"The states report an open path for {seconds(seen_s)}, yet {' and '.join(reasons)}." + doubt,
        "Stop here and treat the link as live. Isolate the pack by its service disconnect. "
        + _OFF_FIRST
        + "test each contactor for welded contacts, one by one, before the high voltage is switched on again.",
    )


def perhaps_welded_words(count: int, longest_s: float, wanted_s: float | None) -> Words:
    """Openings behind which nothing tells link and pack apart. wanted_s : what the bleeder needs to do so."""
    enough = "until the link has fallen by a tenth"
    if wanted_s is not None:
        enough = f"for at least {seconds(wanted_s)}, in which its bleeder takes a tenth off"
    return Words(
        "Whether the contactors opened cannot be determined: the link stayed with the pack as far as the log shows",
        f"Seen {times(count)}; the link is logged for {seconds(longest_s)} behind the opening at most. In that time "
        "neither a fall of the link nor a movement of the pack tells whether they are still joined.",
        f"Keep the log running after key-off {enough}. Until then treat the link as live.",
    )


def sound_words(
    closed: dict[str, int], seen_order: str, worst_a: float | None, has_current: bool, has_link: bool
) -> Words:
    """Nothing to find fault with."""
    told = ", ".join(f"{name_of(part)} closed {times(count)}" for part, count in closed.items()).capitalize()
    told += "; no chatter, no dropout, no opening under load and no contradiction in their order is seen."
    if seen_order:
        told += f" Order of closing as logged: {seen_order}."
    if worst_a is not None:
        told += f" Around the openings at most {number(worst_a)} A flowed."
    elif not has_current:
        told += " No pack current is mapped, so the current at the openings is not known."
    if not has_link:
        told += " No link voltage is mapped, so welded contacts would not be seen."
    return Words("Contactors switch as they should, as far as this log shows", told, "Nothing to mend here.", False)


def with_blind(words: Words, blind: Blind) -> Words:
    """The same, with what the log could not show; where that is too much, as undetermined."""
    told = f" A dropout shorter than {seconds(blind.shortest_s)} need not show in it"
    told += "; under load the link voltage shows it." if blind.told_by == "dc_link_voltage" else "."
    if blind.missing_s:
        told += f" Of the {seconds(blind.watched_s)} watched, {seconds(blind.missing_s)} are missing from the log."
    if not blind.too_much:
        title = words.title
        if blind.missing_s:
            title += f"; {seconds(blind.missing_s)} are missing"
        return replace(words, title=title, explanation=words.explanation + told)
    if blind.shortest_s > COARSEST_S:
        short = seconds(blind.shortest_s)
        title = f"Whether a contactor dropped out cannot be determined: {short} between two samples"
        wanted = f"Record the contactor states, or link voltage and current, every {seconds(WANTED_S)} or faster."
    else:
        lost = f"{seconds(blind.missing_s)} of {seconds(blind.watched_s)}"
        title = f"Whether a contactor dropped out cannot be determined: {lost} are missing from the log"
        wanted = (
            "Find out why the logger loses messages (bus load, a loose plug, a slow card), and record the drive again."
        )
    return Words(title, words.explanation + told, wanted, False)
