"""Speed, torque, current and pedal: what they have to do with each other, as templates.

    speed      its rate of change goes with a force; it rests at one value while the vehicle stands
    torque     goes with the acceleration, in both directions
    current    goes with the acceleration's magnitude, whichever way the torque points
    pedal      goes with the acceleration while that is positive, and rests while the vehicle slows down
    battery    current goes with power: force times speed

Newton's second law for the vehicle, m·dv/dt = F − drag; the drag is left out, for it changes slowly.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from logscope.arrays import FloatArray

_SMOOTH_S = 0.25  # a driveline rings at 2 to 15 Hz; what moves the vehicle is slower
_MOST_RECOVERED = 0.3  # of the largest force: what slows the vehicle more is the brakes, not the motor
_LEAST_REST = 0.02  # of the time in which a speed stays at one value
_FASTEST_SHARE = 0.05  # of its span that a speed changes in a step of the grid or in a quarter of a second


def acceleration(speed: FloatArray, step_s: float) -> FloatArray:
    """The smoothed rate of change [1/s]; shape as `speed`, along the last axis."""
    width = max(_SMOOTH_S / step_s, 1.0)
    smooth = gaussian_filter1d(speed, width, axis=-1, mode="nearest")
    return np.asarray(np.gradient(smooth, step_s, axis=-1))


def rest_of(row: FloatArray) -> tuple[float, float]:
    """The value at which a field stays longest, and the share of time."""
    values, counts = np.unique(np.round(row), return_counts=True)
    at = int(np.argmax(counts))
    return float(values[at]), float(counts[at] / row.size)


def speedlike(rows: FloatArray, step_s: float, others: FloatArray | None = None) -> FloatArray:
    """How much each field is a speed by itself: its acceleration goes with some other field; shape (n,).

    rows : fields over the grid, shape (n, t); others : the fields that may be its force, where not the same rows
    """
    scores = np.zeros(len(rows))
    smooth = [k for k, row in enumerate(rows) if _moves_slowly(row, step_s)]
    if not smooth:
        return scores
    accelerations = _normal(acceleration(rows[smooth], step_s))
    pulling = rows if others is None else others
    forces = _normal(gaussian_filter1d(pulling, max(_SMOOTH_S / step_s, 1.0), axis=1, mode="nearest"))
    together = np.abs(accelerations @ forces.T)
    for n, k in enumerate(smooth):
        # A second reading of the same speed has the same acceleration, which is no force; nor is the speed its own.
        scores[k] = np.max(np.where(_same(forces, k), 0.0, together[n]))
    return scores


def _same(normal: FloatArray, own: int) -> FloatArray:
    return np.asarray(np.abs(normal @ normal[own]) > 0.95)


def _moves_slowly(row: FloatArray, step_s: float) -> bool:
    span = float(np.ptp(row))
    if span < 20:
        return False
    _, share = rest_of(row)
    steps = max(1, round(0.25 / step_s))
    change = np.abs(row[steps:] - row[:-steps])
    return share >= _LEAST_REST and float(np.quantile(change, 0.99)) <= max(_FASTEST_SHARE * 2, 0.25 * step_s) * span


def templates(speed: FloatArray, step_s: float) -> dict[str, FloatArray]:
    """What each part should look like beside a speed that is zero at rest, shape (t,) each."""
    pull = acceleration(speed, step_s)
    rolling = np.abs(speed) / max(float(np.max(np.abs(speed))), 1e-9)
    moving = rolling > 0.02
    drag = 0.1 * float(np.quantile(np.abs(pull[moving]), 0.9) if moving.any() else 0.0) * rolling
    force = pull + drag
    strongest = float(np.quantile(np.abs(force), 0.99))
    return beside_force(np.maximum(force, -_MOST_RECOVERED * strongest), rolling)


def beside_force(force: FloatArray, rolling: FloatArray) -> dict[str, FloatArray]:
    """The same beside a force of the motor and a speed from 0 to 1."""
    return {
        "torque": force,
        "motor_current": np.abs(force),
        "throttle": np.maximum(force, 0.0),
        "battery_current": force * rolling,
    }


def sidedness(row: FloatArray, rest: float) -> float:
    """From −1 to 1: 1 where a field moves to both sides of where it rests alike, −1 where to one side only."""
    span = float(np.ptp(row))
    if span == 0:
        return 0.0
    low, high = np.quantile(row, (0.002, 0.998))
    smaller = min(high - rest, rest - low)
    return float(np.clip(2 * smaller / (0.15 * span) - 1, -1, 1))


def _normal(rows: FloatArray) -> FloatArray:
    centred = rows - rows.mean(axis=1, keepdims=True)
    norm = np.linalg.norm(centred, axis=1, keepdims=True)
    return np.asarray(centred / np.where(norm > 0, norm, 1.0))


def detrended(row: FloatArray, step_s: float, over_s: float = 10.0) -> FloatArray:
    """A series without what is slower than so long, along the last axis."""
    return np.asarray(row - uniform_filter1d(row, max(3, round(over_s / step_s)), axis=-1, mode="nearest"))
