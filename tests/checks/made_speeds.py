"""A motor speed every 10 ms and what a model knows of it, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from motor_traces import part

from logscope.observations.motor_speed.model import SpeedModel
from logscope.statistics.excursions import RateLimit

P = 0.01
T = np.arange(0.0, 20.0, P)


def model(size: int = T.size, **other: Any) -> SpeedModel:
    """30,000 rpm/s free with a slack of 12 rpm; 5000 in gear with 6: 56 rpm a step of 10 ms."""
    step_s = np.full(size - 1, P)
    reach, near = (RateLimit(slew, slack, step_s, slew * step_s + slack) for slew, slack in ((3e4, 12.0), (5e3, 6.0)))
    given: dict[str, Any] = {
        "repeat": 1, "update_s": P, "quantum_rpm": 1.0, "count_rpm": 0.0, "noise_rpm": 2.0, "zero_rpm": 10.0,
        "standstill_rpm": 0.0, "cut_rpm": 0.0, "slew_rpm_per_s": 3e4, "slew_origin": "", "in_gear_rpm_per_s": 5e3,
        "in_gear_origin": "", "running": np.full(size, True), "exposure_s": np.full(size, P), "reach": reach,
        "in_gear": near, **other,
    }  # fmt: skip
    return SpeedModel(**given)


def speed(value: Any, time_s: np.ndarray = T, source: str = "Motor.Speed") -> Any:
    made = part("motor_speed", time_s, np.broadcast_to(np.asarray(value, float), time_s.shape), 1.0)
    return replace(made, source=source)
