"""Packets of a byte stream: COBS and SLIP.

COBS is consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2),
1999; reference from memory), left to the cobs library. SLIP is RFC 1055.
"""

from __future__ import annotations

import re

SLIP_END = b"\xc0"
SLIP_ESC = b"\xdb"
_SLIP_ESCAPED_END = b"\xdb\xdc"
_SLIP_ESCAPED_ESC = b"\xdb\xdd"
_SLIP_BROKEN = re.compile(rb"\xdb(?![\xdc\xdd])")

COBS_END = b"\x00"

END_OF = {"cobs": COBS_END, "slip": SLIP_END}


def unpack(packet: bytes, framing: str) -> bytes:
    """What a packet, without its end byte, holds. framing : "cobs" or "slip".

    Raises ValueError where it is not validly encoded.
    """
    return unpack_cobs(packet) if framing == "cobs" else unpack_slip(packet)


def unpack_cobs(packet: bytes) -> bytes:
    """Undo consistent overhead byte stuffing."""
    from cobs import cobs

    try:
        return bytes(cobs.decode(packet))
    except cobs.DecodeError:
        raise ValueError("it is no valid COBS packet") from None


def unpack_slip(packet: bytes) -> bytes:
    """Undo the escapes of RFC 1055.

    The RFC's example leaves a byte behind a stray ESC as it is; here that is damage, as no sender writes it.

    >>> unpack_slip(b"a\\xdb\\xdcb\\xdb\\xdd")
    b'a\\xc0b\\xdb'
    """
    if _SLIP_BROKEN.search(packet):
        raise ValueError("it is no valid SLIP packet")
    return packet.replace(_SLIP_ESCAPED_END, SLIP_END).replace(_SLIP_ESCAPED_ESC, SLIP_ESC)
