"""Marks for "no value" in a field: for a moment, at the start, or for the whole log of a part that is not fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np

from logscope.simulate.hazel_bus import Sent

# What a field without a value holds, from its all-ones down; a signed one its least or its largest number.
_BELOW_ALL_ONES = (0x00, 0x01)
_ALSO_OF_16_BITS = (0xFF00,)
# Parts that are needed all the while lose their value for a moment; those a conversion often goes without, for good.
OFTEN_UNFITTED = ("Temperatures.CoolantTemperature", "Temperatures.MotorTemperature", "Auxiliary.Voltage")
MEASURED = (
    "InverterHv.DcLinkVoltage", "InverterMotion.MotorSpeed", "InverterMotion.Torque", "InverterCurrent.MotorCurrent",
    "Pack.Voltage", "Pack.Current", "Road.VehicleSpeed", "Pedals.Throttle",
)  # fmt: skip
_MOMENT_S = (0.01, 0.3)
_START_S = (0.1, 1.2)


@dataclass(frozen=True, slots=True)
class NoValue:
    """A signal, its mark as a raw number, and from when until when it holds that."""

    signal: str
    raw: int
    from_s: float
    until_s: float

    @property
    def what(self) -> str:
        """Its name in a table."""
        if self.until_s == inf:
            return "no value throughout"
        return "no value at the start" if self.from_s == 0 else "no value for a moment"

    def sent(self, message: Sent) -> Sent:
        """The message with the mark in place of its value."""
        name, _, signal_name = self.signal.partition(".")
        if message.message.name != name:
            return message
        signal = message.message.get_signal_by_name(signal_name)
        marked = (message.ready_s >= self.from_s) & (message.ready_s < self.until_s)
        mark = self.raw * float(signal.scale) + float(signal.offset)
        values = {**message.values, signal_name: np.where(marked, mark, message.values[signal_name])}
        return replace(message, values=values)


def marks_of(signal: Any) -> tuple[int, ...]:
    """The marks that a field can hold, as raw numbers. `signal` is one of cantools."""
    if signal.is_signed:
        return (-(1 << signal.length - 1), (1 << signal.length - 1) - 1)
    ones = (1 << signal.length) - 1
    return tuple(ones - below for below in _BELOW_ALL_ONES) + (_ALSO_OF_16_BITS if signal.length == 16 else ())


def draw_no_value(rng: np.random.Generator, messages: list[Sent], end_s: float) -> NoValue:
    """A mark in one of the signals that are sent, for a moment, at the start or throughout, each as often."""
    kind = rng.integers(3)
    sent = {each.message.name: each.message for each in messages}
    names = [name for name in (OFTEN_UNFITTED if kind == 2 else MEASURED) if name.partition(".")[0] in sent]
    signal = str(rng.choice(names))
    name, _, own = signal.partition(".")
    raw = int(rng.choice(marks_of(sent[name].get_signal_by_name(own))))
    if kind == 2:
        return NoValue(signal, raw, 0.0, inf)
    if kind == 1:
        return NoValue(signal, raw, 0.0, rng.uniform(*_START_S))
    begin_s = rng.uniform(0.0, end_s)
    return NoValue(signal, raw, begin_s, begin_s + rng.uniform(*_MOMENT_S))
