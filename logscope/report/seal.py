"""The last line of a text that people edit: as long as the text is untouched, it is ours to replace."""

from __future__ import annotations

import re
import zlib

_WORDS = "Written by logscope"
_SEALED = re.compile(rb"(.*\n)" + _WORDS.encode() + rb" [^\s,]+, seal ([0-9a-f]{8})\.\n", re.DOTALL)


def sealed(text: str, version: str) -> str:
    """The text with its last line. A checksum of what stands above is in it."""
    return f"{text}{_WORDS} {version}, seal {_checksum(text.encode())}.\n"


def is_untouched(content: bytes) -> bool:
    """Whether a file is as `sealed` made it, be it with the line ends of another system.

    >>> written = sealed("Found.\\n", "1.0").encode()
    >>> is_untouched(written), is_untouched(written + b"Mine.\\n")
    (True, False)
    """
    found = _SEALED.fullmatch(content.replace(b"\r\n", b"\n"))
    return found is not None and _checksum(found[1]).encode() == found[2]


def _checksum(content: bytes) -> str:
    return f"{zlib.crc32(content):08x}"
