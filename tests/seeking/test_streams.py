"""Frames gathered by bus, identifier and length, against the frames one by one."""

from __future__ import annotations

import numpy as np
from bus_frames import Frame, columns

from logscope.capture.frames import Block, Flag, Frames
from logscope.seeking.gather import Key, gather

_SENT = Flag.TRANSMITTED


def test_every_data_frame_is_in_one_stream_in_the_order_of_time() -> None:
    rng = np.random.default_rng(2)
    count = 500
    length = rng.integers(0, 9, count).astype(np.uint8)
    offset = np.concatenate(([0], np.cumsum(length)[:-1])).astype(np.int64)
    frames = Frames(
        time_ns=rng.permutation(count).astype(np.int64) * 1000 + 7,
        bus=rng.integers(0, 2, count).astype(np.uint8),
        identifier=rng.choice(np.array([0x10, 0x7FF, 0x1ABCDEF0], np.uint32), count),
        flags=np.zeros(count, np.uint8),
        length=length,
        offset=offset,
        payload=rng.integers(0, 256, int(length.sum()), dtype=np.uint8),
        buses=("can0", "can1"),
    )
    frames.flags[frames.identifier > 0x7FF] |= np.uint8(Flag.EXTENDED)
    frames.flags[:20] |= np.uint8(Flag.REMOTE)
    frames.flags[20:30] |= np.uint8(Flag.ERROR)
    frames.flags[30:35] |= np.uint8(Flag.TRANSMITTED)
    streams, start_ns = gather([Block(frames)])
    assert start_ns == frames.time_ns.min()
    expected: dict[Key, list[tuple[float, bytes]]] = {}
    for row in range(30, count):  # a request without an echo is a frame
        if length[row]:
            extended = bool(frames.flags[row] & Flag.EXTENDED)
            key = Key(frames.buses[frames.bus[row]], int(frames.identifier[row]), extended, int(length[row]))
            expected.setdefault(key, []).append(((frames.time_ns[row] - start_ns) / 1e9, frames.data(row)))
    assert set(streams) == set(expected)
    for key, wanted in expected.items():
        got = streams[key]
        assert [(t, r.tobytes()) for t, r in zip(got.time_s.tolist(), got.rows, strict=True)] == sorted(wanted)


def test_a_request_and_its_echo_are_one_frame() -> None:
    frames = [
        Frame(0.1 * k + late, 0x123, bytes([k]), flags) for k in range(5) for late, flags in ((0.0, _SENT), (1e-3, 0))
    ]
    streams, _ = gather([Block(columns(frames[:5])), Block(columns(frames[5:]))])
    (stream,) = streams.values()
    assert stream.rows[:, 0].tolist() == [0, 1, 2, 3, 4]


def test_a_log_of_nothing_but_requests_is_a_log() -> None:
    streams, _ = gather([Block(columns([Frame(0.1 * k, 0x123, bytes([k]), _SENT) for k in range(5)]))])
    assert [len(stream) for stream in streams.values()] == [5]


def test_no_frames_are_no_streams() -> None:
    assert gather([]) == ({}, 0)
