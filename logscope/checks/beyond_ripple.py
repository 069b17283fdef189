"""Disturbances that a rippling speed does not explain: larger than what it does in every turn around them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from logscope.checks.speed_disturbance import SpeedStudy
from logscope.findings import FloatArray
from logscope.statistics.episodes import IndexArray

_TREND_S = 0.31  # what changes more slowly is the driving
_GROUPS = 17  # turns around whose usual peak counts: half of them may hold disturbances
_LEAST_VALUES = 3  # new values that show the peak of a turn; at high speed several turns share them
_LARGER = 1.5  # times the usual peak: by luck a sample meets the ripple's very peak


def beyond_ripple(study: SpeedStudy) -> SpeedStudy:
    """The study of a speed that ripples with the shaft's angle, without what the ripple itself does."""
    if not study.disturbances:
        return study
    group, usual = _usual_peaks(study)
    kept = tuple(each for each in study.disturbances if each.deviation_rpm > _LARGER * usual[group[each.first]])
    return replace(study, disturbances=kept)


def _usual_peaks(study: SpeedStudy) -> tuple[IndexArray, FloatArray]:
    """A number for each sample's turn, shape (n,), and the usual peak of the turns around it [rpm], (turns,)."""
    model, time, value = study.model, study.speed.time_s, study.speed.value
    window = max(3, round(_TREND_S / model.update_s) * model.repeat)
    trend = uniform_filter1d(value, window)
    turn_s = 60.0 / np.maximum(np.abs(trend), 1.0)
    passed = np.diff(time, prepend=time[0]) / np.maximum(turn_s, _LEAST_VALUES * model.update_s)
    group = np.floor(np.cumsum(passed)).astype(np.intp)
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    peaks = np.maximum.reduceat(np.abs(value - trend), starts)
    number = np.repeat(np.arange(starts.size), np.diff(starts, append=group.size))
    return number, median_filter(peaks, _GROUPS)
