"""Ties by power and current: what goes into the inverter comes out at the shaft, less its losses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.plausibility.paired import known_at, mean_period_s
from logscope.plausibility.ties import Tie, Unexplained
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_WHO = ("torque", "motor_speed", "battery_current")
_WINDOW_S, _WINDOW_PERIODS = 1.0, 5.0  # long against the lag between messages: means agree where moments do not
_STRONG = 0.3  # of the highest power: below, heater, converter and idling losses weigh too much
_FAST = 0.3  # of the highest speed: below, a motor may turn most of its power into heat
_MIN_WINDOWS = 3
_RESTING = 0.05  # of the highest power at the shaft: the battery then supplies the auxiliaries alone
# Shaft over battery. A torque that the inverter estimates is off by a quarter at most, a motor at power and speed turns
# more than half into motion (practice); above 1 without such errors is impossible in either direction.
_DRIVING = (0.5, 1.3)
_BRAKING = (0.75, 6.0)
# Of the scatter of its single samples, and of its steps: a mean below that is offset and noise, as the torque that an
# inverter estimates while a parked vehicle rolls (practice).
_CLEAR_SCATTER, _CLEAR_STEPS = 4.0, 10.0
_OF_AUXILIARIES = 1.5  # times the range of the battery's power at rest: below, a heater that switches is as large
_CURRENT_MOST = 1.3  # battery over motor current: V·I ≤ √3/2·V·Î, and √6/2 with the effective value


@dataclass(frozen=True, slots=True, eq=False)
class Powers:
    """Mean power in windows of some seconds [W], that of the auxiliaries taken off the battery's; shape (windows,).

    start_s : of each window
    fast : whether the motor turned fast in it; clear : whether its torque stood out of noise and offset
    spare_range : of the battery's power at rest, 80 % of the windows [W]
    """

    start_s: FloatArray
    window_s: float
    shaft: FloatArray
    battery: FloatArray
    fast: BoolArray
    clear: BoolArray
    spare_range: float


def power_ties(signals: Signals, vehicle: Vehicle) -> Iterator[Tie]:
    """What shaft and battery demand of each other."""
    if (powers := mean_powers(signals)) is not None:
        yield from _efficiency(powers, signals)
    battery, motor = signals.get("battery_current"), signals.get("motor_current")
    if battery is not None and motor is not None:
        yield from _current(battery, motor, signals.get("motor_speed"))


def mean_powers(signals: Signals) -> Powers | None:
    """The powers at shaft and battery; None where parts for either are missing."""
    volts = signals.get("battery_voltage") or signals.get("dc_link_voltage")
    if volts is None or not all(name in signals for name in _WHO):
        return None
    torque, speed, current = (signals[name] for name in _WHO)
    window_s = window_of(torque, speed, volts, current)
    shaft = torque.value * known_at(speed, torque.time_s) * 2.0 * pi / 60.0
    battery = current.value * known_at(volts, current.time_s)
    until_s = max(torque.time_s[-1], current.time_s[-1])
    means = [
        window_means(time_s, value, window_s, until_s)
        for time_s, value in ((torque.time_s, shaft), (current.time_s, battery), (speed.time_s, np.abs(speed.value)))
    ]
    resting = np.abs(means[0]) <= _RESTING * np.nanmax(np.abs(means[0]), initial=0.0)
    at_rest = means[1][resting & np.isfinite(means[1])]
    lowest, spare, most = (float(q) for q in np.quantile(at_rest, [0.1, 0.5, 0.9])) if at_rest.size else (0.0,) * 3
    fast = means[2] > _FAST * np.nanmax(means[2], initial=0.0)
    start_s = np.arange(means[0].size, dtype=np.float64) * window_s
    clear = clear_of_noise(torque, window_means(torque.time_s, torque.value, window_s, until_s))
    return Powers(start_s, window_s, means[0], means[1] - spare, np.asarray(fast), clear, most - lowest)


def clear_of_noise(part: Part, means: FloatArray) -> BoolArray:
    """Which means of a part stand out of the scatter of its samples and of its steps, shape of `means`.

    Second differences give the scatter, for a ramp has none: σ = 1.4826·median|Δ²|/√6.
    """
    if part.value.size < 3:
        return np.zeros(means.shape, np.bool_)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(part.value, 2)))) / sqrt(6.0)
    lowest = max(_CLEAR_SCATTER * scatter, _CLEAR_STEPS * (part.step or 0.0))
    return np.asarray(np.abs(means) > lowest)


def window_of(*parts: Part) -> float:
    """How long windows must be for these parts [s]."""
    return max(_WINDOW_S, *(_WINDOW_PERIODS * mean_period_s(part) for part in parts))


def window_means(time_s: FloatArray, value: FloatArray, window_s: float, until_s: float) -> FloatArray:
    """The mean of the samples in each window from 0 s on, shape (windows,); NaN where there is none."""
    there = np.isfinite(value) & (time_s >= 0.0)
    index = (time_s[there] / window_s).astype(np.intp)
    size = int(until_s / window_s) + 1
    count = np.bincount(index, minlength=size)[:size]
    total = np.bincount(index, weights=value[there], minlength=size)[:size]
    return np.asarray(np.divide(total, count, out=np.full(size, np.nan), where=count > 0))


def _efficiency(powers: Powers, signals: Signals) -> Iterator[Tie]:
    volts = "battery_voltage" if "battery_voltage" in signals else "dc_link_voltage"
    of = {"torque": 1, "motor_speed": 1, volts: -1, "battery_current": -1}
    shaft, battery = powers.shaft, powers.battery
    strong = powers.fast & powers.clear & (np.abs(battery) > _OF_AUXILIARIES * powers.spare_range)
    strong &= np.asarray(np.abs(shaft) > _STRONG * np.nanmax(np.abs(shaft), initial=0.0))
    for sign, (lowest, highest), action in ((1, _DRIVING, "driving"), (-1, _BRAKING, "braking")):
        use = strong & (np.sign(shaft) == sign) & (np.sign(battery) == sign)
        if np.count_nonzero(use) < _MIN_WINDOWS:
            continue
        low, ratio, high = (float(q) for q in np.quantile(shaft[use] / battery[use], [0.2, 0.5, 0.8]))
        fact = f"shaft power is {ratio:.3g} × battery power while {action}"
        at_s = powers.start_s[use]
        yield Tie(
            of,
            ratio,
            low,
            high,
            lowest,
            highest,
            fact,
            float(at_s[0]),
            float(at_s[-1]) + powers.window_s,
            Unexplained.ODD,
        )


def _current(battery: Part, motor: Part, speed: Part | None) -> Iterator[Tie]:
    """The battery's current cannot be more than the motor's, auxiliaries apart: an inverter steps voltage down.

    Only while the motor carries current and, where that is logged, turns: at rest the battery feeds other things, or a
    charger feeds it, and the motor's current is noise and offset.
    """
    window_s = window_of(battery, motor)
    until_s = max(battery.time_s[-1], motor.time_s[-1])
    supplied = window_means(battery.time_s, battery.value, window_s, until_s)
    turning = window_means(motor.time_s, np.abs(motor.value), window_s, until_s)
    top = float(np.nanmax(turning, initial=0.0))
    resting = turning <= _RESTING * top
    if top <= 0.0 or not np.isfinite(supplied[resting]).any():
        return
    supplied = np.abs(supplied - np.nanmedian(supplied[resting]))
    use = (turning > _STRONG * top) & np.isfinite(supplied) & clear_of_noise(motor, turning)
    if speed is not None:
        use &= clear_of_noise(speed, window_means(speed.time_s, np.abs(speed.value), window_s, until_s))
    if np.count_nonzero(use) < _MIN_WINDOWS:
        return
    low, ratio, high = (float(q) for q in np.quantile(supplied[use] / turning[use], [0.2, 0.5, 0.8]))
    fact = f"{ratio:.3g} × the motor current"
    at_s = np.flatnonzero(use) * window_s
    of = {"battery_current": 1, "motor_current": -1}
    yield Tie(of, ratio, low, high, 1e-6, _CURRENT_MOST, fact, float(at_s[0]), float(at_s[-1]) + window_s)
