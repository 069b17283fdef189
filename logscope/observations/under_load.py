"""Voltage and current of a source at the same moments, and its resistance by the clear steps of its current."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray, IndexArray
from logscope.physics.battery import pulse_resistance_ohm
from logscope.signals import Part
from logscope.statistics.distributions import chi_squared_quantile, student_quantile
from logscope.statistics.robust import NORMAL_95, noise_floor
from logscope.statistics.robust_line import Slope
from logscope.statistics.sampling import between_samples, new_value_period_s, stretch_numbers, typical_period_s

STEP_S = 0.5  # a pedal goes down, or an inverter lets go, within this; cells relax more slowly (practice)
_SIDE_S, _SIDE_ROWS = 0.3, 3  # each side is the mean over the longer of the two
_LAG_PERIODS = 1.5  # by which the two messages may lie apart
_CLEAR = 15.0  # noises of the current that a step must make
_OF_LARGEST = 0.3  # of the largest step: smaller ones add noise only
_KNOWN_TO = 0.3  # of the value: wider limits give no resistance
_STEPS_AT_MOST = 100
_ALIKE = 0.8  # of the largest change about a step: the rows that show the same step
# Steps between two levels that stand are taken where there are any: in the inrush of a motor, or while a pedal moves,
# voltage and current of two messages do not belong to one moment.
_FLAT_SHARE, _FLAT_NOISES = 0.05, 2.0
# The range of so many normal values is expected to be so many of their standard deviations (the factor d2 of control
# charts, ISO 7870-2).
_RANGE_OF_NOISE = ((2.0, 3.0, 5.0, 10.0, 25.0, 100.0), (1.128, 1.693, 2.326, 3.078, 3.931, 5.015))
_SMOOTH = 0.5  # of a rounding step: with less noise than this the mean of rounded readings keeps the rounding


@dataclass(frozen=True, slots=True, eq=False)
class UnderLoad:
    """A source under load, one row a voltage sample, shape (n,).

    lag_s : by which the current was shifted to match [s]
    slope_a_per_s : how fast the current moved about each row; what it makes of a wrong moment
    period_s : the slower of the two messages [s]; fresh_s : between two new values of the slower one, which a sensor
        slower than its message repeats
    noise_v, noise_a : of single samples
    rounding_v : the rounding that no mean takes out, because the voltage is quieter than its step [V]
    """

    time_s: FloatArray
    volts: FloatArray
    amps: FloatArray
    slope_a_per_s: FloatArray
    lag_s: float
    period_s: float
    fresh_s: float
    noise_v: float
    noise_a: float
    rounding_v: float = 0.0


def under_load(
    time_s: FloatArray, volts: FloatArray, step_v: float | None, currents: Sequence[Part], lag_s: float = 0.0
) -> UnderLoad:
    """Voltage rows with the sum of some currents `lag_s` earlier, where all of them are logged.

    time_s, volts : the voltage, shape (n,); step_v : its resolution, None where it has none; currents : at least one
    """
    amps, slope, noise_a = np.zeros(time_s.size), np.zeros(time_s.size), 0.0
    for current in currents:
        amps = amps + between_samples(current.time_s, current.value, time_s - lag_s)
        slope = slope + _steepness(current, time_s - lag_s)
        noise_a = float(np.hypot(noise_a, _noise(current.value, current.step)))
    seen = np.isfinite(amps)
    step = step_v or 0.0
    quiet = np.nan_to_num(noise_floor(volts, quantum=step)) < _SMOOTH * step
    return UnderLoad(
        time_s[seen],
        volts[seen],
        amps[seen],
        slope[seen],
        lag_s,
        max(typical_period_s(time_s), *(typical_period_s(current.time_s) for current in currents)),
        max(new_value_period_s(time_s, volts, step), *(current.period_s for current in currents)),
        _noise(volts, step_v),
        noise_a,
        step / float(np.sqrt(12.0)) if quiet else 0.0,
    )


def _steepness(current: Part, at_s: FloatArray) -> FloatArray:
    steepness = np.abs(np.diff(current.value)) / np.maximum(np.diff(current.time_s), 1e-6)
    if not steepness.size:
        return np.zeros(at_s.size)
    after = np.clip(np.searchsorted(current.time_s, at_s), 1, current.time_s.size - 1)
    around = [np.clip(after - 1 + k, 0, steepness.size - 1) for k in (-1, 0, 1)]
    return np.asarray(np.max([steepness[k] for k in around], axis=0))


def _noise(values: FloatArray, step: float | None) -> float:
    rounding = (step or 0.0) / np.sqrt(12.0)
    return max(float(np.nan_to_num(noise_floor(values))), float(rounding), 1e-6)


def resistance_by_steps(load: UnderLoad, known_to: float = _KNOWN_TO) -> Slope | None:
    """Resistance pooled over the clear steps, as R = |ΔU|/|ΔI| (IEC 62660-1); None where they leave it wide open.

    The limits hold noise, rounding, and what the current did while the messages of the two may lie apart; where the
    steps differ by more than that, how far they differ. Levels that come again are rounded alike, so that their
    rounding shrinks only with the number of steps of different heights.

    known_to : the widest limits of a resistance, as a share of its value
    """
    found = _steps(load)
    if found is None:
        return None
    change_a, change_v, drift_a = found
    ohms = np.array([pulse_resistance_ohm(0.0, v, 0.0, a) for v, a in zip(change_v, change_a, strict=True)])
    averaged = np.sqrt(max(_side_s(load) / load.fresh_s, 1.0))  # each side is a mean
    noise_v, noise_a = load.noise_v / averaged, load.noise_a / averaged
    level_v = np.hypot(noise_v, np.hypot(noise_a, drift_a) * np.abs(ohms)) * np.sqrt(2.0)
    deviation = np.maximum(level_v / np.abs(change_a), 1e-9)
    weight = deviation**-2.0
    value = float(np.sum(weight * ohms) / weight.sum())
    freedom = ohms.size - 1
    scatter = float(np.sum(weight * (ohms - value) ** 2))
    by_chance = not freedom or scatter <= chi_squared_quantile(0.95, freedom)
    excess = 1.0 if by_chance else scatter / freedom
    reach = NORMAL_95 if by_chance else student_quantile(0.975, freedom)
    rounding = NORMAL_95 * load.rounding_v * float(np.sqrt(2.0) / np.median(np.abs(change_a)))
    rounding /= float(np.sqrt(_different(change_v, load.rounding_v)))
    half = float(np.hypot(reach * np.sqrt(excess / weight.sum()), rounding))
    if value <= 0 or half > known_to * value:
        return None
    return Slope(value, value - half, value + half, float(np.median(level_v)), int(ohms.size))


def _steps(load: UnderLoad) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Change of current [A] and voltage [V] at each step, and how far the current moved beside it [A]."""
    time_s, apart_s = load.time_s, _LAG_PERIODS * load.period_s
    side_s = _side_s(load)
    after_s = STEP_S + 2.0 * apart_s
    begin, end = np.searchsorted(time_s, time_s - side_s), np.arange(time_s.size)
    later, last = np.searchsorted(time_s, time_s + after_s), np.searchsorted(time_s, time_s + after_s + side_s)
    whole = (end - begin >= _SIDE_ROWS - 1) & (last - later >= _SIDE_ROWS) & (last < time_s.size)
    number = stretch_numbers(time_s)
    whole &= number[np.minimum(last, time_s.size - 1)] == number[begin]
    at = np.flatnonzero(whole)
    if not at.size:
        return None
    amps, volts = (_means(each, begin[at], end[at] + 1, later[at], last[at]) for each in (load.amps, load.volts))
    size = np.abs(amps)
    unrest = np.maximum(_spread(load.amps, begin[at], end[at] + 1), _spread(load.amps, later[at], last[at]))
    flat = unrest <= np.maximum(_FLAT_SHARE * size, _FLAT_NOISES * load.noise_a)
    if flat.any():
        size = np.where(flat, size, 0.0)
    least = max(_CLEAR * load.noise_a, _OF_LARGEST * float(size.max()))
    kept: list[int] = []
    for k in np.argsort(-size):
        if size[k] < least or len(kept) >= _STEPS_AT_MOST:
            break
        since_s = float(time_s[at[k]])
        if any(abs(since_s - float(time_s[at[other]])) < after_s + 2 * side_s for other in kept):
            continue
        # of the rows about one step the middle one: the largest of them is large by its noise too
        like = np.flatnonzero((np.abs(time_s[at] - since_s) < after_s) & (size >= _ALIKE * size[k]))
        kept.append(int(like[like.size // 2]))
    if not kept:
        return None
    chosen = at[kept]
    moved = [
        np.hypot(_moves(load.amps[begin[row] : row + 1], load), _moves(load.amps[later[row] : last[row]], load))
        * apart_s
        / side_s
        for row in chosen
    ]
    return amps[kept], volts[kept], np.array(moved) / np.sqrt(2.0)


def _different(change_v: FloatArray, rounding_v: float) -> int:
    """How many of the steps differ in height by more than half a step of the voltage's resolution."""
    if rounding_v == 0.0:
        return 1
    return int(np.unique(np.round(change_v / (rounding_v * np.sqrt(12.0) / 2.0))).size)


def _side_s(load: UnderLoad) -> float:
    return max(_SIDE_S, _SIDE_ROWS * load.period_s)


def _moves(amps: FloatArray, load: UnderLoad) -> float:
    """By how much a current moves over some samples, beyond what its noise alone does [A]."""
    return max(float(np.ptp(amps)) - load.noise_a * float(np.interp(amps.size, *_RANGE_OF_NOISE)), 0.0)


def _means(value: FloatArray, a: IndexArray, b: IndexArray, c: IndexArray, d: IndexArray) -> FloatArray:
    """Mean over the rows c to d less that over a to b, each up to but not with the second."""
    total = np.concatenate(([0.0], np.cumsum(value - value.mean())))
    return np.asarray((total[d] - total[c]) / (d - c) - (total[b] - total[a]) / (b - a))


def _spread(value: FloatArray, begin: IndexArray, end: IndexArray) -> FloatArray:
    """Standard deviation over the rows from begin up to but not with end."""
    centred = value - value.mean()
    total, squares = (np.concatenate(([0.0], np.cumsum(each))) for each in (centred, centred**2))
    mean = (total[end] - total[begin]) / (end - begin)
    return np.asarray(np.sqrt(np.maximum((squares[end] - squares[begin]) / (end - begin) - mean**2, 0.0)))
