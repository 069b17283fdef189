"""Bytes of a text log as text: UTF-8, or the code page of older Windows programs."""

from __future__ import annotations

import codecs


def decoded_text(head: bytes) -> str:
    """The first bytes of a log as text. Where they are no UTF-8, they are taken as Windows-1252, which has ISO 8859-1.

    A character cut at the end does not count.

    >>> decoded_text(b"Temp [\\xb0C]"), decoded_text("Temp [°C]".encode())
    ('Temp [°C]', 'Temp [°C]')
    """
    try:
        return codecs.getincrementaldecoder("utf-8-sig")().decode(head)
    except UnicodeDecodeError:
        return windows_text(head)


def windows_text(line: bytes) -> str:
    """Bytes as Windows-1252; the five that it leaves open as the control characters of ISO 8859-1."""
    try:
        return line.decode("cp1252")
    except UnicodeDecodeError:
        return line.decode("latin-1")
