"""Dips that nothing logged explains: a load that is not logged, a reading, or a connection that comes and goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.dips import after_switching
from logscope.checks.aux_supply.resistance import total_current
from logscope.checks.aux_supply.side import Side, spans_of
from logscope.signals import Signals

_LEAST_V, _NOISES, _STEPS = 0.5, 6.0, 3.0  # what it must exceed: smaller ones are pumps and lamps that are not logged
_BESIDE_S = 4.0  # the level on either side of a dip is the median over so long: a dip fills less than half of it
_QUIET_S = 2.0  # after anything logged switched: it may be its own
_ONE_EPISODE_S = 0.5
_ROSE_A, _ROSE_NOISES = 3.0, 5.0  # by which a current must rise to be the cause
_LEAST_ROWS = 2  # that a dip must last for its current to be known; between two messages a pulse goes unseen
_LEAST_EPISODES = 2  # once may be anything


@dataclass(frozen=True, slots=True)
class Unexplained:
    """Dips beside all logged switching: spans [s], deepest drop and lowest reading [V].

    without_current : those in which the whole current is known, and did not rise
    """

    spans: tuple[tuple[float, float], ...]
    without_current: tuple[tuple[float, float], ...]
    deepest_V: float
    low_V: float

    @property
    def loose(self) -> bool:
        """Whether a connection is the likely cause: several times, and never with current."""
        return len(self.without_current) >= _LEAST_EPISODES and 2 * len(self.without_current) > len(self.spans)


def find_unexplained(side: Side, signals: Signals) -> Unexplained | None:
    """What there is of them; None where there is none."""
    if not side.period_s > 0:
        return None
    drop = _beside(side) - side.volts
    least = max(_LEAST_V, _NOISES * side.noise_V, _STEPS * side.step_V)
    steady = side.settled | ~np.isfinite(side.running)
    where = (drop > least) & steady & ~after_switching(side, signals, _QUIET_S)
    if not where.any():
        return None
    spans = spans_of(where, side.time_s, _ONE_EPISODE_S)
    total = total_current(side, signals)
    without = []
    for since_s, until_s in spans if total is not None else ():
        assert total is not None
        inside = (total.time_s >= since_s) & (total.time_s <= until_s)
        about = (np.abs(total.time_s - (since_s + until_s) / 2) <= _BESIDE_S) & ~inside
        long = inside.sum() >= _LEAST_ROWS and until_s - since_s >= total.period_s
        if not long or about.sum() < _LEAST_ROWS:
            continue
        rose = float(np.max(total.amps[inside]) - np.median(total.amps[about]))
        if rose < max(_ROSE_A, _ROSE_NOISES * total.noise_a):
            without.append((since_s, until_s))
    return Unexplained(tuple(spans), tuple(without), float(drop[where].max()), float(side.volts[where].min()))


def _beside(side: Side) -> FloatArray:
    """The lower one of the levels before and after each row [V]: a load that comes to stay is a step and no dip."""
    rows = round(_BESIDE_S / side.period_s) | 1
    level = np.asarray(median_filter(side.volts, rows, mode="nearest"))
    row, half = np.arange(side.volts.size), rows // 2
    last = side.volts.size - 1
    return np.asarray(np.minimum(level[np.clip(row - half, 0, last)], level[np.clip(row + half, 0, last)]))
