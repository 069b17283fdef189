"""A shelf of logs from the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from small_shelf import write_log, write_vehicle

import logscope


def test_the_command_writes_archive_and_page_and_says_what_it_did(
    tmp_path: Path, command: Callable[..., tuple[int, str, str]]
) -> None:
    logs = tmp_path / "my logs"
    write_vehicle(logs, "Hazel")
    for day in range(3):
        write_log(logs / f"{day}.log", day, 0x1000 + day)
    (logs / "torn.log").write_bytes(b"\x00" * 99)
    request = ("shelf", logs, "--out", tmp_path / "archive", "--signals", "--report", tmp_path / "o.html")
    status, out, _ = command(*request)
    assert status == 0
    assert "4 logs found, 3 checked, 0 known" in out
    assert "torn.log" in out
    assert len(logscope.open_archive(tmp_path / "archive").samples()) == 3 * 2 * 20
    assert "Log by log" in (tmp_path / "o.html").read_text(encoding="utf-8")
    assert "4 logs found, 0 checked, 4 known" in command(*request)[1]


def test_a_folder_that_does_not_exist_and_an_archive_that_is_none_are_said(
    tmp_path: Path, command: Callable[..., tuple[int, str, str]]
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "a.txt").write_text("mine", encoding="utf-8")
    status, _, err = command("shelf", tmp_path / "absent", "--out", tmp_path / "archive")
    assert status == 2
    assert "no such file or folder" in err
    status, _, err = command("shelf", tmp_path, "--out", tmp_path / "mine")
    assert status == 2
    assert "of no archive" in err
