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
_STRETCHES = 10  # of time, left out one by one: many times as long as neighbouring residuals are alike
_STUDENT = 2.262  # 97.5 % of Student's t with 9 degrees of freedom
_FEWEST_POINTS = 10


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

    signed : whether a field may follow the template the other way round; else one that does has no likeness
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
        if here[at] > 0:  # else it follows the other way round at each of them
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


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line from raw values to a reference; the limits are those of 95 %, None where they are unknown."""

    scale: float = 1.0
    offset: float = 0.0
    scale_limits: tuple[float, float] | None = None
    offset_limits: tuple[float, float] | None = None

    def in_words(self, reference: str, unit: str) -> str:
        """What the scale rests on, with the limits of both."""
        said = f"Fitted to {reference} by a straight line"
        if self.scale_limits is None or self.offset_limits is None:
            return f"{said}."
        (low, high), (lowest, highest) = self.scale_limits, self.offset_limits
        each = f" {unit}" if unit else ""
        return (
            f"{said}: scale {low:.4g} to {high:.4g}{each} per count, offset {lowest:.4g} to {highest:.4g}{each} (95 %)."
        )


def line(template: FloatArray, raw: FloatArray) -> Line:
    """The straight line from raw values to a reference, robust against single wild samples; shapes (t,), over time.

    Least squares, and once more without the points that lie farther than three robust deviations off. The limits come
    from leaving out one stretch of time after the other, since neighbouring residuals are alike: Künsch, The jackknife
    and the bootstrap for general stationary observations, Annals of Statistics 17 (1989), 1217-1241.
    """
    keep = np.ones(raw.size, np.bool_)
    found = (1.0, 0.0)
    for _ in range(2):
        if np.ptp(raw[keep]) == 0:
            return Line(*found)
        found = _fitted(template[keep], raw[keep])
        residual = template - (found[0] * raw + found[1])
        spread = 1.4826 * np.median(np.abs(residual - np.median(residual)))
        keep = np.abs(residual - np.median(residual)) <= 3 * spread if spread > 0 else keep
    stretch = np.arange(raw.size) * _STRETCHES // raw.size
    left_out = [keep & (stretch != k) for k in range(_STRETCHES)]
    if any(np.count_nonzero(rows) < _FEWEST_POINTS or np.ptp(raw[rows]) == 0 for rows in left_out):
        return Line(*found)
    values = np.array([_fitted(template[rows], raw[rows]) for rows in left_out])
    error = np.sqrt((_STRETCHES - 1) / _STRETCHES * np.sum((values - values.mean(axis=0)) ** 2, axis=0))
    half = _STUDENT * error
    (scale, offset), (by_scale, by_offset) = found, half.tolist()
    return Line(scale, offset, (scale - by_scale, scale + by_scale), (offset - by_offset, offset + by_offset))


def _fitted(template: FloatArray, raw: FloatArray) -> tuple[float, float]:
    scale, offset = np.polyfit(raw, template, 1)
    return float(scale), float(offset)
