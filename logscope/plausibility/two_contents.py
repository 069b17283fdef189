"""One identifier with two contents: frames of another sender, or of another meaning, among those of a message.

Such frames come *besides* the regular ones. So a reading that jumps away and back is foreign where the readings around
it lie one period apart instead of two, or share their stamp with one frame more than is usual. A disturbance of a
sensor replaces a reading and leaves the pace as it is; several readings within one stamp of a coarse grid come at a
pace that is no different where the values jump. Two senders of one period alternate: their readings form two curves,
and the steps between them are uneven, which a swing at half the sampling rate cannot do.

Only quantities show this. A state may be sent at its changes besides its period, and then a bounce looks the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.findings import Event, Finding, Measured, Severity
from logscope.parts import PARTS, Role
from logscope.plausibility.doubt import Doubt
from logscope.signals import Part, Signals
from logscope.statistics.distributions import binomial_at_least
from logscope.vehicle import Vehicle

_FEWEST_SAMPLES = 50
_FEWEST_FOREIGN = 3
_ROUNDING_STEPS = 8.0  # a jump counts from so many steps of the definition on: not rounding, and no single bit
# Times the lower quartile of the changes over two samples: some ten times the noise of a reading, and no slope. It is
# the lower quartile because a second sender at half the pace spoils two changes of three.
_NOISE = 20.0
_OF_RANGE = 0.02  # of what the part spans: smaller jumps would change no verdict
_BACK = 0.5  # of such a jump: how near the readings around it are to each other
_ALTERNATING = 0.3  # share of jumps from which two senders alternate, rather than one disturbing the other
_ONE_PERIOD = 1.5  # readings nearer than this around a jump leave no room for a regular one between them
_USUALLY = 0.1  # share of all other readings that may be so near, for pace to show anything
_LOWEST_RATE = 0.01  # of near readings by chance, where the log shows none: jitter is never excluded
_CHANCE = 1e-5  # of so many near readings at jumps by chance alone: one log in a hundred thousand
_GROUP_CHANCE = 4.0  # standard errors by which stamps with a jump must hold more frames than others
_GROUPS = 5  # stamps with a jump, for their count to mean anything
_UNEVEN = 0.2  # of the mean step: between alternating steps
_PARITY = 0.9  # of the readings in a stretch: a swing near half the sampling rate changes sides as it beats
_STRETCH = 50  # samples
_EVENTS = 200  # listed one by one; more is a list nobody reads


def two_contents(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """A doubt for each message with foreign frames among its own; every part in it is doubtful."""
    del vehicle
    messages: dict[str, list[Part]] = {}
    for part in signals.parts.values():
        messages.setdefault(part.message, []).append(part)
    doubts: list[Doubt] = []
    for message, parts in messages.items():
        found = {part.name: foreign_samples(part) for part in parts if PARTS[part.name].role is Role.QUANTITY}
        seen = {name: samples for name, samples in found.items() if samples.any()}
        if seen:
            doubts.append(_doubt(message, parts, seen))
    return doubts


def foreign_samples(part: Part) -> BoolArray:
    """Which samples of a part belong to another content, shape (n,); none where that is not certain."""
    nothing = np.zeros(part.time_s.size, np.bool_)
    if part.time_s.size < _FEWEST_SAMPLES:
        return nothing
    jumps = _jumps(part.value, part.step or 0.0)
    if int(jumps.sum()) < _FEWEST_FOREIGN:
        return nothing
    near = _near(part.time_s, jumps)
    if near is not None:
        return near
    if float(jumps.mean()) >= _ALTERNATING:
        return _one_side(part.value, jumps) if _alternates_unevenly(part.time_s, part.value, jumps) else nothing
    return jumps if _more_frames_at_jumps(part.time_s, jumps) else nothing


def _jumps(value: FloatArray, step: float) -> BoolArray:
    """Readings far from both neighbours, on one side of them, while the neighbours agree."""
    low, high = np.quantile(value, [0.01, 0.99])
    over_two = np.abs(value[2:] - value[:-2])
    far = max(_ROUNDING_STEPS * step, _NOISE * float(np.quantile(over_two, 0.25)), _OF_RANGE * float(high - low))
    away, back = value[1:-1] - value[:-2], value[1:-1] - value[2:]
    jumps = np.zeros(value.size, np.bool_)
    apart = np.minimum(np.abs(away), np.abs(back))
    jumps[1:-1] = (away * back > 0) & (apart > far) & (over_two < _BACK * apart)
    return jumps


def _near(time_s: FloatArray, jumps: BoolArray) -> BoolArray | None:
    """The jumps whose neighbours lie one period apart, where chance cannot bring so many; None where pace says nothing.

    All False where the pace says that the jumps are readings of the message itself.
    """
    beside = jumps.copy()
    beside[1:] |= jumps[:-1]
    beside[:-1] |= jumps[1:]
    steps = np.diff(time_s)
    regular = steps[~(jumps[1:] | jumps[:-1])]
    period_s = float(np.median(regular)) if regular.size >= _FEWEST_SAMPLES else 0.0
    if period_s <= 0:
        return None
    near = np.zeros(time_s.size, np.bool_)
    near[1:-1] = time_s[2:] - time_s[:-2] <= _ONE_PERIOD * period_s
    if int((~beside).sum()) >= _FEWEST_SAMPLES:
        usual = float(near[~beside].mean())
    else:  # jumps everywhere: then the steps between the other readings must be those of a regular message
        usual = float(np.mean(np.abs(regular - period_s) > 0.5 * period_s))
    if usual > _USUALLY:
        return None
    extra = near & jumps
    count = int(extra.sum())
    chance = binomial_at_least(count, int(jumps.sum()), max(usual, _LOWEST_RATE))
    return extra if count >= _FEWEST_FOREIGN and chance < _CHANCE else np.zeros_like(jumps)


def _more_frames_at_jumps(time_s: FloatArray, jumps: BoolArray) -> bool:
    """Whether stamps with jumps hold as many more frames than other stamps as there are jumps in them."""
    _, group, frames = np.unique(time_s, return_inverse=True, return_counts=True)
    in_group = np.bincount(group, weights=jumps)
    having = in_group > 0
    if int(having.sum()) < _GROUPS or int((~having).sum()) < _GROUPS:
        return False
    more = float(frames[having].mean() - frames[~having].mean())
    error = float(np.hypot(_error_of_mean(frames[having]), _error_of_mean(frames[~having])))
    expected = float(in_group[having].mean())
    return more >= 0.5 * expected and more > _GROUP_CHANCE * error


def _error_of_mean(of: NDArray[np.int64]) -> float:
    return float(np.std(of, ddof=1) / np.sqrt(of.size))


def _alternates_unevenly(time_s: FloatArray, value: FloatArray, jumps: BoolArray) -> bool:
    """Whether two curves alternate with steps that are not of one length, each always on its own side."""
    places = np.flatnonzero(jumps)
    even = (places % 2 == 0) == (value[places] > value[places - 1])
    steps = np.diff(time_s)
    # stamps that several frames share are uneven by themselves: there the sides must stay for the whole log
    length = even.size if float(np.mean(steps == 0)) > _USUALLY else _STRETCH
    stretches = [even[k : k + length] for k in range(0, even.size, length)]
    sides = np.average([max(s.mean(), 1 - s.mean()) for s in stretches], weights=[s.size for s in stretches])
    at_even, at_odd = (steps[places[places % 2 == parity] - 1] for parity in (0, 1))
    if sides < _PARITY or not at_even.size or not at_odd.size:
        return False
    one, other = float(np.median(at_even)), float(np.median(at_odd))
    return abs(one - other) > _UNEVEN * (one + other) / 2


def _one_side(value: FloatArray, jumps: BoolArray) -> BoolArray:
    """The samples of the rarer of two alternating contents; which of them is foreign, nothing says."""
    upper = np.zeros_like(jumps)
    upper[1:-1] = jumps[1:-1] & (value[1:-1] > value[:-2])
    lower = jumps & ~upper
    return upper if upper.sum() <= lower.sum() else lower


def _doubt(message: str, parts: Sequence[Part], seen: Mapping[str, BoolArray]) -> Doubt:
    clearest = max(seen, key=lambda name: int(seen[name].sum()))
    part = next(part for part in parts if part.name == clearest)
    foreign = seen[clearest]
    count, share = int(foreign.sum()), 100.0 * float(foreign.mean())
    moments = part.time_s[foreign]
    names = tuple(dict.fromkeys([clearest, *seen, *(each.name for each in parts)]))
    return Doubt(
        finding=Finding(
            kind="bus.two_contents",
            severity=Severity.WARNING,
            start_s=float(moments[0]),
            end_s=float(moments[-1]),
            title=(
                f"Message {message} carries two contents: {share:.3g} % of its frames ({count}) do not fit the others"
            ),
            explanation=(
                f"{part.source} jumps away and back in {count} frames, which come in addition to the regular ones. A "
                "second device sends this identifier, one message has several meanings that the definition does not "
                "separate, or the logger mixed two buses. Which content is right cannot be determined."
            ),
            method=(
                "The frames are additional: the readings around them keep the usual period, have the same timestamp, "
                "or alternate at uneven steps. A disturbance would replace a reading. States are not examined: they "
                "may also be sent at a change, not only by their period."
            ),
            next_step=(
                "Look at the frames of this identifier: do two controllers send it, or were two buses recorded as "
                "one? Where a byte selects the content, define it as multiplexer. Otherwise remove the second sender, "
                "or name the bus in front of the signal."
            ),
            parts=names,
            measured={"count": Measured(float(count), ""), "share_percent": Measured(share, "%")},
            events=tuple(Event(float(moment), float(moment)) for moment in moments[:_EVENTS]),
        ),
        doubtful=names,
        reason=f"{message} carries two contents ({share:.3g} % of its frames do not fit the others)",
    )
