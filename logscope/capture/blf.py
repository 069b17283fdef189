"""BLF logs through python-can, with an end to damaged ones. In a file of its own: who reads no BLF imports no `can`."""

from __future__ import annotations

import re
from collections.abc import Iterator

from can import BLFReader, Message
from can.io.blf import BLFParseError

# Signature, sizes of header and version, then the size of the object: zero.
_OBJECT_WITHOUT_SIZE = re.compile(rb"LOBJ.{4}\x00{4}", re.DOTALL)


class SteadyBLFReader(BLFReader):
    """python-can's reader, which would read an object that says its size is 0 again and again."""

    def _parse_data(self, data: bytes) -> Iterator[Message]:
        endless = _OBJECT_WITHOUT_SIZE.search(data)
        if endless is None:
            yield from super()._parse_data(data)
            return
        yield from super()._parse_data(data[: endless.start()])
        raise BLFParseError("an object of no size")
