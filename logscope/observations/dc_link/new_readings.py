"""The link voltage with each reading once: a sensor slower than its message has its readings repeated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.dc_link.link import Link

_MOVING_NOISES = 6.0  # a change this much larger than the noise of a reading is the curve's
_MOVING_STEPS = 8.0  # and so many steps: half of that again would not look like none
_MOST_REPEATS = 2  # without a log full of them: more in a row may be a relay that dropped out for a moment
_ONE_READING = 0.9  # of the sensor's period: what comes later is a reading of its own, equal or not


def without_repeats(link: Link) -> tuple[Link, bool]:
    """The link with each reading once, at the stamp of its first message; and whether any is seen to repeat."""
    part = link.part
    if part.value.size < 3:
        return link, False
    stale = part.period_s > part.spacing_s
    kept = _new_readings(part.time_s, part.value, part.period_s) if stale else ~_repeats(link)
    if kept.all():
        return link, stale
    return replace(link, part=replace(part, time_s=part.time_s[kept], value=part.value[kept])), True


def _new_readings(time_s: FloatArray, volts: FloatArray, sensor_s: float) -> BoolArray:
    """Whether each sample is a reading of its own, where a sensor is known to read once in `sensor_s`."""
    kept = np.ones(volts.size, np.bool_)
    last_s, last_v = float(time_s[0]), float(volts[0])
    for k in range(1, volts.size):
        if volts[k] == last_v and time_s[k] - last_s < _ONE_READING * sensor_s:
            kept[k] = False
        else:
            last_s, last_v = float(time_s[k]), float(volts[k])
    return kept


def _repeats(link: Link) -> BoolArray:
    """Samples that repeat the one before although the voltage moves on either side, shape (n,)."""
    change = np.diff(link.part.value)
    least = max(_MOVING_NOISES * link.noise_v, _MOVING_STEPS * link.step_v)
    repeated = np.zeros(link.part.value.size, np.bool_)
    moves = np.flatnonzero(change)
    if moves.size < 2:
        return repeated
    size = change[moves]
    runs = np.diff(moves)
    between = (np.minimum(size[:-1], size[1:]) >= least) & (runs > 1) & (runs <= 1 + _MOST_REPEATS)
    for k in np.flatnonzero(between):
        repeated[moves[k] + 2 : moves[k + 1] + 1] = True
    return repeated
