"""The trend of a project from the command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

import logscope.cli


def test_the_command_writes_table_page_and_json(
    tmp_path: Path,
    sample_logs: Path,
    decoders: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "cache"))
    notes = tmp_path / "changes.csv"
    notes.write_text("date,text\n2026-01-05,resistor replaced\n", encoding="utf-8")
    logs = [str(sample_logs / name) for name in ("hazel-troubled.log", "hazel-healthy.log")]
    targets = ["--report", str(tmp_path / "t.html"), "--json", str(tmp_path / "t.json")]
    vehicle = ["--vehicle", str(decoders / "hazel.toml"), "--notes", str(notes)]
    monkeypatch.setattr(sys, "argv", ["logscope", "trend", *logs, *vehicle, *targets])
    with pytest.raises(SystemExit) as stopped:
        logscope.cli.main()
    assert not stopped.value.code
    told = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))
    assert {row["date_from"] for row in told["rows"]} == {"log", "file"}
    assert all(row["values"]["precharge_time_constant_s"]["low"] for row in told["rows"])
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "resistor replaced" in page
    assert "hazel-troubled.log" in page
    assert "resistor replaced" in capsys.readouterr().out
