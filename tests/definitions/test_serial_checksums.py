"""Checksums of many records at once against crccheck, one record at a time."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck import checksum, crc
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.definitions.checksums import algorithms, checksum_named

CATALOGUE = [known for known in crc.ALLCRCCLASSES if known.width() <= 64]


def reference(name):
    name = {"sum8": "Checksum8", "xor8": "ChecksumXor8"}.get(name, name)
    return getattr(crc, name, None) or getattr(checksum, name)


@pytest.mark.parametrize("known", CATALOGUE, ids=lambda known: known.__name__)
def test_gives_the_catalogues_check_value(known):
    # Check values over "123456789": catalogue of parametrised CRC algorithms, as stored in crccheck.
    digits = np.frombuffer(b"123456789", np.uint8)[None]
    assert checksum_named(known.__name__).of(digits).tolist() == [known.check_result()]


def test_gives_the_published_check_value_of_the_can_crc():
    # CRC-15/CAN: 0x059E over "123456789", the catalogue of parametrised CRC algorithms.
    assert checksum_named("Crc15Can").of(np.frombuffer(b"123456789", np.uint8)[None]).tolist() == [0x059E]


@settings(max_examples=60)
@given(
    name=st.sampled_from(sorted(algorithms())),
    length=st.integers(0, 12),
    count=st.integers(1, 4),
    data=st.data(),
)
def test_agrees_with_crccheck_on_any_bytes(name, length, count, data):
    rows = [data.draw(st.binary(min_size=length, max_size=length)) for _ in range(count)]
    block = np.frombuffer(b"".join(rows), np.uint8).reshape(count, length)
    assert checksum_named(name).of(block).tolist() == [reference(name).calc(row) for row in rows]


@settings(max_examples=40)
@given(
    name=st.sampled_from(sorted(algorithms())),
    row=st.binary(min_size=1, max_size=8),
    order=st.sampled_from(["little", "big"]),
)
def test_holds_for_the_stored_checksum_and_for_no_other(name, row, order):
    known = checksum_named(name)
    stored = bytes(reference(name).calcbytes(row, byteorder=order))
    wrong = bytes([stored[0] ^ 1]) + stored[1:]
    rows = np.frombuffer(row * 2, np.uint8).reshape(2, -1)
    assert known.holds(rows, np.frombuffer(stored + wrong, np.uint8).reshape(2, -1), order).tolist() == [True, False]


@pytest.mark.parametrize("name", ["Crc82Darc", "CrcBase", "Crc", "CrccheckBase", "Fletcher16", "", "calc"])
def test_knows_no_other_names(name):
    assert checksum_named(name) is None
