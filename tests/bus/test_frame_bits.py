"""Bits on the wire against published values, published bounds, and a frame written bit by bit."""

from __future__ import annotations

import pytest
from bus_frames import Frame, columns
from can_bits import FD_LENGTHS, classic_frame, fd_frame
from hypothesis import example, given
from hypothesis import strategies as st

from logscope.bus.frame_bits import frame_bits
from logscope.capture.frames import Flag
from logscope.physics.can_timing import least_frame_bits, worst_fd_frame_bits, worst_frame_bits

_identifiers = st.integers(0, 0x1FFFFFFF)
_data = st.one_of(st.binary(max_size=8), st.lists(st.sampled_from([0, 255, 15, 240, 0x1F]), max_size=8).map(bytes))


def bits_of(identifier: int, data: bytes, flags: int = 0, asked: int = 0) -> int:
    nominal, fast = frame_bits(columns([Frame(0.0, identifier, data, flags, asked=asked)]))
    return int(nominal[0] + fast[0])


@pytest.mark.parametrize(
    ("frame", "bits"),
    [
        ("000#0000000000000000", 127),
        ("123#1122334455667788", 112),
        ("7FF#FFFFFFFFFFFFFFFF", 126),
        ("555#5555555555555555", 112),
        ("078#1E1E1E1E1E1E1E1E", 115),
        ("123#", 48),
        ("000#", 53),
        ("12345678#1122334455667788", 134),
        ("00000000#0000000000000000", 150),
        ("1FFFFFFF#FFFFFFFFFFFFFFFF", 149),
    ],
)
def test_bits_on_the_wire_are_those_of_a_public_implementation(frame: str, bits: int) -> None:
    """Values of can-utils' canframelen.c, compiled and run (exact stuffing, interframe space included)."""
    identifier, _, data = frame.partition("#")
    flags = Flag.EXTENDED if len(identifier) == 8 else Flag(0)
    assert bits_of(int(identifier, 16), bytes.fromhex(data), flags) == bits


def test_bounds_are_those_of_davis_and_others() -> None:
    """Davis et al. 2007: 55 + 10·s bits with 11-bit identifiers, 80 + 10·s with 29; unstuffed 47 + 8·s, 67 + 8·s."""
    for s in range(9):
        assert worst_frame_bits(s, extended=False) == 55 + 10 * s
        assert worst_frame_bits(s, extended=True) == 80 + 10 * s
        assert least_frame_bits(s, extended=False) == 47 + 8 * s
        assert least_frame_bits(s, extended=True) == 67 + 8 * s
    for s in FD_LENGTHS:  # the same way: 22 + 8·s bits are stuffed, 41 + 8·s with 29; a longer CRC above 16 bytes
        assert worst_fd_frame_bits(s, extended=False) == (67 if s <= 16 else 72) + 10 * s
        assert worst_fd_frame_bits(s, extended=True) == (91 if s <= 16 else 96) + 10 * s


@given(_identifiers, _data, st.booleans())
@example(0x078, bytes.fromhex("3C3C3C3C3C3C3C3C"), False)
def test_a_classic_frame_has_the_bits_that_it_has_one_by_one(identifier: int, data: bytes, extended: bool) -> None:
    identifier &= 0x1FFFFFFF if extended else 0x7FF
    bits = bits_of(identifier, data, Flag.EXTENDED if extended else Flag(0))
    assert bits == classic_frame(identifier, data, extended=extended)
    assert least_frame_bits(len(data), extended=extended) <= bits <= worst_frame_bits(len(data), extended=extended)


@given(_identifiers, st.integers(0, 8), st.booleans())
def test_a_remote_frame_carries_no_data(identifier: int, asked: int, extended: bool) -> None:
    identifier &= 0x1FFFFFFF if extended else 0x7FF
    flags = Flag.REMOTE | (Flag.EXTENDED if extended else Flag(0))
    assert bits_of(identifier, b"", flags, asked) == classic_frame(
        identifier, b"", extended=extended, remote=True, length=asked
    )


@given(_identifiers, st.sampled_from(FD_LENGTHS), st.data(), st.booleans(), st.booleans())
def test_a_frame_of_can_fd_has_the_bits_that_it_has_one_by_one(
    identifier: int, size: int, drawn: st.DataObject, extended: bool, passive: bool
) -> None:
    data = drawn.draw(st.one_of(st.binary(min_size=size, max_size=size), st.just(bytes(size)), st.just(b"\x1f" * size)))
    identifier &= 0x1FFFFFFF if extended else 0x7FF
    flags = Flag.FD | (Flag.EXTENDED if extended else Flag(0)) | (Flag.ERROR_STATE if passive else Flag(0))
    assert bits_of(identifier, data, flags) == fd_frame(identifier, data, extended=extended, error_passive=passive)


@given(_identifiers, st.sampled_from(FD_LENGTHS), st.booleans(), st.sampled_from([0x00, 0xFF, 0x1F, 0xF0, 0x78]))
def test_no_frame_of_can_fd_is_longer_than_its_bound(identifier: int, size: int, extended: bool, byte: int) -> None:
    """Against the frame bit by bit; the fillings are those of long runs, of which stuff bits start the next run."""
    identifier &= 0x1FFFFFFF if extended else 0x7FF
    assert fd_frame(identifier, bytes([byte]) * size, extended=extended) <= worst_fd_frame_bits(size, extended=extended)


def test_a_frame_of_can_fd_without_stuffing_is_as_long_as_its_fields() -> None:
    """Sums of fields in Linux include/linux/can/length.h: 67 and 86 bits beside the payload with the CRC of 21 bits."""
    data = b"\x55" * 20
    least = min(bits_of(k, data, Flag.FD) for k in range(0x100, 0x400))
    assert least == 67 + 8 * 20
    both = Flag.FD | Flag.EXTENDED
    assert min(bits_of(k << 18 | 0x15555, data, both) for k in range(0x100, 0x400)) == 86 + 8 * 20


def test_a_switched_rate_counts_apart() -> None:
    """From the error state indicator to the end of the CRC: 5 + 8·s + stuff bits + 27."""
    nominal, fast = frame_bits(columns([Frame(0.0, 0x555, b"\x55" * 8, Flag.FD | Flag.BITRATE_SWITCH)]))
    whole, none = frame_bits(columns([Frame(0.0, 0x555, b"\x55" * 8, Flag.FD)]))
    assert int(fast[0]) == 5 + 8 * 8 + 27
    assert abs(int(nominal[0] + fast[0]) - int(whole[0])) <= 1  # one bit in front differs, and a stuff bit with it
    assert int(none[0]) == 0
