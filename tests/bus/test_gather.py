"""What is gathered block by block against the same counted at once with numpy."""

from __future__ import annotations

import numpy as np
import pytest
from bus_frames import Frame, columns, traffic_of
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.bus import walk
from logscope.bus.facts import MessageFacts, Traffic
from logscope.bus.frame_bits import frame_bits
from logscope.bus.gather import BusGathering
from logscope.capture.frames import Flag, Frames

_STAMPS = st.integers(0, 4_000).map(lambda ms: ms / 1000)
_FRAMES = st.lists(
    st.builds(
        Frame,
        time_s=_STAMPS,
        identifier=st.integers(0x100, 0x180),
        data=st.binary(max_size=8),
        flags=st.sampled_from([Flag(0), Flag.EXTENDED, Flag.TRANSMITTED]),
        bus=st.sampled_from(["can0", "can1"]),
    ),
    min_size=1,
    max_size=400,
)


def plain(traffic: Traffic) -> list[object]:
    """The facts as comparable numbers."""
    return [
        (bus.name, bus.frames, bus.bits, bus.busiest_bits, bus.requests, message.count, *_own(message))
        for bus in traffic.buses
        for message in bus.messages
    ]


def _own(m: MessageFacts) -> tuple[object, ...]:
    times = (m.first_ns, m.last_ns, m.silences, m.stamps_ns.tolist())
    return (m.identifier, m.extended, m.changing, m.shortest, m.longest, *times)


@settings(max_examples=40)
@given(_FRAMES, st.integers(1, 50))
def test_facts_do_not_depend_on_the_blocks(frames: list[Frame], block: int) -> None:
    frames = sorted(frames, key=lambda frame: frame.time_s)
    assert plain(traffic_of(frames, block)) == plain(traffic_of(frames, len(frames)))


@settings(max_examples=40)
@given(_FRAMES)
def test_the_busiest_second_is_any_second(frames: list[Frame]) -> None:
    frames = sorted((f for f in frames if not f.flags & Flag.TRANSMITTED), key=lambda frame: frame.time_s)
    if not frames:
        return
    bits, _ = frame_bits(columns(frames))
    for bus in traffic_of(frames).buses:
        times = np.array([round(f.time_s * 1000) for f in frames if f.bus == bus.name])
        own = np.array([b for b, f in zip(bits, frames, strict=True) if f.bus == bus.name])
        assert bus.busiest_bits == max(own[(times > end - 1000) & (times <= end)].sum() for end in times)
        assert bus.bits == own.sum()


def test_a_request_and_its_frame_are_one_frame() -> None:
    """A logger that sends lists its request, and what came over the bus a millisecond later."""
    frames = [
        each
        for k in range(79)
        for each in (
            Frame(k * 0.1, 0x7DF, b"\x02\x01\x0c", Flag.TRANSMITTED),
            Frame(k * 0.1 + 0.001, 0x7DF, b"\x02\x01\x0c"),
        )
    ]
    (bus,) = traffic_of(frames).buses
    assert (bus.frames, bus.requests, bus.messages[0].count) == (79, 79, 79)


@pytest.mark.parametrize("block", [1, 3, 1000])
def test_requests_that_queue_up_have_an_echo_each(block: int) -> None:
    """Three segments of a long answer are asked for at once, and come over the bus one after the other."""
    frames = []
    for k in range(20):
        parts = [bytes([0x21 + j, k, j]) for j in range(3)]
        frames += [Frame(k * 0.5 + 1e-4 * j, 0x7E0, part, Flag.TRANSMITTED) for j, part in enumerate(parts)]
        frames += [Frame(k * 0.5 + 5e-3 + 1e-3 * j, 0x7E0, part) for j, part in enumerate(parts)]
    (bus,) = traffic_of(frames, block).buses
    assert (bus.frames, bus.requests, bus.messages[0].sent) == (60, 60, 60)


def test_a_request_of_one_bus_has_no_echo_on_another() -> None:
    frames = [Frame(0.1, 0x100, b"\1", Flag.TRANSMITTED, "can0"), Frame(0.101, 0x100, b"\1", bus="can1")]
    assert [(bus.frames, bus.requests) for bus in traffic_of(frames).buses] == [(1, 0), (1, 0)]


def test_frames_that_a_logger_sends_without_a_second_line_are_frames() -> None:
    (bus,) = traffic_of([Frame(k * 0.01, 0x100, b"\x01", Flag.TRANSMITTED) for k in range(50)]).buses
    assert (bus.frames, bus.requests, bus.messages[0].sent) == (50, 0, 50)


def test_an_identifier_that_is_sent_by_two_is_no_request_where_the_contents_differ() -> None:
    frames = [Frame(k * 0.01, 0x100, bytes([k % 3]), Flag.TRANSMITTED if k % 2 else Flag(0)) for k in range(60)]
    assert traffic_of(frames).buses[0].requests == 0


@pytest.mark.parametrize("lost", [[], [500], [300, 301, 302, 700], [50]])
def test_a_counter_shows_what_is_missing(lost: list[int]) -> None:
    """A counter of 4 bits in the upper half of a byte, beside values that wander."""
    rng = np.random.default_rng(3)
    values = np.cumsum(rng.integers(-3, 4, (1000, 2)), axis=0) & 255
    frames = [
        Frame(k * 0.01, 0x1A0, bytes([*values[k].tolist(), (k % 16) << 4 | 5, 0])) for k in range(1000) if k not in lost
    ]
    counter = traffic_of(frames).buses[0].messages[0].counter
    assert counter is not None
    assert (counter.bits, counter.span, counter.skipped) == (4, 16, len(lost))
    assert sum(skip.missing for skip in counter.listed) == len(lost)


def test_the_longest_silences_are_kept_with_what_others_sent_meanwhile() -> None:
    times = [t for t in np.arange(0, 20, 0.01) if not 5.0 <= t < 7.0]
    frames = [Frame(float(t), 0x100, b"\0") for t in times] + [Frame(k * 0.1, 0x200, b"\0") for k in range(200)]
    (bus,) = traffic_of(sorted(frames, key=lambda frame: frame.time_s)).buses
    longest = max(bus.messages[0].silences, key=lambda each: each.length_ns)
    assert longest.length_ns == pytest.approx(2.01e9, abs=2e7)
    assert longest.others == pytest.approx(20, abs=1)


def test_windows_are_spread_over_a_long_log() -> None:
    """Of 20 000 frames windows of 64 are kept, from the first to near the last, each of consecutive frames."""
    frames = [Frame(k * 0.01, 0x100, k.to_bytes(4, "big")) for k in range(20_000)]
    message = traffic_of(frames, 3_000).buses[0].messages[0]
    assert message.stamps_ns.size <= 2048
    assert message.stamps_ns[-1] > 0.9 * frames[-1].time_s * 1e9
    assert np.allclose(message.intervals_s, 0.01)
    kept = (message.stamps_ns // 10_000_000).astype(np.int64)
    stored = message.payloads[:, :4].astype(np.int64) @ np.array([1 << 24, 1 << 16, 1 << 8, 1])
    assert kept.tolist() == stored.tolist()


def test_any_number_of_identifiers_finds_room() -> None:
    frames = [Frame(0.001 * k, k * 977, b"\1", Flag.EXTENDED) for k in range(1500)] * 2
    messages = traffic_of(frames, 400).buses[0].messages
    assert [m.identifier for m in messages] == sorted(k * 977 for k in range(1500))
    assert {m.count for m in messages} == {2}


def test_identifiers_without_end_are_counted_in_bounded_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """A scan of every address: the first are listed, of them the first with windows, and all count for the load."""
    monkeypatch.setattr("logscope.bus.gather._WINDOWED", 1000)
    count = walk.SHARED + 3000
    identifier = np.arange(count, dtype=np.uint32)
    made = Frames(
        time_ns=np.arange(count, dtype=np.int64) * 200_000,
        bus=np.zeros(count, np.uint8),
        identifier=identifier,
        flags=np.full(count, int(Flag.EXTENDED), np.uint8),
        length=np.full(count, 1, np.uint8),
        offset=np.zeros(count, np.int64),
        payload=np.array([7], np.uint8),
        buses=("can0",),
    )
    gathering = BusGathering()
    gathering.add(made)
    (bus,) = gathering.traffic().buses
    assert (bus.frames, len(bus.messages), bus.unlisted) == (count, walk.SHARED, 3000)
    assert bus.bits == int(frame_bits(made)[0].sum())
    assert [bus.messages[k].stamps_ns.size for k in (0, 999, 1000, 60_000)] == [1, 1, 0, 0]
    assert bus.messages[60_000].count == 1


def test_long_payloads_are_kept_whole_whatever_other_frames_are_in_the_block() -> None:
    long = [Frame(0.01 * k, 0x100, bytes(range(64)), Flag.FD) for k in range(4)]
    other = Frame(0.05, 0x200, bytes(8), Flag.TRANSMITTED)
    payloads = traffic_of([*long, other]).buses[0].messages[0].payloads
    assert payloads.tolist() == [list(range(64))] * 4


def test_windows_that_give_way_keep_stamps_and_bits_of_the_same_frames() -> None:
    """The frame numbers stand in for both: afterwards every second window is left, in order."""
    buses = np.zeros((2, walk.BUS_COLUMNS), np.int64)
    buses[1, walk.BUS_COUNT], buses[1, walk.BUS_STRIDE] = walk.BUS_WINDOW * walk.BUS_WINDOWS + 5, 1
    stamps = np.tile(np.arange(walk.BUS_WINDOW * walk.BUS_WINDOWS), (2, 1))
    bits = stamps + 10**6
    place = walk._place_in_bus_windows.py_func(1, buses, stamps, bits)
    kept = np.arange(0, walk.BUS_WINDOWS, 2)[:, None] * walk.BUS_WINDOW + np.arange(walk.BUS_WINDOW)
    assert place == kept.size + 5
    assert buses[:, walk.BUS_STRIDE].tolist() == [0, 2]
    assert stamps[1, : kept.size].tolist() == kept.ravel().tolist()
    assert bits[1, : kept.size].tolist() == (kept.ravel() + 10**6).tolist()
    assert stamps[0].tolist() == np.arange(stamps.shape[1]).tolist()


def test_windows_of_an_identifier_that_give_way_keep_stamps_sizes_and_payloads_of_the_same_frames() -> None:
    ids = np.zeros((2, walk.ID_COLUMNS), np.int64)
    ids[1, walk.COUNT], ids[1, walk.STRIDE] = walk.WINDOW * walk.WINDOWS * 2, 2
    stamps = np.tile(np.arange(walk.WINDOW * walk.WINDOWS), (2, 1))
    sizes, payloads = stamps % 9, np.stack([stamps % 251, stamps % 241], axis=-1)
    place = walk._place_in_windows.py_func(1, ids, stamps, sizes, payloads)
    kept = (np.arange(0, walk.WINDOWS, 2)[:, None] * walk.WINDOW + np.arange(walk.WINDOW)).ravel()
    assert place == kept.size
    assert ids[1, walk.STRIDE] == 4
    for column, whole in ((stamps[1], kept), (sizes[1], kept % 9), (payloads[1, :, 0], kept % 251)):
        assert column[: kept.size].tolist() == whole.tolist()
    assert payloads[1, : kept.size, 1].tolist() == (kept % 241).tolist()
