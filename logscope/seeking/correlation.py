"""Fields against templates of what a part would do, at every shift in time at once, and what chance gives.

A template is what the part should look like, up to scale and offset: the road speed for the motor speed, the
acceleration for the torque. The correlation of each field with it is calculated for all circular shifts by the fast
Fourier transform. Small shifts are delays of a message and its sensor. Large ones cannot be true: they keep what a
field does and only move it to another time, so that the best correlation at such shifts is what chance gives in this
very log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray, IndexArray

LONGEST_DELAY_S = 0.5  # of a message behind another that says the same
_FARTHEST_TRIES = 200


@dataclass(frozen=True, slots=True, eq=False)
class Correlated:
    """For each field the best correlation, with its sign, and the shift at which it is reached; shapes (n,).

    delay_s : by which the field follows the template
    chance : the best of all fields at each shift that cannot be true, shape (k,)
    """

    best: FloatArray
    delay_s: FloatArray
    chance: FloatArray


def correlate(rows: FloatArray, template: FloatArray, step_s: float, *, signed: bool = True) -> Correlated:
    """Correlate every row of shape (n, t) with a template of shape (t,).

    signed : whether a field may follow the template the other way round
    """
    count = template.size
    spectrum = np.conj(np.fft.rfft(_normal(template[None])))
    near = max(1, round(LONGEST_DELAY_S / step_s))
    apart = max(4 * near, count // 20)
    starts = np.linspace(
        apart, count - apart, min(_FARTHEST_TRIES, max(1, (count - 2 * apart) // (2 * near + 1)))
    ).astype(int)
    best, delay = np.zeros(len(rows)), np.zeros(len(rows))
    chance = np.zeros(starts.size)
    shifts = np.arange(-near, near + 1)
    for number, row in enumerate(rows):
        if np.ptp(row) == 0:
            continue
        whole = np.fft.irfft(np.fft.rfft(_normal(row[None]))[0] * spectrum[0], count)
        size = np.abs(whole) if signed else whole
        here = size[shifts % count]
        at = int(np.argmax(here))
        best[number], delay[number] = whole[shifts[at] % count], shifts[at] * step_s
        chance = np.maximum(chance, _windows(size, starts, shifts))
    return Correlated(best, delay, chance)


def _windows(size: FloatArray, starts: IndexArray, shifts: IndexArray) -> FloatArray:
    return np.asarray(size[(starts[:, None] + shifts[None]) % size.size].max(axis=1))


def _normal(rows: FloatArray) -> FloatArray:
    """Each row without its mean, of length 1."""
    centred = rows - rows.mean(axis=1, keepdims=True)
    norm = np.linalg.norm(centred, axis=1, keepdims=True)
    return np.asarray(centred / np.where(norm > 0, norm, 1.0))


def false_positive_rate(score: float, chance: FloatArray) -> float:
    """The share of chance logs in which any field reaches a score; the log itself counts as one of them.

    Davison and Hinkley, Bootstrap Methods and their Application (1997), 4.2: (1 + exceedances) / (1 + trials).
    """
    return float((1 + np.count_nonzero(chance >= score)) / (1 + chance.size))


def line(template: FloatArray, raw: FloatArray) -> tuple[float, float]:
    """Scale and offset of the straight line from raw values to a reference, robust against single wild samples.

    Least squares, and once more without the points that lie farther than three robust deviations off.
    """
    keep = np.ones(raw.size, np.bool_)
    scale, offset = 1.0, 0.0
    for _ in range(2):
        if np.ptp(raw[keep]) == 0:
            break
        scale, offset = np.polyfit(raw[keep], template[keep], 1)
        residual = template - (scale * raw + offset)
        spread = 1.4826 * np.median(np.abs(residual - np.median(residual)))
        keep = np.abs(residual - np.median(residual)) <= 3 * spread if spread > 0 else keep
    return float(scale), float(offset)
