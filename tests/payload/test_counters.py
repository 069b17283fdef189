"""Counters in payloads, against counters that were written into them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.decoding.bits import Payloads, raw_integers
from logscope.definitions.spec import SignalSpec
from logscope.payload.counters import find_counters, missing_before
from logscope.payload.fields import Field, from_lowest

COUNTED = [(0, 15, 1), (0, 3, 1), (0, 14, 1), (1, 15, 1), (0, 9, 1), (0, 255, 1), (0, 255, -1)]


def written(field: Field, values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    rows = rows.copy()
    for power, place in enumerate(field.positions()):
        byte, bit = divmod(place, 8)
        rows[:, byte] &= np.uint8(~(1 << bit) & 0xFF)
        rows[:, byte] |= ((values >> power & 1) << bit).astype(np.uint8)
    return rows


def slow_noise(count: int, length: int, seed: int) -> np.ndarray:
    """A payload of wandering bytes."""
    rng = np.random.default_rng(seed)
    return (np.cumsum(rng.normal(0, 0.7, (count, length)), axis=0) + 128).astype(np.int64).astype(np.uint8)


@settings(max_examples=60)
@given(
    start=st.integers(0, 63), bits=st.integers(1, 32), big=st.booleans(), signed=st.booleans(), seed=st.integers(0, 99)
)
def test_a_field_reads_as_the_decoder_reads_a_signal(start, bits, big, signed, seed):
    # The decoder is held against cantools in tests/decoding.
    spec = SignalSpec("S", start, bits, big_endian=big, signed=signed)
    if spec.bytes_needed > 8:
        return
    rows = np.random.default_rng(seed).integers(0, 256, (50, 8), dtype=np.uint8)
    expected, _ = raw_integers(Payloads(rows, np.full(50, 8, np.uint8)), spec)
    assert Field(start, bits, big).values(rows, signed=signed).tolist() == expected.tolist()


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize(("low", "high", "step"), COUNTED)
def test_finds_counters_of_every_span(big, low, high, step):
    bits = int(high).bit_length()
    field = (
        from_lowest(42 if bits < 6 else 40, bits, False) if not big else from_lowest(42 if bits < 6 else 40, bits, True)
    )
    values = low + np.mod(step * np.arange(1500) + 5, high - low + 1)
    (counter,) = find_counters(written(field, values, slow_noise(1500, 8, 1)))
    assert (counter.field.mask(), counter.step, counter.low, counter.high) == (field.mask(), step, low, high)


def test_finds_a_counter_of_16_bits_across_bytes_in_either_order():
    for big in (False, True):
        field = Field(7 if big else 0, 16, big)
        values = np.mod(60000 + np.arange(9000), 1 << 16)
        (counter,) = find_counters(written(field, values, slow_noise(9000, 8, 2)))
        assert counter.field == field


def test_a_tenth_of_the_messages_may_be_missing_and_their_number_shows():
    rng = np.random.default_rng(3)
    sent = np.arange(4000)
    logged = sent[rng.random(4000) > 0.1]
    field = Field(60, 4)
    (counter,) = find_counters(written(field, logged % 16, slow_noise(logged.size, 8, 3)))
    assert counter.field == field
    missing = missing_before(counter, field.values(written(field, logged % 16, slow_noise(logged.size, 8, 3))))
    assert missing.sum() == logged[-1] - logged[0] - (logged.size - 1)


@settings(max_examples=40)
@given(seed=st.integers(0, 10_000), length=st.integers(1, 8))
def test_noise_and_wandering_values_hold_no_counter(seed, length):
    rng = np.random.default_rng(seed)
    assert find_counters(rng.integers(0, 256, (400, length), dtype=np.uint8)) == ()
    assert find_counters(slow_noise(400, length, seed)) == ()


def test_a_speed_that_rises_steadily_is_no_counter():
    speed = (np.linspace(0, 3000, 2000) + np.random.default_rng(5).normal(0, 1.5, 2000)).astype(np.int64)
    assert find_counters(written(Field(8, 16), np.maximum(speed, 0), np.zeros((2000, 8), np.uint8))) == ()


def test_a_constant_payload_and_an_empty_one_hold_none():
    assert find_counters(np.zeros((500, 8), np.uint8)) == ()
    assert find_counters(np.zeros((500, 0), np.uint8)) == ()
    assert find_counters(np.zeros((3, 8), np.uint8)) == ()
