"""Signals out of payload bytes: compiled kernels that work on arrays only.

A signal is taken byte by byte from its least significant end, which serves both byte orders with
one loop: a little-endian signal walks up through the payload, a big-endian one walks down. Rows
whose payload is too short are never read; they get a mark instead of a value.

Every kernel is called with one set of types (contiguous arrays, int64 scalars), so that each is
compiled once; the compiled code is kept beside the module, or in the user's cache directory where
the package is read-only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.definitions.spec import SignalSpec

_FLOATS: dict[int, tuple[type[np.unsignedinteger], type[np.floating]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}


class Payloads(NamedTuple):
    """The payloads of n frames of one message, side by side.

    data : uint8, shape (n, width), where width holds every signal of the message; a longer payload is
        cut, after the end of a shorter one the bytes mean nothing
    size : uint8, shape (n,), payload bytes of the frame as logged
    """

    data: NDArray[np.uint8]
    size: NDArray[np.uint8]

    def where(self, rows: BoolArray) -> Payloads:
        """Some of the frames."""
        return Payloads(self.data[rows], self.size[rows])


class Layout(NamedTuple):
    """Where a signal's bits lie: the byte with its least significant bit, the direction to the next more
    significant byte (+1 or −1), the number of bytes touched, the bits under the signal in the first
    of them, its width, and the payload bytes that it needs."""

    low_byte: int
    direction: int
    touched: int
    under: int
    bits: int
    needed: int


def layout_of(spec: SignalSpec) -> Layout:
    """The layout of a signal.

    >>> layout_of(SignalSpec("Speed", start=2, bits=9, big_endian=True))
    Layout(low_byte=1, direction=-1, touched=2, under=2, bits=9, needed=2)
    """
    first, last = spec.first_bit, spec.first_bit + spec.bits - 1
    touched = last // 8 - first // 8 + 1
    if spec.big_endian:
        return Layout(last // 8, -1, touched, 7 - last % 8, spec.bits, spec.bytes_needed)
    return Layout(first // 8, 1, touched, first % 8, spec.bits, spec.bytes_needed)


def raw_integers(payloads: Payloads, spec: SignalSpec) -> tuple[NDArray[np.int64], int]:
    """Raw values, shape (n,), and how many were lost to short payloads (those read 0).

    Signed where the signal is; 64 unsigned bits are to be viewed as uint64 by the caller.
    """
    out = np.empty(payloads.size.size, dtype=np.int64)
    lost = _extract_integers(*payloads, *layout_of(spec), spec.signed, out)
    return out, int(lost)


def physical_values(payloads: Payloads, spec: SignalSpec) -> tuple[FloatArray, int]:
    """Values in the signal's unit, shape (n,), and how many were lost to short payloads (those are NaN)."""
    if spec.floating:
        return _floating_values(payloads, spec)
    values, lost = physical_columns(payloads, formulas((spec,)))
    return values[0], int(lost[0])


class Formulas(NamedTuple):
    """What the kernel must know of k integer signals of one message.

    layouts : int64, shape (k, 7), the fields of `Layout`, and 1 for a signed signal
    factors : float64, shape (k, 2), scale and offset
    """

    layouts: NDArray[np.int64]
    factors: FloatArray


def formulas(specs: Sequence[SignalSpec]) -> Formulas:
    """The formulas of signals that are not floating."""
    layouts = [(*layout_of(spec), spec.signed) for spec in specs]
    factors = [(spec.scale, spec.offset) for spec in specs]
    return Formulas(
        np.array(layouts, dtype=np.int64).reshape(-1, len(Layout._fields) + 1),
        np.array(factors, dtype=np.float64).reshape(-1, 2),
    )


def physical_columns(payloads: Payloads, signals: Formulas) -> tuple[FloatArray, NDArray[np.int64]]:
    """Values of k signals in their units, shape (k, n), and how many each has lost to short payloads (NaN there).

    All of a message's signals in one call: a call costs as much as some hundred values.
    """
    out = np.empty((len(signals.layouts), payloads.size.size), dtype=np.float64)
    lost = np.zeros(len(signals.layouts), dtype=np.int64)
    _extract_physical(*payloads, *signals, out, lost)
    return out, lost


def _floating_values(payloads: Payloads, spec: SignalSpec) -> tuple[FloatArray, int]:
    raw, lost = raw_integers(payloads, spec)
    unsigned, floating = _FLOATS[spec.bits]
    numbers = raw.view(np.uint64).astype(unsigned).view(floating)
    with np.errstate(invalid="ignore", over="ignore"):  # a payload may hold any bit pattern, also infinities
        values = numbers.astype(np.float64) * spec.scale + spec.offset
    if lost:
        values[payloads.size < spec.bytes_needed] = np.nan
    return values, lost


@njit(cache=True, nogil=True)
def _bits_at(data, row, at, direction, touched, under, bits):  # type: ignore[no-untyped-def]
    """The signal's bits as uint64; `at` is the byte that holds the least significant one."""
    value = np.uint64(data[row, at]) >> np.uint64(under)
    have = 8 - under
    for _ in range(touched - 1):
        at += direction
        value |= np.uint64(data[row, at]) << np.uint64(have)
        have += 8
    return value & (np.uint64(0xFFFFFFFFFFFFFFFF) >> np.uint64(64 - bits))


@njit(cache=True, nogil=True)
def _sign_extended(value, bits):  # type: ignore[no-untyped-def]
    """Two's complement of `bits` bits as int64."""
    return np.int64(value << np.uint64(64 - bits)) >> np.int64(64 - bits)


@njit(cache=True, nogil=True)
def _extract_integers(  # type: ignore[no-untyped-def]
    data, size, low_byte, direction, touched, under, bits, needed, signed, out
):
    lost = 0
    for row in range(out.size):
        if size[row] < needed:
            out[row] = 0
            lost += 1
            continue
        value = _bits_at(data, row, low_byte, direction, touched, under, bits)
        out[row] = _sign_extended(value, bits) if signed else np.int64(value)
    return lost


@njit(cache=True, nogil=True)
def _extract_physical(data, size, layouts, factors, out, lost):  # type: ignore[no-untyped-def]
    for signal in range(out.shape[0]):
        low_byte, direction, touched, under, bits, needed, signed = layouts[signal]
        scale, offset = factors[signal]
        for row in range(size.size):
            if size[row] < needed:
                out[signal, row] = np.nan
                lost[signal] += 1
                continue
            value = _bits_at(data, row, low_byte, direction, touched, under, bits)
            raw = np.float64(_sign_extended(value, bits)) if signed else np.float64(value)
            out[signal, row] = raw * scale + offset
