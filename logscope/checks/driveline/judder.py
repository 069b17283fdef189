"""The ring of the driveline after a change of torque."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import MissingPart, Part, Signals
from logscope.statistics.ringing import DampedSinusoid, fit_damped_sinusoid
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import stretches

_BY = ("torque", "torque_target", "motor_current", "throttle")  # the best witness of the shaft's torque first
_CHANGE_SHARE = 0.10  # of the largest: a smaller change does not wake the driveline up above the road's noise
_WITHIN_S = 0.3  # a slower change does not excite 2 Hz and more
_SIGN_SHARE = 0.02  # of the largest, on both sides of zero, for a change of sign
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


LOW_HZ, HIGH_HZ = 2.0, 15.0  # where driveline on mounts and tyres rings (common practice, no published source)
_LOOK_S = 1.2  # two and a half turns of the slowest
_SAMPLES_PER_TURN = 2.5
_CLEAR_NOISES = 4.0  # amplitude over the noise
_EXPLAINED = 0.6  # of what the trend leaves
_KNOWN = 0.1  # relative error of the frequency
_MOST_DECREMENT = 1.5  # a swing that keeps less than a fifth from turn to turn is no ring
_CHANGES_AT_MOST = 30  # the largest


@dataclass(frozen=True, slots=True, eq=False)
class Judder:
    """A ring: when it begins [s], the change of demand before it, the fit, and the time it was fitted over."""

    start_s: float
    change: float
    ring: DampedSinusoid
    time_s: FloatArray


def highest_hz(period_s: float) -> float:
    """The fastest ring that the sampling draws [Hz], or 15 Hz."""
    return min(HIGH_HZ, 1.0 / (_SAMPLES_PER_TURN * period_s))


def find_judder(speed: Part, demand: Demand, slipping: list[tuple[float, float]]) -> list[Judder]:
    """The rings after the largest changes of demand; none that overlaps a wheel that slips."""
    high = highest_hz(speed.period_s)
    quantum = speed.step or 0.0
    noise = max(float(np.nan_to_num(noise_floor(speed.value))), quantum / 12**0.5, 1e-6)
    largest = np.sort(np.argsort(-np.abs(demand.change))[:_CHANGES_AT_MOST])
    found: list[Judder] = []
    for k in largest:
        start_s = float(demand.change_s[k])
        until_s = start_s + _LOOK_S
        later = demand.change_s[demand.change_s > start_s + 1e-6]
        if later.size:
            until_s = min(until_s, float(later[0]) - 0.05)
        if any(a < until_s and b > start_s for a, b in slipping):
            continue
        rows = speed.between(start_s, until_s)
        time_s, value = speed.time_s[rows], speed.value[rows]
        if time_s.size < 16 or time_s[-1] - time_s[0] < 1.5 / LOW_HZ or np.ptp(value) < _CLEAR_NOISES * noise:
            continue
        ring = fit_damped_sinusoid(time_s, value, LOW_HZ, high)
        if ring is not None and _is_ring(ring, noise, float(time_s[-1] - time_s[0])):
            found.append(Judder(float(time_s[0]), float(demand.change[k]), ring, time_s))
    return found


def _is_ring(ring: DampedSinusoid, noise: float, span_s: float) -> bool:
    return (
        ring.explained > _EXPLAINED
        and ring.amplitude > _CLEAR_NOISES * max(noise, ring.scatter)
        and ring.frequency_error < _KNOWN * ring.frequency_hz
        and -0.5 < ring.decay_per_s / ring.frequency_hz < _MOST_DECREMENT
        and ring.frequency_hz * span_s > 1.5
    )
