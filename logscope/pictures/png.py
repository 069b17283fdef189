"""Drawings as PNG files that say who made them."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from collections.abc import Sequence

from logscope.errors import RequestError
from logscope.pictures.browser import page_when_done
from logscope.report.html import render_page
from logscope.report.json import version
from logscope.report.stack import Drawing

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_HEADER_END = len(SIGNATURE) + 25  # the header chunk is 13 bytes with length, type and checksum (PNG, W3C, 11.2.1)
_START_S, _CHART_S = 120, 10  # thirty charts take 5 s; a machine full of other work many times as long
_SOFTWARE = b"tEXtSoftware\x00logscope "
_PICTURE = re.compile(r'data-png="data:image/png;base64,([A-Za-z0-9+/=]+)"')


def pictures(drawn: Sequence[tuple[str, Drawing]]) -> list[bytes]:
    """Drawings with their titles, empty for none, as PNG files, in order.

    Raises RequestError where no browser is installed, or it draws nothing.
    """
    if not drawn:
        return []
    patience_s = _START_S + _CHART_S * len(drawn)
    page = page_when_done(render_page("picture.html.j2", title="Charts", drawn=drawn), patience_s)
    found = [base64.b64decode(each) for each in _PICTURE.findall(page)]
    if len(found) != len(drawn) or not all(content.startswith(SIGNATURE) for content in found):
        raise RequestError(
            f"the browser drew {len(found)} of {len(drawn)} charts",
            do="Try again, or write an .html file, whose charts any browser shows.",
        )
    return [signed(content, version()) for content in found]


def signed(png: bytes, version: str) -> bytes:
    """The file with a text after its header that says which program made it (keyword “Software”, PNG 11.3.4.2)."""
    text = _SOFTWARE + version.encode("latin-1", "replace")
    chunk = struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
    return png[:_HEADER_END] + chunk + png[_HEADER_END:]


def is_ours(head: bytes) -> bool:
    """Whether a file that begins so is a picture of ours."""
    return head.startswith(SIGNATURE) and head[_HEADER_END + 4 :].startswith(_SOFTWARE)
