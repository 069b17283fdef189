"""A field of a payload: where it lies, and its values in all frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, order=True)
class Field:
    """So many bits from a start bit on, in the numbering of DBC files.

    start : the least significant bit of a little-endian field, the most significant one of a big-endian field
    """

    start: int
    bits: int
    big_endian: bool = False

    def positions(self) -> tuple[int, ...]:
        """The field's bits, the least significant one first.

        >>> Field(start=2, bits=4, big_endian=True).positions()
        (15, 0, 1, 2)
        """
        if not self.big_endian:
            return tuple(range(self.start, self.start + self.bits))
        first = self.start ^ 7  # counted from each byte's most significant bit, as on the wire
        return tuple(place ^ 7 for place in reversed(range(first, first + self.bits)))

    def mask(self) -> int:
        """The field's bits as one number; bit p stands for bit p of the payload."""
        return sum(1 << place for place in self.positions())

    @property
    def within_a_byte(self) -> bool:
        """Whether the byte order makes no difference."""
        places = self.positions()
        return places[0] // 8 == places[-1] // 8

    def values(self, rows: Bytes, *, signed: bool = False) -> Integers:
        """The field's values, shape (n,); `signed`: as two's complement. At most 63 bits, or 64 signed ones."""
        total = np.zeros(len(rows), np.int64)
        places = self.positions()
        at = 0
        while at < self.bits:  # as many bits at once as lie in one byte
            byte, low = divmod(places[at], 8)
            here = min(8 - low, self.bits - at)
            total |= (rows[:, byte].astype(np.int64) >> low & ((1 << here) - 1)) << at
            at += here
        if signed and self.bits < 64:
            total -= (total >> (self.bits - 1)) << self.bits
        return total


def from_lowest(lowest: int, bits: int, big_endian: bool) -> Field:
    """The field of so many bits above a least significant bit.

    >>> from_lowest(15, 4, True)
    Field(start=2, bits=4, big_endian=True)
    """
    if not big_endian:
        return Field(lowest, bits)
    return Field(((lowest ^ 7) - bits + 1) ^ 7, bits, True)


def room_above(lowest: int, length: int, big_endian: bool) -> int:
    """How many bits a field that begins at a least significant bit can have in a payload of `length` bytes."""
    return (lowest ^ 7) + 1 if big_endian else 8 * length - lowest
