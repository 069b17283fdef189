"""Voltage and current of the battery at the same moments, as far as two messages allow."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.observations.under_load import UnderLoad, under_load
from logscope.signals import Part, Signals

AWAKE_SHARE = 0.5  # of the usual voltage: less is a monitor that has not woken
LAGS = np.linspace(-1.5, 1.5, 13)  # message periods by which the voltage may trail the current, or lead it
LAG_KNOWN = 0.25  # of a period, to which the best of them is known…
LAG_OPEN = 1.0  # …and any, where no line shows the best: each message may come up to a period late


def awake(voltage: Part) -> tuple[FloatArray, FloatArray]:
    """Times and values of a voltage without what it reads before its monitor wakes."""
    up = voltage.value > AWAKE_SHARE * float(np.median(voltage.value))
    return voltage.time_s[up], voltage.value[up]


def load_at(signals: Signals, lag_s: float = 0.0) -> UnderLoad:
    """Voltage rows with the current `lag_s` earlier. Raises MissingPart where one of the two is not logged."""
    voltage, current = signals["battery_voltage"], signals["battery_current"]
    time_s, volts = awake(voltage)
    return under_load(time_s, volts, voltage.step, [current], lag_s)
