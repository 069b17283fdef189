"""A pedal made by hand for what is asked of its travel alone."""

from __future__ import annotations

from typing import Any

import numpy as np
from motor_traces import part

from logscope.checks.throttle.pedal import Rest

T = 0.02 * np.arange(3000)  # a minute
REST = Rest(10.0, 0.0, 0.0, 0.0, 0.0, 500)


def pedal(value: Any, at: np.ndarray = T, step: float | None = None) -> Any:
    """A pedal's part of these values, or of one that stays."""
    return part("throttle", at, np.broadcast_to(value, at.shape), step)
