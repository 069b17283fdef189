"""A control loop and the answers to its steps, made by hand for what is asked of them alone."""

from __future__ import annotations

from math import log, sqrt
from typing import Any

import numpy as np
from motor_traces import part

from logscope.checks.current_control.loop import Loop
from logscope.checks.current_control.step_response import StepResponse
from logscope.checks.current_control.steps import Step

PERIOD_S = 0.015625  # sums of it are exact
T = np.arange(0.0, 8.0, PERIOD_S)


def closed_form(t: np.ndarray, natural: float, damping: float) -> np.ndarray:
    """1 − e^(−ζωt)·(cos ω_d t + ζ/√(1−ζ²) sin ω_d t), below critical damping."""
    t, root = np.maximum(t, 0.0), sqrt(1.0 - damping**2)
    swing = np.cos(natural * root * t) + damping / root * np.sin(natural * root * t)
    return np.asarray(1.0 - np.exp(-damping * natural * t) * swing)


def levels(*changes: tuple[float, float], ramp_s: float = 0.0, first: float = 0.0) -> np.ndarray:
    """A target of levels: (since, level) each."""
    times, values = [0.0], [first]
    for since_s, level in changes:
        times += [since_s, since_s + max(ramp_s, 1e-9)]
        values += [values[-1], level]
    return np.interp(T, times, values)


def loop(measured: Any = None, target: Any = None, **other: Any) -> Loop:
    target = levels((2.0, 80.0), (5.0, 0.0)) if target is None else target
    measured = target if measured is None else measured
    given: dict[str, Any] = {"unit": "Nm", "noise": 1.0, "speed": None, "top_rpm": 9000.0, "full_scale": 100.0, **other}
    one = part("torque", T, measured)
    return Loop(one, part("torque_target", T, target), error=measured - target, **given)


def answer(height: float = 100.0, start_s: float = 2.0, before: float = 0.0, **other: Any) -> StepResponse:
    one = Step(start_s, start_s, 0.01, 0.0, 0.0, 0.0, 4.0, before, before + height)
    given: dict[str, Any] = {
        "step": one, "log_natural": log(40.0), "log_damping": log(0.7), "covariance": np.eye(2) * 1e-4,
        "start_s": start_s + 0.02, "start_error": 0.001, "freedom": 60, "reach": 2.0, "within_s": 0.1, "fast": False,
        "error": 1.0, "error_reach": 0.5, "peak_share": 0.05, "ring_before": 0.0,
        "time_s": np.array([start_s, start_s + 0.1]), "value": np.array([before, before + height]),
        "fitted": np.array([before, before + height]), **other,
    }  # fmt: skip
    return StepResponse(**given)
