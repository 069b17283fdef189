"""Groups, records and blocks of MF4 to columns, by hand: ASAM MDF bus logging, length codes of ISO 11898-1."""

from __future__ import annotations

import io
import struct
from contextlib import nullcontext
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_frames import frames_at

from logscope.capture import mf4
from logscope.capture.frames import Flag, Frames

S = 1_000_000_000


def records(sort: str, **columns: Any) -> np.ndarray:
    arrays = {name: np.array(values) for name, values in columns.items()}
    made = np.zeros(
        len(next(iter(arrays.values()))), [(f"{sort}.{n}", a.dtype, a.shape[1:]) for n, a in arrays.items()]
    )
    for name, array in arrays.items():
        made[f"{sort}.{name}"] = array
    return made


DATA = np.arange(24, dtype=np.uint8).reshape(3, 8)


def frames_in(sort: str = "CAN_DataFrame", **columns: Any) -> Frames:
    return mf4._frames(records(sort, **columns), np.array([5, 6, 7], np.int64), sort)


def test_records_of_mf4_become_columns() -> None:
    frames = frames_in(
        ID=[0x100, 0x9ABCDEF0, 0x7FF], BusChannel=[2, 1, 2], DataLength=[1, 9, 0], DataBytes=DATA, Dir=[0, 1, 0],
        EDL=[0, 1, 1], BRS=[0, 1, 0], ESI=[0, 0, 1],
    )  # fmt: skip
    assert frames.identifier.tolist() == [0x100, 0x1ABCDEF0, 0x7FF]
    sent = Flag.TRANSMITTED | Flag.EXTENDED | Flag.FD | Flag.BITRATE_SWITCH
    assert frames.flags.tolist() == [0, int(sent), int(Flag.FD | Flag.ERROR_STATE)]
    assert (frames.buses, frames.bus.tolist()) == (("can1", "can2"), [1, 0, 1])
    assert frames.length.tolist() == [1, 8, 0]  # no longer than the bytes that there are
    assert [frames.data(k) for k in range(3)] == [b"\0", bytes(range(8, 16)), b""]
    assert frames.time_ns.tolist() == [5, 6, 7]


def test_a_column_for_extended_identifiers_counts_instead_of_the_highest_bit() -> None:
    frames = frames_in(ID=[0x80000100, 0x200, 0x300], IDE=[0, 1, 0], DLC=[0, 0, 0])
    assert frames.flags.tolist() == [0, int(Flag.EXTENDED), 0]
    assert (frames.length.tolist(), frames.buses) == ([0, 0, 0], ("can0",))


def test_error_frames_and_remote_requests_of_mf4() -> None:
    errors = frames_in("CAN_ErrorFrame", ID=[0x80000001, 2, 3], IDE=[1, 1, 1], Dir=[b"Tx", b"Rx", b"Rx"])
    assert errors.flags.tolist() == [int(Flag.ERROR | Flag.TRANSMITTED), int(Flag.ERROR), int(Flag.ERROR)]
    remote = frames_in("CAN_RemoteFrame", ID=[1, 2, 3], DLC=[8, 0, 2], DataLength=[0, 0, 0], DataBytes=DATA)
    assert remote.flags.tolist() == [int(Flag.REMOTE)] * 3
    assert (remote.length.tolist(), remote.payload.size, remote.offset.tolist()) == ([8, 0, 2], 0, [0, 0, 0])


def test_lengths_by_their_codes() -> None:
    """ISO 11898-1: codes 9 to 15 are 12, 16, 20, 24, 32, 48 and 64 bytes."""
    codes = np.arange(16, dtype=np.int64)
    sizes = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
    assert mf4._lengths(None, codes, 16, "CAN_DataFrame").tolist() == sizes
    assert mf4._lengths(codes * 5, codes, 16, "CAN_DataFrame").tolist() == [min(5 * k, 64) for k in range(16)]
    assert mf4._lengths(codes * 5, codes, 16, "CAN_RemoteFrame").tolist() == sizes
    assert mf4._lengths(None, None, 2, "CAN_DataFrame").tolist() == [0, 0]
    without, size = mf4._payload(None, np.array([3, 4]), "CAN_DataFrame")
    assert (without.size, size.tolist()) == (0, [0, 0])


def test_groups_are_merged_by_their_stamps_each_in_its_own_order() -> None:
    first, second = frames_at([10, 30, 20, 50], [1, 2, 3, 4], [1] * 4), frames_at([20, 30, 40], [5, 6, 7], [1] * 3)
    (merged,) = mf4._in_order([first, frames_at([]), second])
    assert merged.identifier.tolist() == [1, 5, 2, 3, 6, 7, 4]  # 20 counts as 30, which came before it
    assert merged.time_ns.tolist() == [10, 20, 30, 20, 30, 40, 50]
    assert [merged.data(k)[0] for k in range(7)] == [0, 0, 1, 2, 1, 2, 3]
    assert list(mf4._in_order([frames_at([]), first])) == [first]


def block_of(kind: bytes, *links: int) -> bytes:
    """A block as ASAM MDF has it: kind, four bytes, length, number of links, links."""
    head = kind + struct.pack("<4xQQ", 24 + 8 * len(links), len(links))
    return (head + struct.pack(f"<{len(links)}Q", *links)).ljust(128, b"\0")


@pytest.mark.parametrize(
    ("links", "reached"),
    [
        ((192, 320, 0, 0, 0, 192), None),  # the sixth link of a header is no block of its own
        ((192, 0, 0, 0, 192), 192),
        ((192, 64), 64),
        ((192, 192), 192),
        ((1 << 63, 192), None),  # no place in a file
        ((5000, 192), None),
    ],
)
def test_a_block_of_mf4_that_is_reached_twice_is_a_ring(links: tuple[int, ...], reached: int | None) -> None:
    stream = io.BytesIO(bytes(64) + block_of(b"##HD", *links) + block_of(b"##FH", 0, 64) + block_of(b"##TX", 64))
    if reached is None:
        mf4.follow_chains(stream)
        assert stream.tell() == 0
    else:
        with pytest.raises(mf4.EndlessChain, match=f"the block at byte {reached} is reached twice"):
            mf4.follow_chains(stream)


def test_a_group_is_read_until_it_holds_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mf4, "_RECORDS_AT_ONCE", 3)
    held = [3, 1, 0]
    asked: list[tuple[int, int]] = []

    class Signal(SimpleNamespace):
        def __len__(self) -> int:
            return len(self.timestamps)

    def get(sort: str, index: int, *, record_offset: int, record_count: int, raw: bool) -> Signal:
        asked.append((record_offset, record_count))
        count = held[len(asked) - 1]
        made = records(sort, ID=np.arange(max(count, 1)), DLC=[0] * max(count, 1))[:count]
        return Signal(timestamps=[0.5 + k for k in range(count)], samples=made)

    group = mf4._group(SimpleNamespace(get=get), 1, "CAN_DataFrame", 9, 100 * S)
    assert (asked, group.missing) == ([(0, 3), (3, 3), (4, 3)], 5)
    assert group.frames.time_ns.tolist() == [100_500_000_000, 101_500_000_000, 102_500_000_000, 100_500_000_000]


def test_groups_are_those_in_which_a_can_bus_logged_its_events(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bus event is flag 2 of a channel group, a bus source of type 2, CAN a bus of type 2 (ASAM MDF 4)."""

    def group(name: str, *, flags: int = 2, source: tuple[int, int] | None = (2, 2)) -> SimpleNamespace:
        kind = None if source is None else SimpleNamespace(source_type=source[0], bus_type=source[1])
        channels = [SimpleNamespace(name=each) for each in ("Timestamp", name, f"{name}.ID")]
        return SimpleNamespace(
            channels=channels, channel_group=SimpleNamespace(flags=flags, acq_source=kind, cycles_nr=7)
        )

    groups = [
        group("CAN_DataFrame"), group("CAN_DataFrame", flags=1), group("CAN_DataFrame", source=None),
        group("CAN_DataFrame", source=(1, 2)), group("CAN_DataFrame", source=(2, 5)), group("LIN_Frame"),
        group("CAN_RemoteFrame", flags=6), group("CAN_ErrorFrame"),
    ]  # fmt: skip
    start = datetime(1970, 1, 1, 0, 1, 40, 250_001, tzinfo=UTC)
    mdf = SimpleNamespace(header=SimpleNamespace(start_time=start), groups=groups)
    monkeypatch.setattr(mf4, "_opened", lambda stream: nullcontext(mdf))
    monkeypatch.setattr(mf4, "_group", lambda *arguments: arguments)
    start_ns = 100_250_001_000
    assert list(mf4._groups(None)) == [
        (mdf, 0, "CAN_DataFrame", 7, start_ns), (mdf, 6, "CAN_RemoteFrame", 7, start_ns),
        (mdf, 7, "CAN_ErrorFrame", 7, start_ns),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "own"),
    [(b"##HD", 5), (b"##DG", 2), (b"##CG", 2), (b"##CN", 2), (b"##FH", 1), (b"##CH", 2), (b"##AT", 1), (b"##EV", 1),
     (b"##TX", 0)],
)  # fmt: skip
def test_links_of_a_block_that_lead_to_its_own(kind: bytes, own: int) -> None:
    stream = io.BytesIO(bytes(64) + block_of(kind, *range(1000, 1008)))
    assert mf4._own_links(stream, 64) == list(range(1000, 1000 + own))
    assert mf4._own_links(io.BytesIO(bytes(64) + block_of(kind, 1000)[:32]), 64) == [1000][:own]
    assert mf4._own_links(stream, 5000) == []
