"""How long frames are on the wire.

Sources: Davis, Burns, Bril, Lukkien, Controller Area Network (CAN) schedulability analysis, Real-Time Systems 35
(2007) 239-272, for the bounds; ISO 11898-1 and Bosch CAN 2.0 for fields, bit stuffing and the CRC.
"""

from __future__ import annotations

BITS_BEHIND_CRC = 13  # CRC delimiter, acknowledge slot and delimiter, end of frame, interframe space: never stuffed


def least_frame_bits(payload_bytes: int, *, extended: bool) -> int:
    """Shortest classic CAN frame of this length, with no stuff bit, interframe space included [bit].

    payload_bytes : 0 to 8 [byte]

    >>> least_frame_bits(8, extended=False), least_frame_bits(8, extended=True)
    (111, 131)
    """
    return (67 if extended else 47) + 8 * payload_bytes


def worst_frame_bits(payload_bytes: int, *, extended: bool) -> int:
    """Longest classic CAN frame of this length, stuffing and interframe space included [bit]; Davis et al., (1) to (3).

    payload_bytes : 0 to 8 [byte]

    >>> worst_frame_bits(8, extended=False), worst_frame_bits(8, extended=True)
    (135, 160)
    """
    stuffed = 8 * payload_bytes + (54 if extended else 34)
    return stuffed + 13 + (stuffed - 1) // 4


def worst_fd_frame_bits(payload_bytes: int, *, extended: bool) -> int:
    """Longest CAN FD frame of this length without a faster data phase, interframe space included [bit].

    payload_bytes : 0 to 64 [byte]. A stuff bit after every four bits of what is stuffed, as for classic frames (Davis
    et al.); behind the data the stuff bits have fixed places (ISO 11898-1:2015, from memory).

    >>> worst_fd_frame_bits(8, extended=False), worst_fd_frame_bits(64, extended=False)
    (147, 712)
    """
    stuffed = 8 * payload_bytes + (41 if extended else 22)
    return stuffed + (stuffed - 1) // 4 + (27 if payload_bytes <= 16 else 32) + BITS_BEHIND_CRC
