"""Whether the rotor turns the wheels at a moment, or freely: wheels up, out of gear, or a tyre slipping.

Two witnesses. The speed's own behaviour: a rotor that keeps changing faster than tyres allow is free.
And the road speed, where it is logged: in gear, both stand in the ratio that the whole log shows.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.observations.motor_speed.model import SpeedModel
from logscope.signals import Part

_SIDE_S = 0.080  # judged this far before and after: a slip or a free spin lasts about as long
_SPAN_S = 0.040  # its speed is taken over this long, or a coarse quantum would hide it
_FEWEST, _MOST = 3, 40  # new values to each side
_RATIO_TOLERANCE = 0.15  # tyres in good grip slip by a few per cent; a road speed lags by its filter (practice)
_SLOWEST_KMH = 5.0  # below it the road speed is too coarse for a ratio (practice)
_STALE_S = 0.5  # a road speed older than this says nothing about the moment
_FEW = 50  # samples that make a ratio worth having


def in_gear_at(
    speed: Part, model: SpeedModel, road: Part | None, before: IndexArray, after: IndexArray, *, one_side: bool
) -> BoolArray:
    """Whether the driveline may be taken as in gear around some stretches of the speed; shape (stretches,).

    before, after : indices of the samples on both sides of each stretch
    road : the vehicle's speed, where it is logged
    one_side : calm on one side is enough, since a wrong reading can kick the rotor afterwards
    """
    reach = int(np.clip(np.ceil(_SIDE_S / model.update_s), _FEWEST, _MOST))
    steps = model.repeat * np.arange(reach + 1)
    sides = [_values(speed, before[:, np.newaxis] - steps), _values(speed, after[:, np.newaxis] + steps)]
    calm = [_calm(side, model) for side in sides]
    in_gear = calm[0] | calm[1] if one_side else calm[0] & calm[1]
    if road is None:
        return in_gear
    return in_gear & _as_on_the_road(speed, np.median(np.concatenate(sides, axis=1), axis=1), road, before)


def _values(speed: Part, at: IndexArray) -> FloatArray:
    return speed.value[np.clip(at, 0, speed.value.size - 1)]


def _calm(side: FloatArray, model: SpeedModel) -> BoolArray:
    """Whether the readings of a side change no faster than tyres allow, by the median over all spans."""
    span = int(np.clip(round(_SPAN_S / model.update_s), 1, side.shape[1] - 1))
    moved = np.median(np.abs(side[:, span:] - side[:, :-span]), axis=1)
    moved -= max(model.quantum_rpm, model.noise_rpm)  # what rounding and noise move by themselves
    return np.asarray(moved <= model.in_gear_rpm_per_s * span * model.update_s, dtype=bool)


def _as_on_the_road(speed: Part, level: FloatArray, road: Part, at: IndexArray) -> BoolArray:
    """Whether motor and road speed stand in their usual ratio; true where the road speed cannot tell."""
    kmh = road.held_at(speed.time_s, _STALE_S)
    known = (np.abs(kmh) >= _SLOWEST_KMH) & (np.abs(speed.value) > 0)
    if np.count_nonzero(known) < _FEW:
        return np.ones(at.size, dtype=bool)
    usual = float(np.median(np.abs(speed.value[known] / kmh[known])))
    is_known = known[at]
    ratio = np.abs(level) / np.where(is_known, np.abs(kmh[at]), 1.0)
    return ~is_known | (np.abs(ratio / usual - 1.0) <= _RATIO_TOLERANCE)
