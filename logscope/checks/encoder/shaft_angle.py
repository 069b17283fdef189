"""The motor speed laid over the shaft's angle, in segments of whole turns, its trend taken off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.polynomial import Chebyshev

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.disturbances import SpeedStudy
from logscope.observations.motor_speed.model import SpeedModel
from logscope.statistics.episodes import join_neighbours

SEGMENT_TURNS = 16.0  # orders 1/16 apart are told from one another
_TREND_DEGREE = 6  # a polynomial over 16 turns takes off what changes less than some 0.3 times a turn
_LEAST_OF_FASTEST = 1.0 / 3.0  # within a segment: slower, single counts weigh too much in the share
_OF_NYQUIST = 0.9  # nearer to half the sampling rate, amplitudes are lost in the sampling
_SEGMENT_SAMPLES = 24  # three for each order that is fitted, or they are not independent
_BLOCKS, _BLOCK_VALUES = 50, 4000  # of a long log: a fault of the target is there all the time
_SEGMENTS_AT_MOST = 300


@dataclass(frozen=True, slots=True, eq=False)
class AngleSegment:
    """Some whole turns. turns : shaft angle [turns]; share : speed off its trend, as a share of it, about zero.

    fastest : turns per second; most_hz : the highest frequency that this sampling shows
    """

    turns: FloatArray
    share: FloatArray
    fastest: float
    most_hz: float

    def shows(self, order: FloatArray | float) -> BoolArray:
        """Whether the sampling shows so many ripples a turn all through the segment."""
        return np.asarray(order * self.fastest < self.most_hz)


def angle_segments(study: SpeedStudy) -> list[AngleSegment]:
    """Segments without gaps, spread over the log; none where the sampling is too coarse."""
    model = study.model
    if not model.running_s or model.update_s <= 0:
        return []
    time, value = study.speed.time_s[:: model.repeat], np.abs(study.speed.value[:: model.repeat])
    found: list[AngleSegment] = []
    for block in _blocks(value.size):
        found += _segments(time[block], value[block], model)
    chosen = np.unique(np.linspace(0, max(len(found) - 1, 0), _SEGMENTS_AT_MOST).astype(np.intp))
    return [found[index] for index in chosen] if len(found) > _SEGMENTS_AT_MOST else found


def _blocks(size: int) -> list[slice]:
    if size <= _BLOCKS * _BLOCK_VALUES:
        return [slice(0, size)]
    starts = np.linspace(0, size - _BLOCK_VALUES, _BLOCKS).astype(np.intp)
    return [slice(int(start), int(start) + _BLOCK_VALUES) for start in starts]


def _segments(time: FloatArray, value: FloatArray, model: SpeedModel) -> Iterator[AngleSegment]:
    step_s = np.diff(time)
    turns = np.concatenate(([0.0], np.cumsum(step_s * (value[1:] + value[:-1]) / 2.0))) / 60.0
    turning = value > model.zero_rpm
    at = np.flatnonzero((turning[1:] | turning[:-1]) & (step_s < 1.5 * model.update_s))
    if not at.size:
        return
    for first, last in zip(*join_neighbours(np.diff(at) == 1), strict=True):
        begin, end = int(at[first]), int(at[last]) + 2
        number = np.floor((turns[begin:end] - turns[begin]) / SEGMENT_TURNS)
        edges = begin + np.flatnonzero(np.diff(number, prepend=-1.0) > 0)
        for start, stop in pairwise(edges):
            segment = _segment(turns[start:stop], value[start:stop], model) if stop > start else None
            if segment is not None:
                yield segment


def _segment(turns: FloatArray, value: FloatArray, model: SpeedModel) -> AngleSegment | None:
    """The ripple of some turns as a share of the speed; None where they are too few samples or too slow."""
    if value.size < _SEGMENT_SAMPLES:
        return None
    trend = Chebyshev.fit(turns, value, _TREND_DEGREE)(turns)
    fastest = float(np.max(trend))
    if float(np.min(trend)) < max(_LEAST_OF_FASTEST * fastest, model.low_speed_rpm):
        return None
    return AngleSegment(turns, (value - trend) / trend, fastest / 60.0, _OF_NYQUIST / 2.0 / model.update_s)
