"""The history of a project: dates, rows, notes."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from made_runs import run
from scipy.stats import chi2

from logscope.checks.measures import MEASURES
from logscope.errors import RequestError
from logscope.history.dates import date_of
from logscope.history.history import history_of
from logscope.history.notes import read_notes
from logscope.history.rows import Row, values_of
from logscope.shelf import keys
from logscope.vehicle import Vehicle, load_vehicle

WRITTEN = datetime(2026, 3, 5, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("start", "name", "expected", "source"),
    [
        (datetime(2026, 3, 1, tzinfo=UTC), "2020-01-01.log", datetime(2026, 3, 1, tzinfo=UTC), "log"),
        (None, "a.log", WRITTEN, "file"),
        (None, "drive_20260301_091530.csv", datetime(2026, 3, 1, 9, 15, 30, tzinfo=UTC), "name"),
        (None, "2026-03-01 09.15.asc", datetime(2026, 3, 1, 9, 15, tzinfo=UTC), "name"),
        (None, "2026-03-01.log", datetime(2026, 3, 1, tzinfo=UTC), "name"),
        (None, "run 20261399.log", WRITTEN, "file"),
        (None, "serial 1202603011.log", WRITTEN, "file"),
        (
            datetime(2026, 3, 6, 2, tzinfo=UTC),
            "a.log",
            datetime(2026, 3, 6, 2, tzinfo=UTC),
            "log",
        ),  # local time, UTC+14
        (datetime(2026, 3, 6, 18, tzinfo=UTC), "a.log", WRITTEN, "file"),
        (datetime(2026, 4, 1, tzinfo=UTC), "a.log", WRITTEN, "file"),  # begun after it was written: the clock is wrong
    ],
)
def test_a_log_is_dated_by_itself_by_its_name_or_by_its_file(
    start: datetime | None, name: str, expected: datetime, source: str
) -> None:
    assert date_of(start, f"logs of 2019-01-01/{name}", WRITTEN) == (expected, source)


def test_a_file_that_lost_its_date_says_nothing_against_that_of_the_log() -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    assert date_of(start, "a.log", datetime(1980, 1, 1, tzinfo=UTC)) == (start, "log")


def test_logs_of_one_date_stand_in_the_order_of_their_names() -> None:
    rows = [Row(f"log {n}.csv", WRITTEN, False, 60.0, {}) for n in (10, 9, 2)]
    assert [row.log for row in history_of("Hazel", rows).rows] == ["log 2.csv", "log 9.csv", "log 10.csv"]


def test_the_folder_for_kept_rows_is_the_systems(monkeypatch: pytest.MonkeyPatch) -> None:
    """LOCALAPPDATA on Windows; the XDG base directory specification elsewhere."""
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", "local")
    assert keys.cache_folder() == Path("local") / "logscope" / "Cache"
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", "kept")
    assert keys.cache_folder() == Path("kept") / "logscope"


def test_what_is_fitted_is_no_other_mapping_and_another_scale_or_definition_is(tmp_path: Path) -> None:
    (tmp_path / "small.dbc").write_text('VERSION ""\n', encoding="utf-8")

    def version(text: str) -> str:
        (tmp_path / "v.toml").write_text(f'[[can]]\ndefinitions = "small.dbc"\n{text}', encoding="utf-8")
        return keys.mapping_version(load_vehicle(tmp_path / "v.toml"))

    plain = version("")
    assert version("[precharge]\nresistance_ohm = 100\n") == plain
    assert version('[signals]\naux_voltage = { signal = "A.B", scale = 2.0 }\n') != plain
    (tmp_path / "small.dbc").write_text('VERSION "2"\n', encoding="utf-8")
    assert version("") != plain


def test_values_hold_the_truth() -> None:
    """Known truth of the made-up run: noise 6 rpm with a step of 1, time constant 0.15 s within some percent.

    The rate's limits: those of a Poisson count by scipy.stats.chi2.
    """
    found = values_of(made := run(5, 8.0), Vehicle(), MEASURES)
    noise, constant = found["speed_noise_rpm"], found["precharge_time_constant_s"]
    assert noise.value == pytest.approx((6.0**2 + 1 / 12) ** 0.5, rel=0.1)
    assert constant.value == pytest.approx(0.15, rel=0.06)
    (spikes,) = (finding for finding in made.findings if finding.kind == "encoder.spike")
    count, speed, rate = len(spikes.events), made.signals["motor_speed"], found["speed_disturbances_per_min"]
    turning_min = np.count_nonzero(np.abs(speed.value) > 30) * speed.period_s / 60
    exact = chi2.ppf(0.025, 2 * count) / 2, chi2.ppf(0.975, 2 * count + 2) / 2  # they came by themselves
    assert rate.value == pytest.approx(count / turning_min, rel=0.01)
    assert (rate.low, rate.high) == pytest.approx([each / turning_min for each in exact], rel=0.05)


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
