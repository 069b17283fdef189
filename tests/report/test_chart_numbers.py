"""The figures that charts are drawn with: spans, air, limits, runs of a state; expected values by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logscope.comparison.outcome import ComparedMeasure, LoadRate, Verdict
from logscope.findings import Measured
from logscope.report.comparison_charts import _rate_top, forest_chart
from logscope.report.rows import _bearable, around, bounds, numbers, padded
from logscope.report.strips import strip
from logscope.signals import Part


def part(name: str, time_s: list[float], value: list[float], **keys: object) -> Part:
    return Part(name, np.array(time_s), np.array(value), "", f"Made.{name}", **keys)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("values", "step", "span"),
    [
        ([1.0, 5.0, math.nan, math.inf], None, (1.0, 5.0)),
        ([100.0], None, (99.0, 101.0)),  # a fiftieth of a flat line's value
        ([-100.0], None, (-101.0, -99.0)),
        ([100.0], 2.0, (96.0, 104.0)),  # four steps of its resolution
        ([99.5, 100.5], None, (98.995, 101.005)),
        ([0.0], None, (-5e-7, 5e-7)),
        ([math.nan], None, (0.0, 1.0)),
    ],
)
def test_a_flat_line_is_no_zoom_into_nothing(
    values: list[float], step: float | None, span: tuple[float, float]
) -> None:
    assert bounds([np.array(values[:1]), np.array(values[1:])], step) == pytest.approx(span)


@pytest.mark.parametrize(
    ("levels", "axis"),
    [
        ([], (-8.0, 108.0)),  # 8 % of air
        ([50.0], (-8.0, 108.0)),
        ([-100.0], (-116.0, 116.0)),
        ([100.0], (-8.0, 100.0 + 1.2 * 11.6)),  # a label is a tenth of the panel high
    ],
)
def test_an_axis_has_air_and_room_for_the_label_of_its_highest_level(
    levels: list[float], axis: tuple[float, float]
) -> None:
    assert padded(0.0, 100.0, levels) == pytest.approx(axis)


@pytest.mark.parametrize(("level", "drawn"), [(66.0, True), (67.0, False), (-56.0, True), (-57.0, False), (5.0, True)])
def test_a_level_that_presses_the_data_below_fifteen_percent_is_not_drawn(level: float, drawn: bool) -> None:
    """Data from 0 to 10: a fifteenth of 66.7."""
    assert _bearable(level, 0.0, 10.0) is drawn


def test_numbers_keep_seven_digits_or_a_microsecond_and_gaps() -> None:
    assert numbers(np.array([1234.56789, math.nan, -math.inf])) == [1234.568, None, None]
    assert numbers(np.array([1234.56789012, math.nan]), 6) == [1234.56789, None]


@pytest.mark.parametrize(
    ("start_s", "end_s", "first", "last"), [(1.5, 2.5, 1, 3), (-5.0, 0.5, 0, 1), (3.5, 9.0, 3, 4), (1.0, 3.0, 0, 4)]
)
def test_lines_run_to_the_edges_of_a_stretch(start_s: float, end_s: float, first: int, last: int) -> None:
    where = around(part("motor_speed", [0.0, 1.0, 2.0, 3.0, 4.0], [0.0] * 5), start_s, end_s)
    assert (where.start, where.stop - 1) == (first, last)


def ratio(value: float | None, low: float | None, high: float | None) -> ComparedMeasure:
    return ComparedMeasure("m", "M", "1", Verdict.BETTER, "", effect=Measured(value, "1", low, high))


@pytest.mark.parametrize(
    ("measure", "low", "high", "ends", "mark", "beyond"),
    [
        (ratio(0.9, 0.8, 1.1), 0.5 / 1.15, 2.3, [0.8, 1.1], 0.9, False),
        (ratio(0.3, 0.2, 4.0), 0.2 / 1.15, 4.6, [0.2, 4.0], 0.3, False),
        (ratio(1.5, 0.5, None), 0.5 / 1.15, 2.3, [0.5, 2.3], 1.5, True),
        (ratio(1.5, 0.005, 101.0), 0.5 / 1.15, 2.3, [0.5 / 1.15, 2.3], 1.5, True),  # farther than a hundredfold
        (ratio(1.5, 0.01, 100.0), 0.01 / 1.15, 115.0, [0.01, 100.0], 1.5, False),
        (ratio(None, 1.2, None), 0.5 / 1.15, 2.3, [1.2, 2.3], None, True),
        (ratio(0.0, 0.0, 0.7), 0.5 / 1.15, 2.3, [0.5 / 1.15, 0.7], None, True),
    ],
)
def test_the_axis_of_effects_holds_their_limits(
    measure: ComparedMeasure, low: float, high: float, ends: list[float], mark: float | None, beyond: bool
) -> None:
    drawing = forest_chart([measure])
    assert drawing is not None
    assert drawing.figure["layout"]["xaxis"]["range"] == pytest.approx([math.log10(low), math.log10(high)])
    line, *marks = drawing.figure["data"]
    assert line["x"] == pytest.approx(ends)
    assert [each["x"] for each in marks] == ([] if mark is None else [[mark]])
    assert bool(drawing.notes) is beyond


def test_limits_far_above_all_rates_are_counted_and_left_out() -> None:
    nan = math.nan
    rate = LoadRate(
        "Spikes", "motor_current", "A", np.arange(4.0), np.array([[1.0, 2.0, 0.0], [0.5, nan, 1.0]]),
        np.zeros((2, 3)), np.array([[1.9, 8.0, 8.1], [9.0, nan, 3.0]]),
    )  # fmt: skip
    top, note = _rate_top(rate)
    assert top == pytest.approx(8.0 * 1.08)  # four times the highest rate, and air
    assert note == "Upper limits beyond the chart: 2, where little was driven."
    none = LoadRate("Spikes", "motor_current", "A", np.arange(4.0), np.zeros((1, 3)), np.zeros((1, 3)),
                    np.array([[3.0, 12.0, 12.1]]))  # fmt: skip
    top, note = _rate_top(none)  # without an event, four times the lowest limit
    assert top == pytest.approx(12.0 * 1.08)
    assert "chart: 1," in note


@pytest.mark.parametrize(
    ("on", "runs"),
    [
        ([0, 1, 1, 0, 1], [1.0, 3.0, None, 4.0, 4.0, None]),
        ([1, 1, 1, 1, 1], [0.0, 4.0, None]),
        ([0, 0, 0, 0, 0], []),
    ],
)
def test_a_state_is_thick_from_its_first_sample_to_the_next_change(on: list[int], runs: list[float | None]) -> None:
    row = strip(part("main_contactor", [0.0, 1.0, 2.0, 3.0, 4.0], on, on=np.array(on, np.bool_)), (0.0, 4.0))
    thick = [each["x"] for each in row.traces[1:]]
    together = [x for k in range(max(map(len, thick)) // 3) for each in thick for x in each[3 * k : 3 * k + 3]]
    assert together == runs
