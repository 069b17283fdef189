"""The compiled part of the candump reader: one pass over the text, no object per frame.

A line is `(seconds.fraction) bus frame`, with the frame as `123#1122` (standard), 8 digits (extended, or
an error frame where bit 29 is set), `123#R4` (remote), `123##<flags>…` (CAN FD), an optional raw length
code `_9`…`_F` behind eight bytes, and an optional direction ` R` or ` T` at the end. Source of the
grammar: the comments on `parse_canframe` in the `lib.h` that candump is built with, and Linux `can.h`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

REASONS = (
    "",
    "no time stamp in brackets at the start, as in “(12.345678)”",
    "the time stamp cannot be read",
    "no bus name after the time stamp",
    "no identifier of 1 to 8 hexadecimal digits followed by “#”",
    "the identifier is out of range",
    "the payload has an odd number of hexadecimal digits, or another character (cut short?)",
    "more than 8 bytes in a classic CAN frame",
    "a CAN FD frame cannot have this many bytes (cut short?)",
    "text behind the frame that does not belong there",
    "CAN XL frames are not read",
    "more bus names than can be told apart, or a bus name that is too long",
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
    _BUS_TABLE,
) = range(len(REASONS))

MAX_BUSES = 64
MAX_BUS_NAME = 32
MIN_LINE = 8  # no frame fits in fewer characters: bounds the rows that a text can hold

_EXTENDED, _REMOTE, _ERROR, _FD, _BRS, _ESI, _TX = 1, 2, 4, 8, 16, 32, 64  # as in frames.Flag
_ERROR_BIT = 0x20000000  # CAN_ERR_FLAG, Linux can.h
_MAX_SECONDS = 9_000_000_000  # int64 nanoseconds end at 9.22e9 s

_HEX = np.full(256, 255, np.uint8)
_HEX[48:58] = np.arange(10)
_HEX[65:71] = np.arange(10, 16)
_HEX[97:103] = np.arange(10, 16)

_FD_LENGTHS = np.zeros(65, np.bool_)  # ISO 11898-1: the lengths a CAN FD length code can express
_FD_LENGTHS[[0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]] = True

_LF, _CR, _SPACE, _TAB = 10, 13, 32, 9


@njit(cache=True, nogil=True, inline="always")
def _is_blank(c):  # type: ignore[no-untyped-def]
    return c == _SPACE or c == _TAB or c == _CR


@njit(cache=True, nogil=True)
def _bus_index(text, start, end, names, name_lengths, last):  # type: ignore[no-untyped-def]
    """Index of a bus name in the table, entered there when new; -1 when the table is full."""
    size = end - start
    known = name_lengths.size
    for k in range(known + 1):
        index = last if k == 0 else k - 1  # the bus of the line before is the likeliest
        if name_lengths[index] == 0:
            if k == 0:
                continue
            if size > names.shape[1]:
                return -1
            for j in range(size):
                names[index, j] = text[start + j]
            name_lengths[index] = size
            return index
        if name_lengths[index] == size:
            same = True
            for j in range(size):
                if names[index, j] != text[start + j]:
                    same = False
                    break
            if same:
                return index
    return -1


@njit(cache=True, nogil=True)
def parse(  # type: ignore[no-untyped-def]
    text, time_ns, bus, identifier, flags, length, offset, payload, names, name_lengths, bad_line, bad_reason
):
    """Fill the columns from whole lines of text.

    text : uint8 (n,); columns : as in frames.Frames, with room for n // MIN_LINE + 1 rows
    names, name_lengths : table of bus names, carried from call to call
    bad_line, bad_reason : filled with the first bad lines (numbered from 0 in this text)
    Returns frames, payload bytes, lines, other lines, bad lines, frames the logger says it lost.
    """
    n = text.size
    pos = 0
    row = 0
    used = 0
    lines = 0
    other = 0
    bad = 0
    lost = 0
    last_bus = 0
    while pos < n:
        # -- one line -------------------------------------------------------------------------------
        reason = _OK
        is_frame = False
        new_flags = 0
        count = 0
        ident = 0
        stamp = 0
        bus_at = 0
        while pos < n and _is_blank(text[pos]):
            pos += 1
        if pos >= n or text[pos] == _LF:
            other += 1
        elif text[pos] == 35 or text[pos] == 59:  # '#' or ';': a comment
            other += 1
        elif text[pos] == 68:  # 'D': "DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)"
            key = b"DROPCOUNT: dropped "
            matched = 0
            while matched < len(key) and pos + matched < n and text[pos + matched] == key[matched]:
                matched += 1
            if matched == len(key):
                pos += matched
                dropped = 0
                while pos < n and 48 <= text[pos] <= 57 and dropped < _MAX_SECONDS:
                    dropped = dropped * 10 + (text[pos] - 48)
                    pos += 1
                lost += dropped
                other += 1
            else:
                reason = _NO_STAMP
        elif text[pos] != 40:  # '('
            reason = _NO_STAMP
        else:
            # time stamp
            pos += 1
            seconds = 0
            digits = 0
            while pos < n and 48 <= text[pos] <= 57 and seconds <= _MAX_SECONDS:
                seconds = seconds * 10 + (text[pos] - 48)
                pos += 1
                digits += 1
            if digits == 0 or seconds > _MAX_SECONDS or pos >= n or text[pos] != 46:
                reason = _BAD_STAMP
            else:
                pos += 1
                fraction = 0
                digits = 0
                while pos < n and 48 <= text[pos] <= 57:
                    if digits < 9:
                        fraction = fraction * 10 + (text[pos] - 48)
                        digits += 1
                    pos += 1
                if digits == 0 or pos >= n or text[pos] != 41:
                    reason = _BAD_STAMP
                else:
                    while digits < 9:
                        fraction *= 10
                        digits += 1
                    stamp = seconds * 1_000_000_000 + fraction
                    pos += 1
            # bus
            if reason == _OK:
                while pos < n and _is_blank(text[pos]):
                    pos += 1
                start = pos
                while pos < n and not _is_blank(text[pos]) and text[pos] != _LF:
                    pos += 1
                if pos == start or pos >= n or text[pos] == _LF:
                    reason = _NO_BUS
                else:
                    bus_start, bus_end = start, pos
                    while pos < n and _is_blank(text[pos]):
                        pos += 1
            # identifier
            if reason == _OK:
                digits = 0
                while pos < n and digits < 9 and _HEX[text[pos]] != 255:
                    ident = ident * 16 + _HEX[text[pos]]
                    pos += 1
                    digits += 1
                if digits == 0 or digits > 8 or pos >= n or text[pos] != 35:
                    reason = _NO_IDENTIFIER
                else:
                    pos += 1
                    if digits <= 3:
                        if ident > 0x7FF:
                            reason = _IDENTIFIER_RANGE
                    elif ident & _ERROR_BIT and ident < 2 * _ERROR_BIT:
                        new_flags = _ERROR
                        ident &= _ERROR_BIT - 1
                    elif ident >= _ERROR_BIT:
                        reason = _IDENTIFIER_RANGE
                    else:
                        new_flags = _EXTENDED
            # payload
            if reason == _OK:
                if pos < n and text[pos] == 35:  # '##': CAN FD
                    pos += 1
                    if pos < n and _HEX[text[pos]] != 255:
                        fd = _HEX[text[pos]]
                        pos += 1
                        new_flags |= _FD
                        if fd & 1:
                            new_flags |= _BRS
                        if fd & 2:
                            new_flags |= _ESI
                    else:
                        reason = _PAYLOAD
                if reason == _OK and pos < n and (text[pos] == 82 or text[pos] == 114) and not new_flags & _FD:
                    new_flags |= _REMOTE
                    pos += 1
                    if pos < n and 48 <= text[pos] <= 56:
                        count = text[pos] - 48
                        pos += 1
                elif reason == _OK:
                    write = used
                    while pos + 1 < n and count <= 64:
                        high = _HEX[text[pos]]
                        if high == 255:
                            if text[pos] == 46 and count > 0:  # '.' may part the bytes
                                pos += 1
                                continue
                            break
                        low = _HEX[text[pos + 1]]
                        if low == 255:
                            break
                        payload[write] = high * 16 + low
                        write += 1
                        count += 1
                        pos += 2
                    if pos < n and text[pos] == 58:  # ':' only occurs in CAN XL
                        reason = _XL
                    elif pos < n and _HEX[text[pos]] != 255:
                        reason = _TOO_LONG if count > 8 and not new_flags & _FD else _PAYLOAD
                    elif new_flags & _FD:
                        if count > 64 or not _FD_LENGTHS[count]:
                            reason = _FD_LENGTH
                    elif count > 8:
                        reason = _TOO_LONG
            # raw length code, direction, end of line
            if reason == _OK and pos + 1 < n and text[pos] == 95 and count == 8 and not new_flags & _FD:
                if 9 <= _HEX[text[pos + 1]] <= 15:
                    pos += 2
                else:
                    reason = _PAYLOAD
            if reason == _OK and pos < n and text[pos] != _LF:
                if not _is_blank(text[pos]):
                    reason = _PAYLOAD
                else:
                    while pos < n and _is_blank(text[pos]):
                        pos += 1
                    if pos < n and (text[pos] == 84 or text[pos] == 82):  # 'T' or 'R'
                        if text[pos] == 84:
                            new_flags |= _TX
                        pos += 1
                        while pos < n and _is_blank(text[pos]):
                            pos += 1
                    if pos < n and text[pos] != _LF:
                        reason = _TRAILING
            if reason == _OK:
                bus_at = _bus_index(text, bus_start, bus_end, names, name_lengths, last_bus)
                if bus_at < 0:
                    reason = _BUS_TABLE
            is_frame = reason == _OK
        # -- book it --------------------------------------------------------------------------------
        if is_frame:
            time_ns[row] = stamp
            bus[row] = bus_at
            identifier[row] = ident
            flags[row] = new_flags
            length[row] = count
            offset[row] = used
            if not new_flags & _REMOTE:
                used += count
            row += 1
            last_bus = bus_at
        elif reason != _OK:
            if bad < bad_line.size:
                bad_line[bad] = lines
                bad_reason[bad] = reason
            bad += 1
        while pos < n and text[pos] != _LF:
            pos += 1
        pos += 1
        lines += 1
    return row, used, lines, other, bad, lost
