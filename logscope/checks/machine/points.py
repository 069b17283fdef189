"""Operating points: torque, speed, current and power at the same moments."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.findings import Measured
from logscope.signals import Part, Signals
from logscope.statistics.distributions import student_quantile
from logscope.statistics.sampling import between_samples, held_time_s

_RPM_TO_RAD = pi / 30
_IDLE_SHARE = 0.05  # of the largest torque, below which the motor idles
_LEAST_RPM = 100.0
_BLOCK_S = 5.0  # for the limits of a ratio: what storage there is (link, flux) empties in far less
_LEAST_BLOCKS = 5
BINS = 12  # of speed or slip
_LEAST_ROWS = 20  # in a bin


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """One row a torque sample, shape (n,): held time [s], speed [rpm], torque [Nm], shaft power [W]."""

    time_s: FloatArray
    held_s: FloatArray
    rpm: FloatArray
    torque: FloatArray

    @property
    def power_w(self) -> FloatArray:
        """Shaft power [W]."""
        return self.torque * self.rpm * _RPM_TO_RAD

    @property
    def motoring(self) -> BoolArray:
        """Whether the motor drives forward and is not idle."""
        return np.asarray((self.torque > _IDLE_SHARE * np.max(np.abs(self.torque))) & (self.rpm > _LEAST_RPM))

    @property
    def braking(self) -> BoolArray:
        """Whether the motor brakes forward."""
        return np.asarray((self.torque < -_IDLE_SHARE * np.max(np.abs(self.torque))) & (self.rpm > _LEAST_RPM))

    def of(self, part: Part) -> FloatArray:
        """Another part at these moments, NaN where it is not logged."""
        return between_samples(part.time_s, part.value, self.time_s)


def slip_hz(points: Points, signals: Signals, pole_pairs: int | None) -> FloatArray | None:
    """Slip frequency at the rows [Hz], signed: as logged, else stator frequency less pole pairs times shaft speed."""
    if (slip := signals.get("slip")) is not None:
        return points.of(slip)
    if (stator := signals.get("stator_frequency")) is not None and pole_pairs:
        return np.asarray(np.abs(points.of(stator)) - pole_pairs * np.abs(points.rpm) / 60.0)
    return None


def find_points(signals: Signals) -> Points:
    """Raises MissingPart where torque or speed are not logged."""
    torque, speed = signals["torque"], signals["motor_speed"]
    rpm = between_samples(speed.time_s, speed.value, torque.time_s)
    there = np.isfinite(rpm)
    held = held_time_s(torque.time_s)
    return Points(torque.time_s[there], held[there], rpm[there], torque.value[there])


@dataclass(frozen=True, slots=True, eq=False)
class Binned:
    """Median of a value by bins of another, with its 95 % limits, and the median of that other; shape (bins,)."""

    at: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray
    width: float


def by_bins(at: FloatArray, value: FloatArray, bins: int = BINS) -> Binned | None:
    """Medians with 95 % limits by order statistics; None where fewer than three bins hold enough rows."""
    good = np.isfinite(at) & np.isfinite(value)
    at, value = at[good], value[good]
    if at.size < 3 * _LEAST_ROWS:
        return None
    edges = np.linspace(at.min(), at.max() + 1e-9, bins + 1)
    place = np.searchsorted(edges, at, side="right") - 1
    held = [k for k in range(bins) if np.count_nonzero(place == k) >= _LEAST_ROWS]
    rows = [np.sort(value[place == k]) for k in held]
    if len(rows) < 3:
        return None
    reach = [int(1.96 * np.sqrt(v.size) / 2) + 1 for v in rows]
    return Binned(
        np.array([np.median(at[place == k]) for k in held]),
        np.array([np.median(v) for v in rows]),
        np.array([v[max(v.size // 2 - r, 0)] for v, r in zip(rows, reach, strict=True)]),
        np.array([v[min(v.size // 2 + r, v.size - 1)] for v, r in zip(rows, reach, strict=True)]),
        float(edges[1] - edges[0]),
    )


def find_efficiency(points: Points, signals: Signals) -> Measured | None:
    """Shaft energy over battery energy while driving forward [%], limits by a ratio estimator over blocks of 5 s.

    W. G. Cochran, Sampling Techniques (1977), chapter 6 (from memory). None where the battery's power is not logged.
    """
    voltage, current = signals.get("battery_voltage"), signals.get("battery_current")
    if voltage is None or current is None:
        return None
    electric = points.of(voltage) * points.of(current)
    use = points.motoring & np.isfinite(electric)
    block = (points.time_s[use] / _BLOCK_S).astype(np.int64)
    if not block.size:
        return None
    out = np.bincount(block, points.power_w[use] * points.held_s[use])
    taken = np.bincount(block, electric[use] * points.held_s[use])
    out, taken = out[taken > 0], taken[taken > 0]
    if taken.size < _LEAST_BLOCKS:
        return None
    ratio = float(out.sum() / taken.sum())
    left = out - ratio * taken
    error = float(np.sqrt(np.sum(left**2) * taken.size / (taken.size - 1))) / float(taken.sum())
    reach = student_quantile(0.975, taken.size - 1) * error
    return Measured(100 * ratio, "%", 100 * (ratio - reach), 100 * (ratio + reach))
