"""The compiled part: one pass over the frames of a block, for each identifier and for each bus.

It keeps so much of each identifier, whatever the length of the log: counts, windows of consecutive frames spread over
the whole log, the longest gaps. What an identifier's frames are judged by (its period, its counter) is learned from its
first frames: the walk stops there and is taken up again when it is known.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.bus.frame_bits import classic_bits, fd_bits
from logscope.capture.frames import Flag

WINDOW, WINDOWS = 64, 32  # frames of a window, windows of an identifier: up to 2048 frames of it are kept whole
BUS_WINDOW, BUS_WINDOWS = 1024, 16
LEARNT = 128  # frames that show a period and a counter of 4 bits eight times over
LONGEST = 16  # gaps kept, of each identifier and of each bus
EVENTS = 65_536  # skips of counters kept one by one; further ones are counted
SECOND_FRAMES = 1 << 15  # more than the 21 000 shortest frames that fit into a second of 1 Mbit/s
MAX_PAYLOAD = 64
STILLS = 4  # longest stretches kept in which the content of an identifier with a counter stood still
# Identifiers are kept apart as far as memory allows: no bus has a thousand, but a scan of diagnostic addresses or a
# damaged log can hold every one of 29 bits. The last row is shared by all that find no room; their frames are counted.
MAX_ROWS = 1 << 16
SHARED = MAX_ROWS - 1
_SECOND_NS = 1_000_000_000
_STANDARD = 1 << 11
_HASH = np.uint64(0x9E3779B97F4A7C15)  # 2⁶⁴ ÷ golden ratio, odd: spreads neighbouring keys (Knuth, vol. 3, 6.4)

# Columns of what is kept as one number an identifier.
(
    COUNT, FIRST, LAST, SHORTEST, LONGEST_LENGTH, REQUESTS, SENT, REMOTES, BITS, TURN, GAP_FLOOR,
    STRIDE, SEEN_BY_BUS, PERIOD, HIGH_BYTE, LOW_BYTE, SHIFT, MASK, LOWEST, SPAN, INVERSE, VALUE, SKIPS,
    SKIPPED, REPEATS, FAST, KIND, BUS, NAME, WATCHED, STILL_SINCE, STILL_COUNT, STILL_FLOOR,
) = range(33)  # fmt: skip
ID_COLUMNS = 40  # whole cache lines
# ... and a bus.
(
    BUS_COUNT, BUS_FIRST, BUS_LAST, BUS_BITS, BUS_FAST, HEAD, TAIL, IN_SECOND, BUSIEST, BUSIEST_AT, BUS_FLOOR,
    BUS_STRIDE, BUS_REMOTES, BUS_REQUESTS, BUS_SWITCHED, BUS_UNLISTED,
) = range(16)  # fmt: skip
BUS_COLUMNS = 16
# ... and a skip of a counter.
EVENT_COLUMNS = 6  # row, time before, time after, missing by the counter, other frames of the bus between, value after

DONE, LEARN, GROW = 0, 1, 2  # why the walk stopped


class State(NamedTuple):
    """What is kept while the blocks pass: arrays that the walk fills in place.

    ids : shape (rows, ID_COLUMNS); stamps [ns], payloads, sizes : windows of frames, (rows, WINDOWS × WINDOW, …)
    last, changed : the payload of the frame before, and which bytes ever changed, (rows, MAX_PAYLOAD)
        of the first rows only, see `gather`
    gaps : the longest, from, until [ns] and other frames of the bus between, (rows, LONGEST, 3)
    content : bits that are neither counter nor checksum, of identifiers with a counter, (rows, MAX_PAYLOAD)
    stills : the longest stretches in which these stood still, from, until [ns] and frames, (rows, STILLS, 3)
    buses : (buses, BUS_COLUMNS); bus_stamps, bus_bits : windows of frames; bus_gaps : (buses, LONGEST, 3)
    second_ns, second_bits : the frames of the last second of each bus, a ring
    standard : row by bus and 11-bit identifier, (buses, 2048), −1 without one; keys, rows : hash table of the others
    events : skips of counters, (EVENTS, EVENT_COLUMNS); counts : rows used, events seen, other identifiers
    """

    ids: NDArray[np.int64]
    stamps: NDArray[np.int64]
    payloads: NDArray[np.uint8]
    sizes: NDArray[np.uint8]
    last: NDArray[np.uint8]
    changed: NDArray[np.bool_]
    gaps: NDArray[np.int64]
    content: NDArray[np.uint8]
    stills: NDArray[np.int64]
    buses: NDArray[np.int64]
    bus_stamps: NDArray[np.int64]
    bus_bits: NDArray[np.int64]
    bus_gaps: NDArray[np.int64]
    second_ns: NDArray[np.int64]
    second_bits: NDArray[np.int64]
    standard: NDArray[np.int32]
    keys: NDArray[np.uint64]
    rows: NDArray[np.int32]
    events: NDArray[np.int64]
    counts: NDArray[np.int64]


_EXTENDED, _REMOTE, _ERROR = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR)
_FD, _SWITCH, _SENT = int(Flag.FD), int(Flag.BITRATE_SWITCH), int(Flag.TRANSMITTED)
_SHAPE = _REMOTE | _FD | _SWITCH | int(Flag.ERROR_STATE)  # what a frame's bits depend on beside its content


@njit(cache=True, nogil=True)
def walk(begin, time_ns, bus_of, numbers, identifier, flags, length, offset, payload, echo, state):  # type: ignore[no-untyped-def]
    """Take up frames from row `begin` on; returns the next row, why it stopped, and the identifier's row.

    numbers : the state's number of each of the block's buses; echo : which frames are listed already, see `echoes`

    Rows are not taken out of the arrays, for each such view would be counted and freed again.
    """
    ids, buses, last, changed = state.ids, state.buses, state.last, state.changed
    standard, keys, rows, counts = state.standard, state.keys, state.rows, state.counts
    for i in range(begin, time_ns.size):
        flag = np.int64(flags[i])
        if flag & _ERROR:
            continue
        bus = numbers[bus_of[i]]
        name = np.int64(identifier[i])
        row = np.int64(standard[bus, name]) if name < _STANDARD and not flag & _EXTENDED else np.int64(-1)
        if row < 0:
            row = _row(bus, name, flag, ids, standard, keys, rows, counts)
            if row < 0:
                return i, GROW, 0
        now, size, start = time_ns[i], np.int64(length[i]), offset[i]
        carried = 0 if flag & _REMOTE else size
        if echo[i]:
            ids[row, REQUESTS] += 1
            buses[bus, BUS_REQUESTS] += 1
            continue
        first = ids[row, COUNT] == 0
        moved = size != ids[row, TURN]
        same = not first and size == ids[row, TURN] and not flag & _REMOTE
        for j in range(carried):
            byte = payload[start + j]
            if byte != last[row, j]:
                same = False
                if not first:
                    changed[row, j] = True
                    moved = moved or (byte ^ last[row, j]) & state.content[row, j] != 0
                last[row, j] = byte
        if not same or ids[row, KIND] != flag & _SHAPE or row == SHARED:
            if flag & _FD:
                ids[row, BITS], ids[row, FAST] = fd_bits(name, flag, size, payload, start)
            else:
                ids[row, BITS], ids[row, FAST] = classic_bits(name, flag, size, payload, start), 0
            ids[row, KIND] = flag & _SHAPE
        if flag & _REMOTE:
            ids[row, REMOTES] += 1
            buses[bus, BUS_REMOTES] += 1
        if flag & _SWITCH:
            buses[bus, BUS_SWITCHED] += 1
        if row == SHARED:
            buses[bus, BUS_UNLISTED] += 1
        seen = buses[bus, BUS_COUNT]
        if first:
            ids[row, FIRST], ids[row, SHORTEST], ids[row, LONGEST_LENGTH] = now, size, size
            ids[row, STRIDE] = 1
        else:
            interval = now - ids[row, LAST]
            if interval > ids[row, GAP_FLOOR]:
                between = seen - ids[row, SEEN_BY_BUS] - 1
                ids[row, GAP_FLOOR] = _keep_longest(state.gaps, row, ids[row, LAST], now, between)
            if size != ids[row, TURN]:
                ids[row, SHORTEST] = min(ids[row, SHORTEST], size)
                ids[row, LONGEST_LENGTH] = max(ids[row, LONGEST_LENGTH], size)
            if ids[row, SPAN] and carried > max(ids[row, LOW_BYTE], ids[row, HIGH_BYTE]):
                _count_on(row, now, seen, ids, last, state.events, counts)
            if ids[row, WATCHED]:
                if moved:
                    _end_still(row, ids, state.stills)
                    ids[row, STILL_SINCE], ids[row, STILL_COUNT] = now, 0
                else:
                    ids[row, STILL_COUNT] += 1
        if row < state.stamps.shape[0] and (ids[row, COUNT] // WINDOW) & (ids[row, STRIDE] - 1) == 0:
            at = _place_in_windows(row, ids, state.stamps, state.sizes, state.payloads)
            state.stamps[row, at], state.sizes[row, at] = now, size
            for j in range(min(carried, state.payloads.shape[2])):
                state.payloads[row, at, j] = last[row, j]
        ids[row, TURN], ids[row, LAST], ids[row, SEEN_BY_BUS] = size, now, seen
        ids[row, COUNT] += 1
        if flag & _SENT:
            ids[row, SENT] += 1
        if seen == 0:
            buses[bus, BUS_FIRST] = buses[bus, BUS_LAST] = now
            buses[bus, BUS_STRIDE] = 1
        elif now - buses[bus, BUS_LAST] > buses[bus, BUS_FLOOR]:
            buses[bus, BUS_FLOOR] = _keep_longest(state.bus_gaps, bus, buses[bus, BUS_LAST], now, 0)
        bits, fast = ids[row, BITS], ids[row, FAST]
        if (seen // BUS_WINDOW) & (buses[bus, BUS_STRIDE] - 1) == 0:
            at = _place_in_bus_windows(bus, buses, state.bus_stamps, state.bus_bits)
            state.bus_stamps[bus, at], state.bus_bits[bus, at] = now, bits if fast == 0 else -bits
        buses[bus, BUS_COUNT] += 1
        buses[bus, BUS_BITS] += bits
        buses[bus, BUS_FAST] += fast
        buses[bus, BUS_LAST] = max(buses[bus, BUS_LAST], now)
        _slide(bus, bits, buses, state.second_ns, state.second_bits)
        if ids[row, COUNT] == LEARNT and row < state.stamps.shape[0]:
            return i + 1, LEARN, row
    return time_ns.size, DONE, 0


@njit(cache=True, nogil=True)
def _place(key, keys, rows):  # type: ignore[no-untyped-def]
    """Where a key stands in the hash table, or the free place where it belongs."""
    mask = keys.size - 1
    at = np.int64((key * _HASH) >> np.uint64(32)) & mask
    while rows[at] >= 0 and keys[at] != key:
        at = (at + 1) & mask
    return at


@njit(cache=True, nogil=True)
def refill(keys, rows, into_keys, into_rows):  # type: ignore[no-untyped-def]
    """Put the entries of a hash table into a larger one."""
    for k in range(keys.size):
        if rows[k] >= 0:
            at = _place(keys[k], into_keys, into_rows)
            into_keys[at], into_rows[at] = keys[k], rows[k]


@njit(cache=True, nogil=True)
def _row(bus, name, flag, ids, standard, keys, rows, counts):  # type: ignore[no-untyped-def]
    """The row of an identifier, a new one where it was not met before; −1 where there is no room for one more."""
    plain = not flag & _EXTENDED and name < _STANDARD
    at = 0
    key = np.uint64(bus) << np.uint64(33) | np.uint64(flag & _EXTENDED) << np.uint64(32) | np.uint64(name)
    if not plain:
        at = _place(key, keys, rows)
        if rows[at] >= 0:
            return np.int64(rows[at])
    row = counts[0]
    if row == SHARED:
        return np.int64(SHARED)
    if row == ids.shape[0] or (not plain and 2 * counts[2] >= keys.size):
        return np.int64(-1)
    counts[0] += 1
    ids[row, BUS] = bus
    ids[row, NAME] = name << 1 | (1 if flag & _EXTENDED else 0)
    if plain:
        standard[bus, name] = row
    else:
        keys[at], rows[at] = key, row
        counts[2] += 1
    return row


@njit(cache=True, nogil=True)
def _keep_longest(gaps, of, since, until, between):  # type: ignore[no-untyped-def]
    """Put a gap in the place of the shortest one that is kept; returns the shortest of those kept now [ns]."""
    shortest = 0
    for k in range(1, gaps.shape[1]):
        if gaps[of, k, 1] - gaps[of, k, 0] < gaps[of, shortest, 1] - gaps[of, shortest, 0]:
            shortest = k
    gaps[of, shortest, 0], gaps[of, shortest, 1], gaps[of, shortest, 2] = since, until, between
    floor = until - since
    for k in range(gaps.shape[1]):
        floor = min(floor, gaps[of, k, 1] - gaps[of, k, 0])
    return floor


@njit(cache=True, nogil=True)
def _end_still(row, ids, stills):  # type: ignore[no-untyped-def]
    """Keep the stretch in which the content stood still, which ends with the frame before this one, if it is long."""
    if ids[row, STILL_COUNT] and ids[row, LAST] - ids[row, STILL_SINCE] > ids[row, STILL_FLOOR]:
        count = ids[row, STILL_COUNT]
        ids[row, STILL_FLOOR] = _keep_longest(stills, row, ids[row, STILL_SINCE], ids[row, LAST], count)


@njit(cache=True, nogil=True)
def _count_on(row, now, seen, ids, last, events, counts):  # type: ignore[no-untyped-def]
    """Follow an identifier's counter; a step that is not its own becomes an event."""
    raw = np.int64(last[row, ids[row, LOW_BYTE]])
    if ids[row, HIGH_BYTE] >= 0:
        raw |= np.int64(last[row, ids[row, HIGH_BYTE]]) << 8
    value = (raw >> ids[row, SHIFT] & ids[row, MASK]) - ids[row, LOWEST]
    before, span = ids[row, VALUE], ids[row, SPAN]
    ids[row, VALUE] = value
    if before < 0 or span == 0:
        return
    missing = ((value - before) * ids[row, INVERSE] - 1) % span
    if missing == 0:
        return
    if missing == span - 1:
        ids[row, REPEATS] += 1
        return
    ids[row, SKIPS] += 1
    ids[row, SKIPPED] += missing
    at = counts[1]
    if at < events.shape[0]:
        events[at, 0], events[at, 1], events[at, 2], events[at, 3] = row, ids[row, LAST], now, missing
        events[at, 4], events[at, 5] = seen - ids[row, SEEN_BY_BUS] - 1, value
    counts[1] += 1


@njit(cache=True, nogil=True)
def _place_in_windows(row, ids, stamps, sizes, payloads):  # type: ignore[no-untyped-def]
    """Where the frame is kept; when there is no room, every other window gives way."""
    number, within = ids[row, COUNT] // WINDOW, ids[row, COUNT] % WINDOW
    slot = number // ids[row, STRIDE]
    if slot == WINDOWS:
        for k in range(1, WINDOWS // 2):
            for j in range(WINDOW):
                stamps[row, k * WINDOW + j] = stamps[row, 2 * k * WINDOW + j]
                sizes[row, k * WINDOW + j] = sizes[row, 2 * k * WINDOW + j]
                for b in range(payloads.shape[2]):
                    payloads[row, k * WINDOW + j, b] = payloads[row, 2 * k * WINDOW + j, b]
        ids[row, STRIDE] *= 2
        slot = WINDOWS // 2
    return slot * WINDOW + within


@njit(cache=True, nogil=True)
def _place_in_bus_windows(bus, buses, stamps, bits):  # type: ignore[no-untyped-def]
    """The same for the frames of a bus."""
    number, within = buses[bus, BUS_COUNT] // BUS_WINDOW, buses[bus, BUS_COUNT] % BUS_WINDOW
    slot = number // buses[bus, BUS_STRIDE]
    if slot == BUS_WINDOWS:
        for k in range(1, BUS_WINDOWS // 2):
            for j in range(BUS_WINDOW):
                stamps[bus, k * BUS_WINDOW + j] = stamps[bus, 2 * k * BUS_WINDOW + j]
                bits[bus, k * BUS_WINDOW + j] = bits[bus, 2 * k * BUS_WINDOW + j]
        buses[bus, BUS_STRIDE] *= 2
        slot = BUS_WINDOWS // 2
    return slot * BUS_WINDOW + within


@njit(cache=True, nogil=True)
def _slide(bus, bits, buses, stamps, lengths):  # type: ignore[no-untyped-def]
    """Take a frame up into the last second of its bus; the second ends with it."""
    latest, ring = buses[bus, BUS_LAST], SECOND_FRAMES
    head, tail, held = buses[bus, HEAD], buses[bus, TAIL], buses[bus, IN_SECOND]
    while tail < head and (stamps[bus, tail & (ring - 1)] <= latest - _SECOND_NS or head - tail == ring):
        held -= lengths[bus, tail & (ring - 1)]
        tail += 1
    stamps[bus, head & (ring - 1)], lengths[bus, head & (ring - 1)] = latest, bits
    held += bits
    buses[bus, HEAD], buses[bus, TAIL], buses[bus, IN_SECOND] = head + 1, tail, held
    if held > buses[bus, BUSIEST]:
        buses[bus, BUSIEST], buses[bus, BUSIEST_AT] = held, latest
