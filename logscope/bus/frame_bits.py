"""How many bits each frame has on the wire, stuff bits counted.

Classic frames: from start of frame to the end of the CRC a bit of the other value follows every five equal ones, stuff
bits counted; 13 bits after the CRC are never stuffed. The CRC has 15 bits (Bosch CAN 2.0, part A, 3.1.1).

CAN FD (ISO 11898-1:2015, from memory; the sums of fields agree with Linux include/linux/can/length.h): the same
stuffing up to the last bit of the data, then a count of the stuff bits and a CRC of 17 or 21 bits, before which and
after every four bits of which a fixed stuff bit stands; the first of them takes the place of a stuff bit that would
fall there. So the length needs no CRC. From the bit that switches the rate to the end of the CRC bits may be faster.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.capture.frames import Flag, Frames
from logscope.physics.can_timing import BITS_BEHIND_CRC

_CRC15 = 0x4599  # Bosch CAN 2.0, part A, 3.1.1
_EXTENDED, _REMOTE, _FD, _SWITCH = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.FD), int(Flag.BITRATE_SWITCH)
_STATE_INDICATOR = int(Flag.ERROR_STATE)
_CRC17_BYTES = 16  # a longer payload has the CRC of 21 bits
_CRC17_FIELD, _CRC21_FIELD = 4 + 17 + 6, 4 + 21 + 7  # stuff count with parity, CRC, fixed stuff bits


def _crc_table() -> NDArray[np.uint32]:
    """What eight more bits add to the CRC, by the eight bits that leave the register, shape (256,)."""
    table = np.arange(256, dtype=np.int64) << 7
    for _ in range(8):
        table = np.where(table & 0x4000, (table << 1 ^ _CRC15) & 0x7FFF, table << 1)
    return table.astype(np.uint32)


def _stuffing_table(width: int) -> NDArray[np.uint32]:
    """By state and the next `width` bits, first bit highest: 8 × stuff bits put in + the state after them.

    Row of a state: (state << width) + bits, shape (8 << width,). A state is 4 × the value of the last bit on the wire +
    the length of its run − 1; runs are 1 to 4 bits long.
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
    return np.asarray((8 * stuffed + 4 * last + run - 1).ravel(), np.uint32)


_CRC_OF = _crc_table()
_STUFF_8, _STUFF_7, _STUFF_3, _STUFF_1 = (_stuffing_table(width) for width in (8, 7, 3, 1))
_BEFORE_START = np.uint32(4)  # the bus is recessive; the start of frame is dominant and begins a run
_LENGTH_CODE = np.searchsorted([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], np.arange(65)).astype(np.int64)


@njit(cache=True, nogil=True)
def classic_bits(identifier, flag, size, payload, at):  # type: ignore[no-untyped-def]
    """Bits of a classic frame, interframe space included. at : where its payload begins"""
    name = np.int64(identifier)
    remote = np.int64(1 if flag & _REMOTE else 0)
    size = min(np.int64(size), 8)
    carried = 0 if remote else size
    # Start of frame (0), identifier, remote request, extension and reserved bits, length code.
    if flag & _EXTENDED:
        head = ((((name >> 18) << 2 | 3) << 18 | (name & 0x3FFFF)) << 3 | remote << 2) << 4 | size
        bits, whole = 39, 32
        step = _STUFF_7[np.uint32(_BEFORE_START << 7) + np.uint32(head >> whole)]
    else:
        head = ((name & 0x7FF) << 3 | remote << 2) << 4 | size
        bits, whole = 19, 16
        step = _STUFF_3[np.uint32(_BEFORE_START << 3) + np.uint32(head >> whole)]
    stuffed, state = step >> np.uint32(3), step & np.uint32(7)
    crc = _CRC_OF[np.uint32((head >> whole) & 0xFF)]  # zeros in front of the first bit leave the CRC at zero
    for shift in range(whole - 8, -8, -8):
        byte = np.uint32((head >> shift) & 0xFF)
        step = _STUFF_8[(state << np.uint32(8)) + byte]
        stuffed, state = stuffed + (step >> np.uint32(3)), step & np.uint32(7)
        crc = (crc << np.uint32(8) & np.uint32(0x7FFF)) ^ _CRC_OF[(crc >> np.uint32(7)) ^ byte]
    for j in range(carried):
        byte = np.uint32(payload[at + j])
        step = _STUFF_8[(state << np.uint32(8)) + byte]
        stuffed, state = stuffed + (step >> np.uint32(3)), step & np.uint32(7)
        crc = (crc << np.uint32(8) & np.uint32(0x7FFF)) ^ _CRC_OF[(crc >> np.uint32(7)) ^ byte]
    step = _STUFF_8[(state << np.uint32(8)) + (crc >> np.uint32(7))]
    stuffed += step >> np.uint32(3)
    stuffed += _STUFF_7[((step & np.uint32(7)) << np.uint32(7)) + (crc & np.uint32(0x7F))] >> np.uint32(3)
    return bits + 8 * carried + 15 + np.int64(stuffed) + BITS_BEHIND_CRC


@njit(cache=True, nogil=True)
def fd_bits(identifier, flag, size, payload, at):  # type: ignore[no-untyped-def]
    """Bits of a CAN FD frame at the nominal rate and at the rate of the data phase, interframe space included."""
    name = np.int64(identifier)
    size = min(np.int64(size), 64)
    switch = 1 if flag & _SWITCH else 0
    if flag & _EXTENDED:  # start, 11 bits, substitute, extension, 18 bits, reserved, format, reserved, switch
        head, bits = (((name >> 18) << 2 | 3) << 18 | (name & 0x3FFFF)) << 4 | 4 | switch, 36
    else:  # start, 11 bits, reserved, extension, format, reserved, switch
        head, bits = (name & 0x7FF) << 5 | 4 | switch, 17
    state, stuffed = np.int64(_BEFORE_START), np.int64(0)
    for k in range(bits - 1, -1, -1):
        step = np.int64(_STUFF_1[(state << 1) + (head >> k & 1)])
        stuffed, state = stuffed + (step >> 3), step & 7
    early = stuffed
    control = (16 if flag & _STATE_INDICATOR else 0) | _LENGTH_CODE[size]
    last = np.int64(0)
    for k in range(4, -1, -1):
        last = control >> k & 1
        step = np.int64(_STUFF_1[(state << 1) + last])
        stuffed, state = stuffed + (step >> 3), step & 7
    for j in range(size):
        byte = np.int64(payload[at + j])
        step = np.int64(_STUFF_8[(state << 8) + byte])
        stuffed, state, last = stuffed + (step >> 3), step & 7, byte & 1
    if state >> 2 != last:  # a stuff bit after the last bit: the first fixed stuff bit takes its place
        stuffed -= 1
    late = 5 + 8 * size + stuffed - early + (_CRC17_FIELD if size <= _CRC17_BYTES else _CRC21_FIELD)
    nominal = bits + early + BITS_BEHIND_CRC
    return (nominal, late) if switch else (nominal + late, 0)


@njit(cache=True, nogil=True)
def _bits_of(identifier, flags, length, offset, payload, nominal, fast):  # type: ignore[no-untyped-def]
    for i in range(identifier.size):
        if flags[i] & _FD:
            nominal[i], fast[i] = fd_bits(identifier[i], flags[i], length[i], payload, offset[i])
        else:
            nominal[i] = classic_bits(identifier[i], flags[i], length[i], payload, offset[i])


def frame_bits(frames: Frames) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Bits of each frame at the nominal rate and at the faster rate of CAN FD, interframe space included; shape (n,).

    Error frames, which are no frames of this kind, count as frames of their class.
    """
    nominal, fast = np.zeros(len(frames), np.int64), np.zeros(len(frames), np.int64)
    _bits_of(frames.identifier, frames.flags, frames.length, frames.offset, frames.payload, nominal, fast)
    return nominal, fast
