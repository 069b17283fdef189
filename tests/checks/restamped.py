"""The same readings as other loggers and sensors keep them: stamps on a grid, in bursts, readings that repeat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from logscope.signals import Part, Signals


def on_grid(made: Signals, grid_s: float) -> Signals:
    """Each message stamped when a logger next looked, every so many seconds."""
    return _each(made, lambda part: replace(part, time_s=np.ceil(part.time_s / grid_s - 1e-9) * grid_s))


def in_bursts(made: Signals, size: int) -> Signals:
    """So many messages sent at once, with the last of them."""

    def sent(part: Part) -> Part:
        row = np.arange(part.time_s.size)
        return replace(part, time_s=part.time_s[np.minimum(row // size * size + size - 1, row.size - 1)])

    return _each(made, sent)


def repeated(made: Signals, times: float) -> Signals:
    """Sensors that measure so many times more slowly than their messages come."""

    def slow(part: Part) -> Part:
        period_s = times * float(np.median(np.diff(part.time_s)))
        row = np.searchsorted(part.time_s, np.floor(part.time_s / period_s) * period_s, side="right") - 1
        return replace(part, value=part.value[np.maximum(row, 0)])

    return _each(made, slow)


def _each(made: Signals, change: Callable[[Part], Part]) -> Signals:
    return replace(made, parts={name: change(part) for name, part in made.parts.items()})
