"""One value once more, in a second and slower message."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logging_dirt.definitions import message
from logscope.simulate.hazel_bus import Sent
from logscope.simulate.sampling import sending_times

_PERIOD_S = 0.1
# Which signal repeats which: message and signal, and the message that repeats it.
REPEATED = {"dc_link_voltage": ("DcLinkVoltage", "LinkRepeated"), "motor_speed": ("MotorSpeed", "SpeedRepeated")}


@dataclass(frozen=True, slots=True)
class Repetition:
    """A part that the vehicle file maps to the repetition of its value; the period of that [s]."""

    part: str
    period_s: float = _PERIOD_S

    @property
    def what(self) -> str:
        """Its name in a table."""
        return f"repetition of {self.part}"

    @property
    def mapped(self) -> str:
        """The signal for the vehicle file."""
        signal, name = REPEATED[self.part]
        return f"{name}.{signal}"

    def repeated(self, rng: np.random.Generator, first: Sent, end_s: float) -> Sent:
        """The second message: what the first one held last."""
        signal, name = REPEATED[self.part]
        ready_s = sending_times(rng, self.period_s, end_s)
        ready_s = ready_s[ready_s >= first.ready_s[0]]
        rows = np.searchsorted(first.ready_s, ready_s, side="right") - 1
        return Sent(message(name), ready_s, {signal: first.values[signal][rows]})
