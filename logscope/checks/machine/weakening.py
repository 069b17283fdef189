"""Where field weakening begins, and what voltage is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.machine.points import Binned, Points, by_bins
from logscope.findings import Measured
from logscope.signals import Signals

_BINS = 24  # of speed: the onset is known to one of them, or two
USED_UP = 95.0  # % of the voltage: the controller keeps some for itself (common practice, no published source)
_FALLEN = 0.9  # of the plateau of torque per ampere
# Torque per ampere grows with current, since part of the current makes the flux: only like currents are compared.
_ALIKE = (0.8, 1.0)  # of the current that nine tenths of the loaded samples stay below
_LEVEL, _LEVEL_BINS = 0.05, 4  # the plateau must show as such: that many bins in a row within this share


@dataclass(frozen=True, slots=True, eq=False)
class Weakening:
    """Speed of the onset [rpm], None within the log's range; by which witness; the curve it was read off."""

    onset: Measured | None
    by: str
    curve: Binned | None


def find_weakening(points: Points, signals: Signals) -> Weakening | None:
    """By the inverter's voltage utilisation, else by torque per ampere at like currents; None where neither tells."""
    used, current = signals.get("voltage_utilisation"), signals.get("motor_current")
    speed = np.abs(points.rpm)
    if used is not None:
        curve = by_bins(speed, points.of(used), _BINS)
        return Weakening(_crossing(curve, USED_UP, rising=True), "voltage utilisation", curve)
    if current is None:
        return None
    amps = np.abs(points.of(current))
    loaded = points.motoring & (np.nan_to_num(amps) > 0)
    if not loaded.any():
        return None
    top = float(np.quantile(amps[loaded], 0.9))
    alike = loaded & (amps >= _ALIKE[0] * top) & (amps <= _ALIKE[1] * top)
    curve = by_bins(speed[alike], points.torque[alike] / amps[alike], _BINS)
    if curve is None:
        return None
    first = curve.median[:_LEVEL_BINS]
    if np.ptp(first) > _LEVEL * first.max() or first.max() < (1 - _LEVEL) * curve.median.max():
        return None
    return Weakening(_crossing(curve, _FALLEN * float(first.mean()), rising=False), "torque per ampere", curve)


def _crossing(curve: Binned | None, level: float, rising: bool) -> Measured | None:
    """The speed from which on the curve stays beyond a level; None where it never does, or always.

    It lies between the last bin that is short of the level and the first from which on all are beyond it, both by the
    limits of their medians: where a curve only rises or only falls, the median of a bin belongs to its median speed.
    """
    if curve is None:
        return None
    beyond = curve.low >= level if rising else curve.high <= level
    short = curve.high < level if rising else curve.low > level
    inside = np.flatnonzero(~beyond)
    first = int(inside[-1]) + 1 if inside.size else 0
    before = np.flatnonzero(short[:first])
    if first >= curve.at.size or not before.size:
        return None
    last = int(before[-1])
    low, high = float(curve.at[last]), float(curve.at[first])
    fell_short, reached = float(curve.median[last]), float(curve.median[first])  # the level lies between them
    share = (level - fell_short) / (reached - fell_short)
    return Measured(low + share * (high - low), "rpm", low, high)
