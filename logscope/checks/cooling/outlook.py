"""Where a device's temperature goes: in the end at this load and at the continuous one, and the time left to a "
"limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, isfinite

import numpy as np

from logscope.checks.cooling.response import Steady, Warming
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
    rows = warming.rows
    last = np.flatnonzero(rows)[-max(round(_LAST_S / log.step_s), 1) :]
    reference = None if warming.reference is None else log.temperatures[warming.reference]
    stands_C = 0.0 if reference is None else float(np.nanmean(reference[last]))
    rounded_K = 0.0 if warming.reference is None else log.rounding[warming.reference] / 2.0
    now = warming.under(log)
    measured = {"end_temperature_C": _end(now, stands_C, rounded_K)}
    loss_W = float(np.mean(log.heats["loss"][rows])) if "loss" in log.heats else 0.0
    if loss_W > _LEAST_W:
        value, low, high = (kelvin / loss_W for kelvin in now.rise)
        measured["thermal_resistance_K_per_W"] = Measured(value, "K/W", low, high)
    decisive = measured["end_temperature_C"]
    for name, amps in (("rise_at_100A_K", PER_A), ("continuous_rise_K", continuous_A)):
        steady = warming.at(amps) if amps is not None else None
        if steady is None:
            continue
        measured[name] = Measured(steady.rise[0], "K", *steady.rise[1:])
        if name == "continuous_rise_K":
            decisive = measured["continuous_end_temperature_C"] = _end(steady, stands_C, rounded_K)
    left_s = None
    newest_C = float(log.temperatures[warming.part][last[-1]])
    if limit_C is not None:
        end_C = measured["end_temperature_C"].value
        assert end_C is not None
        seconds = seconds_to(limit_C, newest_C, end_C, warming.time_constant_s[0])
        if isfinite(seconds):
            left_s = seconds
            measured["time_left_s"] = Measured(
                seconds, "s", *_left(warming, measured["end_temperature_C"], newest_C, limit_C)
            )
    return Outlook(
        measured,
        stands_C + warming.fit.branches[0].offset,
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


def _end(steady: Steady, stands_C: float, rounded_K: float) -> Measured:
    """The temperature in the end beside a reference that stays where it stands; its rounding is in the limits."""
    value, low, high = steady.level
    below, above = hypot(value - low, rounded_K), hypot(high - value, rounded_K)
    return Measured(stands_C + value, "°C", stands_C + value - below, stands_C + value + above)
