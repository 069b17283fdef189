"""The compiled part of the candump -L reader: one pass over the text, no object per frame.

A line is `(seconds.fraction) bus frame`, with the frame as `123#1122` (standard), 8 digits (extended, or
an error frame where bit 29 is set), `123#R4` (remote), `123##<flags>…` (CAN FD), an optional raw length
code `_9`…`_F` after eight bytes, and an optional direction ` R` or ` T` at the end. Source of the
grammar: the comments on `parse_canframe` in the `lib.h` that candump is built with, and Linux `can.h`.
"""

from __future__ import annotations

import numpy as np
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
    POINT,
    REMOTE,
    TX,
    bus_index,
    byte,
    hex_bytes,
    hex_number,
    is_blank,
    line_end,
    seconds_ns,
    skip_blanks,
    skip_word,
)

REASONS = (
    "",
    "no timestamp in brackets at the start, as in “(12.345678)”",
    "the timestamp cannot be read",
    "no bus name after the timestamp",
    "no identifier of 1 to 8 hexadecimal digits followed by “#”",
    "the identifier is out of range",
    "the payload has an odd number of hexadecimal digits, or another character (cut short?)",
    "more than 8 bytes in a classic CAN frame",
    "a CAN FD frame cannot have this many bytes (cut short?)",
    "unexpected text after the frame",
    "CAN XL frames are not read",
    "an error frame cannot be a remote request",
    "too many bus names, or a bus name that is too long",
)
(
    _OK,
    _NO_STAMP,
    _BAD_STAMP,
    _NO_BUS,
    _NO_IDENTIFIER,
    _IDENTIFIER_RANGE,
    _PAYLOAD,
    _TOO_LONG,
    _FD_LENGTH,
    _TRAILING,
    _XL,
    _ERROR_REMOTE,
    _BUS_TABLE,
) = range(len(REASONS))

MIN_LINE = 8  # no frame fits in fewer characters: bounds the rows that a text can hold

_LOSS_NOTE = np.frombuffer(b"DROPCOUNT: dropped ", np.uint8)
_MAX_LOSS = 1_000_000_000_000  # more frames than any log holds: the number is damaged


@njit(cache=True, nogil=True)
def _frames_lost(at):  # type: ignore[no-untyped-def]
    """Frames lost by "DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)"; -1 for other text."""
    for k in range(_LOSS_NOTE.size):
        if byte(at + k) != _LOSS_NOTE[k]:
            return -1
    at += _LOSS_NOTE.size
    lost = 0
    while 48 <= byte(at) <= 57 and lost < _MAX_LOSS:
        lost = lost * 10 + (byte(at) - 48)
        at += 1
    return lost if lost < _MAX_LOSS else -1


@njit(cache=True, nogil=True)
def _identifier(at):  # type: ignore[no-untyped-def]
    """Reason, place after the “#”, identifier, flags."""
    if byte(at + 3) == HASH:
        value, digits = 0, 0
        while digits < 3 and HEX[byte(at + digits)] != 255:
            value = value * 16 + HEX[byte(at + digits)]
            digits += 1
    else:
        value, digits = hex_number(at)
    if digits == 0 or digits > 8 or byte(at + digits) != HASH:
        return _NO_IDENTIFIER, at, value, 0
    at += digits + 1
    if digits <= 3:
        return (_OK if value <= 0x7FF else _IDENTIFIER_RANGE), at, value, 0
    if value < ERROR_BIT:
        return _OK, at, value, EXTENDED
    if value < 2 * ERROR_BIT:
        return _OK, at, value - ERROR_BIT, ERROR
    return _IDENTIFIER_RANGE, at, value, 0


@njit(cache=True, nogil=True)
def _remote(at):  # type: ignore[no-untyped-def]
    """Place after the “R” and the length asked for."""
    at += 1
    if 48 <= byte(at) <= 56:
        return at + 1, byte(at) - 48
    return at, 0


@njit(cache=True, nogil=True)
def _payload(at, to, is_fd):  # type: ignore[no-untyped-def]
    """Reason, place after the payload, bytes."""
    limit = 64 if is_fd else 8
    at, count = hex_bytes(at, to, limit)
    while byte(at) == POINT and 0 < count <= limit:  # a point may part the bytes
        at, more = hex_bytes(at + 1, to + count, limit - count)
        count += more
    if byte(at) == 58:  # ':' only occurs in CAN XL
        return _XL, at, count
    if count > limit:
        return (_FD_LENGTH if is_fd else _TOO_LONG), at, count
    if HEX[byte(at)] != 255:
        return _PAYLOAD, at, count
    if is_fd and not FD_LENGTHS[count]:
        return _FD_LENGTH, at, count
    return _OK, at, count


@njit(cache=True, nogil=True)
def _rest_of_line(at, has_length_code):  # type: ignore[no-untyped-def]
    """Reason, place of the line end, and TX where the line says so: raw length code, direction."""
    if has_length_code and byte(at) == 95:  # '_'
        if not 9 <= HEX[byte(at + 1)] <= 15:
            return _PAYLOAD, at, 0
        at += 2
    if byte(at) == LF:
        return _OK, at, 0
    if not is_blank(byte(at)):
        return _PAYLOAD, at, 0
    at = skip_blanks(at)
    direction = 0
    if byte(at) == 84 or byte(at) == 82:  # 'T' or 'R'
        direction = TX if byte(at) == 84 else 0
        at = skip_blanks(at + 1)
    return (_OK if byte(at) == LF else _TRAILING), at, direction


@njit(cache=True, nogil=True)
def _content(at, to):  # type: ignore[no-untyped-def]
    """What follows the “#” of the identifier: reason, place of the line end, flags, length, bytes stored."""
    if byte(at) == HASH:  # '##': CAN FD
        fd = HEX[byte(at + 1)]
        if fd == 255:
            return _PAYLOAD, at, 0, 0, 0
        flags = FD | (BRS if fd & 1 else 0) | (ESI if fd & 2 else 0)
        reason, at, stored = _payload(at + 2, to, True)
        length = stored
    elif byte(at) == 82 or byte(at) == 114:  # 'R' or 'r'
        flags, reason, stored = REMOTE, _OK, 0
        at, length = _remote(at)
    else:
        flags = 0
        reason, at, stored = _payload(at, to, False)
        length = stored
    if reason != _OK:
        return reason, at, flags, length, stored
    reason, at, direction = _rest_of_line(at, length == 8 and not flags & FD)
    return reason, at, flags | direction, length, stored


@njit(cache=True, nogil=True)
def parse(text, size, columns, payload, buses):  # type: ignore[no-untyped-def]
    """Fill the columns from whole lines of text.

    text : address of `size` bytes with the padding after them
    columns : rows.Columns, with room for size // MIN_LINE + 1 rows
    payload : address of room for size // 2 bytes, and some to spare
    buses : address of the table of bus names, carried from call to call
    Returns frames, payload bytes, lines, other lines, bad lines, frames the logger says it lost.
    """
    time_ns, bus, identifier, flags, length, offset, bad_line, bad_reason = columns
    at = text
    row = 0
    used = 0
    lines = 0
    other = 0
    bad = 0
    lost = 0
    last_bus = 0
    while at < text + size:
        at = skip_blanks(at)
        first = byte(at)
        reason = _NO_STAMP
        if first == 40:  # '('
            stamp, at = seconds_ns(at + 1)
            bus_start = skip_blanks(at + 1)
            bus_end = skip_word(bus_start)
            if stamp < 0 or byte(at) != 41:  # ')'
                reason = _BAD_STAMP
            elif bus_end == bus_start or byte(bus_end) == LF:
                reason = _NO_BUS
            else:
                reason, at, ident, extended = _identifier(skip_blanks(bus_end))
                if reason == _OK:
                    reason, at, content, count, stored = _content(at, payload + used)
                if reason == _OK and extended == ERROR and content & REMOTE:
                    reason = _ERROR_REMOTE
                if reason == _OK:
                    bus_at = bus_index(bus_start, bus_end, buses, last_bus)
                    if bus_at < 0:
                        reason = _BUS_TABLE
                    else:
                        time_ns[row] = stamp
                        bus[row] = bus_at
                        identifier[row] = ident
                        flags[row] = extended | content
                        length[row] = count
                        offset[row] = used
                        used += stored
                        last_bus = bus_at
                        row += 1
        elif first in (LF, HASH, 59):  # nothing, or a comment after “#” or “;”
            other += 1
            reason = _OK
        elif first == 68:  # 'D'
            dropped = _frames_lost(at)
            if dropped >= 0:
                lost += dropped
                other += 1
                reason = _OK
        if reason != _OK:
            if bad < bad_line.size:
                bad_line[bad] = lines
                bad_reason[bad] = reason
            bad += 1
        at = line_end(at) + 1
        lines += 1
    return row, used, lines, other, bad, lost
