"""The compiled part of the reader for candump's screen output: one pass over the text.

A line is `(stamp)  bus  identifier   [length]  bytes`, where `[2]` is a classic and `[02]` a CAN FD length,
3 digits a standard and 8 an extended identifier (an error frame where bit 29 is set, with `ERRORFRAME` at
the end), `remote request` stands for the bytes, and `RX - -` (direction, bit rate switch `B`, error state
`E`) may stand before the identifier and the bytes as text after them. Source: the comments on
`sprint_long_canframe` in the `lib.h` that candump is built with.
"""

from __future__ import annotations

from numba import njit

from logscope.capture.text_kernel import (
    BRS,
    ERROR,
    ERROR_BIT,
    ESI,
    EXTENDED,
    FD,
    FD_LENGTHS,
    HASH,
    HEX,
    LF,
    REMOTE,
    TAB,
    TX,
    bus_index,
    byte,
    civil_ns,
    digits_at,
    hex_number,
    is_blank,
    line_end,
    put,
    seconds_ns,
    skip_blanks,
    skip_word,
)

REASONS = (
    "",
    "no timestamp in brackets at the start, as in “(12.345678)”",
    "the timestamp cannot be read",
    "no bus name after the timestamp",
    "no identifier of 3 or 8 hexadecimal digits",
    "the identifier is out of range",
    "no length in square brackets, or one that no frame can have",
    "fewer bytes than the length says, or another character among them (cut short?)",
    "unexpected text after the frame",
    "too many bus names, or a bus name that is too long",
)
(
    _OK,
    _NO_STAMP,
    _BAD_STAMP,
    _NO_BUS,
    _NO_IDENTIFIER,
    _IDENTIFIER_RANGE,
    _LENGTH,
    _PAYLOAD,
    _TRAILING,
    _BUS_TABLE,
) = range(len(REASONS))

MIN_LINE = 12  # “(0.0) c 123 [0]” has more


@njit(cache=True, nogil=True)
def _stamp(at):  # type: ignore[no-untyped-def]
    """Stamp in nanoseconds, or -1, and the place after its closing bracket."""
    stamp, end = civil_ns(at)
    if stamp < 0:
        stamp, end = seconds_ns(at)
    if byte(end) != 41:  # ')'
        return -1, at
    return stamp, end + 1


@njit(cache=True, nogil=True)
def _direction(at):  # type: ignore[no-untyped-def]
    """Flags of the columns “RX - -”, and the place after them; they may be missing."""
    if byte(at + 1) != 88 or byte(at) not in (82, 84) or not is_blank(byte(at + 2)):
        return 0, at
    flags = TX if byte(at) == 84 else 0
    at = skip_blanks(at + 2)
    for letter, flag in ((66, BRS), (69, ESI)):
        if byte(at) == letter:
            flags |= flag
        elif byte(at) != 45:  # '-'
            return flags, at
        at = skip_blanks(at + 1)
    return flags, at


@njit(cache=True, nogil=True)
def _identifier(at):  # type: ignore[no-untyped-def]
    """Reason, place after the identifier, identifier, flags."""
    value, digits = hex_number(at)
    if digits not in (3, 8) or not is_blank(byte(at + digits)):
        return _NO_IDENTIFIER, at, value, 0
    at += digits
    if digits == 3:
        return (_OK if value <= 0x7FF else _IDENTIFIER_RANGE), at, value, 0
    if value < ERROR_BIT:
        return _OK, at, value, EXTENDED
    if value < 2 * ERROR_BIT:
        return _OK, at, value - ERROR_BIT, ERROR
    return _IDENTIFIER_RANGE, at, value, 0


@njit(cache=True, nogil=True)
def _length(at):  # type: ignore[no-untyped-def]
    """Length (-1 where there is none), FD flag, place after the bracket. `{A}` is a raw length code of 8 bytes."""
    if byte(at) == 123 and 9 <= HEX[byte(at + 1)] <= 15 and byte(at + 2) == 125:
        return 8, 0, at + 3
    if byte(at) != 91:
        return -1, 0, at
    if byte(at + 2) == 93:  # one digit: classic CAN
        length = digits_at(at + 1, 1)
        return (length if length <= 8 else -1), 0, at + 3
    length = digits_at(at + 1, 2)
    if byte(at + 3) != 93 or length < 0 or length > 64 or not FD_LENGTHS[length]:
        return -1, 0, at
    return length, FD, at + 4


@njit(cache=True, nogil=True)
def _bytes(at, to, length):  # type: ignore[no-untyped-def]
    """Whether as many bytes follow as the length says, each after a blank; and the place after them."""
    for k in range(length):
        at = skip_blanks(at)
        high, low = HEX[byte(at)], HEX[byte(at + 1)]
        if high == 255 or low == 255:
            return False, at
        after = byte(at + 2)
        if not is_blank(after) and after != LF:
            return False, at
        put(to + k, high * 16 + low)
        at += 2
    return True, at


@njit(cache=True, nogil=True)
def _is_remote_request(at):  # type: ignore[no-untyped-def]
    return byte(at) == 114 and byte(at + 1) == 101 and byte(at + 2) == 109  # "rem"


@njit(cache=True, nogil=True)
def _is_remark(at, is_error):  # type: ignore[no-untyped-def]
    """Whether the rest of a line is nothing, the bytes as text in quotes, or ERRORFRAME."""
    at = skip_blanks(at)
    return byte(at) in (LF, 39) or (is_error and byte(at) == 69)


@njit(cache=True, nogil=True)
def _content(at, to):  # type: ignore[no-untyped-def]
    """From the direction on: reason, identifier, flags, length, bytes stored."""
    marks, at = _direction(at)
    reason, at, identifier, flags = _identifier(at)
    if reason != _OK:
        return reason, identifier, flags, 0, 0
    length, fd, at = _length(skip_blanks(at))
    if length < 0:
        return _LENGTH, identifier, flags, 0, 0
    flags |= fd | (marks & TX)
    if _is_remote_request(skip_blanks(at)) and not fd and not flags & ERROR:
        return _OK, identifier, flags | REMOTE, length, 0
    complete, at = _bytes(at, to, length)
    if not complete:
        return _PAYLOAD, identifier, flags, length, 0
    if not _is_remark(at, flags & ERROR):
        return _TRAILING, identifier, flags, length, 0
    return _OK, identifier, flags | (marks if fd else 0), length, length


@njit(cache=True, nogil=True)
def parse(text, size, columns, payload, buses):  # type: ignore[no-untyped-def]
    """Fill the columns from whole lines of text; arguments and result as in candump_kernel.parse."""
    time_ns, bus, identifier, flags, length, offset, bad_line, bad_reason = columns
    at = text
    row = 0
    used = 0
    lines = 0
    other = 0
    bad = 0
    last_bus = 0
    while at < text + size:
        is_remark = byte(at) == TAB  # the meaning of an error frame, in words, stands on lines of its own
        at = skip_blanks(at)
        reason = _NO_STAMP
        if is_remark or byte(at) in (LF, HASH):
            other += 1
            reason = _OK
        elif byte(at) == 40:  # '('
            stamp, end = _stamp(at + 1)
            bus_start = skip_blanks(end)
            bus_end = skip_word(bus_start)
            if stamp < 0:
                reason = _BAD_STAMP
            elif bus_end == bus_start or byte(bus_end) == LF:
                reason = _NO_BUS
            else:
                reason, ident, marks, count, stored = _content(skip_blanks(bus_end), payload + used)
                if reason == _OK:
                    bus_at = bus_index(bus_start, bus_end, buses, last_bus)
                    if bus_at < 0:
                        reason = _BUS_TABLE
                    else:
                        time_ns[row] = stamp
                        bus[row] = bus_at
                        identifier[row] = ident
                        flags[row] = marks
                        length[row] = count
                        offset[row] = used
                        used += stored
                        last_bus = bus_at
                        row += 1
        if reason != _OK:
            if bad < bad_line.size:
                bad_line[bad] = lines
                bad_reason[bad] = reason
            bad += 1
        at = line_end(at) + 1
        lines += 1
    return row, used, lines, other, bad, 0
