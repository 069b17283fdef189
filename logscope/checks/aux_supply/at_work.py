"""Whether the drive was at work: what stands for the link where neither contactor nor link is logged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s, zero_order_hold

STANDS_S = 10.0  # a reading that moves with every load, and keeps one value for longer, is an old one (practice)
_LEAST_ROWS = 5
# More than the offsets of current sensors; no motor that rocks on its mounts, and no vehicle that is pushed (practice).
_DRAWS = {"battery_current": 8.0, "motor_current": 20.0}
_MOVES = {"motor_speed": 300.0, "vehicle_speed": 10.0}


@dataclass(frozen=True, slots=True, eq=False)
class AtWork:
    """Whether currents show the drive at work at each moment, and whether it moved, shape (n,)."""

    draws: BoolArray
    moves: BoolArray


def at_work(signals: Signals, at_s: FloatArray) -> AtWork:
    """By the pack's current out of it, the motor's current, and the speeds; what is repeated shows nothing."""
    return AtWork(_any_above(_DRAWS, signals, at_s), _any_above(_MOVES, signals, at_s))


def standing(part: Part) -> BoolArray:
    """The readings that stay the same for long: a controller that sleeps repeats its last one."""
    starts = np.concatenate(([True], np.diff(part.value) != 0.0))
    run = np.cumsum(starts) - 1
    first = part.time_s[starts]
    last = part.time_s[np.append(np.flatnonzero(starts)[1:] - 1, part.time_s.size - 1)]
    return np.asarray((last - first > STANDS_S)[run])


def _any_above(levels: dict[str, float], signals: Signals, at_s: FloatArray) -> BoolArray:
    found = np.zeros(at_s.size, np.bool_)
    for name, least in levels.items():
        part = signals.get(name)
        if part is None or part.time_s.size < _LEAST_ROWS:
            continue
        size = part.value if name == "battery_current" else np.abs(part.value)
        above = (size > least) & ~standing(part)
        found |= zero_order_hold(part.time_s, above.astype(np.float64), at_s, gap_threshold_s(part.time_s)) == 1.0
    return found
