"""The battery's resistance from the few clear steps of current that a log holds, where it holds too few for a line."""

from __future__ import annotations

import numpy as np
from scipy import stats

from logscope.arrays import FloatArray, IndexArray
from logscope.checks.pack.load import Load
from logscope.physics.battery import pulse_resistance_ohm
from logscope.statistics.robust import NORMAL_95
from logscope.statistics.robust_line import Slope
from logscope.statistics.sampling import gap_s

STEP_S = 0.5  # a pedal goes down, or an inverter lets go, within this; cells relax more slowly (practice)
_SIDE_S, _SIDE_ROWS = 0.3, 3  # each side is the mean over the longer of the two
_LAG_PERIODS = 1.5  # by which the two messages may lie apart
_CLEAR = 15.0  # noises of the current that a step must make
_OF_LARGEST = 0.3  # of the largest step: smaller ones add noise only
_KNOWN_TO = 0.3  # of the value: wider limits give no resistance
_STEPS_AT_MOST = 100


def resistance_by_steps(load: Load) -> Slope | None:
    """Resistance pooled over the clear steps, as R = |ΔU|/|ΔI| (IEC 62660-1); None where they leave it wide open.

    The limits hold noise, rounding, and what the current did while the messages of the two may lie apart.
    """
    found = _steps(load)
    if found is None:
        return None
    change_a, change_v, drift_a = found
    ohms = np.array([pulse_resistance_ohm(0.0, v, 0.0, a) for v, a in zip(change_v, change_a, strict=True)])
    level_v = np.hypot(load.noise_v, np.hypot(load.noise_a, drift_a) * np.abs(ohms)) * np.sqrt(2.0)
    deviation = np.maximum(level_v / np.abs(change_a), 1e-9)
    weight = deviation**-2.0
    value = float(np.sum(weight * ohms) / weight.sum())
    freedom = ohms.size - 1
    excess = max(1.0, float(np.sum(weight * (ohms - value) ** 2)) / freedom) if freedom else 1.0
    reach = float(stats.t(freedom).ppf(0.975)) if excess > 1.0 else NORMAL_95
    half = reach * float(np.sqrt(excess / weight.sum()))
    if value <= 0 or half > _KNOWN_TO * value:
        return None
    return Slope(value, value - half, value + half, float(np.median(level_v)), int(ohms.size))


def _steps(load: Load) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Change of current [A] and voltage [V] at each step, and how far the current moved beside it [A]."""
    time_s, apart_s = load.time_s, _LAG_PERIODS * load.period_s
    side_s = max(_SIDE_S, _SIDE_ROWS * load.period_s)
    after_s = STEP_S + 2.0 * apart_s
    begin, end = np.searchsorted(time_s, time_s - side_s), np.arange(time_s.size)
    later, last = np.searchsorted(time_s, time_s + after_s), np.searchsorted(time_s, time_s + after_s + side_s)
    whole = (end - begin >= _SIDE_ROWS - 1) & (last - later >= _SIDE_ROWS) & (last < time_s.size)
    at = np.flatnonzero(whole)
    if not at.size:
        return None
    amps, volts = (_means(each, begin[at], end[at] + 1, later[at], last[at]) for each in (load.amps, load.volts))
    size = np.abs(amps)
    least = max(_CLEAR * load.noise_a, _OF_LARGEST * float(size.max()))
    kept: list[int] = []
    for k in np.argsort(-size):
        if size[k] < least or len(kept) >= _STEPS_AT_MOST:
            break
        since_s = float(time_s[at[k]])
        if any(abs(since_s - float(time_s[at[other]])) < after_s + 2 * side_s for other in kept):
            continue
        if not gap_s(time_s, since_s - side_s, since_s + after_s + side_s):
            kept.append(int(k))
    if not kept:
        return None
    chosen = at[kept]
    moved = [
        np.hypot(
            np.ptp(load.amps[begin[row] : row + 1]) * apart_s / side_s,
            np.ptp(load.amps[later[row] : last[row]]) * apart_s / side_s,
        )
        for row in chosen
    ]
    return amps[kept], volts[kept], np.array(moved) / np.sqrt(2.0)


def _means(value: FloatArray, a: IndexArray, b: IndexArray, c: IndexArray, d: IndexArray) -> FloatArray:
    """Mean over the rows c to d less that over a to b, each up to but not with the second."""
    total = np.concatenate(([0.0], np.cumsum(value - value.mean())))
    return np.asarray((total[d] - total[c]) / (d - c) - (total[b] - total[a]) / (b - a))
