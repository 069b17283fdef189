"""Frames of other content under a valid identifier, as a second controller or a gateway's mistake puts them there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.simulate.can_output import Stream

SPOILT = ("InverterHv", "InverterMotion", "Pack")
_EVERY = (5, 20)  # frames of the true sender for one of the other
_AFTER_S = 1e-6  # ready together with the true frame, so that they stand side by side in the log


@dataclass(frozen=True, slots=True)
class Foreign:
    """The message whose identifier is used twice, and that one foreign frame comes with every so many true ones."""

    message: str
    every: int
    what: str = "two contents of one identifier"

    def stream(self, rng: np.random.Generator, true: Stream) -> Stream:
        """The foreign frames: constant bytes, and one that counts."""
        ready_s = true.ready_s[rng.integers(self.every) :: self.every] + _AFTER_S
        payload = np.tile(rng.integers(0, 256, true.payload.shape[1], dtype=np.uint8), (ready_s.size, 1))
        payload[:, -1] = np.arange(ready_s.size) % 256
        return Stream(true.bus, true.identifier, true.extended, ready_s, payload)


def draw_foreign(rng: np.random.Generator) -> Foreign:
    """One of the messages that matter most."""
    return Foreign(str(rng.choice(SPOILT)), int(rng.integers(*_EVERY)))
