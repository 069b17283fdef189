"""Every command that the README shows runs as it stands there, on files of the names that it uses."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import logscope

ROOT = Path(logscope.__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
LOGS = {
    "healthy": ("drive.log", "new-1.log", "new-2.log", "logs/second.log"),
    "troubled": ("old-1.log", "old-2.log", "logs/first.log"),
}


def commands() -> list[str]:
    """Those in lines of their own and those within a sentence, each once; a name alone is no command."""
    blocks = re.findall(r"^ {4,}(logscope .+)$", README, re.MULTILINE)
    inline = re.findall(r"`(logscope [^`]+)`", README)
    return list(dict.fromkeys(" ".join(each.split()) for each in (*blocks, *inline) if len(each.split()) > 2))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a space in its name and the files that the README speaks of."""
    place = tmp_path / "my conversion"
    (place / "logs").mkdir(parents=True)
    for sample, names in LOGS.items():
        for name in names:
            shutil.copy(ROOT / "sample_logs" / f"hazel-{sample}.log", place / name)
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


@pytest.mark.parametrize("command", commands())
def test_a_command_of_the_readme_runs(command: str, folder: Path) -> None:
    shown, _, redirected = command.partition(" > ")
    words = shlex.split(shown)[1:]
    if words[0] == "draft":
        (folder / "my.toml").unlink()  # what a draft would write
    done = subprocess.run(
        [sys.executable, "-m", "logscope", *words],
        capture_output=True, text=True, encoding="utf-8", cwd=folder, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    if redirected:  # signals instead of frames are refused, and the definition that reads them is written
        assert done.returncode == 2
        assert "[[signal]]" in done.stdout
        return
    assert done.returncode in (0, 1), done.stderr
    for option in ("--report", "--json", "--out", "--html", "--schema"):
        if option in words:
            assert (folder / words[words.index(option) + 1]).exists()
