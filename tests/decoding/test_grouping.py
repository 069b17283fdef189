"""Frames sorted by definition. The oracle is a dictionary and numpy's stable sort."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.capture.frames import Frames
from logscope.decoding.grouping import classify, grouped, j1939_key, key_table, plain_key


@settings(max_examples=50)
@given(st.dictionaries(st.integers(0, 2**29 - 1), st.integers(0, 1000), max_size=300))
def test_every_key_is_in_the_table_once(entries: dict[int, int]) -> None:
    table = key_table(entries, 2)
    held = table.keys != np.uint64(2**64 - 1)
    assert dict(zip(table.keys[held].tolist(), table.values[held].tolist(), strict=True)) == entries
    assert held.sum() <= table.keys.size / 2


def test_frame_format_and_bus_are_part_of_the_key() -> None:
    keys = {plain_key(bus, 0x123, extended) for bus in (0, 1) for extended in (False, True)}
    assert len(keys | {j1939_key(0, 0x123), j1939_key(1, 0x123)}) == 6


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 8)), max_size=60), st.sets(st.integers(0, 3)))
def test_groups_keep_the_order_of_the_log(rows: list[tuple[int, int]], wanted: set[int]) -> None:
    """Identifiers 0 … 3 have definitions; definition k needs k bytes."""
    identifiers, lengths = (np.array([row[at] for row in rows], dtype=np.int64) for at in (0, 1))
    payload = np.arange(lengths.sum(), dtype=np.int64).astype(np.uint8)
    frames = Frames(
        time_ns=np.arange(len(rows), dtype=np.int64),
        bus=np.zeros(len(rows), dtype=np.uint8),
        identifier=identifiers.astype(np.uint32),
        flags=np.zeros(len(rows), dtype=np.uint8),
        length=lengths.astype(np.uint8),
        offset=np.cumsum(lengths) - lengths,
        payload=payload,
        buses=("can0",),
    )
    table = key_table({plain_key(0, k, False): k for k in range(4)}, 1)
    needed = np.arange(4, dtype=np.int64)
    classes = classify(frames, [0], table, needed)
    assert classes.undefined == np.count_nonzero(identifiers > 3)
    groups = grouped(frames, classes, needed, np.isin(np.arange(4), list(wanted)))
    assert set(groups) == wanted & set(identifiers.tolist())
    for number, group in groups.items():
        of = np.flatnonzero(identifiers == number)
        assert group.time_ns.tolist() == of.tolist()
        assert classes.counts[number] == of.size
        assert classes.shorter[number] == np.count_nonzero(lengths[of] < number)
        for row, frame in enumerate(of.tolist()):
            kept = min(int(lengths[frame]), number)
            assert group.payloads.size[row] == lengths[frame]
            assert group.payloads.data[row, :kept].tobytes() == frames.data(frame)[:kept]
