"""A thermal log of equal steps, made of constants and arrays."""

from __future__ import annotations

from typing import Any

import numpy as np

from logscope.checks.cooling.thermal_log import ThermalLog

ROWS = 400
AT = np.arange(ROWS) + 0.5


def steps(
    heats: dict[str, Any] | None = None, rounding: float = 0.0, pumping: Any = True, **celsius: Any
) -> ThermalLog:
    def of(value: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, float), (ROWS,)).copy()

    made_ = {name: of(value) for name, value in celsius.items()}
    pumped = np.broadcast_to(np.asarray(pumping, bool), (ROWS,))
    given = {name: of(value) for name, value in (heats or {}).items()}
    return ThermalLog(1.0, AT, made_, dict.fromkeys(made_, rounding), given, pumped)
