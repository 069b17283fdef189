"""Frames sorted by definition: one hash look-up a frame, then a counting sort. Compiled kernels.

A definition is known by a key of bus, frame format and identifier. SAE J1939 definitions are known
by parameter group and source address instead: priority is ignored, and so is the destination in the
peer-to-peer groups (PDU format below 240). Where the source address of the definition is the null
address 0xFE, frames from every source match.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.capture.frames import Flag, Frames
from logscope.decoding.bits import Payloads

# Key: identifier in bits 0–28, then frame format, kind of match, and bus from bit 32 on.
_EXTENDED_KEY = 1 << 29
_J1939_KEY = 1 << 30
_BUS_SHIFT = 32
_FORMAT_AND_IDENTIFIER = (1 << _BUS_SHIFT) - 1
_EMPTY = 0xFFFFFFFFFFFFFFFF
_STANDARD_IDENTIFIERS = 1 << 11

ANY_SOURCE = 0xFE  # SAE J1939-81, null address: no node sends from it, definitions use it for "any"
WITHOUT_PRIORITY = 0x03FFFFFF
_PEER_TO_PEER_BELOW = 240  # PDU formats below are addressed: the next byte is the destination (J1939-21)

_ERROR, _REMOTE, _FLAG_EXTENDED = int(Flag.ERROR), int(Flag.REMOTE), int(Flag.EXTENDED)
_HASH_FACTOR = 0x9E3779B97F4A7C15  # 2⁶⁴ ÷ golden ratio, odd: spreads neighbouring keys (Knuth, vol. 3, 6.4)

# Where the classes of frames without a definition are counted, after the definitions.
UNDEFINED, ERROR, REMOTE = 0, 1, 2


def plain_key(bus: int, identifier: int, extended: bool) -> int:
    """The key of a definition that is matched by its whole identifier."""
    return bus << _BUS_SHIFT | (_EXTENDED_KEY if extended else 0) | identifier


def j1939_key(bus: int, identifier: int) -> int:
    """The key of a J1939 definition.

    >>> j1939_key(0, 0x18EF1234) == j1939_key(0, 0x0CEF5634)  # other priority and destination
    True
    """
    identifier &= WITHOUT_PRIORITY
    if ((identifier >> 16) & 0xFF) < _PEER_TO_PEER_BELOW:
        identifier &= ~0xFF00
    return bus << _BUS_SHIFT | _EXTENDED_KEY | _J1939_KEY | identifier


@dataclass(frozen=True, slots=True, eq=False)
class KeyTable:
    """From keys to the numbers of their definitions.

    keys, values, shift : open-addressing hash table, at most half full; uint64 and int32
    standard : int32, shape (buses, 2048), the same for identifiers of 11 bits, which are the most: one look, no
        search; -1 where there is no definition
    """

    keys: NDArray[np.uint64]
    values: NDArray[np.int32]
    shift: int
    standard: NDArray[np.int32]


def key_table(entries: Mapping[int, int], buses: int) -> KeyTable:
    """The table of `entries`, number by key, for so many buses."""
    standard = np.full((buses, _STANDARD_IDENTIFIERS), -1, dtype=np.int32)
    bits = max(2 * len(entries), 8).bit_length()
    keys = np.full(1 << bits, _EMPTY, dtype=np.uint64)
    values = np.full(1 << bits, -1, dtype=np.int32)
    for key, number in entries.items():
        at = ((key * _HASH_FACTOR) & _EMPTY) >> (64 - bits)
        while keys[at] != _EMPTY:
            at = (at + 1) & ((1 << bits) - 1)
        keys[at], values[at] = key, number
        if key & _FORMAT_AND_IDENTIFIER < _STANDARD_IDENTIFIERS:
            standard[key >> _BUS_SHIFT, key & _FORMAT_AND_IDENTIFIER] = number
    return KeyTable(keys, values, 64 - bits, standard)


@dataclass(frozen=True, slots=True, eq=False)
class Classes:
    """What the frames of a block are.

    index : number of the frame's definition, or negative without one; int32, shape (n,)
    counts : frames by definition; shorter : those with fewer payload bytes than the definition needs
    undefined, error, remote : frames without a definition
    """

    index: NDArray[np.int32]
    counts: NDArray[np.int64]
    shorter: NDArray[np.int64]
    undefined: int
    error: int
    remote: int


def classify(frames: Frames, bus_numbers: Sequence[int], table: KeyTable, needed: NDArray[np.int64]) -> Classes:
    """Find each frame's definition.

    bus_numbers : number in the keys by the frames' bus index; needed : payload bytes by definition

    Raises ValueError where a frame points outside the block's payload or buses: a fault of its reader.
    """
    numbers = np.full(256, -1, dtype=np.int64)
    numbers[: len(bus_numbers)] = bus_numbers
    index = np.empty(len(frames), dtype=np.int32)
    counts = np.zeros(needed.size + 3, dtype=np.int64)
    shorter = np.zeros(needed.size, dtype=np.int64)
    columns = (frames.bus, frames.identifier, frames.flags, frames.length, frames.offset, frames.payload.size)
    lookup = (numbers, table.keys, table.values, table.shift, table.standard, needed)
    bad = _classify(*columns, *lookup, index, counts, shorter)
    if bad >= 0:
        raise ValueError(f"frame {bad} of the block lies outside its payload or its list of buses")
    undefined, error, remote = (int(count) for count in counts[needed.size :])
    return Classes(index, counts[: needed.size], shorter, undefined, error, remote)


class Group(NamedTuple):
    """The frames of one definition in a block, in the order of the log.

    time_ns : int64, shape (n,); identifier : uint32, shape (n,)
    """

    time_ns: NDArray[np.int64]
    identifier: NDArray[np.uint32]
    payloads: Payloads


def grouped(frames: Frames, classes: Classes, needed: NDArray[np.int64], wanted: NDArray[np.bool_]) -> dict[int, Group]:
    """The frames of each definition that is `wanted` and occurs, by number.

    needed : payload bytes to keep, by definition. The block is read once from front to back, and
    each frame is written to its place: random writes cost less than random reads.
    """
    sizes = np.where(wanted, classes.counts, 0)
    ends, data_ends = np.cumsum(sizes), np.cumsum(sizes * needed)
    total, total_bytes = int(sizes.sum()), int((sizes * needed).sum())
    time_ns, identifier = np.empty(total, dtype=np.int64), np.empty(total, dtype=np.uint32)
    size, data = np.empty(total, dtype=np.uint8), np.empty(total_bytes, dtype=np.uint8)
    place, data_place = np.where(wanted, ends - sizes, -1), data_ends - sizes * needed
    columns = (frames.time_ns, frames.identifier, frames.length, frames.offset, frames.payload)
    _sort(classes.index, place, data_place, needed, *columns, time_ns, identifier, size, data)
    groups = {}
    for number in np.flatnonzero(sizes).tolist():
        rows = slice(int(ends[number] - sizes[number]), int(ends[number]))
        own = data[int(data_ends[number] - sizes[number] * needed[number]) : int(data_ends[number])]
        payloads = Payloads(own.reshape(int(sizes[number]), int(needed[number])), size[rows])
        groups[number] = Group(time_ns[rows], identifier[rows], payloads)
    return groups


@njit(cache=True, nogil=True)
def _look_up(key, keys, values, shift):  # type: ignore[no-untyped-def]
    at = np.int64((key * np.uint64(_HASH_FACTOR)) >> np.uint64(shift))
    while keys[at] != np.uint64(_EMPTY):
        if keys[at] == key:
            return values[at]
        at = (at + 1) & (keys.size - 1)
    return np.int32(-1)


@njit(cache=True, nogil=True)
def _look_up_j1939(bus, identifier, keys, values, shift):  # type: ignore[no-untyped-def]
    identifier &= np.uint64(WITHOUT_PRIORITY)
    if ((identifier >> np.uint64(16)) & np.uint64(0xFF)) < np.uint64(_PEER_TO_PEER_BELOW):
        identifier &= np.uint64(0xFFFF00FF)
    key = bus | np.uint64(_EXTENDED_KEY | _J1939_KEY) | identifier
    found = _look_up(key, keys, values, shift)
    if found < 0:
        any_source = (key & np.uint64(0xFFFFFFFFFFFFFF00)) | np.uint64(ANY_SOURCE)
        found = _look_up(any_source, keys, values, shift)
    return found


@njit(cache=True, nogil=True)
def _classify(  # type: ignore[no-untyped-def]
    bus, identifier, flags, length, offset, payload_size,
    bus_numbers, keys, values, shift, standard, needed, index, counts, shorter,
):  # fmt: skip
    definitions = needed.size
    for row in range(index.size):
        flag = flags[row]
        if flag & _ERROR:
            index[row] = -1
            counts[definitions + ERROR] += 1
            continue
        if flag & _REMOTE:
            index[row] = -1
            counts[definitions + REMOTE] += 1
            continue
        number = bus_numbers[bus[row]]
        if number < 0 or offset[row] < 0 or offset[row] + length[row] > payload_size:
            return row
        name = np.uint64(identifier[row])
        at_bus = np.uint64(number) << np.uint64(_BUS_SHIFT)
        if flag & _FLAG_EXTENDED:
            found = _look_up(at_bus | np.uint64(_EXTENDED_KEY) | name, keys, values, shift)
            if found < 0:
                found = _look_up_j1939(at_bus, name, keys, values, shift)
        elif name < np.uint64(_STANDARD_IDENTIFIERS):
            found = standard[number, name]
        else:
            found = _look_up(at_bus | name, keys, values, shift)
        index[row] = found
        if found < 0:
            counts[definitions + UNDEFINED] += 1
            continue
        counts[found] += 1
        if length[row] < needed[found]:
            shorter[found] += 1
    return -1


@njit(cache=True, nogil=True)
def _sort(  # type: ignore[no-untyped-def]
    index, place, data_place, needed, in_time, in_identifier, length, offset, payload,
    time_ns, identifier, size, data,
):  # fmt: skip
    for row in range(index.size):
        number = index[row]
        if number < 0 or place[number] < 0:
            continue
        to, at, begin = place[number], data_place[number], offset[row]
        time_ns[to] = in_time[row]
        identifier[to] = in_identifier[row]
        size[to] = length[row]
        for byte in range(min(np.int64(length[row]), needed[number])):
            data[at + byte] = payload[begin + byte]
        place[number] += 1
        data_place[number] += needed[number]
