"""Binary records in a run of bytes, by hand: an XOR checksum, a sync byte, lengths on both sides of their limits."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.capture.record_search import Candidates, at_sync, field_values, in_turn, lengths, sound
from logscope.definitions.record_layout import lay_out
from logscope.definitions.serial import SerialDefinition


def definition(**record: object) -> SerialDefinition:
    """Records that begin with AA, with a big-endian number of two bytes in bytes 2 and 3, and a XOR of all."""
    keys = {"sync": "AA", "length_bytes": 5, "checksum": "xor8", "order": "big"} | record
    return SerialDefinition.model_validate(
        {
            "console": {"name": "C"},
            "record": {name: value for name, value in keys.items() if value is not None},
            "time": {"rate_Hz": 10},
            "signal": [{"name": "S", "type": "u16", "at_byte": 2, "unit": "V"}],
        }
    )


def record(*content: int) -> bytes:
    """These bytes and their XOR."""
    return bytes([*content, int(np.bitwise_xor.reduce(np.array(content)))])


def found(content: bytes, **keys: object) -> tuple[list[int], list[bool]]:
    """Where records may begin, and which of those that lie wholly inside are sound."""
    of = definition(**keys)
    layout, data = lay_out(of), np.frombuffer(content, np.uint8)
    assert of.record is not None
    candidates = at_sync(data, of.record, layout)
    inside = candidates.only(candidates.end <= data.size)
    return candidates.start.tolist(), sound(data, inside, of.record, layout).tolist()


def test_a_candidate_stands_at_every_sync_to_the_last_byte() -> None:
    one = record(0xAA, 1, 0x12, 0x34)
    assert found(b"\0" + one + one + b"\xaa") == ([1, 6, 11], [True, True])
    assert found(one[:-1] + bytes([one[-1] ^ 1])) == ([0], [False])
    assert found(b"") == ([], [])


def test_a_length_byte_says_how_long_a_record_is() -> None:
    """Byte 1 counts what follows it, checksum included: two bytes more are the whole."""
    keys = {"length_bytes": None, "length_at_byte": 1, "length_adds": 2}
    content = record(0xAA, 3, 0x12, 0x34) + record(0xAA, 4, 1, 2, 3)
    assert found(content, **keys) == ([0, 5], [True, True])
    assert found(content + b"\xaa", **keys)[0] == [0, 5]  # its length is not there
    of = definition(**keys)
    assert of.record is not None
    data = np.frombuffer(content, np.uint8)
    assert lengths(data, np.array([0, 5]), of.record, lay_out(of)).tolist() == [5, 6]


@pytest.mark.parametrize(("skip", "holds"), [(0, True), (1, False)])
def test_the_checksum_covers_what_is_not_skipped(skip: int, holds: bool) -> None:
    assert found(record(0xAA, 1, 2, 3), checksum_skip_bytes=skip)[1] == [holds]
    assert found(bytes([0xAA]) + record(1, 2, 3), checksum_skip_bytes=skip)[1] == [not holds]


def test_of_records_within_each_other_the_first_counts() -> None:
    candidates = Candidates(np.array([0, 4, 5, 9, 10]), np.array([5, 9, 5, 1, 2]))
    assert candidates.end.tolist() == [5, 13, 10, 10, 12]
    assert in_turn(candidates).start.tolist() == [0, 5, 10]


@pytest.mark.parametrize(("length", "value"), [(5, 0x1234), (4, None)])
def test_a_field_is_read_where_the_record_holds_it_before_its_checksum(length: int, value: int | None) -> None:
    of = definition()
    layout = lay_out(of)
    content = np.frombuffer(b"\0" + record(0xAA, 1, 0x12, 0x34), np.uint8)
    values = field_values(content, Candidates(np.array([1]), np.array([length])), layout.fields[0], layout)
    np.testing.assert_array_equal(values, [np.nan if value is None else value])
