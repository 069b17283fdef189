"""Balances of a device over windows of some seconds: its change, the heat meanwhile, its excess over the coolant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import ThermalLog

_FEWEST = 9  # windows

Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Balances, shape (m,): change [K], heat by its unit, excess [K·s], from and until [s], neighbours joined."""

    change: FloatArray
    heat: FloatArray
    excess: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    joined: BoolArray


def windows_of(part: str, coolant: str, heat: str, log: ThermalLog, lasts_s: float) -> Windows | None:
    """The windows of some seconds with all readings; None where they are too few."""
    value, beside, heats = log.temperatures[part], log.temperatures[coolant], log.heats[heat]
    rows = log.pumping if np.any(log.pumping) else np.ones(value.size, np.bool_)
    per = max(round(lasts_s / log.step_s), 2)
    first = np.arange(0, value.size - per, per)
    inside = first[:, None] + np.arange(per + 1)
    known = np.isfinite(value) & np.isfinite(beside) & np.isfinite(heats) & rows
    whole = known[inside].all(axis=1)
    if np.count_nonzero(whole) < _FEWEST:
        return None
    at = inside[whole]
    return Windows(
        change=value[at[:, -1]] - value[at[:, 0]],
        heat=heats[at[:, :-1]].sum(axis=1) * log.step_s,
        excess=(value - beside)[at[:, :-1]].sum(axis=1) * log.step_s,
        start_s=log.time_s[at[:, 0]],
        end_s=log.time_s[at[:, -1]],
        joined=np.concatenate(([False], np.diff(at[:, 0]) == per)),
    )


def spans_of(windows: Windows, starved: BoolArray) -> Spans:
    """From, until [s] of each run of windows that are starved."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], starved.astype(np.int64), [0]))))
    return tuple(
        (float(windows.start_s[a]), float(windows.end_s[b - 1]))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )  # fmt: skip


def share_of(windows: Windows, spans: Spans) -> FloatArray:
    """The share of each window that lies within the spans, shape (m,)."""
    within_s = np.zeros(windows.start_s.size)
    for since_s, until_s in spans:
        within_s += np.clip(np.minimum(windows.end_s, until_s) - np.maximum(windows.start_s, since_s), 0.0, None)
    return np.asarray(within_s / (windows.end_s - windows.start_s))
