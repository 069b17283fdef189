"""Where a device's temperature goes: in the end at this load and at the continuous one, and the time left to a "
"limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

import numpy as np

from logscope.checks.cooling.response import Warming
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.findings import Measured
from logscope.physics.heating import seconds_to

PER_A = 100.0  # the motor current for which the rise is given in every log, so that logs can be compared
_LEAST_W = 100.0  # of mean loss by efficiency: less is the error of two large readings
_LAST_S = 60.0  # the coolant's level is that of the log's last minute


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is measured of it, by name, and how it stands to the limit.

    beside_C : the coolant, or the surroundings, from which the rises count
    limit_C : as the vehicle file states; passes : whether the end at the continuous load lies above it, with its limits
    may_pass : whether its limits reach it; or, without a continuous load, those of the end at this load
    left_s : time to the limit at this load, where it is passed
    """

    measured: Mapping[str, Measured]
    beside_C: float
    limit_C: float | None
    passes: bool
    may_pass: bool
    left_s: float | None


def outlook_of(warming: Warming, log: ThermalLog, limit_C: float | None, continuous_A: float | None) -> Outlook:
    """The outlook from the end of the log, the coolant staying as it was then."""
    fit, rows = warming.fit, warming.rows
    last = np.flatnonzero(rows)[-max(round(_LAST_S / log.step_s), 1) :]
    beside_C = fit.offset
    if warming.reference is not None:
        beside_C += float(np.nanmean(log.temperatures[warming.reference][last]))
    now_K = _measured(warming.rise_under(log))
    measured = {"end_temperature_C": _above(now_K, beside_C)}
    loss_W = float(np.mean(log.heats["loss"][rows])) if "loss" in log.heats else 0.0
    if loss_W > _LEAST_W:
        value, low, high = (kelvin / loss_W for kelvin in warming.rise_under(log))
        measured["thermal_resistance_K_per_W"] = Measured(value, "K/W", low, high)
    for name, amps in (("rise_at_100A_K", PER_A), ("continuous_rise_K", continuous_A)):
        rise = warming.rise_at(amps) if amps is not None else None
        if rise is not None:
            measured[name] = _measured(rise)
    decisive = measured["end_temperature_C"]
    if "continuous_rise_K" in measured:
        decisive = measured["continuous_end_temperature_C"] = _above(measured["continuous_rise_K"], beside_C)
    left_s = None
    newest_C = float(log.temperatures[warming.part][last[-1]])
    if limit_C is not None:
        end_C = measured["end_temperature_C"].value
        assert end_C is not None
        seconds = seconds_to(limit_C, newest_C, end_C, fit.time_constant_s)
        if isfinite(seconds):
            left_s = seconds
            measured["time_left_s"] = Measured(
                seconds, "s", *_left(warming, measured["end_temperature_C"], newest_C, limit_C)
            )
    return Outlook(
        measured,
        beside_C,
        limit_C,
        passes=limit_C is not None and (decisive.low or 0.0) > limit_C,
        may_pass=limit_C is not None and (decisive.high or 0.0) > limit_C,
        left_s=left_s,
    )


def _left(warming: Warming, end: Measured, now_C: float, limit_C: float) -> tuple[float, float | None]:
    """Limits of the time left: the fastest and hottest, the slowest and coolest."""
    assert end.low is not None
    assert end.high is not None
    soonest = seconds_to(limit_C, now_C, end.high, warming.time_constant_s[1])
    latest = seconds_to(limit_C, now_C, end.low, warming.time_constant_s[2])
    return soonest, latest if isfinite(latest) else None


def _measured(values: tuple[float, float, float]) -> Measured:
    value, low, high = values
    return Measured(value, "K", low, high)


def _above(rise: Measured, beside_C: float) -> Measured:
    assert rise.value is not None
    assert rise.low is not None
    assert rise.high is not None
    return Measured(beside_C + rise.value, "°C", beside_C + rise.low, beside_C + rise.high)
