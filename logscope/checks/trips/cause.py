"""What led to an overcurrent trip, as a likelihood over the causes that the trade knows.

Each sign (`signs`) is seen with some probability under each cause. Those probabilities are practice
and judgement, not statistics: no published collection of such trips is known. All causes start even; signs
the log cannot tell change nothing. A cause is named only if its own sign was seen and it is far likelier than
all others together; a sudden fault, which nothing leads to, only if the current shot far past its limit, or if all
signs could have been seen, in samples no coarser than the shortest of them lasts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.checks.trips.order import NO_LEAD, Moment, lead_of, sharpest
from logscope.checks.trips.sign import Sign
from logscope.checks.trips.signs import signs
from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Surge
from logscope.signals import Signals

NAMED_FROM = 2.0 / 3.0  # likelihood from which a cause is named: twice all others together
SURE_FROM = 0.85  # likelihood from which its name goes without "probably"
WANTED_PERIOD_S = 0.010  # sampling at which a lead of some tens of ms can be found
_JITTER = 1.2  # of a period, by which a typical one may seem longer
_ONE_DISTURBANCE_S = 0.015  # most last for one counting window, 10 to 20 ms: coarser sampling may miss one (practice)

# How often each sign is seen under each cause (practice, no published source).
_SIGNS = ("speed", "command", "swings", "link", "level", "slow", "far", "goes_on")
_SEEN: Mapping[str, tuple[float, ...]] = {
    "encoder": (0.95, 0.15, 0.30, 0.05, 0.15, 0.40, 0.03, 0.10),
    "demand": (0.03, 0.95, 0.10, 0.05, 0.05, 0.70, 0.02, 0.15),
    "oscillation": (0.03, 0.10, 0.95, 0.05, 0.05, 0.70, 0.02, 0.15),
    "supply": (0.05, 0.10, 0.10, 0.95, 0.15, 0.50, 0.05, 0.05),
    "limit": (0.02, 0.15, 0.03, 0.02, 0.95, 0.20, 0.01, 0.15),
    "sudden": (0.03, 0.05, 0.03, 0.05, 0.25, 0.05, 0.60, 0.01),
}
_SIGN_OF = {"encoder": "speed", "demand": "command", "oscillation": "swings", "supply": "link", "limit": "level"}
_WOULD_DECIDE = {
    "speed": "motor speed",
    "command": "throttle and torque target",
    "swings": "motor current",
    "link": "DC-link voltage",
    "level": "motor current",
    "slow": "motor current",
    "far": "motor current",
    "goes_on": "motor current",
}
IN_WORDS = {
    "encoder": "a speed disturbance",
    "demand": "a step of the demand",
    "oscillation": "a growing oscillation",
    "supply": "a change of the DC-link supply",
    "limit": "a limit below the demand",
    "sudden": "a sudden fault with nothing before it",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """The cause's name ('undetermined' if none is far likelier), why and how it was judged, and the likelihoods.

    ranked : (cause, likelihood) from the likeliest on, adding up to one
    sign, lead : the sign that set in before the event, and how long before it
    went_on : whether current and torque went on after the fault
    """

    name: str
    why: str
    method: str
    ranked: tuple[tuple[str, float], ...]
    sign: Sign | None = None
    lead: Measured = NO_LEAD
    went_on: bool = False

    @property
    def likelihood(self) -> float:
        """Of the likeliest cause."""
        return self.ranked[0][1]

    @property
    def certain(self) -> bool:
        """Whether it is all but sure, and the sampling proves the order where there is one."""
        proven = self.lead.low is None or self.lead.low >= 0
        return self.name != "undetermined" and self.likelihood >= SURE_FROM and proven


def judge(
    trip: Trip, surge: Surge | None, signals: Signals, study: SpeedAnalysis | None, limit_A: float | None
) -> Cause:
    """The cause of an overcurrent trip, as far as the log and its sampling show it."""
    event, what = sharpest(trip, surge, signals.get("motor_current"))
    found = signs(event, surge, signals, study, limit_A, trip.time_s)
    ranked = likelihoods(found, study.model.update_s if study is not None else 0.0)
    best, likelihood = ranked[0]
    sign = next((each for each in found if each.name == _SIGN_OF.get(best) and each.seen), None)
    shown = sign is not None if best in _SIGN_OF else _nothing_missed(found, signals, study)
    went_on = any(each.name == "goes_on" and each.seen for each in found)
    shown = shown and not (went_on and best == "sudden")  # a short circuit leaves no drive that goes on
    name = best if likelihood >= NAMED_FROM and shown else "undetermined"
    lead = NO_LEAD if name == "undetermined" or sign is None or sign.moment is None else lead_of(sign.moment, event)
    why = " ".join(
        (
            _seen_in_words(found, event, what),
            _likelihoods_in_words(ranked[: 2 if name == "undetermined" else 1]),
            _what_would_decide(found, ranked, _wanted_s(signals, study)),
        )
    )
    return Cause(name, why.strip(), _method_in_words(found, ranked), ranked, sign, lead, went_on)


def _nothing_missed(found: tuple[Sign, ...], signals: Signals, study: SpeedAnalysis | None) -> bool:
    """Whether nothing can have led to it unseen: all signs are known, in samples that are fine enough for each.

    A current far past its limit needs no such proof: what leads to a surge does not lead that far.
    """
    if any(each.name == "far" and each.seen for each in found):
        return True
    current = signals.get("motor_current")
    if study is None or current is None:
        return False
    fine = max(study.model.update_s, current.period_s) <= _ONE_DISTURBANCE_S
    return fine and all(each.seen is not None or each.name in ("slow", "far", "goes_on") for each in found)


def likelihoods(found: tuple[Sign, ...], speed_update_s: float) -> tuple[tuple[str, float], ...]:
    """Causes with their likelihoods, the likeliest first: Bayes' rule, even odds before, signs independent.

    speed_update_s : time between new values of the speed, above which a short disturbance may be missed [s]
    """
    weights = {}
    for cause, seen in _SEEN.items():
        weight = 1.0
        for sign in found:
            share = seen[_SIGNS.index(sign.name)]
            if sign.name == "speed" and cause == "encoder" and speed_update_s > _ONE_DISTURBANCE_S:
                share *= _ONE_DISTURBANCE_S / speed_update_s
            weight *= 1.0 if sign.seen is None else share if sign.seen else 1.0 - share
        weights[cause] = weight
    whole = sum(weights.values())
    return tuple(sorted(((cause, weight / whole) for cause, weight in weights.items()), key=lambda each: -each[1]))


def _seen_in_words(found: tuple[Sign, ...], event: Moment, what: str) -> str:
    seen = [f"{each.words}{_before(each, event)}" for each in found if each.seen]
    return f"Seen around {what}: {'; '.join(seen)}." if seen else f"Nothing was seen before {what}."


def _method_in_words(found: tuple[Sign, ...], ranked: tuple[tuple[str, float], ...]) -> str:
    absent = [each.words for each in found if each.seen is False]
    unknown = [each.words for each in found if each.seen is None]
    parts = [_likelihoods_in_words(ranked[:2])]
    parts += [f"Against other causes: {'; '.join(absent)}."] if absent else []
    parts += [f"Cannot be determined: {'; '.join(unknown)}."] if unknown else []
    return " ".join([*parts, "The likelihoods are judgement from practice, no published source."])


def _before(sign: Sign, event: Moment) -> str:
    if sign.moment is None:
        return ""
    lead = lead_of(sign.moment, event)
    value, low, high = (1e3 * (each or 0.0) for each in (lead.value, lead.low, lead.high))
    side = "before" if value >= 0 else "after"
    if low < 0.0 <= high:
        return f", within {max(high, -low):.0f} ms of it, before or after"
    return f", {abs(value):.0f} ms {side} it ({min(abs(low), abs(high)):.0f} to {max(abs(low), abs(high)):.0f} ms)"


def _likelihoods_in_words(ranked: tuple[tuple[str, float], ...]) -> str:
    named = ", then ".join(f"{IN_WORDS[cause]} ({100 * likelihood:.0f} %)" for cause, likelihood in ranked)
    return f"Likeliest: {named}."


def _wanted_s(signals: Signals, study: SpeedAnalysis | None) -> float:
    """How often speed and current should be logged [s]: as usual, or twice as often as they are where that hid it."""
    current = signals.get("motor_current")
    logged_s = [] if study is None else [study.model.update_s]
    logged_s += [] if current is None else [current.period_s]
    coarse = max(logged_s, default=np.inf) > _JITTER * WANTED_PERIOD_S
    return WANTED_PERIOD_S if coarse else 0.5 * min(logged_s)


def _what_would_decide(found: tuple[Sign, ...], ranked: tuple[tuple[str, float], ...], wanted_s: float) -> str:
    """What to log, so that the signs that are open now can be decided the next time."""
    wanted = dict.fromkeys(_WOULD_DECIDE[each.name] for each in found if each.seen is None)
    if ranked[0][1] >= SURE_FROM or not wanted:
        return ""
    return f"To decide it, record {', '.join(wanted)} every {wanted_s * 1e3:.2g} ms or faster."
