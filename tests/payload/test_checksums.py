"""Checksums found in payloads, against those that crccheck and autosar-e2e wrote into them."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck import crc
from e2e import p01, p02, p05, p06

from logscope.payload.checksums import find_checksums
from logscope.payload.counters import find_counters

ROWS = 600


def payloads(seed: int, length: int = 8, rows: int = ROWS) -> np.ndarray:
    """Two values that wander, one that steps, and constants."""
    rng = np.random.default_rng(seed)
    made = np.zeros((rows, length), np.uint8)
    made[:, 2] = (np.cumsum(rng.normal(0, 2, rows)) + 100).astype(np.int64)
    made[:, length - 2] = (np.cumsum(rng.normal(0, 5, rows)) + 60).astype(np.int64)
    made[:, 3] = np.repeat(rng.integers(0, 4, rows // 50 + 1), 50)[:rows]
    return made


def with_counter(made: np.ndarray, byte: int = 1, span: int = 16) -> np.ndarray:
    made[:, byte] = (made[:, byte] & 0xF0) | (np.arange(len(made)) % span)
    return made


def found(made: np.ndarray):
    return find_checksums(made, find_counters(made))


@pytest.mark.parametrize("name", ["Crc8SaeJ1850", "Crc8Autosar", "Crc8", "Crc8Maxim", "Crc8Bluetooth"])
@pytest.mark.parametrize("at", [0, 7])
def test_names_a_crc_of_8_bits_first_or_last(name, at):
    made = with_counter(payloads(1))
    others = [byte for byte in range(8) if byte != at]
    algorithm = getattr(crc, name)
    for row in made:
        row[at] = algorithm.calc(bytes([0x12, 0x34]) + row[others].tobytes())  # with an identifier in front
    (checksum,) = found(made)
    want = (algorithm.poly(), algorithm.reflect_input(), algorithm.reflect_output())
    got = getattr(crc, checksum.algorithm)
    assert checksum.field.mask() == 0xFF << 8 * at
    assert (got.poly(), got.reflect_input(), got.reflect_output()) == want
    assert checksum.holds(made).all()


@pytest.mark.parametrize("big", [False, True])
def test_names_a_crc_of_16_bits_in_either_order(big):
    made = with_counter(payloads(2, 10), 4)
    for row in made:
        row[0:2] = np.frombuffer(
            crc.Crc16CcittFalse.calc(row[2:].tobytes()).to_bytes(2, "big" if big else "little"), np.uint8
        )
    (checksum,) = found(made)
    assert checksum.field.bits == 16
    assert checksum.field.big_endian == big
    assert checksum.holds(made).all()


def test_finds_sums_exclusive_or_and_complements():
    made = with_counter(payloads(3))
    total, xor = made[:, :7].sum(axis=1), np.bitwise_xor.reduce(made[:, :7], axis=1)
    for last, algorithm in (
        ((total + 0x2E4 + 8) & 0xFF, "sum8"),
        ((0x55 - total) & 0xFF, "sum8"),
        (xor ^ 0xFF, "xor8"),
    ):
        made[:, 7] = last
        (checksum,) = found(made)
        assert checksum.algorithm == algorithm
        assert checksum.field.start == 56
        assert checksum.share == 1


def test_finds_the_sum_of_half_bytes():
    made = with_counter(payloads(4), 7)
    made[:, 7] = (np.arange(ROWS) % 4) << 4
    halves = (made[:, :7] >> 4).sum(axis=1, dtype=int) + (made[:, :7] & 15).sum(axis=1, dtype=int) + (made[:, 7] >> 4)
    made[:, 7] |= ((8 - halves) & 15).astype(np.uint8)
    (checksum,) = found(made)
    assert checksum.algorithm == "sum4"
    assert checksum.field.mask() == 0xF << 56
    assert checksum.holds(made).all()


def protected(made: np.ndarray, protect) -> np.ndarray:  # type: ignore[no-untyped-def]
    counter_kept = bytearray(made[0].tobytes())
    for row in made:
        data = bytearray(row.tobytes())
        data[:4] = counter_kept[:4]
        data[2:4] = row[2:4].tobytes()
        protect(data)
        counter_kept = data
        row[:] = np.frombuffer(bytes(data), np.uint8)
    return made


@pytest.mark.parametrize("mode", [p01.E2E_P01_DATAID_BOTH, p01.E2E_P01_DATAID_LOW, p01.E2E_P01_DATAID_ALT])
def test_finds_end_to_end_profile_1(mode):
    made = protected(payloads(5), lambda data: p01.e2e_p01_protect(data, 0x1234, data_id_mode=mode))
    checksums = found(made)
    assert [each.field.start for each in checksums] == [0]
    assert checksums[0].holds(made).all()


def test_finds_end_to_end_profile_2_whose_data_id_goes_with_the_counter():
    identifiers = bytes(np.random.default_rng(1).integers(0, 256, 16, dtype=np.uint8))
    made = protected(payloads(6), lambda data: p02.e2e_p02_protect(data, identifiers))
    (checksum,) = found(made)
    assert checksum.algorithm == "Crc8Autosar"
    assert checksum.counter is not None
    assert checksum.holds(made).all()


def test_finds_end_to_end_profile_5_and_6():
    five = protected(payloads(7, 16), lambda data: p05.e2e_p05_protect(data, 0x1234))
    (checksum,) = found(five)
    assert checksum.field.bits == 16
    assert not checksum.field.big_endian
    assert checksum.holds(five).all()
    six = payloads(8, 16)
    for count, row in enumerate(six):
        data = bytearray(row.tobytes())
        data[4] = count & 0xFF
        p06.e2e_p06_protect(data, 0x1234, increment_counter=False)
        row[:] = np.frombuffer(bytes(data), np.uint8)
    (checksum,) = found(six)
    assert checksum.field.big_endian
    assert checksum.holds(six).all()


def test_damaged_frames_are_the_ones_that_fail():
    made = with_counter(payloads(9))
    for row in made:
        row[0] = crc.Crc8SaeJ1850.calc(row[1:].tobytes())
    damaged = [30, 31, 400]
    made[damaged, 5] ^= 0x10
    (checksum,) = found(made)
    assert np.flatnonzero(~checksum.holds(made)).tolist() == damaged


@pytest.mark.parametrize("seed", range(3))
def test_no_checksum_is_seen_where_none_is(seed):
    rng = np.random.default_rng(seed)
    assert found(with_counter(payloads(seed + 100))) == ()
    assert found(rng.integers(0, 256, (ROWS, 8), dtype=np.uint8)) == ()


def test_a_value_sent_twice_is_no_checksum():
    made = payloads(10)
    made[:, 4] = made[:, 2]
    made[:, 5] = 255 - made[:, 2]
    made[:, 6] = 0
    made[:, 3] = 0
    assert found(made) == ()
