"""A target and what is measured of it, and at which speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.signals import MissingPart, Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import between_samples
from logscope.vehicle import Vehicle

# Torque first: it follows one axis of the current, while the current's magnitude mixes that with the flux-making one.
_PAIRS = (("torque", "torque_target", "Nm"), ("motor_current", "motor_current_target", "A"))
BANDS = ("low", "middle", "high")  # thirds of the speed range: a loop may be calm in one and ring in another


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """The loop as it is judged: current by its magnitude, torque as it is.

    error : measured − target at the measured samples, the newest target each; top_rpm : the top of the speed range
    full_scale : the greatest that the vehicle file states, or the log holds
    """

    measured: Part
    target: Part
    unit: str
    error: FloatArray
    noise: float
    speed: Part | None
    top_rpm: float
    full_scale: float

    @property
    def name(self) -> str:
        """What is controlled, in words."""
        return part_name(self.measured.name)

    @property
    def by_magnitude(self) -> bool:
        """Whether the sign is lost, and a swing through zero is folded up."""
        return self.measured.name == "motor_current"

    @property
    def stamps_apart_s(self) -> float:
        """How much later the target's stamps may be than those of what is measured; nothing in one message [s]."""
        return 0.0 if np.array_equal(self.target.time_s, self.measured.time_s) else self.measured.period_s

    def rpm(self, at_s: FloatArray) -> FloatArray:
        """Speed by its magnitude at given moments, NaN where it is not logged."""
        if self.speed is None:
            return np.full(at_s.shape, np.nan)
        return np.asarray(np.abs(between_samples(self.speed.time_s, self.speed.value, at_s)))

    def band(self, at_s: FloatArray) -> FloatArray:
        """0, 1, 2 for the third of the speed range at given moments; NaN where it is not known."""
        return np.asarray(np.minimum(np.floor(3 * self.rpm(at_s) / self.top_rpm), 2.0))


def find_loop(signals: Signals, vehicle: Vehicle) -> Loop:
    """The torque with its target, or else the current with its own. Raises MissingPart where neither pair is logged."""
    pair = next((p for p in _PAIRS if p[0] in signals and p[1] in signals), None)
    if pair is None:
        measured_only = next((p for p in _PAIRS if p[0] in signals), None)
        raise MissingPart(measured_only[1] if measured_only else _PAIRS[1][0])
    signals = signals.unbunched()
    measured, target = signals[pair[0]], signals[pair[1]]
    if pair[0] == "motor_current":
        measured, target = (replace(part, value=np.abs(part.value)) for part in (measured, target))
    error = measured.value - target.held_at(measured.time_s)
    noise = max(float(np.nan_to_num(noise_floor(measured.value))), (measured.step or 0.0) / 12**0.5, 1e-9)
    speed = signals.get("motor_speed")
    seen = float(np.max(np.abs(speed.value))) if speed is not None else 0.0
    top = vehicle.motor.max_speed_rpm or seen
    stated = vehicle.motor.max_torque_Nm if pair[2] == "Nm" else vehicle.limits.motor_current_A
    full_scale = max(stated or 0.0, float(np.max(np.abs(target.value))))
    return Loop(measured, target, pair[2], np.nan_to_num(error), noise, speed, max(top, 1.0), full_scale)
