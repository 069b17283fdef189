"""The compiled part of the reader for delimited text: one pass over the text, no object per row."""

from __future__ import annotations

from typing import NamedTuple

from numba import njit

from logscope.capture.delimited_fields import (
    NO_TIME,
    field_bytes,
    field_identifier,
    field_is_extended,
    field_number,
    field_time_ns,
    next_field,
)
from logscope.capture.text_kernel import (
    EXTENDED,
    FD,
    FD_LENGTHS,
    HASH,
    LF,
    REMOTE,
    TX,
    bus_index,
    byte,
    line_end,
    skip_blanks,
)

REASONS = (
    "",
    "fewer columns than needed (cut short?)",
    "the time cannot be read",
    "the identifier cannot be read",
    "the identifier is out of range",
    "the length cannot be read",
    "the data cannot be read",
    "a frame cannot have this many bytes",
    "fewer bytes than the length says (cut short?)",
    "the column “extended” cannot be read",
    "a quoted field is not closed",
    "the bus column is empty",
    "too many bus names, or a bus name that is too long",
)
(
    _OK,
    _COLUMNS,
    _TIME,
    _IDENTIFIER,
    _IDENTIFIER_RANGE,
    _LENGTH,
    _DATA,
    _TOO_MANY,
    _TOO_FEW,
    _KIND,
    _QUOTE,
    _NO_BUS,
    _BUS_TABLE,
) = range(len(REASONS))

# roles of a column
IGNORED, TIME, IDENT, BUS, KIND, LENGTH, DATA, DATA_BYTE, DIRECTION = range(9)

MIN_LINE = 3  # “0,1” and its line end have more


class Reading(NamedTuple):
    """How the fields are read.

    delimiter : character code; SPACE stands for runs of blanks. A comma ends a field also between digits
    time_power : a number n of the time column is n·10^time_power ns; or DATES
    identifier_base, data_base : 10 or 16
    rest : the column that goes on to the line end, where the delimiter is SPACE; -1 for none
    needed : a row with fewer columns is cut short
    """

    delimiter: int
    time_power: int
    identifier_base: int
    data_base: int
    rest: int
    needed: int


@njit(cache=True, nogil=True)
def _length_and_flags(count, stated, remote):  # type: ignore[no-untyped-def]
    """Reason, bytes of the frame, flags, from the bytes found and the stated length (-1 where there is none)."""
    if remote:
        return (_OK if stated <= 8 else _LENGTH), max(stated, 0), REMOTE
    is_code = 8 < stated <= 15 and count > 8 and count != stated  # the length code of CAN FD, instead of the length
    length = count if stated < 0 or is_code else stated
    if length > count:
        return _TOO_FEW, 0, 0
    if length > 64 or not FD_LENGTHS[length]:
        return _TOO_MANY, 0, 0
    return _OK, length, FD if length > 8 else 0


@njit(cache=True, nogil=True)
def parse(text, size, columns, payload, buses, roles, reading):  # type: ignore[no-untyped-def]
    """Fill the columns from whole lines of text; arguments and result as in candump_kernel.parse, and

    roles : role of each column of the text, int64; more columns than roles are ignored
    reading : Reading
    """
    time_ns, bus, identifier, flags, length, offset, bad_line, bad_reason = columns
    delimiter, power, identifier_base, data_base, rest, needed = reading
    at = text
    row = 0
    used = 0
    lines = 0
    other = 0
    bad = 0
    last_bus = 0
    while at < text + size:
        first = byte(skip_blanks(at))
        if first in (LF, HASH):
            other += 1
            lines += 1
            at = line_end(at) + 1
            continue
        reason = _OK
        stamp = NO_TIME
        ident = -1
        marks = 0
        kind = -2
        stated = -1
        count = 0
        remote = False
        bus_start, bus_end = 0, 0
        column = 0
        while reason == _OK:
            start, end, at = next_field(at, delimiter, column == rest)
            role = roles[column] if column < roles.size else IGNORED
            if at < 0:
                reason = _QUOTE
                at = end
            elif role == TIME:
                stamp = field_time_ns(start, end, power)
                if stamp == NO_TIME:
                    reason = _TIME
            elif role == IDENT:
                ident, extended = field_identifier(start, end, identifier_base)
                marks |= extended
                if ident < 0:
                    reason = _IDENTIFIER if ident == -1 else _IDENTIFIER_RANGE
            elif role == BUS:
                bus_start, bus_end = start, end
                if start == end:
                    reason = _NO_BUS
            elif role == KIND:
                kind = field_is_extended(start, end)
                if kind < 0:
                    reason = _KIND
            elif role == LENGTH:
                stated = field_number(start, end, 10)
                if stated < 0 or stated > 64:
                    reason = _LENGTH
            elif role == DATA and end > start and byte(start) in (82, 114):  # 'R': a remote request
                remote = True
            elif role in (DATA, DATA_BYTE) and end > start and (stated < 0 or count < stated or role == DATA):
                found = field_bytes(start, end, payload + used + count, data_base)
                if found < 0 or (role == DATA_BYTE and found > 1):
                    reason = _DATA
                elif count + found > 64:
                    reason = _TOO_MANY
                count += found
            elif role == DIRECTION and end > start and byte(start) in (84, 116):
                marks |= TX
            column += 1
            if byte(at) == LF:
                break
            at += 1
        if reason == _OK and column < needed:
            reason = _COLUMNS
        if reason == _OK:
            reason, stored, more = _length_and_flags(count, stated, remote)
            marks |= more
        if reason == _OK and kind >= 0:
            marks = marks & ~EXTENDED | (EXTENDED if kind else 0)
            if not kind and ident > 0x7FF:
                reason = _IDENTIFIER_RANGE
        if reason == _OK:
            bus_at = bus_index(bus_start, bus_end, buses, last_bus) if bus_end > bus_start else 0
            if bus_at < 0:
                reason = _BUS_TABLE
            else:
                time_ns[row] = stamp
                bus[row] = bus_at
                identifier[row] = ident
                flags[row] = marks
                length[row] = stored
                offset[row] = used
                used += 0 if remote else stored
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
