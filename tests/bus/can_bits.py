"""A frame bit by bit, as ISO 11898-1 puts it on the wire: the oracle of the tests. Slow, and plain.

Classic frames after Bosch CAN 2.0 parts A and B (3.1.1 with the CRC's register, 5 for stuffing); CAN FD after ISO
11898-1:2015 (10.4), the position of its fixed stuff bits from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

INTERFRAME = 3
AFTER_CRC = 1 + 2 + 7  # CRC delimiter, acknowledge slot and delimiter, end of frame
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def bits(value: int, width: int) -> list[int]:
    """A number as bits, the most significant first."""
    return [value >> k & 1 for k in reversed(range(width))]


def stuffed(sequence: Sequence[int]) -> list[int]:
    """The bits with a bit of the other value after every five equal ones, those put in counted."""
    out: list[int] = []
    run = 0
    for bit in sequence:
        run = run + 1 if out and out[-1] == bit else 1
        out.append(bit)
        if run == 5:
            out.append(1 - bit)
            run = 1
    return out


def crc15(sequence: Sequence[int]) -> int:
    """The register after each bit was shifted in, as the specification writes it."""
    register = 0
    for bit in sequence:
        following = bit ^ (register >> 14 & 1)
        register = register << 1 & 0x7FFF
        if following:
            register ^= 0x4599
    return register


def classic_frame(identifier: int, data: bytes, *, extended: bool, remote: bool = False, length: int = 0) -> int:
    """Bits of a classic frame, interframe space included; length : asked for by a remote frame."""
    request, code = int(remote), min(length if remote else len(data), 8)
    if extended:
        arbitration = [*bits(identifier >> 18, 11), 1, 1, *bits(identifier & 0x3FFFF, 18), request]
        control = [0, 0, *bits(code, 4)]
    else:
        arbitration = [*bits(identifier, 11), request]
        control = [0, 0, *bits(code, 4)]
    content = [] if remote else [bit for byte in data for bit in bits(byte, 8)]
    before_crc = [0, *arbitration, *control, *content]
    return len(stuffed([*before_crc, *bits(crc15(before_crc), 15)])) + AFTER_CRC + INTERFRAME


def fd_frame(identifier: int, data: bytes, *, extended: bool, error_passive: bool = False) -> int:
    """Bits of a CAN FD frame, interframe space included, whatever their rate."""
    code = FD_LENGTHS.index(len(data))
    if extended:
        head = [0, *bits(identifier >> 18, 11), 1, 1, *bits(identifier & 0x3FFFF, 18), 0, 1, 0, 0]
    else:
        head = [0, *bits(identifier, 11), 0, 0, 1, 0, 0]
    before = [*head, int(error_passive), *bits(code, 4), *(bit for byte in data for bit in bits(byte, 8))]
    on_wire = stuffed(before)
    if len(on_wire) == len(stuffed(before[:-1])) + 2:
        on_wire.pop()  # the fixed stuff bit before the stuff count takes the place of a dynamic one there
    crc_field = 4 + (17 if len(data) <= 16 else 21)
    fixed = -(-crc_field // 4)  # before the first bit, and then after every fourth
    return len(on_wire) + crc_field + fixed + AFTER_CRC + INTERFRAME
