"""A few hundred damaged logs of every format: nothing but a LogError, and an account that closes."""

from __future__ import annotations

import gzip
import logging
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from can_messages import closes, messages, write
from test_candump_screen import shown

from logscope.capture.open import read
from logscope.errors import LogError

ROUNDS = 40  # per format; the whole in a few seconds


def cut(content: bytearray, draw: random.Random) -> None:
    del content[draw.randrange(len(content)) :]


def lose(content: bytearray, draw: random.Random) -> None:
    start = draw.randrange(len(content))
    del content[start : start + draw.randrange(1, 40)]


def flip(content: bytearray, draw: random.Random) -> None:
    for _ in range(draw.randrange(1, 20)):
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)


def swap_lines(content: bytearray, draw: random.Random) -> None:
    lines = content.split(b"\n")
    one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    content[:] = b"\n".join(lines)


def insert(content: bytearray, draw: random.Random) -> None:
    at = draw.randrange(len(content))
    content[at:at] = draw.randbytes(draw.randrange(1, 60))


DAMAGES = (cut, lose, flip, swap_lines, insert)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("sound")
    sent = messages(60, start_s=1_772_442_000.0, fd=False, remote=False)
    suffixes = (".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4")
    logs = {suffix: write(folder / f"sound{suffix}", sent).read_bytes() for suffix in suffixes}
    logs["screen"] = "".join(shown(m, f"{m.timestamp:.6f}", marks=True) for m in sent).encode()
    rows = [f"{m.timestamp:.6f};0x{m.arbitration_id:X};{m.dlc};{m.data.hex(' ')}\n" for m in sent]
    logs["delimited"] = ("Time [s];ID;DLC;Data\n" + "".join(rows)).encode()
    logs["gzip"] = gzip.compress(logs[".log"])
    return logs


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """python-can and asammdf tell of each damage."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize("kind", [".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4", "screen", "delimited", "gzip"])
def test_damage_ends_in_an_account_or_in_one_line(tmp_path: Path, sound: dict[str, bytes], kind: str) -> None:
    outcomes = [outcome(tmp_path / f"damaged {seed}.log", sound[kind], f"{kind} {seed}") for seed in range(ROUNDS)]
    assert "does not close" not in outcomes
    if kind != ".mf4":  # its table of contents stands behind the frames, and is lost with any cut
        assert "closes" in outcomes


def outcome(path: Path, content: bytes, seed: str) -> str:
    draw = random.Random(seed)
    damaged = bytearray(content)
    for damage in draw.sample(DAMAGES, draw.randrange(1, 3)):
        damage(damaged, draw)
        damaged = damaged or bytearray(b"x")
    path.write_bytes(damaged)
    try:
        return "closes" if closes(read(path)) else "does not close"
    except LogError:
        return "refused"
