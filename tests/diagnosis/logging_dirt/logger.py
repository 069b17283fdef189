"""The logger: what it stamps the frames with, and in which order it writes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.simulate.can_output import Stream, candump_lines, passing_times

GRIDS_S = (0.001, 0.01, 0.05)
_BLOCK_S = 0.02  # for which a logger of two buses collects the frames of each
_DATED_S = 1_772_355_600.0  # 2026-03-01T09:00:00Z
_CLOCK_PPM = 100.0
_GRID_SHARE, _BLOCK_SHARE, _DATED_SHARE = 0.6, 0.4, 0.5  # how often each is drawn


@dataclass(frozen=True, slots=True)
class Logger:
    """A logger.

    grid_s : its stamps are whole multiples of this, the moment at which it looked; 0: whole microseconds
    block_s : it writes the frames of one bus that came within this time, then those of the next; 0: in order
    clock_ppm : how much faster its clock runs than true time; epoch_s : what its first frame is stamped with
    """

    grid_s: float = 0.0
    block_s: float = 0.0
    clock_ppm: float = 0.0
    epoch_s: float = 0.0

    @property
    def what(self) -> tuple[str, ...]:
        """Its names in a table."""
        grid = f"stamps on {1e3 * self.grid_s:g} ms" if self.grid_s else "whole microseconds"
        return (grid, *(("out of order",) if self.block_s else ()), "dated" if self.epoch_s else "relative")

    def written(self, streams: Sequence[Stream]) -> tuple[bytes, Clock]:
        """The log as candump text, and its clock."""
        streams = [stream for stream in streams if stream.ready_s.size]
        passed = passing_times(streams)
        first_s = min(float(times[0]) for times in passed)
        clock = Clock(first_s, 1.0 + 1e-6 * self.clock_ppm)
        micros = [round(self.epoch_s * 1e6) + self._stamps(clock.log_s(times)) for times in passed]
        return candump_lines(streams, micros, self._order(streams, passed, micros)), clock

    def _stamps(self, log_s: FloatArray) -> NDArray[np.int64]:
        if self.grid_s:
            return np.asarray(np.ceil(log_s / self.grid_s - 1e-9) * round(self.grid_s * 1e6), dtype=np.int64)
        return np.rint(log_s * 1e6).astype(np.int64)

    def _order(
        self, streams: Sequence[Stream], passed: Sequence[FloatArray], micros: Sequence[NDArray[np.int64]]
    ) -> NDArray[np.int64]:
        moments = np.concatenate(passed)
        if not self.block_s:
            return np.lexsort((moments, np.concatenate(micros)))
        buses = sorted({stream.bus for stream in streams})
        bus = np.concatenate([np.full(stream.ready_s.size, buses.index(stream.bus)) for stream in streams])
        return np.lexsort((moments, bus, np.floor(moments / self.block_s)))


@dataclass(frozen=True, slots=True)
class Clock:
    """The log's clock: it reads zero at `first_s` of the drive and runs `rate` times as fast."""

    first_s: float
    rate: float = 1.0

    def log_s(self, drive_s: FloatArray) -> FloatArray:
        """Moments of the drive on the log's clock [s]."""
        return (drive_s - self.first_s) * self.rate

    def at(self, drive_s: float) -> float:
        """One moment of the drive on the log's clock [s]."""
        return (drive_s - self.first_s) * self.rate


def draw_logger(rng: np.random.Generator) -> Logger:
    """A logger with a clock up to 100 ppm off."""
    grid_s = GRIDS_S[rng.integers(len(GRIDS_S))] if rng.random() < _GRID_SHARE else 0.0
    return Logger(
        grid_s,
        _BLOCK_S if rng.random() < _BLOCK_SHARE else 0.0,
        rng.uniform(-_CLOCK_PPM, _CLOCK_PPM),
        _DATED_S if rng.random() < _DATED_SHARE else 0.0,
    )


def in_bursts(ready_s: FloatArray, size: int) -> FloatArray:
    """Sending times of a controller that collects `size` messages and sends them at once."""
    last = np.minimum(np.arange(ready_s.size) // size * size + size - 1, ready_s.size - 1)
    return np.asarray(ready_s[last])
