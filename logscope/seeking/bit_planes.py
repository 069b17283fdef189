"""Every field of 1 to 32 bits of a payload against a known series at once, by the covariances of single bits.

A field is a sum of its bits times powers of two, so its variance and its covariance with a series follow from those
of the bits: one matrix of 64 × 64 serves all fields, both byte orders and both signs.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.payload.fields import Bytes, Field, from_lowest, room_above

WIDEST = 32
_GAIN = 2e-4  # of the explained share, that a further bit must bring: less is what noise brings


def best_field(rows: Bytes, series: FloatArray, barred: int = 0) -> tuple[Field, bool, float] | None:
    """The field that follows a series best, whether signed, and the share of variance explained (R²).

    rows : payloads, shape (n, length); series : shape (n,); barred : bits that it may not hold, as a mask. None where
    no bit moves.
    """
    planes = np.unpackbits(rows, axis=1, bitorder="little").astype(np.float64)
    planes -= planes.mean(axis=0)
    centred = series - series.mean()
    power = float(centred @ centred)
    covariance = planes.T @ planes
    along = planes.T @ centred
    moves = np.diag(covariance) > 0
    best: tuple[Field, bool, float] | None = None
    for lowest in np.flatnonzero(moves).tolist():
        for big in (False, True):
            room = min(WIDEST, room_above(lowest, rows.shape[1], big))
            places = from_lowest(lowest, room, big).positions()
            for width, signed, explained in _growing(covariance, along, places, power, barred):
                if not moves[places[width - 1]]:
                    continue
                if best is None or explained > best[2] + _GAIN:
                    best = (from_lowest(lowest, width, big), signed, explained)
    return best


def _growing(
    covariance: FloatArray, along: FloatArray, places: tuple[int, ...], power: float, barred: int
) -> list[tuple[int, bool, float]]:
    """For each width of a field, unsigned and signed, the share of the series' variance that it explains."""
    found = []
    variance, cross = 0.0, 0.0
    for k, place in enumerate(places):
        if barred >> place & 1:
            break
        weight = 2.0**k
        inner = float(covariance[place, list(places[:k])] @ (2.0 ** np.arange(k))) if k else 0.0
        own = float(covariance[place, place])
        for signed in (False, True):
            sign = -1.0 if signed else 1.0
            v = variance + 2 * sign * weight * inner + weight**2 * own
            c = cross + sign * weight * float(along[place])
            if v > 0 and power > 0 and (not signed or k >= 2):
                found.append((k + 1, signed, c * c / (v * power)))
        variance += 2 * weight * inner + weight**2 * own
        cross += weight * float(along[place])
    return found
