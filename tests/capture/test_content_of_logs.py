"""Bytes of a log, packed or plain, to blocks of whole lines, and from what a kernel filled to frames; by hand."""

from __future__ import annotations

import gzip
import logging
import lzma
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logscope.capture import rows as to_rows
from logscope.capture import text as texts
from logscope.capture.compression import cut_note, is_compressed, open_content, unpack
from logscope.capture.frames import Account, BadLine, Block, Flag
from logscope.capture.reader_complaints import ReaderComplaints
from logscope.capture.resumed import resumed
from logscope.capture.rows import Columns, blocks_of_text, bus_names
from logscope.capture.text import head_of, text_blocks
from logscope.errors import LogError
from logscope.time_doubt import TimeDoubt

# -- packed files -----------------------------------------------------------------------------------


def packed(path: Path, kind: str, content: bytes = b"a\nb\n") -> Path:
    if kind == "zip":
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("folder/", b"")
            archive.writestr("folder/log", content)
    else:
        path.write_bytes({"gz": gzip.compress, "xz": lzma.compress, "plain": bytes}[kind](content))
    return path


@pytest.mark.parametrize("kind", ["gz", "xz", "zip", "plain"])
def test_the_content_is_the_same_however_it_is_packed(tmp_path: Path, kind: str) -> None:
    path = packed(tmp_path / "a", kind)
    assert is_compressed(path) is (kind != "plain")
    with open_content(path) as stream:
        assert stream.read() == b"a\nb\n"
    assert head_of(path) == b"a\nb\n"
    assert head_of(path, 3) == b"a\nb"
    folder = tmp_path / "unpacked"
    folder.mkdir()
    plain, notes = unpack(path, folder)
    assert (plain.read_bytes(), notes, plain == path) == (b"a\nb\n", (), kind == "plain")


def test_a_packed_file_that_is_cut_gives_its_beginning_and_a_note(tmp_path: Path) -> None:
    content = np.random.default_rng(1).bytes(200_000)
    path = tmp_path / "cut"
    path.write_bytes(gzip.compress(content)[:150_000])
    plain, notes = unpack(path, tmp_path)
    assert notes == (f"{path}: the compressed file is cut short or damaged; everything before the damage was read",)
    assert notes == (cut_note(path),)
    got = plain.read_bytes()
    assert 0 < len(got) < 200_000
    assert content.startswith(got)
    path.write_bytes(gzip.compress(content)[:12])
    with pytest.raises(LogError, match=r"the compressed file is damaged \(.+\)\. Copy it again from the logger\."):
        head_of(path)


@pytest.mark.parametrize("count", [0, 2])
def test_an_archive_holds_one_file(tmp_path: Path, count: int) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for k in range(count):
            archive.writestr(str(k), b"")
        archive.comment = b"so that an empty one is recognised"
    if count == 0:
        path.write_bytes(b"PK\x03\x04" + path.read_bytes())
    with pytest.raises(LogError, match=f"the zip archive holds {count} files, and only one can be read from it"):
        head_of(path)


def test_an_archive_with_a_password_is_to_be_unpacked_first(tmp_path: Path) -> None:
    """Bit 0 of the flags says so, 6 bytes into a local header and 8 into one of the directory (APPNOTE.TXT, 4.3)."""
    path = packed(tmp_path / "a.zip", "zip")
    content = bytearray(path.read_bytes())
    for signature, place in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        at = content.find(signature)
        while at >= 0:
            content[at + place] |= 1
            at = content.find(signature, at + 1)
    path.write_bytes(content)
    with pytest.raises(LogError, match=r"the zip file cannot be unpacked \(.*password.*\)\. Unpack it first\."):
        head_of(path)


# -- blocks of whole lines --------------------------------------------------------------------------


def blocks_of(path: Path, header_lines: int = 0) -> list[tuple[bytes, bool]]:
    found = []
    for block in text_blocks(path, header_lines):
        assert block.text.size == block.size + texts.PAD
        assert bytes(block.text[block.size :]) == b"\n" * 64
        found.append((block.text[: block.size].tobytes(), block.is_whole))
    return found


@pytest.mark.parametrize(
    ("content", "header_lines", "blocks"),
    [
        (b"ab\ncd\nef", 0, [(b"ab\n", True), (b"cd\n", True), (b"ef", False)]),
        (b"ab\ncd\nef\n", 0, [(b"ab\n", True), (b"cd\n", True), (b"ef\n", True)]),
        (b"\xef\xbb\xbfab\n", 0, [(b"ab\n", True)]),  # a byte order mark
        (b"\xef\xbb\xbf", 0, []),
        (b"\xef\xbb", 0, [(b"\xef\xbb", False)]),
        (b"", 0, []),
        (b"a", 0, [(b"a", False)]),
        (b"abcdefgh\ni", 0, [(b"abcdefgh\n", True), (b"i", False)]),  # a line longer than a block
        (b"ab\ncd\nef\n", 1, [(b"cd\n", True), (b"ef\n", True)]),
        (b"ab\ncd\nef\n", 2, [(b"ef\n", True)]),
        (b"ab\ncd\nef", 3, []),
        (b"ab\ncd\nef\n", 3, []),
        (b"ab\ncd\n", 9, []),
    ],
)
def test_a_text_comes_in_whole_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes, header_lines: int, blocks: list[tuple[bytes, bool]]
) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(content)
    monkeypatch.setattr(texts, "BLOCK_BYTES", 2)
    found = blocks_of(path, header_lines)
    assert b"".join(text for text, _ in found) == b"".join(text for text, _ in blocks)
    assert all(whole for _, whole in found[:-1])
    assert [whole for _, whole in found[-1:]] == [whole for _, whole in blocks[-1:]]
    monkeypatch.setattr(texts, "BLOCK_BYTES", 1 << 20)
    at_once = blocks_of(path, header_lines)
    assert len(at_once) == bool(blocks)
    assert b"".join(text for text, _ in at_once) == b"".join(text for text, _ in blocks)


def test_the_last_line_end_is_found_behind_a_given_place() -> None:
    text = np.frombuffer(b"ab\n" + b"x" * 9000, np.uint8)
    assert texts._after_last_line_end(text, 0) == 3
    assert texts._after_last_line_end(text, 2) == 3
    assert texts._after_last_line_end(text, 3) == 0
    assert texts._after_last_line_end(np.frombuffer(b"ab\ncd\n", np.uint8), 0) == 6
    assert texts._after_lines(np.frombuffer(b"a\nb\nc", np.uint8), 2) == (4, 0)
    assert texts._after_lines(np.frombuffer(b"a\nb\nc", np.uint8), 5) == (5, 2)
    assert texts._after_lines(np.frombuffer(b"a\nb\nc", np.uint8), 0) == (0, 0)


def test_a_cut_packed_text_gives_its_whole_lines_and_then_says_so(tmp_path: Path) -> None:
    lines = b"".join(b"%d\n" % k for k in np.random.default_rng(2).integers(0, 10**9, 40_000))
    path = tmp_path / "a.gz"
    path.write_bytes(gzip.compress(lines)[:-50_000])
    blocks: list[bytes] = []
    with pytest.raises(EOFError):
        blocks.extend(block.text[: block.size].tobytes() for block in text_blocks(path))
    found = b"".join(blocks)
    assert found.endswith(b"\n")
    assert lines.startswith(found)
    assert len(found) > 100_000


# -- from a kernel's columns to blocks --------------------------------------------------------------


def kernel(text: int, size: int, columns: Columns, payload: int, buses: int) -> tuple[int, int, int, int, int, int]:
    """Stands for a compiled kernel: two frames, one bad line and one remark in each block; five frames lost."""
    columns.time_ns[:2] = [size, size - 1]
    columns.bus[:2], columns.identifier[:2], columns.length[:2], columns.offset[:2] = 0, [7, 8], [1, 0], [0, 1]
    columns.flags[:2] = [Flag.ERROR, Flag.REMOTE]
    columns.bad_line[0], columns.bad_reason[0] = 2, 1
    return 2, 1, 4, 1, 1, 5


def test_blocks_have_their_account_and_lines_count_through_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(b"head\n" + b"0123456\n" * 4)
    monkeypatch.setattr(texts, "BLOCK_BYTES", 16)
    found = list(blocks_of_text(path, kernel, 4, ("", "why"), ("n",), "can0", 1))
    file = str(path)
    assert found[0].account == Account(files=(file,), lines=1, other=1, notes=("n",))
    sizes = [int(block.frames.time_ns[0]) for block in found[1:]]
    assert sum(sizes) == 32
    for number, block in enumerate(found[1:]):
        earlier = bool(number) and sizes[number] < sizes[number - 1] - 1
        assert block.account == Account(
            files=(file,), lines=4, lines_bad=1, other=1, frames=2, error_frames=1, remote_frames=1,
            out_of_order=1 + earlier, lost=5, bad=(BadLine(file, 1 + 4 * number + 3, "why"),),
        )  # fmt: skip
        assert block.frames.buses == ("can0",)
        assert (block.frames.identifier.tolist(), block.frames.length.tolist()) == ([7, 8], [1, 0])
        assert (block.frames.flags.tolist(), block.frames.payload.size) == ([Flag.ERROR, Flag.REMOTE], 1)
    plain = next(blocks_of_text(path, kernel, 4, ("", "why")))
    assert (plain.frames.buses, len(plain.frames)) == ((), 2)  # no block for a header or notes that there are not
    said = next(blocks_of_text(path, kernel, 4, ("", "why"), ("n",)))
    assert said.account == Account(files=(file,), notes=("n",))
    headed = next(blocks_of_text(path, kernel, 4, ("", "why"), header_lines=1))
    assert headed.account == Account(files=(file,), lines=1, other=1)


def test_no_frames_are_columns_without_rows() -> None:
    none = to_rows.no_frames()
    columns = (none.time_ns, none.bus, none.identifier, none.flags, none.length, none.offset, none.payload)
    assert [column.size for column in columns] == [0] * 7
    assert [column.dtype for column in columns] == ["i8", "u1", "u4", "u1", "u1", "i8", "u1"]
    assert none.buses == ()


@pytest.mark.parametrize(("content", "said"), [(b"a\nb", True), (b"a\nb\n", False)])
def test_a_last_line_without_an_end_is_said(tmp_path: Path, content: bytes, said: bool) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(content)
    *_, last = blocks_of_text(path, kernel, 1, ("", "why"))
    note = f"{path}: the last line has no line end: if the log was cut off, the last payload may be short"
    assert last.account.notes == ((note,) if said else ())


def test_a_cut_packed_log_ends_in_its_note(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    path.write_bytes(gzip.compress(np.random.default_rng(1).bytes(200_000))[:150_000])
    blocks = list(blocks_of_text(path, kernel, 4, ("", "why")))
    assert blocks[-1].account == Account(files=(str(path),), notes=(cut_note(path),))


def test_names_of_buses_are_texts_of_their_length() -> None:
    table = np.zeros((3, 8), np.uint8)
    table[0, :3] = [2, *b"ab"]
    table[1, :5] = [1, *b"cdef"]
    assert bus_names(table) == ("ab", "c")
    columns, payload = to_rows._room(100, 8)
    assert (columns.time_ns.size, columns.bad_line.size, payload.size) == (13, 20, 178)


# -- what other readers complain of -----------------------------------------------------------------


def test_complaints_are_bad_lines_or_notes() -> None:
    loss, other = ReaderComplaints("a.trc", True), ReaderComplaints("a.asc", False)
    with loss:
        loss.number = 7
        logging.getLogger("can.io.trc").warning("bad %d", 3)
        logging.getLogger("can.io.trc").info("nothing")
    loss.add("x" * 200)
    assert loss.take() == [BadLine("a.trc", 7, "bad 3"), BadLine("a.trc", 7, "x" * 120)]
    assert (loss.take(), loss.notes()) == ([], ())
    with other:
        for text in ("a", "b", "b", "c", "d", "e", "e", "f", "y" * 200, "y" * 200, "y" * 200):
            logging.getLogger("can").warning(text)
    assert other.take() == []
    assert other.notes() == tuple(
        f"a.asc: {text} ({count} times)" for text, count in (("y" * 120, 3), ("b", 2), ("e", 2), ("a", 1), ("c", 1))
    )
    logging.getLogger("can").warning("after")
    assert len(other.notes()) == 5
    assert logging.getLogger("can").propagate


class Reader:
    """Reads numbers after a line “head”; anything else fails."""

    def __init__(self, lines: Callable[[], object]) -> None:
        self._lines = iter(lines)  # type: ignore[call-overload]
        self.heads = 0

    def __iter__(self):  # type: ignore[no-untyped-def]
        for line in self._lines:
            if line == "head":
                self.heads += 1
            elif self.heads == 1:
                yield int(line)
            else:
                raise KeyError(line)


def resumed_of(lines: list[str]) -> tuple[list[int], list[BadLine]]:
    complaints = ReaderComplaints("a", False)
    return list(resumed(lines, Reader, complaints)), complaints.take()  # type: ignore[arg-type]


def test_reading_goes_on_after_a_bad_line_with_the_head_once_more() -> None:
    found, bad = resumed_of(["head", "1", "x", "2", "y", "3"])
    assert found == [1, 2, 3]
    assert [(each.line, each.reason.split(":")[0]) for each in bad] == [(3, "ValueError"), (5, "ValueError")]
    found, bad = resumed_of(["head", "x", "2"])  # bad before the first frame
    assert (found, [each.line for each in bad]) == ([2], [2])
    assert resumed_of([]) == ([], [])


@pytest.mark.parametrize("count", [99, 100])
def test_a_log_of_bad_lines_alone_is_in_another_format(count: int) -> None:
    lines = ["head", *["x"] * count]
    if count == 99:
        assert (resumed_of(lines)[0], len(resumed_of(lines)[1])) == ([], 99)
        assert len(resumed_of(["head", "1", *["x"] * 150])[1]) == 150
    else:
        with pytest.raises(ValueError, match="invalid literal"):
            resumed_of(lines)


def test_a_reader_that_fails_without_reading_on_is_not_asked_again() -> None:
    def fails(_: object) -> list[int]:
        raise KeyError("at once")

    with pytest.raises(KeyError):
        list(resumed(["head"], fails, ReaderComplaints("a", False)))


def test_what_is_in_doubt_is_said_before_notes_and_assumptions() -> None:
    doubt = TimeDoubt("a", "seconds", "guessed", 1e6, 1.0, (), "x")
    account = Account(notes=("n",), assumptions=("a",)) + Account(time_doubts=(doubt,))
    assert account.remarks == (doubt.sentence(), "n")
    assert account.cautions == (doubt.sentence(), "a")
    assert Block(to_rows.no_frames()).account == Account()
