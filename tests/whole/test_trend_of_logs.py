"""The trend of a project from the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest


def test_the_command_writes_table_page_and_json(
    tmp_path: Path,
    sample_logs: Path,
    decoders: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: Callable[..., tuple[int, str, str]],
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "cache"))
    notes = tmp_path / "changes.csv"
    notes.write_text("date,text\n2026-01-05,resistor replaced\n", encoding="utf-8")
    logs = [str(sample_logs / name) for name in ("hazel-troubled.log", "hazel-healthy.log")]
    targets = ["--report", str(tmp_path / "t.html"), "--json", str(tmp_path / "t.json")]
    vehicle = ["--vehicle", str(decoders / "hazel.toml"), "--notes", str(notes)]
    status, out, _ = command("trend", *logs, *vehicle, *targets)
    assert not status
    told = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))
    assert {row["date_from"] for row in told["rows"]} == {"log", "file"}
    assert all(row["values"]["precharge_time_constant_s"]["low"] for row in told["rows"])
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "resistor replaced" in page
    assert "hazel-troubled.log" in page
    assert "resistor replaced" in out
