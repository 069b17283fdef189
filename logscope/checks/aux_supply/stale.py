"""A 12 V voltage that stands still while something moves that it must answer: a reading that is repeated."""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.aux_supply.at_work import STANDS_S
from logscope.signals import Signals

_LEAST_ROWS = 10
_LEAST_OHM = 0.005  # of battery, joints and cables together: none has less (practice)
_STARTS_V = 0.4  # by which a converter that starts or stops moves the level (practice)
_STEPS = 3.0  # of the voltage's resolution: less is rounded away
_EDGE_S = 3.0  # a state is reported late, and a level takes as long to follow (practice)


def stale_rows(time_s: FloatArray, volts: FloatArray, step_V: float, signals: Signals) -> BoolArray:
    """The readings that repeat one value through changes of current or of the converter that move a true one."""
    found = np.zeros(volts.size, np.bool_)
    if volts.size < _LEAST_ROWS or step_V <= 0.0:
        return found
    edges = np.flatnonzero(np.diff(volts) != 0.0) + 1
    begins, ends = np.append(0, edges), np.append(edges, volts.size)
    long = (ends - begins >= _LEAST_ROWS) & (time_s[ends - 1] - time_s[begins] >= STANDS_S)
    for first, past in zip(begins[long].tolist(), ends[long].tolist(), strict=True):
        from_s, until_s = float(time_s[first]), float(time_s[past - 1])
        if _swings(signals, from_s, until_s, step_V) or _switches(signals, from_s, until_s, step_V):
            found[first:past] = True
    return found


def _swings(signals: Signals, from_s: float, until_s: float, step_V: float) -> bool:
    """Whether a current of the side changes by more than any side's resistance hides."""
    for name in ("aux_current", "converter_current"):
        part = signals.get(name)
        if part is None:
            continue
        amps = part.value[part.between(from_s, until_s)]
        if amps.size >= _LEAST_ROWS:
            low, high = np.quantile(amps, [0.1, 0.9])
            if float(high - low) * _LEAST_OHM >= _STEPS * step_V:
                return True
    return False


def _switches(signals: Signals, from_s: float, until_s: float, step_V: float) -> bool:
    """Whether the converter starts or stops by its state, and stays so."""
    part = signals.get("converter_state")
    if part is None or part.on is None or step_V * _STEPS > _STARTS_V:
        return False
    before = part.on[part.between(from_s, from_s + _EDGE_S)]
    after = part.on[part.between(until_s - _EDGE_S, until_s)]
    if not before.size or not after.size:
        return False
    return bool((before.all() and not after.any()) or (after.all() and not before.any()))
