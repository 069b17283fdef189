"""Marks for “no value” among the readings: which raw values at the edge of their range are no readings.

A true reading can stand at the edge: a pedal pressed down, a sensor that saturates, a short field used in full. It
comes there step by step, and what lies there is possible. A mark is impossible for its part, or it jumps out of
ordinary readings and back into them with none on the way, or it stands for a whole log in which nothing stands so
still, or it fills a frame together with marks that are certain. What stays open stays a reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.parts import PARTS, Role
from logscope.plausibility.marks import may_be_mark, named_mark
from logscope.plausibility.possible import TEMPERATURES, Possible, possible
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s
from logscope.vehicle import Mapped, Vehicle

_APART = 0.05  # of the raw range: nearer readings are the passage to the edge (a saturating sensor)
_JUMP = 5.0  # times the largest ordinary step, the wildest left out
_WILD, _WILD_STEPS = 0.001, 3  # or so many steps, where a thousandth is less
_RETURN = 0.25  # of the jump: a mark says nothing, so readings go on after it about where they were
_HELD_S, _HELD_SAMPLES = 3.0, 20  # no measured quantity stands on one raw value at the edge for so long by a jump
_MIDDLE = 0.1  # of an unsigned field: so near to its middle lie no marks for long
_SURGE_S = 1.0  # a current that left the measuring range would have tripped by then (practice)
_CARRYING = 0.02  # of the mark's value: a surge out of rest, an inrush say, may pass the range of its sensor
_UNFITTED_C = -30.0  # a sensor's lowest raw value is a mark where it stands for deep frost
_UNFITTED_SAMPLES = 3
_MOSTLY = 0.5  # more impossible readings than that are no matter of marks but of scale or byte order

_FAR = 2.5  # times the highest reading: a link that is thrown up as a contactor opens under braking doubles (practice)
_LINKS = ("dc_link_voltage", "dc_link_voltage_second")
_SURGING = ("battery_current", "motor_current", "charger_current", "torque", "slip")
_ASKED = ("motor_current_target", "torque_target", "charger_voltage_target", "charger_current_target")
_STATE_BITS = 2  # J1939-71: 0 off, 1 on, 2 error, 3 not available
_FEWEST_CODE_BITS = 8  # shorter enumerations use all their values


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Runs of possible marks: first and last sample, and what stands beside them, shape (runs,) each.

    opened, closed : whether an ordinary reading lies before, after; without a silence between
    before, after : that reading, NaN where there is none; jump_in, jump_out : how far the mark lies from it
    """

    first: IndexArray
    last: IndexArray
    opened: BoolArray
    closed: BoolArray
    before: FloatArray
    after: FloatArray
    jump_in: FloatArray
    jump_out: FloatArray

    def spread(self, chosen: BoolArray, size: int) -> BoolArray:
        """The samples of the chosen runs, shape (size,)."""
        edges = np.zeros(size + 1, np.int64)
        edges[self.first[chosen]] += 1
        edges[self.last[chosen] + 1] -= 1
        return np.cumsum(edges[:-1]) > 0


def mark_samples(signals: Signals, vehicle: Vehicle) -> Mapping[str, BoolArray]:
    """For every part with marks, which of its samples they are, shape (n,)."""
    candidates: dict[str, BoolArray] = {}
    marks: dict[str, BoolArray] = {}
    for name, part in signals.parts.items():
        if PARTS[name].role is Role.QUANTITY:
            candidates[name] = _candidates(part)
            marks[name] = named_mark(part) | _quantity_marks(part, candidates[name], possible(name, vehicle))
        else:
            candidates[name], marks[name] = _code_marks(part, vehicle.signals.get(name))
    for name, certain in _company(signals, candidates, marks).items():
        marks[name] = marks[name] | certain
    return {name: found for name, found in marks.items() if found.any()}


def _candidates(part: Part) -> BoolArray:
    found = may_be_mark(part)
    encoding = part.encoding
    if part.name in TEMPERATURES and encoding is not None and encoding.scale > 0:
        lowest = encoding.lowest * encoding.scale + encoding.offset
        if lowest <= _UNFITTED_C:
            found |= part.value < lowest + encoding.scale / 2
    return found


def _quantity_marks(part: Part, candidate: BoolArray, limits: Possible) -> BoolArray:
    if part.encoding is None or not candidate.any():
        return np.zeros(candidate.size, np.bool_)
    runs = _runs(part, candidate)
    apart = _APART * (part.encoding.highest - part.encoding.lowest) * abs(part.encoding.scale)
    passage = (runs.jump_in < apart) | (runs.jump_out < apart)  # NaN, so no passage, where nothing lies beside
    chosen = _impossible(part, candidate, runs, limits) | _held(part, runs, limits)
    chosen |= _isolated(part, candidate, runs, limits, apart)
    chosen &= ~passage
    known = np.unique(part.value[runs.first[chosen]])
    again = np.isin(part.value[runs.first], known) & np.isin(part.value[runs.last], known)
    return runs.spread(chosen | (again & ~passage & (not limits.full_scale)), candidate.size)


def _runs(part: Part, candidate: BoolArray) -> _Runs:
    time_s, value = part.time_s, part.value
    edges = np.diff(np.concatenate(([False], candidate, [False])).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    silence = gap_threshold_s(time_s)
    inside_in, inside_out = first > 0, last < value.size - 1
    previous, following = np.maximum(first - 1, 0), np.minimum(last + 1, value.size - 1)
    opened = inside_in & (time_s[first] - time_s[previous] <= silence)
    closed = inside_out & (time_s[following] - time_s[last] <= silence)
    before = np.where(opened, value[previous], np.nan)
    after = np.where(closed, value[following], np.nan)
    jump_in, jump_out = np.abs(value[first] - before), np.abs(value[last] - after)
    return _Runs(first, last, opened, closed, before, after, jump_in, jump_out)


def _impossible(part: Part, candidate: BoolArray, runs: _Runs, limits: Possible) -> BoolArray:
    """Runs whose values the part cannot have, where the other readings are such as it can have."""
    outside = (part.value < limits.low) | (part.value > limits.high)
    ordinary = ~candidate
    if ordinary.any() and np.mean(outside[ordinary]) > _MOSTLY:
        return np.zeros(runs.first.size, np.bool_)
    return np.asarray(outside[runs.first] & outside[runs.last])


def _held(part: Part, runs: _Runs, limits: Possible) -> BoolArray:
    """Runs on one raw value for longer than anything measured stands still at an edge that it did not climb to.

    The middle of an unsigned field is no edge: a coolant in the shade stands there for hours.
    """
    if limits.full_scale or part.name in _ASKED or part.encoding is None:
        return np.zeros(runs.first.size, np.bool_)
    samples = runs.last - runs.first + 1
    seconds = part.time_s[runs.last] - part.time_s[runs.first]
    changes = np.concatenate(([0], np.cumsum(part.value[1:] != part.value[:-1])))
    still = changes[runs.last] == changes[runs.first]
    long = (seconds >= _HELD_S) & (samples >= _HELD_SAMPLES)
    if part.name in TEMPERATURES:
        long |= (samples == part.value.size) & (samples >= _UNFITTED_SAMPLES)
    share = (part.encoding.raw(part.value[runs.first]) - part.encoding.lowest) / (1 << part.encoding.bits)
    at_edge = part.encoding.signed | (np.abs(share - 0.5) > _MIDDLE)
    return np.asarray(still & long & at_edge)


def _isolated(part: Part, candidate: BoolArray, runs: _Runs, limits: Possible, apart: float) -> BoolArray:
    """Runs with a jump on both sides that the part cannot make, or never makes elsewhere and then comes back from."""
    none = np.zeros(runs.first.size, np.bool_)
    if limits.full_scale:
        return none
    ordinary = np.flatnonzero(~candidate)
    if not ordinary.size:
        return none
    beside = runs.opened | runs.closed
    chosen = none
    if limits.per_s is not None:
        into_s = part.time_s[runs.first] - part.time_s[np.maximum(runs.first - 1, 0)]
        out_s = part.time_s[np.minimum(runs.last + 1, part.value.size - 1)] - part.time_s[runs.last]
        broken_in = ~runs.opened | (runs.jump_in > apart + limits.per_s * into_s)
        broken_out = ~runs.closed | (runs.jump_out > apart + limits.per_s * out_s)
        chosen = chosen | (beside & broken_in & broken_out)
    low, high = float(part.value[ordinary].min()), float(part.value[ordinary].max())
    outside = (part.value[runs.first] > high) | (part.value[runs.first] < low)
    neighbours = ~candidate[1:] & ~candidate[:-1]
    steps = np.abs(np.diff(part.value))[neighbours]
    if not steps.size:
        return chosen
    wild = max(_WILD, _WILD_STEPS / steps.size)
    never = max(apart, _JUMP * float(np.quantile(steps, max(1.0 - wild, 0.5))))
    into, out = runs.jump_in > never, runs.jump_out > never
    returns = np.abs(runs.after - runs.before) <= _RETURN * np.minimum(runs.jump_in, runs.jump_out)
    from_start = ~runs.opened & out & (runs.last > runs.first)
    to_end = into & ~runs.closed & (runs.last > runs.first)
    if part.name in _SURGING or part.name in _ASKED:  # a surge that ends the log may be the last that was measured
        size = _CARRYING * np.abs(part.value[runs.first])
        short = part.time_s[runs.last] - part.time_s[runs.first] <= _SURGE_S
        stepped = from_start | (into & out & returns & short & (np.minimum(abs(runs.before), abs(runs.after)) > size))
    else:
        far = np.abs(part.value[runs.first]) > _FAR * max(abs(low), abs(high))
        stepped = from_start | (to_end & (far | (part.name not in _LINKS))) | (into & out & returns)
    return np.asarray(chosen | (outside & stepped))


def _code_marks(part: Part, mapped: Mapped | None) -> tuple[BoolArray, BoolArray]:
    """Which samples of a state, fault or mode may be marks for want of any other meaning, and which certainly are."""
    named = named_mark(part) & ~_meant(part, mapped)
    none = np.zeros(part.value.size, np.bool_)
    encoding = part.encoding
    if encoding is None or not part.value.size:
        return none, named
    unnamed = ~np.isin(part.value, list(part.labels)) & ~_meant(part, mapped)
    if PARTS[part.name].role is Role.STATE and encoding.bits == _STATE_BITS:
        spare = unnamed & np.isin(part.value, encoding.value(np.array([2, 3])))
    elif encoding.bits >= _FEWEST_CODE_BITS:
        spare = unnamed & np.isin(part.value, encoding.value(np.array([encoding.highest, encoding.highest - 1])))
    else:
        return none, named
    if PARTS[part.name].role is Role.STATE:
        both = part.on is not None and np.any(part.on[~spare]) and not np.all(part.on[~spare])
        if part.labels or not spare.any() or not both:  # without both, the spare value may be one of the two
            return spare, named | (spare if part.labels else none)
    elif not spare.any():
        return spare, named
    runs = _runs(part, spare)
    return spare, named | runs.spread(~runs.opened, part.value.size)


def _meant(part: Part, mapped: Mapped | None) -> BoolArray:
    """Samples with a value that the vehicle file gives a meaning."""
    listed = [] if mapped is None else [*(mapped.on or ()), *(mapped.overcurrent or ()), *(mapped.none or ())]
    texts = {text: value for value, text in part.labels.items()}
    values = [texts.get(item, np.nan) if isinstance(item, str) else float(item) for item in listed]
    return np.isin(part.value, values) if values else np.zeros(part.value.size, np.bool_)


def _company(
    signals: Signals, candidates: Mapping[str, BoolArray], marks: Mapping[str, BoolArray]
) -> Mapping[str, BoolArray]:
    """Possible marks in frames whose other quantities are marks: whoever fills one field so fills them all."""
    certain: dict[str, list[str]] = {}
    for name, found in marks.items():
        if found.any() and PARTS[name].role is Role.QUANTITY:
            certain.setdefault(signals.parts[name].message, []).append(name)
    joined: dict[str, BoolArray] = {}
    for name, candidate in candidates.items():
        part = signals.parts[name]
        for mate in certain.get(part.message, ()):
            if mate != name and candidate.any():
                frames = signals.parts[mate].time_s[marks[mate]]
                there = candidate & np.isin(part.time_s, frames)
                joined[name] = joined.get(name, there) | there
    return joined
