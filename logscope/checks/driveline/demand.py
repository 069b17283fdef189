"""When the torque changes quickly, and when it changes its sign."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import MissingPart, Part, Signals
from logscope.statistics.sampling import stretches

_BY = ("torque", "torque_target", "motor_current", "throttle")  # the best witness of the shaft's torque first
_CHANGE_SHARE = 0.10  # of the largest: a smaller change does not wake the driveline up above the road's noise
_WITHIN_S = 0.3  # a slower change does not excite 2 Hz and more
_SIGN_SHARE = 0.02  # of the largest, on both sides of nought, for a change of sign
_ARRIVED = 0.95  # of a change
_APART_S = 0.4  # changes nearer than that are one


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """The witness of the torque; quick changes and changes of sign: when each ends, and how large it is, shape (n,)."""

    part: Part
    change_s: FloatArray
    change: FloatArray
    sign_s: FloatArray


def find_demand(signals: Signals) -> Demand:
    """Raises MissingPart where no torque, current or throttle is logged."""
    part = next((signals[name] for name in _BY if name in signals), None)
    if part is None:
        raise MissingPart("torque")
    value, time_s = part.value, part.time_s
    if not part.has_period:
        return Demand(part, np.empty(0), np.empty(0), np.empty(0))
    largest = max(float(np.max(np.abs(value))), 1e-9)
    rows = max(1, round(_WITHIN_S / part.period_s))
    if value.size <= rows:
        return Demand(part, np.empty(0), np.empty(0), np.empty(0))
    moved = value[rows:] - value[:-rows]
    first, last = stretches(np.abs(moved) >= _CHANGE_SHARE * largest, time_s[rows:], _APART_S / 4)
    at = np.array([a + _arrival(np.abs(moved[a : b + 1])) for a, b in zip(first, last, strict=True)], np.intp)
    sign = np.sign(value) * (np.abs(value) > _SIGN_SHARE * largest)
    clear = np.flatnonzero(sign)
    turned = clear[1:][(np.diff(sign[clear]) != 0) & (np.diff(time_s[clear]) < 4 * _WITHIN_S)]
    return Demand(part, time_s[at + rows], moved[at], time_s[turned])


def _arrival(moved: FloatArray) -> int:
    """The first row of a change at which it has all but arrived: noise must not choose the row."""
    return int(np.argmax(moved >= _ARRIVED * moved.max()))
