"""Compiled pieces that the kernels for text logs share: digits, blanks, bus names.

A place in a text is its address (int64), so that these functions pass numbers alone and no array is
counted in and out. A text comes with `text.PAD` line ends after its last byte: a line end is no digit,
no blank and no letter, so every loop stops there by itself, and some tens of bytes may be looked at from
any place of the text without checking for its end.

Eight characters in one 64-bit number are converted together (common practice for parsing numbers in
ordinary registers; the tests compare with Python's own `int` and `bytes.fromhex`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import njit, types
from numba.extending import intrinsic

from logscope.capture.frames import Flag

MAX_BUSES = 64
MAX_BUS_NAME = 31
BUS_ROW = 1 + MAX_BUS_NAME  # a row of the table of bus names: length, name

LF, CR, SPACE, TAB, HASH, POINT = 10, 13, 32, 9, 35, 46
EXTENDED, REMOTE, ERROR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX = int(Flag.BITRATE_SWITCH), int(Flag.ERROR_STATE), int(Flag.TRANSMITTED)
ERROR_BIT = 0x20000000  # CAN_ERR_FLAG, Linux can.h
MAX_SECONDS = 9_000_000_000  # int64 nanoseconds end at 9.22e9 s

HEX = np.full(256, 255, np.uint8)
HEX[48:58] = np.arange(10)
HEX[65:71] = np.arange(10, 16)
HEX[97:103] = np.arange(10, 16)

FD_LENGTHS = np.zeros(65, np.bool_)  # ISO 11898-1: the lengths a CAN FD length code can express
FD_LENGTHS[[0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]] = True


def _each_byte(value: int) -> np.int64:
    return np.int64(np.array([value] * 8, np.uint8).view("<i8")[0])


_HIGH_BIT, _HIGH_NIBBLE, _LOW_NIBBLE = _each_byte(0x80), _each_byte(0xF0), _each_byte(0x0F)
_ZERO_DIGIT, _SIX, _ONE = _each_byte(0x30), _each_byte(6), _each_byte(1)


def _loader(bits: int) -> Any:
    def load(typing_context: Any, at: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            place = builder.inttoptr(arguments[0], ir.IntType(bits).as_pointer())
            value = builder.load(place, align=1)
            return value if bits == 64 else builder.zext(value, ir.IntType(64))

        return types.int64(types.int64), generate

    return load


byte: Any = intrinsic(_loader(8))  # the byte at an address
word: Any = intrinsic(_loader(64))  # the eight bytes from an address on, as one number


def _store(typing_context: Any, at: Any, value: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = builder.inttoptr(arguments[0], ir.IntType(8).as_pointer())
        builder.store(builder.trunc(arguments[1], ir.IntType(8)), place, align=1)
        return context.get_dummy_value()

    return types.void(types.int64, types.int64), generate


put: Any = intrinsic(_store)  # store the low byte of a number at an address


@njit(cache=True, nogil=True, inline="always")
def is_blank(c):  # type: ignore[no-untyped-def]
    """Whether a character is a space, a tab, or the carriage return before a line end."""
    return c in (SPACE, TAB, CR)


@njit(cache=True, nogil=True)
def skip_blanks(at):  # type: ignore[no-untyped-def]
    """The first place from `at` on that is not blank."""
    while is_blank(byte(at)):
        at += 1
    return at


@njit(cache=True, nogil=True)
def skip_word(at):  # type: ignore[no-untyped-def]
    """The first blank or line end from `at` on."""
    while not is_blank(byte(at)) and byte(at) != LF:
        at += 1
    return at


@njit(cache=True, nogil=True)
def line_end(at):  # type: ignore[no-untyped-def]
    """The first line end from `at` on."""
    while byte(at) != LF:
        at += 1
    return at


@njit(cache=True, nogil=True)
def eight_digits(eight):  # type: ignore[no-untyped-def]
    """The value of eight decimal digits, or -1."""
    if eight & _HIGH_NIBBLE != _ZERO_DIGIT or (eight + _SIX) & _HIGH_NIBBLE != _ZERO_DIGIT:
        return -1
    pairs = (eight & _LOW_NIBBLE) * (10 * 0x100 + 1) >> 8
    fours = (pairs & 0x00FF00FF00FF00FF) * (100 * 0x10000 + 1) >> 16
    return (fours & 0x0000FFFF0000FFFF) * (10000 * 0x100000000 + 1) >> 32


@njit(cache=True, nogil=True)
def eight_hex_digits(eight):  # type: ignore[no-untyped-def]
    """The value of eight hexadecimal digits, or -1. What it was read as is spelt again to check it."""
    letters = (eight >> 6) & _ONE
    nibbles = (eight & _LOW_NIBBLE) + 9 * letters
    above_nine = ((nibbles + _SIX) >> 4) & _ONE
    spelt = nibbles + _ZERO_DIGIT + 7 * above_nine
    if eight & _HIGH_BIT or nibbles & _HIGH_NIBBLE or spelt != eight & ~(letters << 5):
        return -1
    pairs = nibbles << 4 | nibbles >> 8
    return (pairs & 0xFF) << 24 | (pairs >> 16 & 0xFF) << 16 | (pairs >> 32 & 0xFF) << 8 | (pairs >> 48 & 0xFF)


@njit(cache=True, nogil=True)
def hex_number(at):  # type: ignore[no-untyped-def]
    """A hexadecimal number of up to eight digits: value, and how many digits (9 where there are more)."""
    value = eight_hex_digits(word(at))
    if value >= 0:
        return value, 8 if HEX[byte(at + 8)] == 255 else 9
    value = 0
    digits = 0
    while digits < 8 and HEX[byte(at + digits)] != 255:
        value = value * 16 + HEX[byte(at + digits)]
        digits += 1
    return value, digits


@njit(cache=True, nogil=True)
def hex_bytes(at, to, limit):  # type: ignore[no-untyped-def]
    """Pairs of hexadecimal digits into the bytes from `to` on; returns the place after them, and their number.

    Stops after the first pair above `limit`, so that too many can be distinguished from enough.
    """
    count = 0
    while count <= limit:
        value = eight_hex_digits(word(at))
        if value < 0:
            break
        put(to + count, value >> 24)
        put(to + count + 1, value >> 16 & 0xFF)
        put(to + count + 2, value >> 8 & 0xFF)
        put(to + count + 3, value & 0xFF)
        at += 8
        count += 4
    while count <= limit and HEX[byte(at)] != 255 and HEX[byte(at + 1)] != 255:
        put(to + count, HEX[byte(at)] * 16 + HEX[byte(at + 1)])
        at += 2
        count += 1
    return at, count


@njit(cache=True, nogil=True)
def seconds_ns(at):  # type: ignore[no-untyped-def]
    """`seconds.fraction` in nanoseconds, or -1; and the place after it. Digits beyond 1 ns are dropped."""
    if byte(at + 10) == POINT and 48 <= byte(at + 8) <= 57 and 48 <= byte(at + 9) <= 57:
        head = eight_digits(word(at))
        micros = eight_digits((word(at + 9) & ~0xFFFF) | 0x3030)  # its last six characters, with two zeros before
        if head >= 0 and micros >= 0 and not 48 <= byte(at + 17) <= 57:
            seconds = head * 100 + (byte(at + 8) - 48) * 10 + (byte(at + 9) - 48)
            if seconds <= MAX_SECONDS:
                return seconds * 1_000_000_000 + micros * 1000, at + 17
    seconds = 0
    start = at
    while 48 <= byte(at) <= 57 and seconds <= MAX_SECONDS:
        seconds = seconds * 10 + (byte(at) - 48)
        at += 1
    if at == start or seconds > MAX_SECONDS or byte(at) != POINT:
        return -1, at
    nanos, end = fraction_ns(at + 1)
    if end == at + 1:
        return -1, at
    return seconds * 1_000_000_000 + nanos, end


@njit(cache=True, nogil=True)
def fraction_ns(at):  # type: ignore[no-untyped-def]
    """The digits after a decimal point as nanoseconds, and the place after them."""
    weight = 100_000_000
    nanos = 0
    while 48 <= byte(at) <= 57:
        nanos += (byte(at) - 48) * weight
        weight //= 10
        at += 1
    return nanos, at


@njit(cache=True, nogil=True)
def bus_index(start, end, table, last):  # type: ignore[no-untyped-def]
    """Index of a bus name in the table, entered there when new; -1 when the table is full.

    table : address of MAX_BUSES rows of BUS_ROW bytes; last : the bus of the line before, the likeliest
    """
    size = end - start
    if size > MAX_BUS_NAME:
        return -1
    for k in range(-1, MAX_BUSES):
        index = last if k < 0 else k
        row = table + index * BUS_ROW
        if byte(row) == 0 and k >= 0:
            put(row, size)
            for j in range(size):
                put(row + 1 + j, byte(start + j))
        if byte(row) == size:
            same = True
            for j in range(size):
                if byte(row + 1 + j) != byte(start + j):
                    same = False
                    break
            if same:
                return index
    return -1


@njit(cache=True, nogil=True)
def civil_ns(at):  # type: ignore[no-untyped-def]
    """`2026-03-02 09:00:00.123456` as nanoseconds since 1970, and the place after it; -1 where it is no date.

    “/” may stand for “-”, “T” for the blank, “,” for the point; the fraction may be missing. Days by the
    usual count of a March-based year in 400-year eras (common practice; the tests compare with datetime).
    """
    part = byte(at + 4)
    if part not in (45, 47) or byte(at + 7) != part or byte(at + 10) not in (SPACE, 84, 116):
        return -1, at
    year, month, day = digits_at(at, 4), digits_at(at + 5, 2), digits_at(at + 8, 2)
    if year < 1970 or year > 2200 or month < 1 or month > 12 or day < 1 or day > 31:
        return -1, at
    nanos, end = clock_ns(at + 11)
    if nanos < 0:
        return -1, at
    shifted = year - (1 if month <= 2 else 0)
    era, of_era = shifted // 400, shifted % 400
    of_year = (153 * (month + (-3 if month > 2 else 9)) + 2) // 5 + day - 1
    days = era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468
    return days * 86_400_000_000_000 + nanos, end


@njit(cache=True, nogil=True)
def clock_ns(at):  # type: ignore[no-untyped-def]
    """`09:00:00.123456` as nanoseconds since midnight, and the place after it; -1 where it is no time of day."""
    hour, minute, second = digits_at(at, 2), digits_at(at + 3, 2), digits_at(at + 6, 2)
    colons = byte(at + 2) == 58 and byte(at + 5) == 58
    if not colons or not 0 <= hour < 24 or not 0 <= minute < 60 or not 0 <= second <= 60:
        return -1, at
    nanos = ((hour * 60 + minute) * 60 + second) * 1_000_000_000
    at += 8
    if byte(at) in (POINT, 44) and 48 <= byte(at + 1) <= 57:
        fraction, at = fraction_ns(at + 1)
        nanos += fraction
    return nanos, at


@njit(cache=True, nogil=True)
def digits_at(at, count):  # type: ignore[no-untyped-def]
    """The value of exactly so many decimal digits, or -1."""
    value = 0
    for k in range(count):
        digit = byte(at + k) - 48
        if digit < 0 or digit > 9:
            return -1
        value = value * 10 + digit
    return value
