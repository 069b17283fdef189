"""Pictures: that they are ours is read from the file, and a machine without a browser is told what to do."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest

from logscope import RequestError
from logscope.pictures import browser, png


def chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def smallest() -> bytes:
    """One black pixel, put together by the PNG specification (W3C, third edition, 11.2)."""
    header = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return png.SIGNATURE + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0\0")) + chunk(b"IEND", b"")


def test_a_signed_picture_is_ours_and_still_a_picture() -> None:
    made = png.signed(smallest(), "1.0")
    assert png.is_ours(made[:100])
    assert not png.is_ours(smallest())
    assert not png.is_ours(b"")
    at, kinds = len(png.SIGNATURE), []
    while at < len(made):
        (length,) = struct.unpack(">I", made[at : at + 4])
        kind, content = made[at + 4 : at + 8], made[at + 8 : at + 8 + length]
        assert made[at + 8 + length : at + 12 + length] == struct.pack(">I", zlib.crc32(kind + content))
        kinds.append((kind, content))
        at += 12 + length
    assert [kind for kind, _ in kinds] == [b"IHDR", b"tEXt", b"IDAT", b"IEND"]
    assert kinds[1][1] == b"Software\0logscope 1.0"


def test_nothing_to_draw_needs_no_browser(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(browser, "_candidates", lambda: iter(()))
    assert png.pictures([]) == []


def test_where_there_is_no_browser_the_way_out_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(browser, "_candidates", lambda: iter([tmp_path / "no such browser"]))
    with pytest.raises(RequestError, match=r"\.html"):
        browser.find_browser()
