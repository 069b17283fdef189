"""The load of each bus in the last two seconds, and its error frames so far."""

from __future__ import annotations

from collections import deque

import numpy as np

from logscope.bus.frame_bits import frame_bits
from logscope.capture.frames import Flag, Frames
from logscope.live.picture import BusNow

_OVER_NS = 2_000_000_000  # the time over which rate and load are taken


class Buses:
    """Counts bits as frames pass. bit_rates : by bus [bit/s], None for every other bus."""

    def __init__(self, bit_rates: dict[str | None, int]) -> None:
        self._rates = bit_rates
        self._recent: dict[str, deque[tuple[int, int, int]]] = {}  # last stamp, frames, bits of each block
        self._frames: dict[str, int] = {}
        self._errors: dict[str, int] = {}

    def add(self, frames: Frames) -> None:
        """Take further frames."""
        if not len(frames):
            return
        nominal, fast = frame_bits(frames)
        error = (frames.flags & Flag.ERROR) != 0
        bits = np.where(error, 0, nominal + fast)
        for number, name in enumerate(frames.buses):
            here = frames.bus == number
            if not here.any():
                continue
            recent = self._recent.setdefault(name, deque())
            recent.append((int(frames.time_ns[here].max()), int(np.count_nonzero(here)), int(bits[here].sum())))
            self._frames[name] = self._frames.get(name, 0) + int(np.count_nonzero(here))
            self._errors[name] = self._errors.get(name, 0) + int(np.count_nonzero(here & error))

    def now(self, now_ns: int) -> tuple[BusNow, ...]:
        """Every bus that has been heard, by name."""
        found = []
        for name, recent in sorted(self._recent.items()):
            while recent and recent[0][0] < now_ns - _OVER_NS:
                recent.popleft()
            over_s = _OVER_NS / 1e9
            bits = sum(each[2] for each in recent) / over_s
            rate = self._rates.get(name, self._rates.get(None))
            found.append(
                BusNow(
                    name,
                    sum(each[1] for each in recent) / over_s,
                    bits,
                    None if rate is None else bits / rate,
                    self._errors[name],
                    self._frames[name],
                )
            )
        return tuple(found)
