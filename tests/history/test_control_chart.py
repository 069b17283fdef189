"""Steps and drifts over logs, on the worked examples of control charts in the NIST/SEMATECH e-Handbook (6.3.2)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.rows import Row
from logscope.history.trends import changes
from logscope.statistics.course import course
from logscope.statistics.trend import weighted_trend

# 6.3.2.3, CUSUM control charts: means of samples of four, target 325, standard deviation of a mean 1.27/2. The chart
# signals an upward shift at sample 14, and dates its beginning to sample 13. (Numbers from memory.)
CUSUM = np.array(
    (
        *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
        *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
    )
)
OF_A_MEAN = 1.27 / 2
# 6.3.2.2, Individuals control charts: batches of flow rate; centre 50.81, limits 45.05 and 56.57: all in control.
# (Numbers from memory.)
FLOWRATE = np.array((49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1))


def logs(values: np.ndarray, deviation: float) -> list[Row]:
    """A log a day with one measure and its 95 % limits."""
    return [
        Row(f"{k}.log", datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=k), True, 60.0,
            {"precharge_time_constant_s": Measured(v, "s", v - 1.96 * deviation, v + 1.96 * deviation)})
        for k, v in enumerate(values.tolist())
    ]  # fmt: skip


def test_the_shift_of_the_cusum_example_is_dated_as_its_chart_dates_it() -> None:
    found = course(np.arange(20.0), CUSUM, np.full(20, OF_A_MEAN))
    assert found is not None
    (step,) = found.steps
    assert step.at == 12  # the thirteenth sample
    assert step.before.value == pytest.approx(CUSUM[:12].mean())
    assert step.change.value == pytest.approx(CUSUM[12:].mean() - CUSUM[:12].mean())
    assert step.change.p_value < 1e-6


def test_a_measure_that_shifts_as_the_cusum_example_is_a_step_in_the_history() -> None:
    """The deviations about the target, tenfold, so that the shift matters to a constant of 100 ms."""
    values = 0.1 * (1 + 10 * (CUSUM - 325.0) / 325.0)
    (found,) = changes(logs(values, 0.1 * 10 * OF_A_MEAN / 325.0), (), MEASURES).drifts
    assert found.step is not None
    assert found.step.log == "12.log"


def test_the_individuals_example_is_in_control_by_the_chart_and_by_the_history() -> None:
    """Its chart holds every batch within three deviations; a slow rise alone would be one of chance at 1 %."""
    moving = np.abs(np.diff(FLOWRATE)).mean()
    assert FLOWRATE.mean() == pytest.approx(50.81)
    assert 3 * moving / 1.128 == pytest.approx(5.0, abs=0.1)
    deviation = moving / 1.128
    assert np.all(np.abs(FLOWRATE - FLOWRATE.mean()) < 3 * deviation)
    trend = weighted_trend(np.arange(10.0), FLOWRATE, np.full(10, deviation))
    assert trend is not None
    assert trend.p_value > 0.01
    assert not changes(logs(FLOWRATE / 500.0, deviation / 500.0), (), MEASURES).drifts
