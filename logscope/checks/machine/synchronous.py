"""Whether the motor is synchronous: it then has no slip, and what reads as slip is the lag of a filtered speed.

A filtered speed trails the frequency by its time constant times the acceleration; an induction motor slips with torque.
A line through both tells them apart: slip = rest + torque · a + acceleration · lag.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.machine.points import Points
from logscope.findings import Measured
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import mad_scale

_BLOCK_S, _BLOCK_ROWS = 0.25, 3  # samples within the longer of the two are one row of the line
_LEAST_BLOCKS = 20
_NO_SLIP_HZ, _NO_SLIP_SHARE = (
    0.3,
    1e-3,
)  # an induction motor slips by 1 Hz and more at full torque (practice); time bases
_ROUNDS, _HUBER_C = 30, 1.345  # P. J. Huber, Robust Statistics (1981)


@dataclass(frozen=True, slots=True)
class Synchronous:
    """A motor without slip: what is left of it at full torque, with the lag taken off [Hz], and the lag [s]."""

    slip_hz: Measured
    lag_s: Measured


def find_synchronous(points: Points, slip_hz: FloatArray, electrical_hz_per_rpm: float) -> Synchronous | None:
    """The lag of a synchronous motor's speed; None where there is slip, or too little driving to tell.

    slip_hz : signed, at the rows, shape (n,); electrical_hz_per_rpm : pole pairs over 60
    """
    rows = _blocks(points, slip_hz, electrical_hz_per_rpm)
    if rows is None:
        return None
    slip, torque, rate, top_hz = rows
    full = float(np.max(np.abs(torque)))
    if not full:
        return None
    columns = np.column_stack([np.ones(slip.size), torque / full, rate])
    fitted = _robust_line(columns, slip)
    if fitted is None:
        return None
    value, covariance = fitted
    reach = student_quantile(0.975, slip.size - 3)
    allowed = max(_NO_SLIP_HZ, _NO_SLIP_SHARE * top_hz)
    loads = [np.array([1.0, share, 0.0]) for share in (0.0, 1.0)]
    at = [(float(load @ value), reach * float(np.sqrt(load @ covariance @ load))) for load in loads]
    if any(abs(each) + half > allowed for each, half in at):
        return None
    lag, half = float(value[2]), reach * float(np.sqrt(covariance[2, 2]))
    (rest, rest_half) = at[1]
    return Synchronous(
        Measured(rest, "Hz", rest - rest_half, rest + rest_half), Measured(lag, "s", lag - half, lag + half)
    )


def _blocks(
    points: Points, slip_hz: FloatArray, hz_per_rpm: float
) -> tuple[FloatArray, FloatArray, FloatArray, float] | None:
    """Means of slip [Hz] and torque [Nm], and rate of the electrical frequency [Hz/s], by stretches of time."""
    use = np.isfinite(slip_hz) & (np.abs(points.rpm) > 0)
    time, rpm = points.time_s[use], np.abs(points.rpm[use])
    if time.size < _BLOCK_ROWS * _LEAST_BLOCKS:
        return None
    block_s = max(_BLOCK_S, _BLOCK_ROWS * float(time[-1] - time[0]) / time.size)
    number = ((time - time[0]) / block_s).astype(np.intp)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    last = np.append(first[1:], time.size) - 1
    whole = (last - first >= _BLOCK_ROWS - 1) & (time[last] - time[first] > 0.4 * block_s)
    first, last = first[whole], last[whole]
    if first.size < _LEAST_BLOCKS:
        return None
    sums = [np.concatenate(([0.0], np.cumsum(each))) for each in (slip_hz[use], points.torque[use])]
    count = last - first + 1
    slip, torque = ((each[last + 1] - each[first]) / count for each in sums)
    rate = hz_per_rpm * (rpm[last] - rpm[first]) / (time[last] - time[first])
    return slip, torque, rate, hz_per_rpm * float(rpm.max())


def _robust_line(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Huber's M-estimate of y = columns · value, with its covariance; None where the columns do not differ.

    What lies beyond his constant is drawn in by no more than that, however far it lies, so that only the rows within it
    hold the line: they alone are in the curvature (P. J. Huber, Robust Statistics, 1981, section 7.6, from memory).
    """
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        return None
    weight: FloatArray = np.ones(y.size)
    value: FloatArray = np.zeros(columns.shape[1])
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, np.newaxis]
        value = np.asarray(np.linalg.lstsq(columns * root, y * root[:, 0], rcond=None)[0], dtype=np.float64)
        left = y - columns @ value
        scale = max(mad_scale(left), 1e-9)
        weight = np.asarray(np.minimum(1.0, _HUBER_C * scale / np.maximum(np.abs(left), 1e-12)), dtype=np.float64)
    holding = columns[weight >= 1.0]
    if np.linalg.matrix_rank(holding) < columns.shape[1]:
        return None
    bread = np.linalg.inv(holding.T @ holding)
    scores = columns * (weight * (y - columns @ value))[:, np.newaxis]
    return value, np.asarray(bread @ (scores.T @ scores) @ bread)
