"""A motor speed that parts from another reading of the same shaft for a while, however gently.

A constant factor between the two is no departure (`speed_scale`), nor is a lag: the speed must lie outside all that the
other reading says within the longest lag around.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.model import SpeedModel
from logscope.observations.motor_speed.other_readings import OtherSpeed
from logscope.signals import Part
from logscope.statistics.sampling import stretches

_LAG_S = {
    True: 0.2,
    False: 0.6,
}  # on the shaft, filters of control and display; a road speed is filtered longer (practice)
_LAG_UPDATES = 2.0  # of either reading: one to be sent, one to be renewed
_SHARE = 0.15  # of the other reading: slip of tyres in good grip and of an induction motor stay below (practice)
_FLOOR_SHARE = 0.03  # of the highest speed: near standstill, cut-offs and slip in Hz weigh too much
_LASTS_S, _LASTS_UPDATES = 0.3, 3.0  # shorter ones are the other reading's own disturbances
_WITNESS_LOST = 0.05  # of the motor speed: the other reading is lost, not this one
_ONE_S = 0.5  # departures nearer than this are one


@dataclass(frozen=True, slots=True)
class Departure:
    """One stretch in which the speed is apart from a witness; indices of its first and last sample.

    worst_rpm : how far it lies outside what the witness allows, at most
    """

    witness: OtherSpeed
    first: int
    last: int
    worst_rpm: float


def departures(speed: Part, model: SpeedModel, witnesses: tuple[OtherSpeed, ...]) -> tuple[Departure, ...]:
    """Every departure, the surest witness first.

    Against the road speed only a motor that reads too slow counts, for a wheel that spins is faster; and none where the
    shaft's own frequency, or a second speed, agrees with the reading.
    """
    found: list[Departure] = []
    agreed = np.zeros(speed.time_s.size, dtype=bool)
    for witness in witnesses:
        apart_rpm, judged = _apart(speed, model, witness)
        if not witness.on_shaft:
            apart_rpm = np.minimum(apart_rpm, 0.0)
            apart_rpm[agreed] = 0.0
        agreed |= judged & (apart_rpm == 0.0)
        least_s = max(_LASTS_S, _LASTS_UPDATES * max(model.update_s, witness.update_s))
        first, last = stretches(apart_rpm != 0.0, speed.time_s, _ONE_S)
        for a, b in zip(first.tolist(), last.tolist(), strict=True):
            if speed.time_s[b] - speed.time_s[a] >= least_s and np.mean(apart_rpm[a : b + 1] != 0.0) > 0.5:
                found.append(Departure(witness, a, b, float(np.max(np.abs(apart_rpm[a : b + 1])))))
    return tuple(found)


def _apart(speed: Part, model: SpeedModel, witness: OtherSpeed) -> tuple[FloatArray, BoolArray]:
    """How far each sample lies above (+) or below (−) what a witness allows [rpm], and where it can be judged."""
    size = np.abs(speed.value)
    lag_s = _LAG_S[witness.on_shaft] + _LAG_UPDATES * (witness.update_s + model.update_s)
    reach = 2 * ceil(lag_s / model.update_s) + 1
    judged = np.asarray(minimum_filter1d(witness.known.astype(np.uint8), reach) > 0)
    low, high = minimum_filter1d(witness.rpm, reach), maximum_filter1d(witness.rpm, reach)
    floor = max(_FLOOR_SHARE * float(size.max()), model.reach.slack, 2.0 * model.zero_rpm)
    above = np.maximum(size - (high * (1.0 + _SHARE) + floor), 0.0)
    below = np.maximum(low * (1.0 - _SHARE) - floor - size, 0.0)
    lost = high <= _WITNESS_LOST * size
    return np.where(judged & ~lost, above - below, 0.0), judged & ~lost
