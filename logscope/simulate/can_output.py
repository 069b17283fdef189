"""Values into CAN frames, frames onto the bus by their priority, and candump text of what passed.

Packing follows the definitions that cantools loads: bits counted from the least significant end
for little-endian signals, from the most significant end for big-endian ones. A message has at most
eight bytes here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray

ByteArray = NDArray[np.uint8]

BIT_S = 2e-6  # 500 kbit/s
_HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """Frames of one identifier on one bus: when each is ready [s], and payloads, shape (n, length)."""

    bus: str
    identifier: int
    extended: bool
    ready_s: FloatArray
    payload: ByteArray


def pack(message: Any, values: Mapping[str, FloatArray]) -> ByteArray:
    """Payloads of a message from physical values by signal name, shape (n, message.length).

    message : `cantools.database.can.Message` of at most 8 bytes. A signal without values is 0; values
        outside what its bits hold are held at the limit. In a multiplexed message a signal is written
        in the rows where the multiplexer has its number.
    """
    rows = len(next(iter(values.values())))
    little, big = np.zeros(rows, dtype=np.uint64), np.zeros(rows, dtype=np.uint64)
    raws = {s.name: _raw(s, values[s.name]) for s in message.signals if s.name in values}
    selector = next((raws[s.name] for s in message.signals if s.is_multiplexer and s.name in raws), None)
    for signal in message.signals:
        if signal.name not in raws:
            continue
        raw = raws[signal.name]
        if signal.multiplexer_ids is not None and selector is not None:
            raw = np.where(np.isin(selector, signal.multiplexer_ids), raw, 0)
        bits = raw.view(np.uint64) & np.uint64((1 << signal.length) - 1)
        if signal.byte_order == "little_endian":
            little |= bits << np.uint64(signal.start)
        else:  # start is the most significant bit, counted within its byte from the least significant
            place = 8 * (signal.start // 8) + 7 - signal.start % 8
            big |= bits << np.uint64(64 - place - signal.length)
    as_bytes = little.astype("<u8").view(np.uint8) | big.astype(">u8").view(np.uint8)
    return as_bytes.reshape(rows, 8)[:, : message.length].copy()


def _raw(signal: Any, values: FloatArray) -> NDArray[np.int64]:
    raw = np.rint((values - float(signal.offset)) / float(signal.scale))
    span = 1 << signal.length
    low, high = (-span // 2, span // 2 - 1) if signal.is_signed else (0, span - 1)
    return np.clip(raw, low, high).astype(np.int64)


def candump_text(streams: Sequence[Stream], epoch_s: float) -> tuple[bytes, float]:
    """The frames as candump log lines in the order of time, and the first stamp [s] on the streams' clock.

    epoch_s : what the first frame is stamped with: seconds since 1970, or 0 for relative stamps
    """
    passed = passing_times(streams)
    first_s = min(float(times.min()) for times in passed)
    micros = [np.rint((times - first_s + epoch_s) * 1e6).astype(np.int64) for times in passed]
    return candump_lines(streams, micros, np.argsort(np.concatenate(micros), kind="stable")), first_s


def candump_lines(streams: Sequence[Stream], micros: Sequence[NDArray[np.int64]], order: NDArray[np.int64]) -> bytes:
    """The frames as candump log lines.

    micros : the stamp of each frame [µs], stream by stream; order : which frame each line holds, counted through
        all streams
    """
    blocks = [_lines(stream, stamp) for stream, stamp in zip(streams, micros, strict=True)]
    lengths = np.concatenate([np.full(len(block), block.shape[1]) for block in blocks])
    begins = np.empty(order.size, dtype=np.int64)
    begins[order] = np.concatenate(([0], np.cumsum(lengths[order])[:-1]))
    text = np.empty(int(lengths.sum()), dtype=np.uint8)
    row = 0
    for block in blocks:
        at = begins[row : row + len(block)]
        text[at[:, None] + np.arange(block.shape[1])] = block
        row += len(block)
    return text.tobytes()


def frame_bits(length: int, extended: bool) -> int:
    """Bits of a frame with as much stuffing as there can be, and the space after it.

    g + 8s + 13 + ⌊(g + 8s − 1)/4⌋ with g 34 or 54 and s payload bytes: Davis, Burns, Bril, Lukkien,
    Controller Area Network (CAN) schedulability analysis, Real-Time Systems 35, 2007.
    """
    stuffed = (54 if extended else 34) + 8 * length
    return stuffed + 13 + (stuffed - 1) // 4


def bus_load(streams: Sequence[Stream], bus: str, span_s: float) -> float:
    """Share of the time in which a bus is taken, 0 to 1."""
    bits = sum(s.ready_s.size * frame_bits(s.payload.shape[1], s.extended) for s in streams if s.bus == bus)
    return bits * BIT_S / span_s


def passing_times(streams: Sequence[Stream]) -> list[FloatArray]:
    """When each frame has passed its bus [s], stream by stream.

    A bus sends one frame after another: of those that wait, the one with the lowest identifier goes first.
    """
    sent: list[FloatArray] = [np.empty(0)] * len(streams)
    for bus in {stream.bus for stream in streams}:
        members = [i for i, stream in enumerate(streams) if stream.bus == bus]
        ready = np.concatenate([streams[i].ready_s for i in members])
        cost = [frame_bits(streams[i].payload.shape[1], streams[i].extended) * BIT_S for i in members]
        sizes = [streams[i].ready_s.size for i in members]
        passed = _arbitrate(ready, np.repeat(_ranks([streams[i] for i in members]), sizes), np.repeat(cost, sizes))
        for i, times in zip(members, np.split(passed, np.cumsum(sizes)[:-1]), strict=True):
            sent[i] = times
    return sent


def _ranks(streams: Sequence[Stream]) -> list[int]:
    """Priorities in arbitration: by the first 11 bits, then a standard identifier before an extended one."""
    keys = [(s.identifier >> 18, 1, s.identifier) if s.extended else (s.identifier, 0, 0) for s in streams]
    order = sorted(set(keys))
    return [order.index(key) for key in keys]


def _arbitrate(ready_s: FloatArray, rank: NDArray[np.int64], cost_s: FloatArray) -> FloatArray:
    """When each frame has passed: the wire is never idle while one waits, and the lowest rank goes first."""
    order = np.argsort(ready_s, kind="stable").tolist()
    passed, waiting, free_s, at = np.empty(ready_s.size), list[tuple[int, int]](), 0.0, 0
    while at < len(order) or waiting:
        if not waiting:
            free_s = max(free_s, float(ready_s[order[at]]))
        while at < len(order) and ready_s[order[at]] <= free_s:
            heappush(waiting, (int(rank[order[at]]), order[at]))
            at += 1
        _, frame = heappop(waiting)
        free_s += float(cost_s[frame])
        passed[frame] = free_s
    return passed


def _lines(stream: Stream, micros: NDArray[np.int64]) -> ByteArray:
    """`(seconds.micros) bus identifier#payload` for each frame, as bytes of shape (n, width)."""
    identifier = f"{stream.identifier:08X}" if stream.extended else f"{stream.identifier:03X}"
    middle = np.frombuffer(f") {stream.bus} {identifier}#".encode("ascii"), dtype=np.uint8)
    rows, length = stream.payload.shape
    text = np.empty((rows, 18 + middle.size + 2 * length + 1), dtype=np.uint8)
    text[:, 0] = ord("(")
    text[:, 1:11] = _digits(micros // 1_000_000, 10)
    text[:, 11] = ord(".")
    text[:, 12:18] = _digits(micros % 1_000_000, 6)
    text[:, 18 : 18 + middle.size] = middle
    data = text[:, 18 + middle.size : -1]
    data[:, 0::2], data[:, 1::2] = _HEX[stream.payload >> 4], _HEX[stream.payload & 15]
    text[:, -1] = ord("\n")
    return text


def _digits(values: NDArray[np.int64], width: int) -> ByteArray:
    powers = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    return (values[:, None] // powers % 10 + ord("0")).astype(np.uint8)
