"""Every command that the README shows runs as it stands there, on files of the names that it uses.

The first line of each command runs in a process of its own, as from a shell, but for those that check several logs or
show them again; all others in this one, for most of a short process is its start.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from sample_beginnings import beginning

import logscope

ROOT = Path(logscope.__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
LOGS = {
    "healthy": ("drive.log", "new-1.log", "new-2.log", "logs/second.log"),
    "troubled": ("old-1.log", "old-2.log", "logs/first.log"),
}
MOMENTS = ("drive.log",)  # what the commands ask about by its moments: the others are cut behind their precharge
UNTIL_S, PRECHARGED_S = 22.0, 6.0  # of the sample logs


def commands() -> list[str]:
    """Those in lines of their own and those within a sentence, each once; a name alone is no command."""
    blocks = re.findall(r"^ {4,}(logscope .+)$", README, re.MULTILINE)
    inline = re.findall(r"`(logscope [^`]+)`", README)
    return list(dict.fromkeys(" ".join(each.split()) for each in (*blocks, *inline) if len(each.split()) > 2))


@cache
def _own_process() -> set[str]:
    """The first line of each command but those that check several logs or show them again."""
    first = {line.split()[1]: line for line in reversed(commands())}
    return {line for name, line in first.items() if name not in ("compare", "trend", "shelf", "replay")}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a space in its name and the files that the README speaks of."""
    place = tmp_path / "my conversion"
    (place / "logs").mkdir(parents=True)
    for sample, names in LOGS.items():
        for name in names:
            end_s = UNTIL_S if name in MOMENTS else PRECHARGED_S
            (place / name).write_text(beginning(sample, end_s), encoding="utf-8")
    for kind in ("dbc", "toml"):
        shutil.copy(ROOT / "decoders" / f"hazel.{kind}", place / f"my.{kind}")
    shutil.copy(ROOT / "decoders" / "hazel.dbc", place / "hazel.dbc")
    (place / "changes.csv").write_text("date,text\n2026-03-05,screen bonded\n", encoding="utf-8")
    (place / "table.csv").write_text("time,speed\n0.0,1\n0.1,2\n0.2,3\n", encoding="utf-8")
    rows = "".join(f"rpm={100 * n} udc: 312.5V\n" for n in range(20))
    (place / "console.txt").write_text(rows, encoding="utf-8")
    return place


def test_the_readme_shows_commands() -> None:
    assert len(commands()) > 8


def _in_a_process(words: list[str], folder: Path) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "logscope", *words],
        capture_output=True, text=True, encoding="utf-8", cwd=folder, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("line", commands())
def test_a_command_of_the_readme_runs(
    line: str, folder: Path, command: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown, _, redirected = line.partition(" > ")
    words = shlex.split(shown)[1:]
    if words[0] == "draft":
        (folder / "my.toml").unlink()  # what a draft would write
    monkeypatch.chdir(folder)
    status, printed, complaint = _in_a_process(words, folder) if line in _own_process() else command(*words)
    assert "Traceback" not in complaint
    if redirected:  # signals instead of frames are refused, and the definition that reads them is written
        assert status == 2
        assert "[[signal]]" in printed
        return
    assert status in (0, 1), complaint
    for option in ("--report", "--json", "--out", "--html", "--schema"):
        if option in words:
            assert (folder / words[words.index(option) + 1]).exists()
