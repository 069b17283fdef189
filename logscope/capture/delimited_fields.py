"""The fields of a delimited row, compiled: where they start and end, and what they say."""

from __future__ import annotations

from numba import njit

from logscope.capture.text_kernel import (
    CR,
    EXTENDED,
    HEX,
    LF,
    POINT,
    SPACE,
    TAB,
    byte,
    civil_ns,
    clock_ns,
    hex_bytes,
    is_blank,
    line_end,
    put,
    skip_blanks,
)

DATES = 100  # instead of a power of ten of the time unit

_MAX_DIGITS = 17  # as many decimal digits as an int64 always holds, and one to spare
_LAST_NS = 9_000_000_000_000_000_000
NO_TIME = -9_100_000_000_000_000_000  # no time


@njit(cache=True, nogil=True)
def _decimal_ns(at, end, power):  # type: ignore[no-untyped-def]
    """A decimal number times 10^power, as a whole number; NO_TIME where it is none, or out of range."""
    negative = byte(at) == 45
    if negative or byte(at) == 43:
        at += 1
    value = 0
    digits = 0
    seen = False
    point = False
    while at < end:
        c = byte(at)
        at += 1
        if 48 <= c <= 57:
            seen = True
            if digits < _MAX_DIGITS:
                value = value * 10 + (c - 48)
                digits += 1 if value > 0 else 0
                power -= 1 if point else 0
            elif not point:
                power += 1
        elif c in (POINT, 44) and not point:
            point = True
        elif c in (69, 101) and seen:
            exponent = _exponent(at, end)
            if exponent > 99:
                return NO_TIME
            power += exponent
            break
        else:
            return NO_TIME
    if not seen:
        return NO_TIME
    while power > 0 and value != 0:
        if value > _LAST_NS // 10:
            return NO_TIME
        value *= 10
        power -= 1
    while power < -1 and value != 0:
        value //= 10
        power += 1
    if power == -1:
        value = (value + 5) // 10
    return -value if negative else value


@njit(cache=True, nogil=True)
def _exponent(at, end):  # type: ignore[no-untyped-def]
    """The exponent of ten after an “e”; 100 where it cannot be read."""
    negative = byte(at) == 45
    if negative or byte(at) == 43:
        at += 1
    if at == end or end - at > 2:
        return 100
    value = 0
    while at < end:
        if not 48 <= byte(at) <= 57:
            return 100
        value = value * 10 + (byte(at) - 48)
        at += 1
    return -value if negative else value


@njit(cache=True, nogil=True)
def field_time_ns(at, end, power):  # type: ignore[no-untyped-def]
    """A time in nanoseconds, or NO_TIME. A date may end in Z or in an offset from UTC such as +01:00."""
    if power != DATES:
        return _decimal_ns(at, end, power)
    stamp, at = clock_ns(at) if byte(at + 2) == 58 else civil_ns(at)
    if stamp < 0:
        return NO_TIME
    if at > end:  # the comma that ends the field was taken for a decimal mark
        stamp, at = stamp - stamp % 1_000_000_000, end
    if at < end and byte(at) in (90, 122):
        at += 1
    elif at < end and byte(at) in (43, 45):
        sign = -1 if byte(at) == 43 else 1
        colon = 1 if byte(at + 3) == 58 else 0
        hour = (byte(at + 1) - 48) * 10 + byte(at + 2) - 48
        minute = (byte(at + 3 + colon) - 48) * 10 + byte(at + 4 + colon) - 48
        if not 0 <= hour <= 14 or not 0 <= minute < 60:
            return NO_TIME
        stamp += sign * (hour * 60 + minute) * 60_000_000_000
        at += 5 + colon
    return stamp if at == end else NO_TIME


@njit(cache=True, nogil=True)
def _skip_0x(at, end):  # type: ignore[no-untyped-def]
    if end - at > 2 and byte(at) == 48 and byte(at + 1) in (88, 120):
        return at + 2
    return at


@njit(cache=True, nogil=True)
def field_number(at, end, base):  # type: ignore[no-untyped-def]
    """A whole number, with 0x or a trailing h in hexadecimal; -1 where it is none. At most ten digits."""
    start = at
    at = _skip_0x(at, end)
    if at > start:
        base = 16
    if end - at > 1 and byte(end - 1) in (72, 104):
        base = 16
        end -= 1
    if at == end or end - at > 10:
        return -1
    value = 0
    while at < end:
        digit = HEX[byte(at)]
        if digit >= base:
            return -1
        value = value * base + digit
        at += 1
    return value


@njit(cache=True, nogil=True)
def field_identifier(at, end, base):  # type: ignore[no-untyped-def]
    """Identifier (-1 where it cannot be read, -2 where it is out of range), EXTENDED above 7FF or with a trailing x."""
    flag = 0
    if end - at > 1 and byte(end - 1) in (88, 120):
        flag = EXTENDED
        end -= 1
    value = field_number(at, end, base)
    if value < 0:
        return -1, 0
    if value > 0x1FFFFFFF:
        return -2, 0
    return value, EXTENDED if value > 0x7FF else flag


@njit(cache=True, nogil=True)
def field_is_extended(at, end):  # type: ignore[no-untyped-def]
    """1 or 0 for 1/0, true/false, yes/no, ext/std, x, 29/11; -1 for something else."""
    if at == end:
        return 0
    c = byte(at)
    if c == 49 and end - at == 2:  # "11": bits
        return 0
    if c in (49, 50, 84, 116, 88, 120, 69, 101, 89, 121):  # 1 2 T t X x E e Y y
        return 1
    if c in (48, 45, 70, 102, 83, 115, 78, 110):  # 0 - F f S s N n
        return 0
    return -1


@njit(cache=True, nogil=True)
def field_bytes(at, end, to, base):  # type: ignore[no-untyped-def]
    """Bytes of one field into the places from `to` on: their number; 65 for too many, -1 where unreadable."""
    count = 0
    while True:
        while at < end and (is_blank(byte(at)) or byte(at) in (45, 58, POINT, 95, 44)):  # - : . _ ,
            at += 1
        if at >= end:
            return count
        start = at
        at = _skip_0x(at, end)
        if base == 16 or at > start:
            start = at
            at, more = hex_bytes(at, to + count, 64 - count)
            if at == start and HEX[byte(at)] != 255:  # a byte of one digit
                put(to + count, HEX[byte(at)])
                at += 1
                more = 1
            elif more == 0 or HEX[byte(at)] != 255:
                return 65 if more > 64 - count else -1
            if byte(at) in (72, 104):
                at += 1
        else:
            while at < end and 48 <= byte(at) <= 57:
                at += 1
            value = field_number(start, at, 10)
            if value < 0 or value > 255:
                return -1
            put(to + count, value)
            more = 1
        count += more
        if count > 64:
            return 65


@njit(cache=True, nogil=True)
def next_field(at, delimiter, to_line_end):  # type: ignore[no-untyped-def]
    """Start and end of the field at a place, without quotes and blanks, and the delimiter or line end after it.

    The last is -1 where a quote is not closed.
    """
    while byte(at) == SPACE or (byte(at) == TAB and delimiter != TAB) or byte(at) == CR:
        at += 1
    start = at
    if byte(at) == 34:  # '"'
        start += 1
        at += 1
        while byte(at) not in (34, LF):
            at += 1
        if byte(at) == LF:
            return start, at, -1
        end = at
        at += 1
    else:
        end = -1
    if to_line_end:
        at = line_end(at)
    elif delimiter == SPACE:
        while not is_blank(byte(at)) and byte(at) != LF:
            at += 1
    else:
        while byte(at) != delimiter and byte(at) != LF:
            at += 1
    if end < 0:
        end = at
        while end > start and is_blank(byte(end - 1)):
            end -= 1
    if delimiter == SPACE:
        at = skip_blanks(at)
        if byte(at) != LF:
            at -= 1  # the blank before the next field is its delimiter
    return start, end, at
