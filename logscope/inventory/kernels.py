"""The compiled part: one pass over the frames of a block, for each identifier and for the wire."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.physics.can_timing import BITS_BEHIND_CRC

KEPT_INTERVALS = 4096  # intervals kept of each identifier for its median; more would not change it visibly

_CRC15 = 0x4599  # Bosch CAN 2.0, part A, 3.1.1
_EXTENDED, _REMOTE = 1, 2


@njit(cache=True, nogil=True)
def accumulate(  # type: ignore[no-untyped-def]
    row, time_ns, length, offset, payload, remote, count, first_ns, last_ns, shortest, longest, most_ns, kept,
    intervals, last_payload, changed,
):  # fmt: skip
    """Update the statistics of each identifier with the frames of a block, in the order of the log.

    row : which identifier each frame is of, shape (n,); the statistics have a row an identifier
    """
    for i in range(row.size):
        r = row[i]
        size = length[i]
        if count[r] == 0:
            first_ns[r] = time_ns[i]
            shortest[r] = size
            longest[r] = size
        else:
            interval = time_ns[i] - last_ns[r]
            if interval > most_ns[r]:
                most_ns[r] = interval
            intervals[r, kept[r] % KEPT_INTERVALS] = interval
            kept[r] += 1
            shortest[r] = min(shortest[r], size)
            longest[r] = max(longest[r], size)
        last_ns[r] = time_ns[i]
        if not remote[i]:
            for j in range(size):
                byte = payload[offset[i] + j]
                if count[r] > 0 and byte != last_payload[r, j]:
                    changed[r, j] = True
                last_payload[r, j] = byte
        count[r] += 1


def _crc_table() -> NDArray[np.int64]:
    """What eight more bits add to the CRC, by the eight bits that leave the register, shape (256,)."""
    table = np.arange(256, dtype=np.int64) << 7
    for _ in range(8):
        table = np.where(table & 0x4000, (table << 1 ^ _CRC15) & 0x7FFF, table << 1)
    return table


def _stuffing_table(width: int) -> NDArray[np.int64]:
    """By state and the next `width` bits, first bit highest: 8 × stuff bits put in + the state after them.

    A state is 4 × the value of the last bit on the wire + the length of its run − 1; runs are 1 to 4 bits long.
    """
    states, chunks = np.meshgrid(np.arange(8), np.arange(1 << width), indexing="ij")
    last, run, stuffed = states >> 2, (states & 3) + 1, np.zeros_like(states)
    for k in reversed(range(width)):
        bit = chunks >> k & 1
        run = np.where(bit == last, run + 1, 1)
        full = run == 5
        last = np.where(full, 1 - bit, bit)
        run = np.where(full, 1, run)
        stuffed += full
    return np.asarray(8 * stuffed + 4 * last + run - 1)


_CRC_OF = _crc_table()
_STUFF_8, _STUFF_7, _STUFF_3 = (_stuffing_table(width) for width in (8, 7, 3))
_BEFORE_START = 4  # the bus is recessive; the start of frame is dominant and begins a run


@njit(cache=True, nogil=True)
def wire_bits(identifier, flags, length, offset, payload):  # type: ignore[no-untyped-def]
    """Bits of each classic frame on the wire, stuff bits and interframe space included, shape (n,).

    From start of frame to the end of the CRC a bit of the other value follows every five equal ones, stuff bits
    counted. The CRC is that of CAN 2.0, 15 bits. Both go by tables, a byte at a time.
    """
    n = identifier.size
    total = np.zeros(n, np.int64)
    for i in range(n):
        name = np.int64(identifier[i])
        remote = np.int64(1 if flags[i] & _REMOTE else 0)
        size = np.int64(min(length[i], 8))
        carried = 0 if remote else size
        # Start of frame (0), identifier, remote request, extension and reserved bits, length code.
        if flags[i] & _EXTENDED:
            head = ((((name >> 18) << 2 | 3) << 18 | (name & 0x3FFFF)) << 3 | remote << 2) << 4 | size
            bits, whole = 39, 32
            step = _STUFF_7[_BEFORE_START, head >> whole]
        else:
            head = ((name & 0x7FF) << 3 | remote << 2) << 4 | size
            bits, whole = 19, 16
            step = _STUFF_3[_BEFORE_START, head >> whole]
        stuffed, state = step >> 3, step & 7
        crc = _CRC_OF[(head >> whole) & 0xFF]  # zeros in front of the first bit leave the CRC at zero
        for shift in range(whole - 8, -8, -8):
            byte = (head >> shift) & 0xFF
            step = _STUFF_8[state, byte]
            stuffed, state = stuffed + (step >> 3), step & 7
            crc = (crc << 8 & 0x7FFF) ^ _CRC_OF[(crc >> 7) ^ byte]
        for j in range(carried):
            byte = np.int64(payload[offset[i] + j])
            step = _STUFF_8[state, byte]
            stuffed, state = stuffed + (step >> 3), step & 7
            crc = (crc << 8 & 0x7FFF) ^ _CRC_OF[(crc >> 7) ^ byte]
        step = _STUFF_8[state, crc >> 7]
        stuffed += step >> 3
        stuffed += _STUFF_7[step & 7, crc & 0x7F] >> 3
        total[i] = bits + 8 * carried + 15 + stuffed + BITS_BEHIND_CRC
    return total
