"""Drift of a measure over the logs of a project; the line itself is checked against statsmodels in test_trend.py."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from math import log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from rich.console import Console

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.rows import Drift, History, Note, Row
from logscope.history.series import _firsts
from logscope.history.trends import LEAST_LOGS, changes
from logscope.report.history_text import history_to_json, print_history
from logscope.report.shelf_page import Shelf, shelf_to_html

START = datetime(2026, 3, 1, tzinfo=UTC)
NAME = "precharge_time_constant_s"


def rows(values: list[float], spread: float = 0.01, name: str = NAME) -> list[Row]:
    """A log a week with one measure, its limits two deviations of the spread away."""
    return [
        Row(f"{k}.log", START + timedelta(weeks=k), True, 60.0,
            {name: Measured(value, "s", value * (1 - 2 * spread), value * (1 + 2 * spread))})
        for k, value in enumerate(values)
    ]  # fmt: skip


def found(values: list[float], notes: tuple[Note, ...] = (), **keys: float) -> tuple[Drift, ...]:
    return changes(rows(values, **keys), notes, MEASURES).drifts


def test_a_constant_that_grows_by_a_percent_a_week_drifts() -> None:
    rng = np.random.default_rng(11)
    (drift,) = found([0.15 * 1.01**k * (1 + 0.005 * rng.standard_normal()) for k in range(10)])
    assert drift.name == NAME
    assert drift.logs == 10
    assert drift.days == pytest.approx(63)
    assert drift.change.unit == "%"
    assert drift.change.low is not None
    assert drift.change.high is not None
    assert drift.change.low < 100 * (1.01**9 - 1) < drift.change.high
    assert not drift.changed


def test_scatter_alone_hardly_ever_drifts() -> None:
    """Nominal size of the test: at most 1 of 100."""
    rng = np.random.default_rng(12)
    claims = [bool(found([0.15 * (1 + 0.05 * rng.standard_normal()) for _ in range(8)])) for _ in range(400)]
    assert np.mean(claims) < 0.025


def test_a_sure_drift_that_does_not_matter_is_not_told() -> None:
    margin = next(measure.margin for measure in MEASURES if measure.name == NAME)
    steps = [0.15 * np.exp(0.5 * log(1 + margin) * k / 9) for k in range(10)]
    assert not found(steps, spread=0.0005)


def test_few_logs_show_no_drift() -> None:
    assert not found([0.15 * 1.1**k for k in range(LEAST_LOGS - 1)])


def test_a_drift_is_told_with_what_was_changed_in_between() -> None:
    note = Note(START + timedelta(weeks=4), "resistor replaced")
    values = [0.15 * 1.02**k for k in range(10)]
    told = found(values, (note,))
    history = History("Hazel", tuple(rows(values)), (note,), (), {NAME: "Precharge time constant"}, told)
    console = Console(record=True, width=200)
    print_history(history, console)
    text = console.export_text()
    for shown in (text, shelf_to_html(Shelf((), (history,)))):
        assert "Precharge time constant rises by" in shown
        assert "A change noted in" in shown
    assert json.loads(history_to_json(history))["drifts"][0]["changed_in_between"] is True


@pytest.mark.parametrize("at", [3, 5, 9])
@pytest.mark.parametrize("factor", [1.95, 0.5, 1.2])
def test_a_part_that_was_changed_between_two_logs_is_a_step_there_with_both_levels(at: int, factor: float) -> None:
    """Constants repeat within 0.3 % until a part is changed (measured on a hand-built car)."""
    rng = np.random.default_rng(at)
    values = [0.15 * (factor if k >= at else 1.0) * (1 + 0.003 * rng.standard_normal()) for k in range(12)]
    (drift,) = found(values, spread=0.002)
    step = drift.step
    assert step is not None
    assert (step.log, step.logs_before, step.logs_after) == (f"{at}.log", at, 12 - at)
    assert (step.since, step.until) == tuple(START + timedelta(weeks=k) for k in (at - 1, at))  # when it was changed
    for level, truth in ((step.before, 0.15), (step.after, 0.15 * factor)):
        assert level.low is not None
        assert level.high is not None
        assert level.low * 0.998 < truth < level.high * 1.002
    assert drift.change.value == pytest.approx(100 * (factor - 1), abs=1.5)
    history = History("Hazel", tuple(rows(values)), (), (), {NAME: "Precharge time constant"}, (drift,))
    console = Console(record=True, width=400)
    print_history(history, console)
    for shown in (console.export_text(), shelf_to_html(Shelf((), (history,)))):
        assert f"at {at}.log (" in shown
        assert "rises by" not in shown
    assert json.loads(history_to_json(history))["drifts"][0]["step"]["log"] == f"{at}.log"


def test_a_line_is_no_step_and_a_step_no_line() -> None:
    rng = np.random.default_rng(21)
    kinds = []
    for _ in range(100):
        noise = 1 + 0.005 * rng.standard_normal(10)
        line = found([0.15 * 1.02**k * n for k, n in enumerate(noise)], spread=0.005)
        step = found([0.15 * (1.2 if k >= 5 else 1.0) * n for k, n in enumerate(noise)], spread=0.005)
        kinds.append((line[0].step is None, step[0].step is not None))
    assert np.mean(kinds, axis=0) == pytest.approx([1.0, 1.0], abs=0.03)


def test_logs_without_limits_or_dates_apart_show_no_drift() -> None:
    bare = [Row("a.log", START, True, 60.0, {NAME: Measured(0.15, "s")})] * 8
    same_day = [Row(f"{k}.log", START, True, 60.0, each.values) for k, each in enumerate(rows([0.15, 0.16] * 4))]
    assert not changes(bare, (), MEASURES).drifts
    assert not changes(same_day, (), MEASURES).drifts


def test_the_limits_of_a_drift_are_those_of_weighted_least_squares() -> None:
    """statsmodels WLS of the logarithms on the days; change over the whole span, as a percentage."""
    rng = np.random.default_rng(13)
    values = [0.15 * 1.02**k * (1 + 0.03 * rng.standard_normal()) for k in range(12)]
    (drift,) = found(values, spread=0.005)
    days = 7.0 * np.arange(12)
    limits = [(row.values[NAME].low, row.values[NAME].high) for row in rows(values, spread=0.005)]
    deviation = np.array([np.log(high / low) / (2 * 1.96) for low, high in limits])
    line = sm.WLS(np.log(values), sm.add_constant(days), weights=deviation**-2.0).fit()
    expected = 100 * np.expm1(np.array([line.params[1], *line.conf_int()[1]]) * 77)
    change = drift.change
    assert (change.value, change.low, change.high) == pytest.approx(tuple(expected), rel=1e-3)


@pytest.mark.parametrize(
    ("begins_s", "dated", "firsts"),
    [
        ((0.0, 60.5, 121.0), True, [0]),  # each a half second after the one before has ended
        ((0.0, 59.0, 118.0), True, [0]),  # clocks of files may overlap a little
        ((0.0, 60.5, 125.0), True, [0, 2]),
        ((0.0, 30.0, 90.0), True, [0, 1]),  # two loggers at once, and the second one goes on
        ((0.0, 60.5, 121.0), False, [0, 1, 2]),
    ],
)
def test_files_that_a_logger_split_are_one_log(begins_s: tuple[float, ...], dated: bool, firsts: list[int]) -> None:
    begun = datetime(2026, 3, 1, tzinfo=UTC)
    rows: Any = [SimpleNamespace(date=begun + timedelta(seconds=at), duration_s=60.0, dated=dated) for at in begins_s]
    assert _firsts(rows) == firsts
