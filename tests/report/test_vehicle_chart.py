"""A vehicle over time: what the chart draws of made rows, value by value."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from logscope.findings import Measured
from logscope.history.rows import History, Note, Row
from logscope.report.vehicle_chart import vehicle_chart

NAME = "precharge_time_constant_s"
START = datetime(2026, 3, 1, tzinfo=UTC)


def history(*values: Measured | None, notes: tuple[float, ...] = (), levels: dict[int, float] | None = None) -> History:
    """A log a day; notes at so many days."""
    rows = tuple(
        Row(f"{day}.log", START + timedelta(days=day), True, 60.0, {} if value is None else {NAME: value})
        for day, value in enumerate(values)
    )
    said = tuple(Note(START + timedelta(days=at), f"at {at}") for at in notes)
    return History("Hazel", rows, said, (), {NAME: "Time constant"}, (), {NAME: levels} if levels else {})


def test_limits_that_are_not_alike_stand_on_their_own_sides_of_the_value() -> None:
    made = history(Measured(10.0, "s", 9.0, 13.0), None, Measured(11.0, "s", 10.5, 12.0), Measured(12.0, "s"))
    drawn = vehicle_chart(made, [NAME])
    assert drawn is not None
    (trace,) = (each for each in drawn.figure["data"] if each["mode"] == "markers")
    assert trace["x"] == [1, 3, 4]  # the second log has no value
    assert trace["y"] == [10.0, 11.0, 12.0]
    assert trace["error_y"]["array"] == [3.0, 1.0, 0.0]
    assert trace["error_y"]["arrayminus"] == [1.0, 0.5, 0.0]


def test_an_interval_that_would_press_all_values_into_a_line_is_cut() -> None:
    """Four times the spread of the values, 2 s, beyond the lowest and the highest."""
    values = [Measured(10.0, "s", 9.9, 10.1), Measured(12.0, "s", 11.9, 12.1), Measured(11.0, "s", -500.0, 500.0)]
    drawn = vehicle_chart(history(*values), [NAME])
    assert drawn is not None
    bars = next(each for each in drawn.figure["data"] if each["mode"] == "markers")["error_y"]
    assert (bars["arrayminus"][2], bars["array"][2]) == (11.0 - (10.0 - 8.0), 12.0 + 8.0 - 11.0)


def test_a_note_stands_between_the_logs_before_and_after_it_and_a_level_at_its_logs() -> None:
    values = [Measured(1.0, "s")] * 4
    drawn = vehicle_chart(history(*values, notes=(0.5, 2.0, 9.0), levels={0: 1.0, 1: 1.0, 2: 2.0, 3: 2.0}), [NAME])
    assert drawn is not None
    lines = [shape["x0"] for shape in drawn.figure["layout"]["shapes"] if shape.get("x0") == shape.get("x1")]
    assert lines == [1.5, 2.5, 4.5]
    level = next(each for each in drawn.figure["data"] if each["mode"] == "lines")
    assert (level["x"], level["y"]) == ([1, 2, 3, 4], [1.0, 1.0, 2.0, 2.0])
    assert [text for _, text in drawn.marks] == ["2026-03-01: at 0.5", "2026-03-03: at 2.0", "2026-03-10: at 9.0"]
