"""Logs are opened by their content, and what cannot be read is refused in one line that says what to do."""

from __future__ import annotations

import gzip
import io
import lzma
import zipfile
from pathlib import Path

import numpy as np
import pytest
from can_messages import messages, rows_of, write
from serial_definitions import CONSOLE

from logscope.capture.open import concatenate, read, stream
from logscope.definitions.serial import load_serial_definition
from logscope.errors import LogError

SUFFIXES = [".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4"]


def zipped(**members: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return file.getvalue()


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_content_decides_and_not_the_name(tmp_path: Path, suffix: str) -> None:
    written = write(tmp_path / f"right{suffix}", messages(20, start_s=0.0, fd=False, remote=False))
    expected = rows_of(read(written).frames)
    misnamed = tmp_path / "no suffix at all"
    misnamed.write_bytes(written.read_bytes())
    assert rows_of(read(misnamed).frames) == expected
    assert len(expected) == 20


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("pack", [gzip.compress, lzma.compress, lambda raw: zipped(a=raw)], ids=["gzip", "xz", "zip"])
def test_every_format_may_be_packed(tmp_path: Path, suffix: str, pack) -> None:  # type: ignore[no-untyped-def]
    plain = write(tmp_path / f"plain{suffix}", messages(20, start_s=0.0, fd=False, remote=False))
    packed = tmp_path / "packed.log"
    packed.write_bytes(pack(plain.read_bytes()))
    assert rows_of(read(packed).frames) == rows_of(read(plain).frames)


REFUSED = {
    "empty": (b"", "the log is empty"),
    "blank": (b" \n\n ", "the log is empty"),
    "gzip of nothing": (gzip.compress(b""), "the log is empty"),
    "two logs in one archive": (zipped(a=b"1", b=b"2"), "the zip archive holds 2 files"),
    "cut gzip": (gzip.compress(b"(1.0) can0 1#")[:10], "the compressed file is damaged"),
    "cut zip": (zipped(a=b"(1.0) can0 1#")[:40], "the compressed file is damaged"),
    "cut xz": (lzma.compress(b"(1.0) can0 1#")[:20], "the compressed file is damaged"),
    "picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "no known log format"),
    "prose": (b"Dear reader,\nhere is a letter.\n", "no known log format"),
    "UTF-16": ("(1.0) can0 1#\n".encode("utf-16"), "UTF-16"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_line_that_names_the_file(tmp_path: Path, case: str) -> None:
    content, words = REFUSED[case]
    path = tmp_path / "a log.bin"
    path.write_bytes(content)
    with pytest.raises(LogError, match=words) as raised:
        read(path)
    assert "a log.bin: " in str(raised.value)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("rpm=0 udc: 318.0V", 'line 2: Link: “318.0V” is not a value; if it ends in its unit, add unit = "V"'),
        ("speed=0", "no line holds any of udc"),
    ],
)
def test_a_console_that_its_definition_does_not_fit_is_refused_with_the_reason(
    line: str, why: str, tmp_path: Path
) -> None:
    log, definition = tmp_path / "console.log", tmp_path / "console.toml"
    log.write_text("boot\n" + f"{line}\n" * 20, encoding="utf-8")
    definition.write_text(
        CONSOLE + '[pairs]\n[time]\nrate_Hz = 10\n[[signal]]\nname = "Link"\nfield = "udc"\n', encoding="utf-8"
    )
    with pytest.raises(LogError) as raised:
        stream([log], consoles=[load_serial_definition(definition)]).in_memory()
    assert why in str(raised.value)
    assert "console.toml" in str(raised.value)


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot open the log"):
        read(tmp_path / "none.log")
    with pytest.raises(LogError, match="folder"):
        read(tmp_path)


def test_every_log_is_looked_at_before_the_first_is_read(tmp_path: Path) -> None:
    sound = write(tmp_path / "sound.log", messages(5, start_s=0.0))
    with pytest.raises(LogError, match=r"none\.log"):
        stream([sound, tmp_path / "none.log"])


def test_several_logs_follow_each_other_with_one_table_of_buses(tmp_path: Path) -> None:
    first = write(tmp_path / "first.log", messages(40, start_s=0.0))
    second = write(tmp_path / "second.blf", messages(41, start_s=0.0, channels=5))
    both = read(first, second)
    assert rows_of(both.frames) == rows_of(read(first).frames) + rows_of(read(second).frames)
    assert len(set(both.frames.buses)) == len(both.frames.buses)
    assert both.account.files == (str(first), str(second))
    assert both.account.frames == 81


def test_concatenating_nothing_gives_no_frames() -> None:
    frames = concatenate([])
    assert len(frames) == 0
    assert frames.time_ns.dtype == np.int64
