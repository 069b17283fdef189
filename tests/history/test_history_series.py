"""The series of a measure over logs: which values count, what joins, and what else differs; by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import exp, inf, log, nan

import numpy as np
import pytest

from logscope.findings import Measured
from logscope.history.rows import Row
from logscope.history.series import SAMPLING, Condition, kinds_of_periods, series_of
from logscope.measures import Aim, Repeated

RATIO = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)
PLAIN = replace(RATIO, ratio=False)
START = datetime(2026, 3, 1, tzinfo=UTC)


def row(days: float, *three: float | None, dated: bool = True, **keys: Mapping[str, float]) -> Row:
    values = {"tau": Measured(three[0], "s", three[1], three[2])} if three else {}
    return Row(f"{days}.log", START + timedelta(days=days), dated, 60.0, values, **keys)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("measure", "given", "value", "deviation"),
    [
        (RATIO, (exp(0.2), 1.0, exp(0.392)), 0.2, 0.1),  # limits lie 2 · 1.96 deviations apart
        (PLAIN, (3.0, 2.0, 5.92), 3.0, 1.0),
        (PLAIN, (0.0, -1.96, 1.96), 0.0, 1.0),
        (PLAIN, (3.0, 3.0, 3.0), 3.0, 1e-9),
    ],
)
def test_a_value_has_the_deviation_of_its_limits(
    measure: Repeated, given: tuple[float, float, float], value: float, deviation: float
) -> None:
    series = series_of(measure, [row(0.0, *given)])
    assert series is not None
    assert (series.value[0], series.deviation[0]) == pytest.approx((value, deviation))
    assert (series.days.tolist(), series.rows, series.measure) == ([0.0], (0,), measure)


@pytest.mark.parametrize(
    ("measure", "given"),
    [
        (RATIO, (1.0, 0.0, 2.0)), (PLAIN, (1.0, 0.0, inf)), (PLAIN, (nan, 0.0, 1.0)), (PLAIN, (None, 0.0, 1.0)),
        (PLAIN, (1.0, None, 1.0)), (PLAIN, (1.0, 0.0, None)), (PLAIN, ()),
    ],
)  # fmt: skip
def test_a_value_without_sound_limits_is_left_out(measure: Repeated, given: tuple[float | None, ...]) -> None:
    assert series_of(measure, [row(0.0, *given)]) is None
    series = series_of(measure, [row(0.0, *given), row(2.0, 3.0, 2.0, 4.0), row(2.5, 3.0, 2.0, 4.0)])
    assert series is not None
    assert (series.rows, series.days.tolist()) == ((1, 2), [0.0, 0.5])


def test_files_of_one_log_are_weighted_by_their_variance_and_are_no_surer_than_the_best() -> None:
    """Deviations 1 and 2 weigh 4 to 1: (4·10 + 1·15)/5 = 11."""
    split_s = 60.5 / 86_400
    rows = [row(0.0, 10.0, 8.04, 11.96), row(split_s, 15.0, 11.08, 18.92), row(1.0, 20.0, 18.04, 21.96)]
    series = series_of(PLAIN, rows)
    assert series is not None
    assert series.rows == (0, 2)
    assert series.value == pytest.approx([11.0, 20.0])
    assert series.deviation == pytest.approx([1.0, 1.0])
    assert series.days == pytest.approx([0.0, 1.0])


@pytest.mark.parametrize(
    ("begins_s", "firsts"),
    [((0.0, 62.0), (0,)), ((0.0, 62.1), (0, 1)), ((0.0, 58.0), (0,)), ((0.0, 57.9), (0, 1))],
)
def test_two_seconds_to_either_side_join_the_files_of_a_logger(
    begins_s: tuple[float, ...], firsts: tuple[int, ...]
) -> None:
    series = series_of(PLAIN, [row(at / 86_400, 1.0, 0.0, 2.0) for at in begins_s])
    assert series is not None
    assert series.rows == firsts


@pytest.mark.parametrize("undated", [0, 1])
def test_files_without_a_date_of_their_own_are_not_joined(undated: int) -> None:
    rows = [row(at / 86_400, 1.0, 0.0, 2.0, dated=k != undated) for k, at in enumerate((0.0, 60.5))]
    series = series_of(PLAIN, rows)
    assert series is not None
    assert series.rows == (0, 1)


@pytest.mark.parametrize(
    ("periods", "kinds", "labels"),
    [
        ((0.010, 0.0124, 0.02), [0, 0, 1], ("11.2\u00a0ms", "20\u00a0ms")),  # a quarter more is the same
        ((0.010, 0.0126, 0.02), [0, 1, 2], ("10\u00a0ms", "12.6\u00a0ms", "20\u00a0ms")),
        ((0.02, 0.010, nan, 0.0105), [1, 0, 0, 0], ("10.2\u00a0ms", "20\u00a0ms")),  # an unknown one is of the first
        ((0.010, 0.012, 0.0144), [0, 0, 0], ("12\u00a0ms",)),  # each close to its neighbour
        ((nan, nan), [0, 0], ()),
    ],
)
def test_periods_close_to_a_neighbour_are_of_one_kind(
    periods: tuple[float, ...], kinds: list[int], labels: tuple[str, ...]
) -> None:
    found, named = kinds_of_periods(np.array(periods))
    assert (found.tolist(), named) == (kinds, labels)


def test_what_is_not_the_same_for_all_logs_is_a_condition() -> None:
    def made(days: float, period_s: float, **with_: str) -> Row:
        return row(days, 1.0, 0.5, 1.5, periods_s={"tau": period_s}, made_with=with_)  # type: ignore[arg-type]

    series = series_of(PLAIN, [made(0, 0.01, b="x", a="u"), made(1, 0.01, b="y", a="u"), made(2, 0.02, b="x", a="u")])
    assert series is not None
    assert [each.name for each in series.conditions] == [SAMPLING, "b"]
    assert [each.kind.tolist() for each in series.conditions] == [[0, 0, 1], [0, 1, 0]]
    assert series.conditions[0].labels == ("10\u00a0ms", "20\u00a0ms")
    alike = series_of(PLAIN, [made(0, 0.01, b="x"), made(1, 0.0105)])
    assert alike is not None
    assert [each.name for each in alike.conditions] == ["b"]  # one log does not say with what it was made


@pytest.mark.parametrize(
    ("kinds", "labels", "said"),
    [
        ([0, 0, 1, 1], ("10 ms", "20 ms"), "sampling (10 ms before, 20 ms after)"),
        ([1, 1, 0, 0], ("10 ms", "20 ms"), "sampling (20 ms before, 10 ms after)"),
        ([0, 1, 1, 1], ("10 ms", "20 ms"), "sampling (10 ms or 20 ms before, 20 ms after)"),
        ([1, 0, 0, 1], ("10 ms", "20 ms"), "sampling"),
        ([0, 0, 1, 1], (), "sampling"),
    ],
)
def test_a_condition_names_its_kinds_before_and_after_a_step(
    kinds: list[int], labels: tuple[str, ...], said: str
) -> None:
    assert Condition("sampling", np.array(kinds), labels).changes(slice(0, 2), slice(2, 4)) == said


def test_logarithms_are_joined_as_such() -> None:
    split_s = 60.5 / 86_400
    series = series_of(RATIO, [row(0.0, 1.0, 0.5, 2.0), row(split_s, 4.0, 2.0, 8.0)])
    assert series is not None
    assert series.value == pytest.approx([log(2.0)])
    assert series.deviation == pytest.approx([log(4.0) / 3.92])
