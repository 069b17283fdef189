"""Voltage and current of the battery at the same moments, as far as two messages allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import between_samples, typical_period_s

AWAKE_SHARE = 0.5  # of the usual voltage: less is a monitor that has not woken
LAGS = np.linspace(-1.5, 1.5, 13)  # message periods by which the voltage may trail the current, or lead it


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """The battery under load, one row a voltage sample, shape (n,).

    lag_s : by which the current was shifted to match [s]
    slope_a_per_s : how fast the current moved about each row; what it makes of a wrong moment
    period_s : the slower of the two messages [s]; noise_v, noise_a : of single samples
    """

    time_s: FloatArray
    volts: FloatArray
    amps: FloatArray
    slope_a_per_s: FloatArray
    lag_s: float
    period_s: float
    noise_v: float
    noise_a: float


def awake(voltage: Part) -> tuple[FloatArray, FloatArray]:
    """Times and values of a voltage without what it reads before its monitor wakes."""
    up = voltage.value > AWAKE_SHARE * float(np.median(voltage.value))
    return voltage.time_s[up], voltage.value[up]


def load_at(signals: Signals, lag_s: float = 0.0) -> Load:
    """Voltage rows with the current `lag_s` earlier. Raises MissingPart where one of the two is not logged."""
    voltage, current = signals["battery_voltage"], signals["battery_current"]
    time_s, volts = awake(voltage)
    amps = between_samples(current.time_s, current.value, time_s - lag_s)
    seen = np.isfinite(amps)
    steepness = np.abs(np.diff(current.value)) / np.maximum(np.diff(current.time_s), 1e-6)
    after = np.clip(np.searchsorted(current.time_s, time_s - lag_s), 1, max(current.time_s.size - 1, 1))
    around = [np.clip(after - 1 + k, 0, max(steepness.size - 1, 0)) for k in (-1, 0, 1)]
    slope = np.max([steepness[k] for k in around], axis=0) if steepness.size else np.zeros(time_s.size)
    return Load(
        time_s[seen],
        volts[seen],
        amps[seen],
        slope[seen],
        lag_s,
        max(typical_period_s(time_s), typical_period_s(current.time_s)),
        _noise(volts, voltage.step),
        _noise(current.value, current.step),
    )


def _noise(values: FloatArray, step: float | None) -> float:
    rounding = (step or 0.0) / np.sqrt(12.0)
    return max(float(np.nan_to_num(noise_floor(values))), float(rounding), 1e-6)
