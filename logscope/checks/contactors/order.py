"""The order in which relay and contactors close.

Negative side first or last are both usual: the order is reported, and judged only where it contradicts itself, that is
where the link is not charged through the resistor before both contactors are closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.contactors.story import Story, make_finding
from logscope.checks.contactors.words import name_of, order_words
from logscope.checks.link import pack_voltage
from logscope.checks.openings import Switch
from logscope.findings import Event, Finding, Measured, Severity


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


def closings(story: Story) -> list[Closing]:
    """Each closing of the path, from all parts open to all parts open again."""
    parts = {name: story.signals[name] for name in story.switched}
    state = {name: bool(part.on[0]) for name, part in parts.items() if part.on is not None}
    events = sorted((s for changes in story.switched.values() for s in changes), key=lambda s: s.time_s)
    found: list[Closing] = []
    first: dict[str, Switch] = {}
    whole = not any(state.values())  # a log that begins with something closed does not show the order
    for switch in events:
        state[switch.part] = switch.on
        if switch.on:
            first.setdefault(switch.part, switch)
        if not any(state.values()):
            found += [_closing(first)] if whole else []
            first, whole = {}, True
    return found + ([_closing(first)] if whole and first else [])


def _closing(first: dict[str, Switch]) -> Closing:
    return Closing(first.get("precharge_relay"), first.get("main_contactor"), first.get("negative_contactor"))


def order(story: Story) -> list[Finding]:
    """One finding that gathers all closings whose order contradicts a precharge."""
    wrong = [(moment_s, why) for closing in closings(story) for moment_s, why in _contradictions(story, closing)]
    if not wrong:
        return []
    reasons = list(dict.fromkeys(why for _, why in wrong))
    return [
        make_finding(
            story,
            "order",
            Severity.WARNING,
            order_words(len(wrong), reasons),
            events=tuple(Event(moment_s, moment_s) for moment_s, _ in wrong),
            measured={"count": Measured(float(len(wrong)), "1")},
        )
    ]


def _contradictions(story: Story, closing: Closing) -> list[tuple[float, str]]:
    relay, main, negative = closing.relay, closing.main, closing.negative
    found = []
    if main is not None and "precharge_relay" in story.switched:
        if relay is not None and _surely_before(story, main, relay):
            found.append((main.time_s, "the main contactor closes before the precharge relay"))
        elif relay is None and _charged(story, main.low_s) is not True:
            found.append((main.time_s, "the main contactor closes and the precharge relay never does"))
    if main is not None and negative is not None and _surely_before(story, main, negative):
        if _charged(story, negative.low_s):
            found.append((main.time_s, "the link is charged while the negative contactor reports open"))
        else:
            found.append((negative.time_s, "the negative contactor closes last, onto a link that is not charged"))
    elif negative is not None and (rise_s := _rise_before(story, negative.low_s)) is not None:
        found.append((rise_s, "the link is charged while the negative contactor reports open"))
    return found


def _surely_before(story: Story, first: Switch, second: Switch) -> bool:
    """Whether one part closed before another, whatever the lag. States of one message share theirs."""
    messages = [story.signals[switch.part].source.rpartition(".")[0] for switch in (first, second)]
    one, other = (story.signals[switch.part].time_s for switch in (first, second))
    if messages[0] and messages[0] == messages[1] and np.array_equal(one, other):
        return first.time_s < second.time_s
    return first.time_s < second.low_s


def _charged(story: Story, at_s: float) -> bool | None:
    """Whether the link was up to the closing threshold just before a time; None where that cannot be told."""
    pack_v = pack_voltage(story.signals, -np.inf, np.inf)
    if story.link is None or pack_v is None:
        return None
    at = int(np.searchsorted(story.link.part.time_s, at_s, side="right")) - 1
    if at < 0:
        return None
    missing_v = story.vehicle.precharge.close_fraction * pack_v - float(story.link.part.value[at])
    return missing_v <= 3 * story.link.noise_v


def _rise_before(story: Story, closed_s: float) -> float | None:
    """When the link began to be charged, where that was over before the negative contactor can have closed [s]."""
    if story.link is None:
        return None
    time_s = story.link.part.time_s
    tops = [(float(time_s[a.onset]), float(time_s[a.top])) for a in story.attempts]
    since_s = max(
        (s.time_s for s in story.switched["negative_contactor"] if s.time_s < closed_s and not s.on), default=-np.inf
    )
    return next((onset for onset, top in tops if since_s < onset and top < closed_s), None)


def usual_order(story: Story) -> str:
    """The order seen most often, in words; empty where fewer than two parts are logged."""
    seen = [", ".join(name_of(s.part) for s in closing.in_order) for closing in closings(story)]
    seen = [text for text in seen if "," in text]
    return max(seen, key=seen.count) if seen else ""
