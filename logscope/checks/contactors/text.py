"""The texts of the contactor findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logscope.checks.contactors.blind import COARSEST_S, WANTED_S, Blind, Shown
from logscope.checks.wording import Words, number, seconds, times
from logscope.observations.dc_link.flags import FLAG_LAG_S

_OFF_FIRST = "With the power off, isolated and proven dead: "
_SUPPLY = (
    "Check the 12 V supply at the coil while the sequence runs (sag, loose plug or ground, weak battery), the driver "
    "and its economiser, then the contacts: each bounce under voltage erodes them."
)
_NAMES = {
    "precharge_relay": "precharge relay",
    "main_contactor": "main contactor",
    "negative_contactor": "negative contactor",
}


_CURRENTS = {"battery_current": "pack current", "motor_current": "motor current"}


def name_of(part: str) -> str:
    """A contactor in words."""
    return _NAMES[part]


def _capitalised(part: str) -> str:
    return _NAMES[part].capitalize()


def chatter_words(part: str, switchings: int, spells: int, longest_s: float, period_s: float, gap_s: float) -> Words:
    """A part that switches several times within some 100 ms."""
    return Words(
        f"{_capitalised(part)}: chatters, {switchings} switchings in {spells} burst{'s' * (spells != 1)}",
        f"Its state changed back and forth for up to {seconds(longest_s)}. There may be more bounces between two "
        "samples.",
        f"{_OFF_FIRST}check the coil and its wiring. {_SUPPLY}",
        method=f"Less than {seconds(gap_s)} between two changes; the state is logged every {seconds(period_s)}.",
    )


def closed_briefly_words(count: int, longest_s: float, brief_s: float) -> Words:
    """A main contactor that closes and drops again."""
    return Words(
        f"Main contactor: closes and opens again {times(count)}, after at most {seconds(longest_s)}",
        "A sequence that finds a fault opens it on purpose; a coil without enough supply drops by itself. The log "
        "does not distinguish them.",
        f"See whether a fault is set at that moment. {_SUPPLY}",
        method=f"Reported where the state is closed for less than {seconds(brief_s)}.",
    )


def order_words(count: int, reasons: Sequence[str]) -> Words:
    """An order of closing that contradicts a precharge."""
    return Words(
        f"Contactor order contradicts a precharge: {reasons[0]}",
        f"Seen {times(count)}: {'; '.join(reasons)}. The link has to be charged through the resistor before the last "
        "contactor closes.",
        f"Check which output drives which coil, and the sequence of the controller. {_OFF_FIRST}test the contactors "
        "for welded contacts.",
        method=f"A state may be logged up to {seconds(FLAG_LAG_S)} and one message period late; that is allowed for. "
        "Closing the negative side first or last is both usual.",
    )


def loaded_words(
    part: str, source: str, value_a: float, low_a: float, high_a: float, within_s: float, jump_v: float
) -> Words:
    """An opening under load, which the link proves. part : what shows it; source : the part whose current it is."""
    by_state = part in _NAMES
    current = _CURRENTS[source]
    unlike = "" if by_state else " No state is logged: a fuse or a high-voltage plug that opens would look the same."
    return Words(
        f"{_capitalised(part) if by_state else 'A contactor'}: opened under load, up to {number(high_a)} A"
        + ("" if source == "battery_current" else f" of {current}"),
        f"The {current} was {number(value_a)} A just before, and {number(low_a)} to {number(high_a)} A around the "
        f"opening. The link moved by {abs(jump_v):.0f} V {'down' if jump_v < 0 else 'up'}, so current still flowed.",
        "Let the sequence stop the inverter and wait for the current to fall before it opens the contactor. Find "
        f"what made it open (fault, 12 V sag, emergency stop). {_OFF_FIRST}inspect the contacts: each opening under "
        "load erodes or welds them.",
        method=f"The opening is known to within {seconds(within_s)}. A bleeder cannot move the link so far in that "
        f"time.{unlike}",
    )


def perhaps_loaded_words(count: int, worst_a: float, current_period_s: float) -> Words:
    """Openings about which the current ended, with nothing to show which came first."""
    return Words(
        f"Contactors: opened under load or just after it, up to {number(worst_a)} A",
        f"Seen {times(count)}: the current ended about when the state changed. Which came first cannot be determined.",
        "Record contactor state and pack current every 10 ms, and the link voltage beyond key-off.",
        method=f"The state may be late by {seconds(FLAG_LAG_S)} and a message period, the current is logged every "
        f"{seconds(current_period_s)}, and no link voltage after the opening decides it.",
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
    said = [
        f"{'Its state opened' if by_state else 'The link voltage left the pack'} {times(count)} for up to "
        f"{seconds(longest_s)} and came back with no precharge between.",
        f"Before it up to {number(loaded_a)} A flowed ({_CURRENTS[source]})."
        if loaded_a
        else "No load current is seen before it.",
    ]
    if lifted:
        said.append(
            "The link rose because the motor braked while the pack was disconnected: it can rise until a "
            "component fails."
        )
    method = []
    if low_v is not None and high_v is not None:
        method.append(f"The link lay between {low_v:.0f} and {high_v:.0f} V meanwhile, as far as its samples show.")
    if not by_state:
        method.append("A plug or fuse holder that opens for a moment, or the sense wire, would look the same.")
    return Words(
        f"{_capitalised(part) if by_state else 'A contactor'}: dropped out{' under load' if loaded_a else ''} and "
        "closed again without precharge",
        " ".join(said),
        "Do not drive on: closing onto a drained link can weld the contactor, and the drive cuts out on the road. "
        "Check the 12 V supply and ground of the coils, interlock and emergency-stop loop for a loose contact. "
        f"{_OFF_FIRST}check the contacts and the high-voltage plugs.",
        method=" ".join(method),
    )


def welded_words(level_v: float, seen_s: float, reasons: Sequence[str], only_decay: bool) -> Words:
    """A link that stays with the pack. only_decay : nothing but the missing fall shows it."""
    doubt = " An open bleeder would look the same: treat the link as live either way." if only_decay else ""
    return Words(
        f"A contactor does not open: the link stays at {level_v:.0f} V with the pack"
        + (" (or its bleeder is open)" if only_decay else ""),
        f"The states report an open path for {seconds(seen_s)}, but {' and '.join(reasons)}.{doubt}",
        f"Stop here and treat the link as live. Isolate the pack by its service disconnect. {_OFF_FIRST}test each "
        "contactor for welded contacts, one by one, before the high voltage is switched on again.",
    )


def perhaps_welded_words(count: int, longest_s: float, wanted_s: float | None) -> Words:
    """Openings after which nothing separates link and pack. wanted_s : what the bleeder needs to do so."""
    enough = "until the link has fallen by a tenth"
    if wanted_s is not None:
        enough = f"for at least {seconds(wanted_s)}, in which its bleeder takes a tenth off"
    return Words(
        f"Contactor opening not confirmed: the link is logged for only {seconds(longest_s)} after it",
        f"Seen {times(count)}. In that time neither a fall of the link nor a movement of the pack shows whether they "
        "are still connected.",
        f"Keep the log running after key-off {enough}. Until then treat the link as live.",
    )


_UNSEEN = {
    Shown.UNLOADED: "no load current flowed that would show dropouts",
    Shown.CURRENT_UNKNOWN: "dropouts and openings under load need a logged current",
    Shown.STATES_ALONE: "dropouts and welded contacts need the link voltage",
}


def sound_words(closed: dict[str, int], seen_order: str, worst_a: float | None, blind: Blind) -> Words:
    """Nothing to find fault with, as far as the log shows dropouts; worst_a : the highest current at an opening."""
    said = [", ".join(f"{name_of(part)} closed {times(count)}" for part, count in closed.items()).capitalize() + "."]
    if worst_a is not None:
        said.append(f"At most {number(worst_a)} A flowed around the openings.")
    if blind.shortest_s is not None:
        said.append(f"A dropout under load shorter than {seconds(blind.shortest_s)} may not show.")
    if blind.missing_s:
        said.append(f"{seconds(blind.missing_s)} of {seconds(blind.watched_s)} are missing from the log.")
    title = "Contactors: no chatter, dropout, wrong order or opening under load seen"
    if blind.shown is not Shown.LINK:
        title = f"Contactors: no chatter or wrong order seen; {_UNSEEN[blind.shown]}"
    if blind.missing_s:
        title = f"{title}; {seconds(blind.missing_s)} are missing"
    method = "A state may be only the command: a contactor that drops out by itself then shows in the link voltage "
    method += "alone, and only under load."
    order = f" Order of closing as logged: {seen_order}." if seen_order else ""
    words = Words(title, " ".join(said), "Nothing to do.", hands_near_hv=False, method=method + order)
    return _with_too_much_unseen(words, blind) if blind.too_much else words


def _with_too_much_unseen(words: Words, blind: Blind) -> Words:
    """The same as undetermined, with what to record."""
    if blind.shown is Shown.STATES_ALONE:
        unknown = f"not enough is logged, {_UNSEEN[blind.shown]}"
        wanted = f"Record link voltage and pack current together with the states, every {seconds(WANTED_S)} or faster."
    elif blind.apart_s > COARSEST_S:
        unknown = f"dropouts cannot be determined, {seconds(blind.apart_s)} between two samples"
        wanted = f"Record link voltage, current and contactor states every {seconds(WANTED_S)} or faster."
    else:
        lost = f"{seconds(blind.missing_s)} of {seconds(blind.watched_s)}"
        unknown = f"dropouts cannot be determined, {lost} are missing from the log"
        wanted = "Find out why the logger loses messages (bus load, loose plug, slow card). Record the drive again."
    return replace(words, title=f"Contactors: {unknown}", next_step=wanted)
