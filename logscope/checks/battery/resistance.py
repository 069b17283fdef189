"""The battery's resistance, from changes of voltage and current within a second, and from single steps of current."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.battery.load import LAGS, load_at
from logscope.observations.under_load import STEP_S, UnderLoad, resistance_by_steps
from logscope.physics.battery import pulse_resistance_ohm
from logscope.signals import Signals
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust_line import Slope, robust_slope

# Changes are taken over this time: slow enough for messages every 100 ms, too fast for the charge drawn to count.
SPAN_S, SPAN_PERIODS = 1.0, 5
CLUSTER_SPANS = 2.0  # changes that share a sample share its error: rows this many spans apart are independent
MOMENT_SHARE = 1 / np.sqrt(12.0)  # of a period: how well a message tells when its value was measured (uniform)
LEAST_SWING_NOISE = 20.0  # voltage noises that the largest change must make: else the line is all noise
_CHANGES_AT_MOST = 60_000
_LEAST_WEIGHTY = 4.0  # clusters that bear on the line alike: where one bears it all, its scatter says nothing
FLAT_S = 0.4  # a step is one between two levels that each stand this long…
_FLAT_SHARE = 0.05  # …within this part of the step
_STEP_SHARE = 0.15  # of the log's range of current: smaller steps add noise only
_PULSES_AT_MOST = 200


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """Steps of current: when, and the resistance each shows [ohm], shape (n,); the pooled value with its limits."""

    time_s: FloatArray
    ohms: FloatArray
    value: float
    low: float
    high: float
    after_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Resistance:
    """What the log says of the resistance: the slope [ohm], over which time, and the load it was found in.

    by_steps : from the few clear steps of current, not from a line through all changes
    """

    slope: Slope
    span_s: float
    load: UnderLoad
    pulses: Pulses | None
    by_steps: bool = False


def find_resistance(signals: Signals) -> Resistance | None:
    """Resistance with limits, or None where the current does not move enough to tell.

    By a line through all changes of a lively drive, else by the clear steps that there are.
    """
    load = load_at(signals)
    if load.time_s.size < 3 or not load.period_s > 0:
        return None
    by_line = _by_line(signals, load.period_s)
    if by_line is not None:
        return by_line
    steps = resistance_by_steps(load)
    return None if steps is None else Resistance(steps, STEP_S, load, None, by_steps=True)


def _by_line(signals: Signals, period_s: float) -> Resistance | None:
    """The voltage message may trail the current's: of several lags the one with the smallest scatter is taken."""
    span_s = max(SPAN_S, SPAN_PERIODS * period_s)
    tried = [(load, _slope(load, span_s)) for load in (load_at(signals, lag * period_s) for lag in LAGS)]
    found = [(load, slope) for load, slope in tried if slope is not None]
    if not found:
        return None
    best = min(range(len(found)), key=lambda k: found[k][1].scatter)
    load, slope = found[best][0], _widened([each for _, each in found[max(best - 1, 0) : best + 2]], found[best][1])
    swing = slope.value * float(np.ptp(load.amps))
    if swing < LEAST_SWING_NOISE * load.noise_v or slope.low <= 0:
        return None
    return Resistance(slope, span_s, load, find_pulses(load, load.period_s))


def _widened(neighbours: list[Slope], best: Slope) -> Slope:
    """The best lag is known to its neighbours only: the limits reach as far as theirs would move the slope."""
    moved = float(max(abs(each.value - best.value) for each in neighbours))
    return replace(best, low=best.low - moved, high=best.high + moved)


def _slope(load: UnderLoad, span_s: float) -> Slope | None:
    first = np.arange(load.time_s.size)
    second = np.searchsorted(load.time_s, load.time_s + span_s)
    there = second < load.time_s.size
    first, second = first[there], second[there]
    near = load.time_s[second] - load.time_s[first] <= 1.5 * span_s
    first, second = first[near], second[near]
    stride = -(-first.size // _CHANGES_AT_MOST) or 1
    first, second = first[::stride], second[::stride]
    if not first.size:
        return None
    change_a = load.amps[second] - load.amps[first]
    change_v = load.volts[first] - load.volts[second]
    moment_s = MOMENT_SHARE * load.period_s
    missed_a = moment_s * np.hypot(load.slope_a_per_s[first], load.slope_a_per_s[second])
    guess = max(float(np.sum(change_a * change_v) / max(np.sum(change_a**2), 1e-12)), 1e-4)
    variance = 2 * load.noise_v**2 + guess**2 * (2 * load.noise_a**2 + missed_a**2)
    cluster = (load.time_s[first] / (CLUSTER_SPANS * span_s)).astype(np.int64)
    share = np.bincount(cluster - cluster.min(), change_a**2)
    if np.sum(share) ** 2 < _LEAST_WEIGHTY * np.sum(share**2):
        return None
    return robust_slope(change_a, change_v, variance, cluster, float(np.sqrt(2.0)) * load.noise_a)


def find_pulses(load: UnderLoad, period_s: float) -> Pulses | None:
    """Steps between two levels of current, by the pulse definition; None with no clean step."""
    rows = max(round(FLAT_S / period_s), 2)
    guard = 2  # rows about the step: the two messages may place it in different rows
    width = 2 * rows + 2 * guard
    if load.time_s.size < width:
        return None
    level_a, spread_a = _rolling(load.amps, rows)
    level_v, _ = _rolling(load.volts, rows)
    later = rows + 2 * guard
    step_a = level_a[later:] - level_a[:-later]
    size = np.abs(step_a)
    flat = np.maximum(spread_a[later:], spread_a[:-later]) <= np.maximum(_FLAT_SHARE * size, 1.5 * load.noise_a)
    whole = load.time_s[width - 1 :] - load.time_s[: load.time_s.size - width + 1] <= 1.5 * width * period_s
    good = np.flatnonzero(flat & whole & (size > _STEP_SHARE * np.ptp(load.amps)) & (size > 20 * load.noise_a))
    if not good.size:
        return None
    runs = np.split(good, np.flatnonzero(np.diff(good) > rows) + 1)
    best = np.array([run[int(np.argmax(size[run]))] for run in runs])[:_PULSES_AT_MOST]
    ohms = np.array(
        [pulse_resistance_ohm(level_v[k], level_v[k + later], level_a[k], level_a[k + later]) for k in best]
    )
    weight = size[best] ** 2
    value = float(np.sum(weight * ohms) / weight.sum())
    single = load.noise_v * np.sqrt(2.0 / rows) / size[best]
    scatter = float(np.sum(weight**2 * np.maximum((ohms - value) ** 2, single**2)))
    error = np.sqrt(scatter) / float(weight.sum())
    reach = student_quantile(0.975, max(best.size - 1, 1)) * error
    after_s = (guard + rows / 2) * period_s
    return Pulses(load.time_s[best + rows + guard], ohms, value, value - reach, value + reach, after_s)


def _rolling(values: FloatArray, rows: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each `rows` values in a row, shape (n − rows + 1,)."""
    centred = values - values.mean()
    total = np.cumsum(np.concatenate(([0.0], centred)))
    squares = np.cumsum(np.concatenate(([0.0], centred**2)))
    mean = (total[rows:] - total[:-rows]) / rows
    variance = (squares[rows:] - squares[:-rows]) / rows - mean**2
    return mean + values.mean(), np.sqrt(np.maximum(variance, 0.0))
