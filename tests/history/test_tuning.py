"""The tuning of runs: what a row holds, which run is best, what comes next, and how the page shows it."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime

import numpy as np
import pytest
from loop_traces import loop_log
from made_runs import run, with_findings
from one_check import findings_of

from logscope.checks.current_control.check import current_control
from logscope.findings import Measured
from logscope.history.rows import History, Row
from logscope.history.tuning import ASPECTS, Tuning, best_of, bests, tuning_from, tuning_of
from logscope.report.shelf_page import Shelf, ShelfLog, shelf_to_html
from logscope.vehicle import Vehicle

LOWER = next(aspect for aspect in ASPECTS if aspect.better < 0)
HIGHER = next(aspect for aspect in ASPECTS if aspect.better > 0)
NEITHER = next(aspect for aspect in ASPECTS if not aspect.better)


def tuned(damping: float) -> Tuning:
    signals = loop_log(np.random.default_rng(3), 8.0, damping)
    return tuning_of(with_findings(run(1), *findings_of(current_control, signals, Vehicle())))


def row(day: int, damping: float) -> Row:
    return Row(f"run-{day}.log", datetime(2026, 3, day, 9, tzinfo=UTC), True, 60.0, {}, tuned(damping))


def value(low: float, high: float) -> Measured:
    return Measured((low + high) / 2, "%", low, high)


def test_a_ringing_loop_asks_for_a_change_and_a_damped_one_does_not() -> None:
    ringing, damped = tuned(0.3), tuned(0.7)
    assert ringing.values["Overshoot"].value == pytest.approx(37.2, abs=3.0)  # exp(−πζ/√(1−ζ²)), Ogata
    assert ringing.advice is not None
    assert "overshoot" in ringing.advice.title
    assert damped.advice is None


def test_the_step_response_starts_at_nought_and_ends_at_its_step() -> None:
    steps = tuned(0.7)
    assert min(steps.step_s) < 0.05
    assert steps.step_share[-1] == pytest.approx(1.0, abs=0.05)


def test_the_best_run_is_named_only_where_its_limits_part_from_all_others() -> None:
    assert best_of(LOWER, [value(20, 24), value(5, 8), value(9, 12)]) == 1
    assert best_of(LOWER, [value(20, 24), value(5, 8), value(7, 12)]) is None
    assert best_of(HIGHER, [value(20, 24), None, value(5, 8)]) == 0
    assert best_of(NEITHER, [value(20, 24), value(5, 8)]) is None
    assert best_of(LOWER, [value(20, 24), Measured(3.0, "%")]) is None  # without limits nothing is parted
    assert best_of(LOWER, [value(5, 8)]) is None


def test_no_run_is_best_in_a_loop_where_another_was_judged_by_another_part() -> None:
    calm, ringing = tuned(0.65), tuned(0.3)
    assert bests([calm, ringing])["Overshoot"] == 0
    assert bests([calm, replace(ringing, loop="torque")])["Overshoot"] is None


def test_the_tuning_comes_back_from_an_archive_as_it_went_in() -> None:
    went_in = tuned(0.3)
    assert tuning_from(json.loads(json.dumps(asdict(went_in)))) == went_in


def page_of(history: History) -> str:
    logs = [ShelfLog(each, "Hazel", "good", "", 0, 0) for each in history.rows]
    return shelf_to_html(Shelf(tuple(logs), (history,)))


def test_the_page_shows_a_row_a_run_marks_the_best_and_says_what_comes_next() -> None:
    history = History("Hazel", (row(2, 0.65), row(3, 0.3)), (), (), {})
    page = page_of(history)
    assert page.count("<b>best</b>") >= 1
    assert "What to change next" in page
    assert "The latest run, 2026-03-03" in page
    assert "response as a fraction of the step" in page
    calm = page_of(replace(history, rows=history.rows[::-1]))
    assert "Nothing needs changing after the latest run" in calm


def test_a_history_without_tuning_says_nothing_of_it() -> None:
    bare = replace(row(2, 0.65), tuning=Tuning())
    assert "Tuning, run by run" not in page_of(History("Hazel", (bare,), (), (), {}))
