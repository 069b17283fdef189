"""A sensor that measures more slowly than its message is sent, so that readings repeat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray

# Of the message's period. A hand-built car shows 59 ms behind 50 ms; up to twice as slow is judgement.
_RATIO = (1.05, 2.2)


@dataclass(frozen=True, slots=True)
class Refresh:
    """The sensor's own period and phase [s]."""

    period_s: float
    phase_s: float = 0.0
    what: str = "repeated readings"

    def taken_s(self, ready_s: FloatArray) -> FloatArray:
        """When the reading was taken that a message sent at each moment carries."""
        turns = np.floor((ready_s - self.phase_s) / self.period_s)
        return np.asarray(np.maximum(turns * self.period_s + self.phase_s, 0.0))


def draw_refresh(rng: np.random.Generator, message_period_s: float) -> Refresh:
    """A sensor behind a message of this period."""
    period_s = message_period_s * rng.uniform(*_RATIO)
    return Refresh(period_s, rng.uniform(0.0, period_s))
