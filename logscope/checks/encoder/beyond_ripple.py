"""Disturbances that a rippling speed does not explain: larger than what it does in every turn around them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from logscope.arrays import FloatArray, IndexArray
from logscope.observations.motor_speed.disturbances import SpeedStudy

_TREND_S = 0.31  # what changes more slowly is the driving
_TURNS = 17  # turns around whose usual swing counts: half of them may hold disturbances
_LEAST_VALUES = 4  # new values that show the swing of a turn; at high speed several turns share them
_LARGER = 1.5  # times the usual swing: few samples a turn meet the ripple's very peaks by luck only


def beyond_ripple(study: SpeedStudy) -> SpeedStudy:
    """The study of a speed that ripples with the shaft's angle, without what the ripple itself does."""
    if not study.disturbances:
        return study
    turn, usual = _usual_swings(study)
    kept = tuple(each for each in study.disturbances if each.deviation_rpm > _LARGER * usual[turn[each.first]])
    return replace(study, disturbances=kept)


def _usual_swings(study: SpeedStudy) -> tuple[IndexArray, FloatArray]:
    """A number for each sample's turn, shape (n,), and how far the speed usually swings in the turns around it.

    The swing is from the least to the greatest reading [rpm], shape (turns,).
    """
    model, time, value = study.model, study.speed.time_s, study.speed.value
    window = max(3, round(_TREND_S / model.update_s) * model.repeat)
    trend = uniform_filter1d(value, window)
    turn_s = 60.0 / np.maximum(np.abs(trend), 1.0)
    passed = np.diff(time, prepend=time[0]) / np.maximum(turn_s, _LEAST_VALUES * model.update_s)
    group = np.floor(np.cumsum(passed)).astype(np.intp)
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    swing = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    number = np.repeat(np.arange(starts.size), np.diff(starts, append=group.size))
    return number, median_filter(swing, _TURNS)
