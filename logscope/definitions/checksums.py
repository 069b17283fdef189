"""Checksums of many records at once. The algorithms and their parameters are crccheck's."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

MAX_BITS = 64  # what one machine word holds; a single algorithm of the catalogue is wider
_ALIASES = {"sum8": "Checksum8", "xor8": "ChecksumXor8"}


@dataclass(frozen=True, slots=True)
class Checksum:
    """width_bytes : as stored; of : (n, length) bytes → (n,) checksums."""

    name: str
    width_bytes: int
    of: Callable[[Bytes], Words]

    def holds(self, covered: Bytes, stored: Bytes, order: str) -> BoolArray:
        """Whether each row of `covered`, shape (n, length), has the checksum stored in `stored`, (n, width_bytes)."""
        given = np.zeros(len(stored), np.uint64)
        for byte in stored.T if order == "big" else stored.T[::-1]:
            given = (given << np.uint64(8)) | byte
        return np.asarray(self.of(covered) == given)


@cache
def checksum_named(name: str) -> Checksum | None:
    """The checksum “sum8”, “xor8” or a class of crccheck by its name; None for any other name."""
    from crccheck import checksum, crc

    name = _ALIASES.get(name, name)
    if name in {known.__name__ for known in checksum.ALLCHECKSUMCLASSES}:
        words: Any = getattr(checksum, name)
        reduce = np.bitwise_xor.reduce if issubclass(words, checksum.ChecksumXorBase) else np.add.reduce
        return Checksum(name, words.bytewidth(), lambda rows: _of_words(rows, words.bytewidth(), reduce))
    found: Any = getattr(crc, name, None) if name.startswith("Crc") else None
    if not _is_subclass(found, crc.CrcBase) or not 0 < found.width() <= MAX_BITS:
        return None
    return Checksum(name, found.bytewidth(), lambda rows: _crc(rows, found))


def algorithms() -> tuple[str, ...]:
    """The names that `checksum_named` knows."""
    from crccheck import checksum, crc

    names = [known.__name__ for known in (*checksum.ALLCHECKSUMCLASSES, *crc.ALLCRCCLASSES)]
    return (*_ALIASES, *(name for name in names if checksum_named(name) is not None))


def _is_subclass(found: Any, base: Any) -> bool:
    return inspect.isclass(found) and issubclass(found, base)


def _of_words(rows: Bytes, width: int, reduce: Callable[..., Words]) -> Words:
    """Sum or exclusive or of big-endian words of `width` bytes; bytes that fill no word do not count."""
    count, length = rows.shape
    words = rows[:, : length - length % width].reshape(count, -1, width).astype(np.uint64)
    weights = np.array([1 << (8 * place) for place in reversed(range(width))], np.uint64)
    total = reduce((words * weights).sum(axis=2, dtype=np.uint64), axis=1)
    return np.asarray(total & np.uint64((1 << (8 * width)) - 1), np.uint64)


def _crc(rows: Bytes, algorithm: Any) -> Words:
    """Table-driven, one byte of all rows at a time (Sarwate, Communications of the ACM 31(8), 1988; from memory).

    The register is kept at the upper end of 64 bits, so that every width from 3 to 64 is the same case.
    """
    width = algorithm.width()
    top = np.uint64(MAX_BITS - width)
    table = _table(width, algorithm.poly())
    register = np.full(len(rows), np.uint64(algorithm.initvalue()) << top)
    if algorithm.reflect_input():
        rows = _REVERSED[rows]
    for byte in rows.T:
        register = (register << np.uint64(8)) ^ table[(register >> np.uint64(56)) ^ byte]
    value = register >> top
    if algorithm.reflect_output():
        value = _reversed_bits(value) >> top
    return np.asarray(value ^ np.uint64(algorithm.xor_output()))


@cache
def _table(width: int, poly: int) -> Words:
    entries = np.arange(256, dtype=np.uint64) << np.uint64(56)
    divisor = np.uint64(poly << (MAX_BITS - width))
    for _ in range(8):
        carry = (entries >> np.uint64(63)).astype(np.bool_)
        entries = (entries << np.uint64(1)) ^ np.where(carry, divisor, np.uint64(0))
    return entries


_REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1)[:, ::-1], axis=1).ravel()


def _reversed_bits(values: Words) -> Words:
    """All 64 bits in reverse order."""
    octets = values.astype(">u8").view(np.uint8).reshape(-1, 8)
    return np.ascontiguousarray(_REVERSED[octets[:, ::-1]]).view(">u8").ravel().astype(np.uint64)
