"""The order in which relay and contactors close.

Negative side first or last are both usual: the order is reported, and judged only where it contradicts itself, that is
where the link is not charged through the resistor before both contactors are closed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import groupby
from math import log

import numpy as np

from logscope.checks.contactors.switching_history import SwitchingHistory, make_finding
from logscope.checks.contactors.text import name_of, order_words
from logscope.checks.wording import seconds
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.attempts import Attempts
from logscope.observations.dc_link.link import pack_voltage
from logscope.observations.dc_link.openings import Switch, state_lag_s
from logscope.observations.dc_link.rises import Attempt

# Where the vehicle file gives no R·C: precharges take 0.1 to 3 s (common practice, no published source).
SHORTEST_PRECHARGE_S = 0.1
# A relay that the contactor follows too early was closed for less; shorter than this it was no precharge at all.
_CUT_SHORT_S = 0.06
# A link that is closed onto rises within a millisecond: one sample of it at most lies on the way, and one may be late.
_GRADUAL_SAMPLES = 3
_LEVEL_SAMPLES = 3  # after a closing, of which the highest is the level: one may be late


@dataclass(frozen=True, slots=True)
class Closing:
    """The first closing of each part from one rest of all to the next; None where it did not close."""

    relay: Switch | None
    main: Switch | None
    negative: Switch | None

    @property
    def in_order(self) -> tuple[Switch, ...]:
        """What closed, in order of the log."""
        closed = (switch for switch in (self.relay, self.negative, self.main) if switch is not None)
        return tuple(sorted(closed, key=lambda switch: switch.time_s))


def closings(history: SwitchingHistory) -> list[Closing]:
    """Each closing of the path, from all parts surely open to all parts surely open again.

    Where one part hands over to the next in another message, the messages may cross: a relay that reports off just
    before the contactor reports on was closed all the while, as far as lag and period of both can tell.
    """
    parts = {name: history.signals[name] for name in history.switched}
    state = {name: bool(part.on[0]) for name, part in parts.items() if part.on is not None}
    events = sorted((s for changes in history.switched.values() for s in changes), key=lambda s: s.time_s)
    found: list[Closing] = []
    first: dict[str, Switch] = {}
    whole = not any(state.values())  # a log that begins with something closed does not show the order
    resting_s = -np.inf if whole else None  # since when all have reported open
    for at_s, together in groupby(events, key=lambda s: s.time_s):
        switched = list(together)  # in one message, which may hold several states: nothing lies between them
        on = [switch for switch in switched if switch.on]
        if on and resting_s is not None and min(switch.low_s for switch in on) > resting_s:
            found += [_closing(first)] if whole and first else []
            first, whole = {}, True
        for switch in switched:
            state[switch.part] = switch.on
            if switch.on:
                first.setdefault(switch.part, switch)
        resting_s = None if any(state.values()) else (at_s if resting_s is None else resting_s)
    return found + ([_closing(first)] if whole and first else [])


def _closing(first: dict[str, Switch]) -> Closing:
    return Closing(first.get("precharge_relay"), first.get("main_contactor"), first.get("negative_contactor"))


def order(history: SwitchingHistory) -> list[Finding]:
    """One finding that gathers all closings whose order contradicts a precharge."""
    wrong = [(moment_s, why) for closing in closings(history) for moment_s, why in _contradictions(history, closing)]
    if not wrong:
        return []
    reasons = list(dict.fromkeys(why for _, why in wrong))
    return [
        make_finding(
            history,
            "order",
            Severity.WARNING,
            order_words(len(wrong), reasons),
            events=tuple(Event(moment_s, moment_s) for moment_s, _ in wrong),
            measured={"count": Measured(float(len(wrong)), "1")},
        )
    ]


def _contradictions(history: SwitchingHistory, closing: Closing) -> list[tuple[float, str]]:
    relay, main, negative = closing.relay, closing.main, closing.negative
    rise_s = None if negative is None else _rise_before(history, negative.low_s)
    if _across_negative(history, closing) and rise_s is not None:
        return []
    found = []
    if main is not None and "precharge_relay" in history.switched:
        if relay is not None and _surely_before(history, main, relay):
            found.append((main.time_s, "the main contactor closes before the precharge relay"))
        elif relay is None and _surely_without_relay(history, main):
            found.append((main.time_s, _without_relay(history, main)))
    if negative is not None and rise_s is not None:
        found.append((rise_s, "the link is charged while the negative contactor reports open"))
    elif main is not None and negative is not None and _closed_onto(history, main, negative):
        found.append((negative.time_s, "the negative contactor closes last, onto a link that is not charged"))
    return found


def _closed_onto(history: SwitchingHistory, main: Switch, negative: Switch) -> bool:
    """Whether the negative contactor closes last, and the link is not charged by then."""
    return _surely_before(history, main, negative) and _charged(history, negative) is Charged.NO


def _across_negative(history: SwitchingHistory, closing: Closing) -> bool:
    """Whether relay and resistor seem to lie across the negative contactor: main, then the relay, then that one."""
    relay, main, negative = closing.relay, closing.main, closing.negative
    if relay is None or main is None or negative is None:
        return False
    return _surely_before(history, main, relay) and relay.time_s < negative.time_s


def _surely_without_relay(history: SwitchingHistory, main: Switch) -> bool:
    """Whether the link was not charged when the contactor closed, and no message of the relay can have missed that.

    A precharge shorter than the time between two messages of the relay never shows in them. The link shows it, where it
    rises over several of its samples; one that rises from one sample to the next was closed onto.
    """
    if _charged(history, main) is Charged.YES:
        return False
    shown = history.attempts is not None and any(
        _gradual(history.attempts, attempt, main) for attempt in history.attempts.found
    )
    unseen = _unseen_s(history, main) > _shortest_precharge_s(history, main) and not _stepped(history, main)
    return not shown and not unseen


def _unseen_s(history: SwitchingHistory, main: Switch) -> float:
    """For how long at most the relay can have been closed before the contactor, between two of its messages [s]."""
    relay, since_s = history.signals["precharge_relay"], main.low_s - _shortest_precharge_s(history, main)
    at = relay.time_s[relay.between(since_s, main.time_s + state_lag_s(relay))]
    return float(np.diff(np.sort(np.concatenate([[since_s], at, [main.time_s]]))).max())


def _without_relay(history: SwitchingHistory, main: Switch) -> str:
    """What is wrong where no message shows the relay closed: a contactor may also have cut its precharge short."""
    said = "the main contactor closes and the precharge relay"
    unseen_s = _unseen_s(history, main)
    if unseen_s <= _CUT_SHORT_S:
        return f"{said} never does"
    return f"{said} does not, or for less than {seconds(unseen_s)}"


def _shortest_precharge_s(history: SwitchingHistory, main: Switch) -> float:
    """The shortest time that this precharge takes: by vehicle file and level of the link, else the usual shortest."""
    configured = history.vehicle.precharge
    if configured.time_constant_s is None:
        return SHORTEST_PRECHARGE_S
    share = _charged_share(history, main) or 0.0
    constants = log((1 - share) / (1 - configured.close_fraction)) if share < configured.close_fraction else 0.0
    return configured.time_constant_s * (1 - configured.tolerance) * constants


def _gradual(attempts: Attempts, attempt: Attempt, main: Switch) -> bool:
    """Whether the link rises over several samples before the contactor may be closed for sure."""
    link, volts = attempts.link.part, attempts.link.part.value
    if main.low_s - link.period_s > attempts.top_s(attempt) or attempts.onset_s(attempt) >= main.high_s:
        return False
    low_v, high_v = volts[attempt.onset], volts[attempt.top]
    rising = volts[attempt.onset : attempt.top + 1]
    between = (rising > low_v + 0.1 * (high_v - low_v)) & (rising < high_v - 0.1 * (high_v - low_v))
    return int(np.count_nonzero(between)) >= _GRADUAL_SAMPLES


def _stepped(history: SwitchingHistory, main: Switch) -> bool:
    """Whether the link rises from one sample to the next about the contactor's closing."""
    seen = history.attempts
    if seen is None:
        return False
    about = [one for one in seen.found if main.low_s <= seen.top_s(one) and seen.onset_s(one) <= main.high_s]
    fine = seen.link.part.period_s < _shortest_precharge_s(history, main) / _GRADUAL_SAMPLES
    return fine and not all(_gradual(seen, one, main) for one in about)


def _surely_before(history: SwitchingHistory, first: Switch, second: Switch) -> bool:
    """Whether one part closed before another, whatever the lag. States of one message share theirs."""
    messages = [history.signals[switch.part].source.rpartition(".")[0] for switch in (first, second)]
    one, other = (history.signals[switch.part].time_s for switch in (first, second))
    if messages[0] and messages[0] == messages[1] and np.array_equal(one, other):
        return first.time_s < second.time_s
    return first.time_s < second.low_s


class Charged(Enum):
    """Whether the link was charged, as far as the log shows."""

    YES = "up to the closing threshold"
    NO = "below it"
    UNKNOWN = "link voltage not logged"


def _charged(history: SwitchingHistory, switch: Switch) -> Charged:
    """Whether the link was up to the closing threshold just before a part closed."""
    share = _charged_share(history, switch)
    if share is None:
        return Charged.UNKNOWN
    return Charged.YES if share >= history.vehicle.precharge.close_fraction else Charged.NO


def _charged_share(history: SwitchingHistory, switch: Switch) -> float | None:
    """The link's voltage just before a part closed, as high as its noise allows, as a share of the pack's.

    None if unknown. Without a pack voltage the level that the link stands at once the part has closed is the pack's.
    """
    if history.link is None:
        return None
    time_s, volts = history.link.part.time_s, history.link.part.value
    behind = volts[np.searchsorted(time_s, switch.time_s) :][:_LEVEL_SAMPLES]
    pack_v = pack_voltage(history.signals, -np.inf, np.inf) or float(behind.max(initial=0.0))
    at = int(np.searchsorted(time_s, switch.low_s, side="right")) - 1
    return None if at < 0 or not pack_v > 0 else (float(volts[at]) + 3 * history.link.noise_v) / pack_v


def _rise_before(history: SwitchingHistory, closed_s: float) -> float | None:
    """When the link began to be charged, where that was over before the negative contactor can have closed [s]."""
    seen = history.attempts
    if seen is None:
        return None
    tops = [(seen.onset_s(one), seen.top_s(one)) for one in seen.found]
    since_s = max(
        (s.time_s for s in history.switched["negative_contactor"] if s.time_s < closed_s and not s.on),
        default=-np.inf,
    )
    return next((onset for onset, top in tops if since_s < onset and top < closed_s), None)


def usual_order(history: SwitchingHistory) -> str:
    """The order seen most often, in words; empty where fewer than two parts are logged."""
    seen = [", ".join(name_of(s.part) for s in closing.in_order) for closing in closings(history)]
    seen = [text for text in seen if "," in text]
    return max(seen, key=seen.count) if seen else ""
