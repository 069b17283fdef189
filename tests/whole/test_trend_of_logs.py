"""The trend of a project from the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from small_shelf import write_log, write_vehicle


def test_the_command_writes_table_page_and_json(
    tmp_path: Path,
    sample_logs: Path,
    decoders: Path,
    command: Callable[..., tuple[int, str, str]],
) -> None:
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


def test_a_trend_is_a_shelf_of_one_vehicle_whose_results_are_kept(
    tmp_path: Path, command: Callable[..., tuple[int, str, str]]
) -> None:
    """A row a log, in the folders below, too; a second run checks nothing; logs not named again are not shown."""
    write_vehicle(tmp_path / "logs", "Hazel")
    (tmp_path / "logs" / "spring").mkdir()
    for day in range(3):
        write_log(tmp_path / "logs" / "spring" / f"{day}.log", day, 0x1000 + day)
    (tmp_path / "logs" / "torn.log").write_bytes(bytes(99))
    (tmp_path / "logs" / "changes.log").write_text("date,text\n2026-03-02,new cable\n", encoding="utf-8")
    vehicle = ("--vehicle", tmp_path / "logs" / "vehicle.toml", "--notes", tmp_path / "logs" / "changes.log")
    request = ("trend", tmp_path / "logs", *vehicle, "--report", tmp_path / "t.html")
    for _ in range(2):
        status, out, _ = command(*request)
        assert status == 0
        assert out.count(".log, ") == 3
        assert "Changed: new cable" in out
        assert "Not read" in out
        assert "torn.log" in out
    (row_file, *_) = (tmp_path / "cache").rglob("rows/**/*.parquet")
    before = row_file.stat().st_mtime_ns
    assert command("trend", tmp_path / "logs" / "spring" / "1.log", *vehicle)[1].count(".log, ") == 1
    assert row_file.stat().st_mtime_ns == before
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "Hazel: over time" in page
    assert "Not checked" in page


def test_logs_none_of_which_can_be_read_are_an_error(
    tmp_path: Path, command: Callable[..., tuple[int, str, str]]
) -> None:
    write_vehicle(tmp_path / "logs", "Hazel")
    vehicle = ("--vehicle", tmp_path / "logs" / "vehicle.toml")
    status, _, err = command("trend", tmp_path / "logs", *vehicle)
    assert status == 2
    assert "no log in this folder" in err
    (tmp_path / "logs" / "torn.log").write_bytes(bytes(99))
    status, _, err = command("trend", tmp_path / "logs", *vehicle, "--fresh")
    assert status == 2
    assert "none of these logs can be read" in err
