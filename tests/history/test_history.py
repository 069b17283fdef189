"""The history of a project: rows, notes, and rows kept by content."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_runs import run

from logscope.checks.measures import MEASURES
from logscope.errors import RequestError
from logscope.history import cache
from logscope.history.collect import collect, find_logs
from logscope.history.notes import read_notes
from logscope.history.rows import values_of
from logscope.result import Result
from logscope.vehicle import Vehicle, load_vehicle


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A folder with two logs, a vehicle file and definitions beside them."""
    (tmp_path / "a.log").write_bytes(b"first")
    (tmp_path / "b.log").write_bytes(b"second")
    (tmp_path / "small.dbc").write_text('VERSION ""\n', encoding="utf-8")
    (tmp_path / "v.toml").write_text('[[can]]\ndefinitions = "small.dbc"\n', encoding="utf-8")
    os.utime(tmp_path / "a.log", (1.7e9, 1.7e9))
    os.utime(tmp_path / "b.log", (1.6e9, 1.6e9))
    return tmp_path


class Checker:
    """Stands for the checks, and counts how often it is asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __call__(self, log: Path) -> Result:
        self.asked.append(log.name)
        return run(len(self.asked), 2.0)


def _collect(project: Path, checker: Checker):  # type: ignore[no-untyped-def]
    logs = find_logs([project])
    return collect(logs, load_vehicle(project / "v.toml"), checker, folder=project / "kept")


def test_rows_come_in_order_of_time_and_say_that_the_date_is_the_files(project: Path) -> None:
    history = _collect(project, Checker())
    assert [Path(row.log).name for row in history.rows] == ["b.log", "a.log"]
    assert not any(row.dated for row in history.rows)
    assert history.rows[1].date == datetime.fromtimestamp(1.7e9, UTC)


def test_a_second_run_asks_nothing_and_tells_the_same(project: Path) -> None:
    checker = Checker()
    first = _collect(project, checker)
    assert _collect(project, checker).rows == first.rows
    assert sorted(checker.asked) == ["a.log", "b.log"]


@pytest.mark.parametrize("name", ["a.log", "v.toml", "small.dbc"])
def test_a_change_of_anything_a_row_rests_on_is_noticed(project: Path, name: str) -> None:
    checker = Checker()
    _collect(project, checker)
    path = project / name
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    _collect(project, checker)
    assert len(checker.asked) == (3 if name == "a.log" else 4)


def test_another_version_of_logscope_does_not_take_the_rows_of_this_one(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    checker = Checker()
    _collect(project, checker)
    monkeypatch.setattr(cache, "_own_digest", lambda: "another")
    _collect(project, checker)
    assert len(checker.asked) == 4


def test_a_damaged_kept_row_is_worked_out_again(project: Path) -> None:
    checker = Checker()
    first = _collect(project, checker)
    for path in (project / "kept").iterdir():
        path.write_text("{", encoding="utf-8")
    assert [row.date for row in _collect(project, checker).rows] == [row.date for row in first.rows]
    assert len(checker.asked) == 4


def test_the_folder_for_kept_rows_is_the_systems(monkeypatch: pytest.MonkeyPatch) -> None:
    """LOCALAPPDATA on Windows; the XDG base directory specification elsewhere."""
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", "local")
    assert cache.cache_folder() == Path("local") / "logscope" / "Cache"
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", "kept")
    assert cache.cache_folder() == Path("kept") / "logscope"


def test_values_hold_the_truth() -> None:
    """Known truth of the made-up run: noise 6 rpm with a step of 1, time constant 0.15 s within some percent."""
    found = values_of(run(5, 8.0), Vehicle(), MEASURES)
    noise, constant = found["speed_noise_rpm"], found["precharge_time_constant_s"]
    assert noise.value == pytest.approx((6.0**2 + 1 / 12) ** 0.5, rel=0.1)
    assert constant.value == pytest.approx(0.15, rel=0.06)
    rate = found["speed_disturbances_per_min"]
    assert rate.low is not None
    assert rate.high is not None
    assert 0 < rate.low < (rate.value or 0) < rate.high


TOML = '[[note]]\ndate = 2026-03-05\ntext = "screen bonded"\n[[note]]\ndate = 2026-03-01T10:00:00\ntext = "new cable"\n'
CSV = "date,text\n2026-03-05,screen bonded\n\n2026-03-01 10:00,new cable\n"


@pytest.mark.parametrize(("name", "text"), [("n.toml", TOML), ("n.csv", CSV), ("n.txt", CSV)])
def test_notes_are_read_in_order_of_time(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    notes = read_notes(tmp_path / name)
    assert [note.text for note in notes] == ["new cable", "screen bonded"]
    assert notes[0].date == datetime(2026, 3, 1, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("n.csv", "2026-03-05,good\nyesterday,bad\n", "n.csv:2: “yesterday” is not a date"),
        ("n.csv", "2026-03-05\n", "has no date and text"),
        ("n.toml", "[[notes]]\ndate = 2026-03-05\n", "sections only"),
        ("n.toml", "[[note]]\ndate = 2026-03-05\n", "needs exactly date and text"),
    ],
)
def test_a_note_that_is_not_sound_is_named(tmp_path: Path, name: str, text: str, words: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(RequestError, match=words):
        read_notes(tmp_path / name)
