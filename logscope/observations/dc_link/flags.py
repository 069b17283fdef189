"""What the states of relay and contactor say of an attempt, and which of their closings no rise followed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray
from logscope.observations.dc_link.link import LOWEST_FULL_V, PACK_MISMATCH, Link, link_full
from logscope.observations.dc_link.rises import Attempt, rises_of
from logscope.signals import Part, Signals

# A rise of less than 5 % of the full voltage is left to noise, sag and regeneration, unless a flag vouches for it.
LEAST_RISE = 0.05
# With no flag and no pack voltage, a link under 60 % of the full voltage is taken as disconnected: packs do
# not sag that deep under load (common practice, no published source).
DISCONNECTED_BELOW = 0.6
# A current below this is that of the vehicle's auxiliaries, not of driving (common practice, no published source).
LEAST_LOAD_A = 5.0
# A relay state may reach the log this much later than the voltage shows it (10 Hz messages, common practice).
FLAG_LAG_S = 0.15
# Swings, as a share of the full voltage, by which a load shows that starts and stops, and how many: 2 % is what it
# needs between its thresholds, and a single swing may be a reading gone astray (common practice, no published source).
_LEAST_SWING, _LEAST_SWINGS = 0.02, 2
_HELD_SHARE = 0.5  # of where the rise ended: further down the link is no longer held there, and no swing


@dataclass(frozen=True, slots=True)
class NoRise:
    """A relay (or contactor) that closed while the voltage stayed where it was."""

    start_s: float
    end_s: float
    by: str


def first_on_s(signals: Signals, name: str, start_s: float, end_s: float) -> float | None:
    """The first time between two times at which a state turns on; None where it does not or is not mapped."""
    part = signals.get(name)
    if part is None or part.on is None:
        return None
    rises = np.flatnonzero(part.on[1:] & ~part.on[:-1]) + 1
    inside = rises[(part.time_s[rises] >= start_s) & (part.time_s[rises] <= end_s)]
    return float(part.time_s[inside[0]]) if inside.size else None


def with_flags(signals: Signals, link: Link, attempt: Attempt) -> Attempt:
    """The attempt with the moments that the flags show. A flag may lag, so none of them is required."""
    time_s = link.part.time_s
    begin_s, end_s = float(time_s[attempt.onset]), float(time_s[attempt.end])
    relay_s = first_on_s(signals, "precharge_relay", begin_s - 3 * FLAG_LAG_S, float(time_s[attempt.top]) + FLAG_LAG_S)
    relay = signals.get("precharge_relay")
    relay_end_s = None
    if relay_s is not None and relay is not None and relay.on is not None:
        off = np.flatnonzero(~relay.on & (relay.time_s > relay_s))
        relay_end_s = float(relay.time_s[off[0]]) if off.size else None
    contactor_s = first_on_s(signals, "main_contactor", begin_s - FLAG_LAG_S, end_s + FLAG_LAG_S)
    after_s = None
    contactor = signals.get("main_contactor")
    if contactor_s is not None and contactor is not None:
        after_s = float(contactor.time_s[int(np.searchsorted(contactor.time_s, contactor_s)) - 1])
    ended = attempt.ended_by != "log end" or relay_end_s is not None
    return replace(
        attempt,
        relay_s=relay_s,
        relay_end_s=relay_end_s,
        contactor_s=contactor_s,
        contactor_after_s=after_s,
        stayed_open=ended and _open_throughout(signals, begin_s, end_s),
    )


def with_swings(signals: Signals, link: Link, attempt: Attempt, until: int, apart: BoolArray) -> Attempt:
    """The attempt with the swings after its rise that are too small for attempts of their own: a load starts and stops.

    A link that rises again is still fed, so the relay has not released. This is said only while the link is apart from
    its pack: through a closed contactor it swings with it.

    until : the sample at which the next attempt begins; apart : for each sample, whether it surely is
    """
    time_s, volts = link.part.time_s, link.part.value
    relay = signals.get("precharge_relay")
    if attempt.saws or attempt.contactor_s is not None or (relay is not None and attempt.relay_end_s is None):
        return attempt
    least = max(8 * link.noise_v, 2 * link.step_v, _LEAST_SWING * link_full(link))
    legs = rises_of(volts[attempt.onset : until], least)
    if not legs:
        return attempt
    # The first rise ends where the voltage first falls by a swing: a later swing may lead a little higher.
    top = min(attempt.top, attempt.onset + legs[0][1])
    over = ~apart[top:until] | (volts[top:until] < _HELD_SHARE * volts[top])
    last = top + (int(np.argmax(over)) if over.any() else over.size) - 1
    if attempt.relay_end_s is not None:
        last = min(last, int(np.searchsorted(time_s, attempt.relay_end_s)) - 1)
    if last <= top:
        return attempt
    swings = rises_of(volts[top : last + 1], least)
    if len(swings) < _LEAST_SWINGS:
        return attempt
    return replace(attempt, top=top, end=max(attempt.end, last), saws=len(swings))


def without_rise(signals: Signals, link: Link, attempts: list[Attempt]) -> list[NoRise]:
    """Relay closings with the link voltage logged all the while and no rise to show for them."""
    relay = signals.get("precharge_relay") or signals.get("main_contactor")
    if relay is None or relay.on is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    taken = [a.relay_s if relay.name == "precharge_relay" else a.contactor_s for a in attempts]
    found = []
    for index in np.flatnonzero(relay.on[1:] & ~relay.on[:-1]) + 1:
        start_s = float(relay.time_s[index])
        off = np.flatnonzero(~relay.on[index:])
        end_s = float(relay.time_s[index + off[0]]) if off.size else float(relay.time_s[-1])
        seen = (time_s >= start_s - FLAG_LAG_S) & (time_s <= end_s + FLAG_LAG_S)
        inside = link.part.between(start_s, end_s)
        if start_s in taken or np.count_nonzero(seen) < 3 or inside.start == inside.stop:
            continue
        stays = volts[seen].max() - volts[seen][0] < max(LEAST_RISE * (link.full_v or LOWEST_FULL_V), 3 * link.noise_v)
        surely_apart = _open_throughout(signals, start_s, end_s)
        below = 1 - PACK_MISMATCH if surely_apart else DISCONNECTED_BELOW
        low = link.full_v is None or volts[seen].max() < below * link.full_v
        if stays and low:
            found.append(NoRise(start_s, end_s, relay.name))
    return found


def surely_closed(signals: Signals, at_s: float) -> bool:
    """Whether the states say that pack and link are joined at a time, and still do for as long as they may be late.

    The negative contactor counts where it is logged and ever closes: the resistor may lie across that one.
    """
    negative = signals.get("negative_contactor")
    has_negative = negative is not None and negative.on is not None and bool(negative.on.any())
    return _says_closed(signals.get("main_contactor"), at_s) and (not has_negative or _says_closed(negative, at_s))


def _says_closed(contactor: Part | None, at_s: float) -> bool:
    if contactor is None or contactor.on is None:
        return False
    late_s = FLAG_LAG_S + (contactor.period_s if contactor.has_period else 0.0)
    first = int(np.searchsorted(contactor.time_s, at_s, side="right")) - 1
    last = int(np.searchsorted(contactor.time_s, at_s + late_s, side="right"))
    return first >= 0 and bool(contactor.on[first:last].all())


def nothing_closes(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether the states of relay and main contactor surely say open all the while; each closes somewhere in the log.

    A state that never changes is that of the wrong signal, and says nothing.
    """
    for name in ("precharge_relay", "main_contactor"):
        part = signals.get(name)
        if part is None or part.on is None or not part.on.any():
            return False
        late_s = FLAG_LAG_S + 2 * part.period_s if part.has_period else FLAG_LAG_S
        inside = part.between(start_s - late_s, end_s + late_s)
        at = np.concatenate([[start_s], part.time_s[inside], [end_s + late_s]])
        if part.on[inside].any() or inside.start == inside.stop or np.diff(at).max() > late_s:
            return False
    return True


def drawn_from(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether the pack delivers current all the while: then the link is not apart from it."""
    current = signals.get("battery_current")
    if current is None:
        return False
    amps = np.abs(current.value[current.between(start_s, end_s)])
    return bool(amps.size and float(np.median(amps)) > LEAST_LOAD_A)


def _open_throughout(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether the main contactor's state says open all the while."""
    contactor = signals.get("main_contactor")
    if contactor is None or contactor.on is None:
        return False
    states = contactor.on[contactor.between(start_s - contactor.period_s, end_s + FLAG_LAG_S)]
    return bool(states.size and not states.any())
