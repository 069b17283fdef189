"""The compiled part: one pass over the frames of a block, for each identifier and for the wire."""

from __future__ import annotations

import numpy as np
from numba import njit

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


@njit(cache=True, nogil=True)
def wire_bits(identifier, flags, length, offset, payload):  # type: ignore[no-untyped-def]
    """Bits of each classic frame on the wire, stuff bits and interframe space included, shape (n,).

    From start of frame to the end of the CRC a bit of the other value follows every five equal ones, stuff bits
    counted. The CRC is that of CAN 2.0, 15 bits.
    """
    n = identifier.size
    total = np.zeros(n, np.int64)
    bits = np.zeros(140, np.uint8)
    for i in range(n):
        extended = flags[i] & _EXTENDED
        remote = 1 if flags[i] & _REMOTE else 0
        size = min(length[i], 8)
        filled = 1  # start of frame, dominant
        bits[0] = 0
        if extended:
            for k in range(11):
                bits[filled] = (identifier[i] >> (28 - k)) & 1
                filled += 1
            bits[filled] = 1  # substitute remote request
            bits[filled + 1] = 1  # identifier extension
            filled += 2
            for k in range(18):
                bits[filled] = (identifier[i] >> (17 - k)) & 1
                filled += 1
            bits[filled] = remote
            bits[filled + 1] = 0
            bits[filled + 2] = 0
            filled += 3
        else:
            for k in range(11):
                bits[filled] = (identifier[i] >> (10 - k)) & 1
                filled += 1
            bits[filled] = remote
            bits[filled + 1] = 0  # identifier extension
            bits[filled + 2] = 0
            filled += 3
        for k in range(4):
            bits[filled] = (size >> (3 - k)) & 1
            filled += 1
        if not remote:
            for j in range(size):
                byte = payload[offset[i] + j]
                for k in range(8):
                    bits[filled] = (byte >> (7 - k)) & 1
                    filled += 1
        crc = 0
        for k in range(filled):
            top = bits[k] ^ ((crc >> 14) & 1)
            crc = (crc << 1) & 0x7FFF
            if top:
                crc ^= _CRC15
        for k in range(15):
            bits[filled] = (crc >> (14 - k)) & 1
            filled += 1
        stuffed = 0
        run = 0
        last = 2
        for k in range(filled):
            if bits[k] == last:
                run += 1
            else:
                last = bits[k]
                run = 1
            if run == 5:
                stuffed += 1
                last = 1 - last
                run = 1
        total[i] = filled + stuffed + 13
    return total
