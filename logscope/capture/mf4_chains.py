"""The chains of blocks in an MF4 file, followed once before it is read.

Blocks point to the next of their kind. In a damaged file a chain can lead back into itself, and a reader that
follows it never comes to an end. Source of the layout: ASAM MDF 4 (block header, links of each kind of block).
"""

from __future__ import annotations

import struct
from typing import IO

_HEADER = struct.Struct("<4s4xQQ")  # kind, length, number of links
_FIRST_BLOCK = 64  # the header block follows the identification block
# Of each kind of block: which of its links lead to a block that belongs to it alone. Link 0 of most is the next one.
_OWN_LINKS = {
    b"##HD": (0, 1, 2, 3, 4),  # data groups, file history, hierarchy, attachments, events
    b"##DG": (0, 1),  # next, channel groups
    b"##CG": (0, 1),  # next, channels
    b"##CN": (0, 1),  # next, the channels it is composed of
    b"##FH": (0,),
    b"##CH": (0, 1),
    b"##AT": (0,),
    b"##EV": (0,),
}


class EndlessChain(ValueError):
    """A block is reached twice."""


def follow_chains(stream: IO[bytes]) -> None:
    """Visit each block once; raises EndlessChain where one is reached a second time, and rewinds the stream."""
    visited: set[int] = set()
    waiting = [_FIRST_BLOCK]
    while waiting:
        at = waiting.pop()
        if at in visited:
            raise EndlessChain(f"the block at byte {at} is reached twice")
        visited.add(at)
        waiting += _own_links(stream, at)
    stream.seek(0)


def _own_links(stream: IO[bytes], at: int) -> list[int]:
    """Where the blocks are that belong to the block at `at`; none where there is no such block."""
    stream.seek(at)
    header = stream.read(_HEADER.size)
    if len(header) < _HEADER.size:
        return []
    kind, _, count = _HEADER.unpack(header)
    wanted = _OWN_LINKS.get(kind, ())
    links = stream.read(8 * min(count, 8))
    addresses = struct.unpack(f"<{len(links) // 8}Q", links[: len(links) // 8 * 8])
    return [addresses[k] for k in wanted if k < len(addresses) and 0 < addresses[k] < 1 << 63]
