"""A change of a measure as it is stated, the tuning of a run, and dates at their edges; by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import exp, log

import numpy as np
import pytest

from logscope.findings import Chart, Evidence, Finding, Measured, Series, Severity
from logscope.history.dates import date_of
from logscope.history.rows import Note, Row
from logscope.history.series import series_of
from logscope.history.trends import _Claim, _drift, _levels
from logscope.history.tuning import ASPECTS, _advice, _step, best_of
from logscope.measures import Aim, Repeated
from logscope.statistics.course import Course, LevelStep
from logscope.statistics.rates import Estimate

START = datetime(2026, 3, 1, tzinfo=UTC)
RATIO = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)
ROWS = [
    Row(f"{k}.log", START + timedelta(days=10 * k), k != 3, 60.0, {"tau": Measured(1.0, "s", 0.9, 1.1)},
        periods_s={"tau": 0.01 if k < 4 else 0.1}, date_named=False)
    for k in range(9)
]  # fmt: skip


def estimate(value: float, half: float) -> Estimate:
    return Estimate(value, value - half, value + half, 0.001)


STEPS = (
    LevelStep(2, 2, 3, estimate(0.0, 0.1), estimate(log(2.0), 0.1), estimate(log(2.0), 0.2)),
    LevelStep(6, 5, 7, estimate(log(2.0), 0.1), estimate(0.0, 0.1), estimate(-log(2.0), 0.2), confounded=(0,)),
)
LEVEL = np.log(np.repeat([1.0, 2.0, 1.0], [2, 4, 3]))


def claim(step: LevelStep | None, *, ratio: bool = True) -> _Claim:
    series = series_of(replace(RATIO, ratio=ratio), ROWS)
    assert series is not None
    return _Claim(series, Course(STEPS, None, LEVEL), step, estimate(log(2.0), 0.2) if step is None else step.change)


def test_a_step_has_its_dates_levels_and_the_logs_to_the_next_step() -> None:
    found = _drift(claim(STEPS[0]), 0.02, ROWS, ())
    assert (found.name, found.title, found.logs, found.days, found.p_value) == ("tau", "Time constant", 9, 80.0, 0.02)
    assert (found.change.value, found.change.unit) == (pytest.approx(100.0), "%")
    assert (found.change.low, found.change.high) == pytest.approx((100 * (2 * exp(-0.2) - 1), 100 * (2 * exp(0.2) - 1)))
    assert found.by_file == 1
    assert found.coincides == ()
    step = found.step
    assert step is not None
    assert (step.log, step.date) == ("2.log", START + timedelta(days=20))
    # it lies between the last log that is before it at 95 %, and the first that is after it
    assert (step.since, step.until) == (START + timedelta(days=10), START + timedelta(days=30))
    assert (step.logs_before, step.logs_after) == (2, 4)
    assert (step.before.value, step.after.value) == pytest.approx((1.0, 2.0))
    assert (step.before.low, step.after.high) == pytest.approx((exp(-0.1), 2 * exp(0.1)))
    assert step.before.unit == "s"


def test_a_step_with_another_sampling_says_both_and_counts_the_logs_since_the_step_before() -> None:
    found = _drift(claim(STEPS[1]), 0.02, ROWS, ())
    assert found.step is not None
    assert (found.step.logs_before, found.step.logs_after) == (4, 3)
    assert (found.step.since, found.step.until) == (START + timedelta(days=40), START + timedelta(days=70))
    assert found.change.value == pytest.approx(-50.0)
    assert found.coincides == ("the sampling period (10\u00a0ms or 100\u00a0ms before, 100\u00a0ms after)",)


def test_a_difference_stays_in_its_unit() -> None:
    found = _drift(claim(None, ratio=False), 0.02, ROWS, ())
    assert (found.change.unit, found.step) == ("s", None)
    assert (found.change.value, found.change.low) == pytest.approx((log(2.0), log(2.0) - 0.2))
    assert _levels(claim(None, ratio=False)) == pytest.approx(dict(enumerate(LEVEL.tolist())))
    assert _levels(claim(None)) == pytest.approx(dict(enumerate([1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 1.0, 1.0, 1.0])))


@pytest.mark.parametrize(
    ("days", "of_step", "of_drift"),
    [
        (0.0, False, False), (10.0, False, True), (10.1, True, True), (30.0, True, True), (30.1, False, True),
        (80.0, False, True), (80.1, False, False),
    ],
)  # fmt: skip
def test_a_note_may_be_the_reason_after_the_last_log_before_and_up_to_the_first_after(
    days: float, of_step: bool, of_drift: bool
) -> None:
    notes = (Note(START + timedelta(days=days), "changed"),)
    assert _drift(claim(STEPS[0]), 0.02, ROWS, notes).changed is of_step
    assert _drift(claim(None), 0.02, ROWS, notes).changed is of_drift


@pytest.mark.parametrize(("change", "matters"), [(0.1, True), (-0.1, True), (0.0999, False), (-0.0999, False)])
def test_a_change_matters_from_its_margin_on(change: float, matters: bool) -> None:
    assert replace(claim(None), change=estimate(change, 0.01)).matters is matters


LOWER = next(each for each in ASPECTS if each.better < 0)
HIGHER = next(each for each in ASPECTS if each.better > 0)


@pytest.mark.parametrize(
    ("second", "lower", "higher"),
    [((4.0, 6.0), None, None), ((4.1, 6.0), 0, 1), ((0.0, 1.9), 1, 0), ((0.0, 2.0), None, None)],
)
def test_limits_that_touch_do_not_part_two_runs(
    second: tuple[float, float], lower: int | None, higher: int | None
) -> None:
    runs = [Measured(3.0, "%", 2.0, 4.0), Measured(sum(second) / 2, "%", *second)]
    assert (best_of(LOWER, runs), best_of(HIGHER, runs)) == (lower, higher)


def finding(kind: str, severity: Severity, title: str) -> Finding:
    return Finding(kind, severity, 0.0, 1.0, title, "", f"Do {title}.", (), caution=f"Mind {title}.")


def test_the_gravest_finding_advises_and_of_equal_ones_the_control() -> None:
    driveline = finding("driveline.judder", Severity.WARNING, "judder")
    control = finding("current_control.oscillation", Severity.WARNING, "swing")
    grave = finding("battery.resistance", Severity.DANGER, "battery")
    noted = finding("current_control.response", Severity.INFO, "response")
    found = _advice([driveline, control, noted])
    assert found == ("swing", "Do swing.", "Mind swing.")
    found = _advice([control, grave])
    assert found is not None
    assert found.title == "battery"
    assert _advice([noted]) is None


@pytest.mark.parametrize(("settling_s", "first_s", "last_s"), [(0.1, -0.1, 0.3), (None, -1.0, 2.0), (5.0, -1.0, 2.0)])
def test_a_step_response_is_kept_from_a_settling_time_before_to_three_after(
    settling_s: float | None, first_s: float, last_s: float
) -> None:
    x = np.round(np.arange(-100, 201) * 0.01, 9)
    chart = Chart("time", "s", "share", "1", (Series("largest", x, 2.0 * x), Series("other", x, x)))
    response = replace(
        finding("current_control.response", Severity.INFO, "response"), evidence=Evidence(charts=(chart,)),
        measured={} if settling_s is None else {"settling_time_s": Measured(settling_s, "s")},
    )  # fmt: skip
    at_s, share = _step([response])
    if settling_s is None:
        assert at_s[0] == pytest.approx(-2.0 / 3, abs=0.01)  # as much as a third of what follows
    else:
        assert at_s[0] == pytest.approx(first_s, abs=0.01)
    assert at_s[-1] == pytest.approx(last_s, abs=0.01)
    assert len(at_s) <= 200
    assert np.array(share) == pytest.approx(2.0 * np.array(at_s))
    assert _step([finding("current_control.response", Severity.INFO, "none")]) == ((), ())


@pytest.mark.parametrize(
    ("ahead", "year", "source"),
    [
        (timedelta(days=1), 2026, "log"), (timedelta(days=1, seconds=1), 2026, "file"),
        (timedelta(days=400), 2000, "log"), (timedelta(days=400), 2001, "file"),
    ],
)  # fmt: skip
def test_a_log_a_day_ahead_of_its_file_may_be_in_local_time(ahead: timedelta, year: int, source: str) -> None:
    written = datetime(year, 3, 5, 12, tzinfo=UTC)
    assert date_of(written + ahead, "a.log", written)[1] == source
