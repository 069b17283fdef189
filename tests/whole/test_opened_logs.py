"""Logs opened by their paths: which become one capture, which clock each has, and what is given stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.capture.open import Capture
from logscope.errors import RequestError
from logscope.logs import _seen, loaded, open_logs, open_runs, opened, read, runs_of
from logscope.vehicle import Vehicle

DATE_S = 1_700_000_000


def log(folder: Path, name: str, *seconds: float, date_s: int = DATE_S) -> Path:
    path = folder / f"{name}.log"
    lines = [f"({date_s + at:.6f}) can0 100#{round(at) % 256:02X}00" for at in seconds]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_frames_are_read_at_once_or_as_they_pass(tmp_path: Path) -> None:
    first, second = log(tmp_path, "a", 1.0, 2.0, 3.0), log(tmp_path, "b", 10.0, 11.0)
    capture = read(first, second)
    assert (len(capture.frames), capture.clocks, capture.serial) == (5, (), ())
    assert capture.frames.time_ns.tolist() == [(DATE_S + at) * 10**9 for at in (1, 2, 3, 10, 11)]
    assert opened(capture, None) is capture
    assert len(opened([first], None).in_memory().frames) == 3
    with pytest.raises(RequestError, match="given twice"):
        open_logs([first, first])


def test_offsets_by_hand_are_laid_on_each_further_log(tmp_path: Path) -> None:
    first, second = log(tmp_path, "a", 1.0, 2.0), log(tmp_path, "b", 50.0, 51.0, date_s=0)
    capture = open_logs([first, second], align=[2.5]).in_memory()
    assert capture.frames.time_ns.tolist() == [(DATE_S + 1) * 10**9, (DATE_S + 2) * 10**9] + [
        round((DATE_S + at) * 10**9) for at in (3.5, 4.5)
    ]
    (clock,) = capture.clocks
    assert (clock.file, clock.reference, clock.starts_s) == (str(second), str(first), 2.5)


def test_logs_that_overlap_are_one_run_and_others_are_runs_of_their_own(tmp_path: Path) -> None:
    paths = [log(tmp_path, "a", 1.0, 5.0), log(tmp_path, "b", 4.0, 9.0), log(tmp_path, "c", 20.0, 21.0)]
    runs = [run.in_memory() for run in open_runs(paths, Vehicle())]
    assert [len(run.frames) for run in runs] == [4, 2]
    assert len(open_runs(paths[:1], Vehicle())) == 1
    with pytest.raises(RequestError, match="given twice"):
        open_runs([*paths, paths[0]], Vehicle())


def test_one_side_of_a_comparison_is_captures_or_paths_or_both(tmp_path: Path) -> None:
    path, capture = log(tmp_path, "a", 1.0, 5.0), Capture(())
    assert runs_of(capture, Vehicle()) == (capture,)
    assert runs_of([capture, capture], Vehicle()) == (capture, capture)
    both = runs_of([path, capture], Vehicle())
    assert both[0] is capture
    assert len(both) == 2
    for one in (path, str(path), [path]):
        assert len(runs_of(one, Vehicle())) == 1
    assert runs_of([], Vehicle()) == ()


def test_a_log_by_itself_is_seen_with_its_span_and_clock(tmp_path: Path) -> None:
    dated, counted = log(tmp_path, "a", 1.0, 5.5), log(tmp_path, "b", 2.0, 4.0, date_s=0)
    for path, start_s, end_s, is_dated in ((dated, DATE_S + 1, DATE_S + 5.5, True), (counted, 2, 4, False)):
        found = _seen(path, open_logs([path]), None)
        assert (found.file, found.dated, found.serial) == (str(path), is_dated, False)
        assert (found.start_ns, found.end_ns) == (round(start_s * 1e9), round(end_s * 1e9))
        assert found.signals.end_s == pytest.approx(end_s - start_s)


def test_a_vehicle_is_as_it_is_or_read_from_its_file(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    path.write_text("[motor]\npole_pairs = 3\n", encoding="utf-8")
    vehicle = Vehicle()
    assert loaded(vehicle) is vehicle
    assert loaded(path).motor.pole_pairs == loaded(str(path)).motor.pole_pairs == 3
