"""Integers that were read the wrong way: bytes in the wrong order, or a sign that was taken for a large number.

Quantities of a vehicle move little from sample to sample. Where two bytes are swapped, each carry from the low byte to
the high one shows as a leap of nearly the whole range; with the bytes put right, the same samples are smooth, and so
are most others. Frames of another sender leap as well, but among readings that are smooth as they were read. And a
signed number read as unsigned leaps over the whole range wherever it passes zero.
"""

from __future__ import annotations

from enum import Enum

import numpy as np
from numpy.typing import NDArray

from logscope.signals import Encoding, Part

_JUDGED_AT_MOST = 200_000  # samples in a row
_CARRIES = 6  # samples in which both bytes change: fewer may be leaps of the quantity
_SMOOTHER = 8.0  # times smaller leaps with the bytes put right
_WRAPS = 4  # leaps over the range
_NEAR = 0.1  # of the whole range: a leap between both of its ends, the other way about
_EDGE_MARKS = 256  # raw values at the top end that mark “no value”, 0xFF00 and above (practice)
_MIN_VALUES = 6  # different values near the top: marks are one or two


class Misread(Enum):
    """How an integer was read, and what is right."""

    BYTES = "with its bytes in the wrong order"
    UNSIGNED = "as unsigned, where negative values occur"
    HIGH_BITS = "without its high bits, or with its bytes in the wrong order"


def misread(part: Part) -> Misread | None:
    """How a part was misread; None where its values show nothing of the kind."""
    encoding = part.encoding
    if encoding is None or not 9 <= encoding.bits <= 32 or part.value.size < _CARRIES:
        return None
    raw = encoding.raw(part.value[:_JUDGED_AT_MOST])
    if encoding.bits % 8 == 0 and _smoother_swapped(raw, encoding):
        return Misread.BYTES
    return None if encoding.signed else _wraps(raw, encoding)


def _smoother_swapped(raw: NDArray[np.int64], encoding: Encoding) -> bool:
    size = encoding.bits // 8
    unsigned = raw & ((1 << encoding.bits) - 1)
    swapped = swap_bytes(raw, encoding)
    changed = sum(((unsigned[1:] ^ unsigned[:-1]) >> (8 * k)) & 0xFF != 0 for k in range(size))
    carries = changed >= 2
    if np.count_nonzero(carries) < _CARRIES:
        return False
    as_read, put_right = np.abs(np.diff(raw)), np.abs(np.diff(swapped))
    moved = changed >= 1
    if float(np.median(as_read[moved])) <= float(np.median(put_right[moved])):
        return False
    return float(np.median(as_read[carries])) > _SMOOTHER * float(np.median(put_right[carries]))


def swap_bytes(raw: NDArray[np.int64], encoding: Encoding) -> NDArray[np.int64]:
    """The raw integers with their bytes in the other order, shape (n,); bits must be a multiple of 8."""
    size = encoding.bits // 8
    swapped = np.zeros_like(raw)
    for k in range(size):
        swapped |= ((raw >> (8 * k)) & 0xFF) << (8 * (size - 1 - k))
    if encoding.signed:
        swapped -= (swapped >> (encoding.bits - 1)) << encoding.bits
    return swapped


def _wraps(raw: NDArray[np.int64], encoding: Encoding) -> Misread | None:
    """Leaps between both ends of the range, where going the other way about would have been a small step."""
    whole = 1 << encoding.bits
    marks = raw >= whole - min(_EDGE_MARKS, whole // 64)
    leap = np.abs(np.diff(raw))
    over = whole - leap < _NEAR * whole
    if np.count_nonzero(over) < _WRAPS:
        return None
    top = raw[raw > (1.0 - _NEAR) * whole]
    if np.unique(top).size < _MIN_VALUES or bool(np.all(marks[raw > (1.0 - _NEAR) * whole])):
        return None
    middle = (raw > 0.4 * whole) & (raw < 0.6 * whole)
    return Misread.UNSIGNED if not middle.any() else Misread.HIGH_BITS
