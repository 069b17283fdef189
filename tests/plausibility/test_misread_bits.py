"""Integers that were read the wrong way, each side of every edge: raw values by hand.

Oracles: Python's own `int.to_bytes` for the order of bytes, and two's complement for signs. Edges are judgement.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.byte_order import Misread, misread, swap_bytes
from logscope.signals import Encoding, Part


def code(bits: int, signed: bool = False) -> Encoding:
    return Encoding(bits, signed, 0.5, -10.0)


def read(raw: list[int] | np.ndarray, encoding: Encoding | None) -> Misread | None:
    values = np.array(raw, dtype=np.int64)
    value = values.astype(float) if encoding is None else encoding.value(values)
    return misread(Part("motor_speed", 0.01 * np.arange(values.size), value, "rpm", "M.S", 0.5, encoding=encoding))


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("signed", [False, True])
def test_bytes_of_numbers_of_any_length_are_put_in_the_other_order(bits: int, signed: bool) -> None:
    low = -(1 << (bits - 1)) if signed else 0
    raw = [low, low + 1, 1, 127, 128, 255, 256, 0x1234, (1 << bits) + low - 1]
    expected = [int.from_bytes(each.to_bytes(bits // 8, "little", signed=signed), "big", signed=signed) for each in raw]
    assert swap_bytes(np.array(raw), code(bits, signed)).tolist() == expected


def ramp(carries: int, bits: int = 16) -> np.ndarray:
    """A reading that climbs by a quarter of its low byte, with its bytes swapped; each fourth step carries."""
    return swap_bytes(np.arange(4 * carries + 4) * 64 + 0x0300, code(bits))


@pytest.mark.parametrize(("bits", "carries", "found"), [(16, 6, True), (16, 5, False), (24, 6, True), (32, 6, True)])
def test_six_carries_show_that_bytes_are_swapped(bits: int, carries: int, found: bool) -> None:
    assert (read(ramp(carries, bits), code(bits)) is Misread.BYTES) is found


def test_only_numbers_of_whole_bytes_have_bytes_to_swap() -> None:
    assert read(ramp(9), code(20)) is None
    assert read(ramp(9), None) is None


@pytest.mark.parametrize(("high", "found"), [(33, None), (34, Misread.BYTES)])
def test_swapped_readings_are_eight_times_smoother(high: int, found: Misread | None) -> None:
    """Steps of 34 · 256 + 4 against 4 · 256 + 34 are 8.2 times as large, of 33 · 256 + 4 just under eight times."""
    raw = np.where(np.arange(20) % 2, 0x1010, 0x1010 + 256 * high + 4)
    assert read(raw, code(16)) is found


def test_steps_within_the_low_byte_speak_for_the_order_as_read() -> None:
    """Every fifth frame another sender's, which differs in the high byte: its leaps alone would be smooth swapped."""
    at = np.arange(100)
    own = 0x1040 + at % 3
    assert read(np.where(at % 5 == 4, 0x9044, own), code(16)) is None


def test_a_long_log_is_judged_by_its_beginning() -> None:
    raw = np.concatenate([np.full(200_000, 0x0300), ramp(40)])
    assert read(raw, code(16)) is None
    assert read(raw[1000:], code(16)) is Misread.BYTES


def crossing(step_down: int = 300, step_up: int = 20, crossings: int = 4, bits: int = 12) -> np.ndarray:
    """A signed reading that crosses zero so often, read as unsigned; seven different values below zero."""
    below, above = -step_down - np.arange(7) % 7, np.full(5, step_up)
    halves = [above if k % 2 == 0 else below for k in range(crossings + 1)]
    return np.concatenate(halves) & ((1 << bits) - 1)


@pytest.mark.parametrize(
    ("bits", "signed", "found"),
    [(8, False, None), (9, False, Misread.UNSIGNED), (12, False, Misread.UNSIGNED), (12, True, None),
     (32, False, Misread.UNSIGNED), (33, False, None)],
)  # fmt: skip
def test_numbers_of_nine_to_32_bits_that_cross_zero_are_signed(bits: int, signed: bool, found: Misread | None) -> None:
    raw = crossing(step_down=30, step_up=10, bits=bits) if bits < 12 else crossing(bits=bits)
    if signed:
        raw = raw - ((raw >> (bits - 1)) << bits)
    assert read(raw, code(bits, signed)) is found


@pytest.mark.parametrize(("crossings", "found"), [(4, Misread.UNSIGNED), (3, None)])
def test_four_crossings_show_a_sign(crossings: int, found: Misread | None) -> None:
    assert read(crossing(crossings=crossings), code(12)) is found


@pytest.mark.parametrize(("up", "found"), [(103, Misread.UNSIGNED), (110, None)])
def test_a_crossing_is_a_small_step_the_other_way_about(up: int, found: Misread | None) -> None:
    """A tenth of 4096 is 409.6."""
    assert read(crossing(step_down=300, step_up=up), code(12)) is found


@pytest.mark.parametrize(
    ("bits", "down", "found"),
    [(12, 50, None), (12, 60, Misread.UNSIGNED), (16, 200, None), (16, 252, Misread.UNSIGNED)],
)
def test_values_that_are_marks_show_no_sign(bits: int, down: int, found: Misread | None) -> None:
    """The highest 64 of 12 bits and the highest 256 of 16 (0xFF00 and above) mark “no value”."""
    assert read(crossing(step_down=down, bits=bits), code(bits)) is found


@pytest.mark.parametrize(("kinds", "found"), [(6, Misread.UNSIGNED), (5, None)])
def test_six_different_values_near_the_top_are_no_marks(kinds: int, found: Misread | None) -> None:
    below = np.array([-300 - k % kinds for k in range(12)])
    signed = np.concatenate([[20, 21], below, [20, 21], below, [20, 21]])
    assert read(signed & 0xFFF, code(12)) is found
    assert read(np.append(signed, -411) & 0xFFF, code(12)) is found  # below nine tenths of the range
    assert read(np.append(signed, -408) & 0xFFF, code(12)) is Misread.UNSIGNED


@pytest.mark.parametrize(
    ("raw", "found"),
    [(1638, Misread.UNSIGNED), (1639, Misread.HIGH_BITS), (2457, Misread.HIGH_BITS), (2458, Misread.UNSIGNED)],
)
def test_readings_in_the_middle_of_the_range_show_that_high_bits_are_missing(raw: int, found: Misread) -> None:
    """Between 40 and 60 % of 4096: a signed number that is read as unsigned keeps to the ends."""
    assert read(np.append(crossing(), raw), code(12)) is found
