"""Text and packed files, what is refused, and accounts: by hand, with Python's own packers."""

from __future__ import annotations

import gzip
import io
import lzma
import zipfile
from pathlib import Path

import numpy as np
import pytest
from made_frames import frames_at

from logscope.capture.compression import is_compressed, open_content, unpack
from logscope.capture.frames import Account, BadLine, Block, Gap, TimeStep
from logscope.capture.open import _of_bus, refuse_unknown
from logscope.capture.rows import EARLIEST, bus_names
from logscope.capture.samples import SerialAccount
from logscope.capture.shift import Shift
from logscope.capture.text import _after_last_line_end, _after_lines, head_of, text_blocks
from logscope.errors import LogError
from logscope.time_doubt import TimeDoubt

S = 1_000_000_000


def test_a_packed_log_is_unpacked_whatever_its_name(tmp_path: Path) -> None:
    content = b"line\n" * 1000
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("folder/", b"")
        packed.writestr("folder/a.log", content)
    kinds = {"gz": gzip.compress(content), "xz": lzma.compress(content), "zip": archive.getvalue(), "log": content}
    for name, data in kinds.items():
        path = tmp_path / f"a.{name}"
        path.write_bytes(data)
        assert is_compressed(path) is (name != "log")
        with open_content(path) as stream:
            assert stream.read() == content
        found, notes = unpack(path, tmp_path)
        assert (found.read_bytes(), notes, found == path) == (content, (), name == "log")
        assert head_of(path, 12) == content[:12]
    cut = tmp_path / "cut.gz"
    cut.write_bytes(kinds["gz"][:-9])
    _, (note,) = unpack(cut, tmp_path)
    assert note == f"{cut}: the compressed file is cut short or damaged; everything before the damage was read"
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as packed:
        packed.writestr("a", b"1")
        packed.writestr("b", b"2")
    with pytest.raises(LogError, match="holds 2 files, and only one"), open_content(tmp_path / "two.zip"):
        pass


@pytest.mark.parametrize(
    ("content", "header", "size", "blocks"),
    [
        (b"a\nbb\nc", 0, 4, [b"a\nbb\n", b"c"]),
        (b"a\nbb\nc\n", 1, 100, [b"bb\nc\n"]),
        (b"a\nbb\nc\n", 3, 4, []),
        (b"\xef\xbb\xbfa\nb\n", 0, 100, [b"a\nb\n"]),
        (b"", 0, 4, []),
        (b"ab", 0, 4, [b"ab"]),
        (b"a" * 20 + b"\nb\n", 0, 4, [b"a" * 20 + b"\n", b"b\n"]),
    ],
)
def test_text_comes_in_whole_lines(
    content: bytes, header: int, size: int, blocks: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(content)
    monkeypatch.setattr("logscope.capture.text.BLOCK_BYTES", size)
    found = list(text_blocks(path, header))
    joined = b"".join(block.text[: block.size].tobytes() for block in found)
    assert joined == b"".join(blocks)
    assert all(block.is_whole for block in found[:-1])
    assert not found or found[-1].is_whole == joined.endswith(b"\n")
    assert all((block.text[block.size : block.size + 64] == 10).all() for block in found)
    if size == 100:
        assert len(found) == len(blocks)


def test_line_ends_are_found() -> None:
    text = np.frombuffer(b"ab\ncd\nef", np.uint8)
    assert [_after_last_line_end(text, start) for start in (0, 5, 6)] == [6, 6, 0]
    assert [_after_lines(text, count) for count in (0, 1, 2, 3, 5)] == [(0, 0), (3, 0), (6, 0), (8, 0), (8, 2)]
    far = np.frombuffer(b"\n" + b"x" * 9000, np.uint8)
    assert (_after_last_line_end(far, 0), _after_last_line_end(far, 1)) == (1, 0)
    table = np.zeros((3, 8), np.uint8)
    table[0, :4], table[2, :3] = [3, *b"can"], [2, *b"v1"]
    assert bus_names(table) == ("can", "v1")
    assert EARLIEST == -(2**63)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b" \n", "the log is empty"), ("a".encode("utf-16"), "the text is in UTF-16"),
        (b"a\x00b", "no known log format: the content fits none"),
    ],
)  # fmt: skip
def test_what_is_no_log_is_refused(content: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(content)
    with pytest.raises(LogError, match=said):
        refuse_unknown(tmp_path / "a.log")
    with pytest.raises(LogError, match="this is a folder, and not one of a recording"):
        refuse_unknown(tmp_path)


def test_a_file_of_one_bus_is_called_as_it_was_recorded() -> None:
    one, two = (frames_at([1, 2], bus=[0, k], buses=("can0", "can1")[: k + 1]) for k in (0, 1))
    assert [block.frames.buses for block in _of_bus([Block(one), Block(two)], "drive")] == [
        ("drive",),
        ("can0", "can1"),
    ]


# ------------------------------------------------------------------------------------------ accounts


def test_accounts_add_up() -> None:
    doubt = TimeDoubt("a", "seconds", "guessed", 1.0, 2.0, (), "")
    bad = tuple(BadLine("a", k, "x") for k in range(15))
    one = Account(
        files=("a",), lines=1, lines_bad=2, other=3, sample_lines=4, frames=5, error_frames=6, remote_frames=7,
        out_of_order=8, stamps_repaired=9, lost=10, resets=11, restarts=(Gap(1, 2),), time_steps=(TimeStep(3, 4),),
        gaps=(Gap(5, 6),), bad=bad, notes=("n",), assumptions=("s",), time_doubts=(doubt,),
    )  # fmt: skip
    both = one + one + Account(files=("b",), notes=("m",))
    assert both == Account(
        files=("a", "b"), lines=2, lines_bad=4, other=6, sample_lines=8, frames=10, error_frames=12, remote_frames=14,
        out_of_order=16, stamps_repaired=18, lost=20, resets=22, restarts=(Gap(1, 2),) * 2,
        time_steps=(TimeStep(3, 4),) * 2, gaps=(Gap(5, 6),) * 2, bad=(*bad, *bad[:5]), notes=("n", "m"),
        assumptions=("s",), time_doubts=(doubt,) * 2,
    )  # fmt: skip
    assert one.remarks == (doubt.sentence(), "n")
    assert one.cautions == (doubt.sentence(), "s")


def test_a_console_s_account_is_one_of_any_log() -> None:
    bad = (BadLine("a", 1, "x"),)
    serial = SerialAccount(("a",), 10, 4, 3, 2, bad, 5, (Gap(1, 2),), 6, ("n",), ("s",))
    assert serial.as_account() == Account(
        files=("a",), lines=10, lines_bad=2, other=3, sample_lines=4, out_of_order=6, resets=5, restarts=(Gap(1, 2),),
        bad=bad, notes=("n",), assumptions=("s",),
    )  # fmt: skip


def test_a_clock_is_shifted_and_stretched_about_its_middle() -> None:
    """100 ppm of 10 s after the middle are a millisecond."""
    shift = Shift(5 * S, 100e-6, 20 * S)
    assert shift.stamp(30 * S) == 35 * S + 1_000_000
    assert shift.stamp(10 * S) == 15 * S - 1_000_000
    assert shift.stamps(np.array([30, 20]) * S).tolist() == [35 * S + 1_000_000, 25 * S]
