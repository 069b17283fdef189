"""Other readings of the same shaft: a second speed, the electrical frequency, and the road speed in gear.

Each is brought to the scale of the motor speed by the ratio that the log itself shows most of the time, so that a wrong
constant factor (`speed_scale`) is no departure. A ratio that does not repeat, as with a gearbox that changes, is no
witness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.model import SpeedModel
from logscope.signals import Part, Signals

_IN_WORDS = {
    "motor_speed_second": "the second motor speed",
    "stator_frequency": "the electrical frequency",
    "vehicle_speed": "the road speed",
}
_CLEAR_SHARE = 0.10  # of the highest reading: slower, slip of an induction motor and cut-offs move the ratio
_RATIO_TOLERANCE = 0.15  # tyres in good grip and an induction motor slip by a few per cent (practice)
_AGREES = 0.75  # of the samples within the tolerance: else the ratio changes, and tells nothing
_FEW = 50  # samples that make a ratio worth having
_STALE_S, _STALE_PERIODS = 0.3, 3.0  # a reading older than the longer of the two is of another moment


@dataclass(frozen=True, slots=True, eq=False)
class OtherSpeed:
    """One witness, at the samples of the motor speed.

    name : the part; on_shaft : whether it turns with the shaft whatever the clutch or the tyres do
    rpm : its magnitude in rpm of the motor, shape (n,); known : whether a fresh sample was there, shape (n,)
    update_s : time between its samples [s]
    """

    name: str
    on_shaft: bool
    rpm: FloatArray
    known: BoolArray
    update_s: float

    @property
    def words(self) -> str:
        """What it is, in words."""
        return _IN_WORDS[self.name]


def other_speeds(signals: Signals, speed: Part, model: SpeedModel) -> tuple[OtherSpeed, ...]:
    """The witnesses of a motor speed that the log holds, the surest first."""
    found = (_witness(signals.get(name), speed, model) for name in _IN_WORDS)
    return tuple(each for each in found if each is not None)


def _witness(other: Part | None, speed: Part, model: SpeedModel) -> OtherSpeed | None:
    if other is None or other.time_s.size < _FEW:
        return None
    update_s = float((other.time_s[-1] - other.time_s[0]) / (other.time_s.size - 1))
    index = np.searchsorted(other.time_s, speed.time_s, side="right") - 1
    held = np.abs(other.value[np.maximum(index, 0)])
    age_s = speed.time_s - other.time_s[np.maximum(index, 0)]
    known = (index >= 0) & (age_s <= max(_STALE_S, _STALE_PERIODS * update_s))
    size = np.abs(speed.value)
    clear = known & (size > _CLEAR_SHARE * float(size.max())) & (held > _CLEAR_SHARE * float(held.max()))
    clear &= size > 2.0 * model.zero_rpm
    if np.count_nonzero(clear) < _FEW:
        return None
    ratio = size[clear] / held[clear]
    usual = float(np.median(ratio))
    if np.count_nonzero(np.abs(ratio / usual - 1.0) <= _RATIO_TOLERANCE) < _AGREES * ratio.size:
        return None
    return OtherSpeed(other.name, other.name != "vehicle_speed", usual * held, known, update_s)
