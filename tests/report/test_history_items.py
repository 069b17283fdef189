"""A history in each output: the terminal, JSON, the table of runs, the tuning and the chart of a vehicle."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from rich.console import Console

from logscope.findings import Measured
from logscope.history.rows import Drift, History, Note, Row, StepChange
from logscope.history.tuning import ASPECTS, Advice, Tuning
from logscope.report.history_text import history_to_json, print_history
from logscope.report.runs_table import Cell, RunLine, runs_table
from logscope.report.tuning_page import _loops, tuning_page
from logscope.report.vehicle_chart import vehicle_chart

NB = "\N{NO-BREAK SPACE}"
START = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
TAU = "precharge_time_constant_s"


def row(day: float, value: Measured | None = None, **more) -> Row:  # type: ignore[no-untyped-def]
    values = {} if value is None else {TAU: value}
    return Row(f"logs/{day:g}.log", START + timedelta(days=day), more.pop("dated", True), 90.0, values, **more)


STEP = StepChange(
    "logs/2.log", START + timedelta(days=2), START, START + timedelta(days=3), Measured(0.1, "s", 0.09, 0.11),
    Measured(0.2, "s", 0.19, 0.21), 4, 5,
)  # fmt: skip
DRIFT = Drift(TAU, "Time constant", 9, 63.5, Measured(12.0, "%", 8.0, 16.0), 0.003, True, STEP, ("x",), 1)
HISTORY = History(
    "Hazel", (row(0, Measured(0.1, "s", 0.09, 0.12)), row(2, dated=False, date_named=True, cautions=("odd",))),
    (Note(START + timedelta(days=1), "new resistor"),), (("logs/x.log", "torn"), ("logs/y.log", "logs/y.log: empty")),
    {TAU: "Time constant"}, (replace(DRIFT, step=None, coincides=(), by_file=0, changed=False),),
)  # fmt: skip


def test_a_history_on_the_terminal() -> None:
    console = Console(file=io.StringIO(), width=200)
    print_history(HISTORY, console)
    text = console.file.getvalue().replace(NB, " ")  # type: ignore[attr-defined]
    assert [line.rstrip() for line in text.splitlines()] == [
        "2026-03-01 09:30  logs/0.log, 90.00 s",
        "                  Time constant: 100 ms (90 to 120 ms)",
        "2026-03-02 09:30  Changed: new resistor",
        "2026-03-03 09:30* logs/2.log, 90.00 s",
        "                  Note: odd",
        "Drift             Time constant rises by 12.0 % (95 %: 8.0 to 16.0 %) over 9 logs in 63.5 days. "
        "Probability by chance alone: 0.3 %.",
        "* the log has no date; the date in its name is shown, or that of the file.",
        "Not read: logs/x.log: torn",
        "Not read: logs/y.log: empty",
    ]


def test_the_json_of_a_history_holds_each_field_in_its_place() -> None:
    found = json.loads(history_to_json(replace(HISTORY, drifts=(DRIFT, *HISTORY.drifts))))
    assert found["rows"] == [
        {"log": "logs/0.log", "date_utc": "2026-03-01T09:30:00Z", "date_from": "log", "duration_s": 90.0,
         "values": {TAU: {"value": 0.1, "low": 0.09, "high": 0.12, "unit": "s"}}, "assumptions": []},
        {"log": "logs/2.log", "date_utc": "2026-03-03T09:30:00Z", "date_from": "name", "duration_s": 90.0, "values": {},
         "assumptions": ["odd"]},
    ]  # fmt: skip
    step, line = found["drifts"]
    assert step == {
        "measure": TAU, "logs": 9, "days": 63.5, "change": {"value": 12.0, "low": 8.0, "high": 16.0, "unit": "%"},
        "p_value": 0.003, "changed_in_between": True, "coincides_with": ["x"],
        "step": {
            "log": "logs/2.log", "date_utc": "2026-03-03T09:30:00Z", "since_utc": "2026-03-01T09:30:00Z",
            "until_utc": "2026-03-04T09:30:00Z", "before": {"value": 0.1, "low": 0.09, "high": 0.11, "unit": "s"},
            "after": {"value": 0.2, "low": 0.19, "high": 0.21, "unit": "s"}, "logs_before": 4, "logs_after": 5,
        },
    }  # fmt: skip
    assert (line["step"], line["changed_in_between"]) == (None, False)
    assert found["notes"] == [{"date_utc": "2026-03-02T09:30:00Z", "text": "new resistor"}]
    assert found["not_read"][0] == {"log": "logs/x.log", "reason": "torn"}


def test_runs_beside_one_another() -> None:
    values = [{"A": Measured(1.0, "s", 0.9, 1.1)}, {"B": Measured(None, "V"), "A": Measured(2.0, "s")}]
    table = runs_table([row(0), row(1, dated=False)], ["C", "B", "A"], values, {"A": 1, "B": None})
    assert table.headings == ("B", "A")  # what no run has gets no column
    assert table.runs == (
        RunLine("2026-03-01 09:30", "0.log", f"90.00{NB}s", (Cell(), Cell(f"1.00{NB}s", f"0.90 to 1.10{NB}s"))),
        RunLine("2026-03-02 09:30*", "1.log", f"90.00{NB}s", (Cell(), Cell(f"2{NB}s", "", best=True))),
    )
    assert table.texts == ("B", "A", "", f"1.00{NB}s", "", f"2{NB}s")
    assert not any(cell.best for line in runs_table([row(0)], ["A"], values[:1]).runs for cell in line.cells)


def tuned(day: float, overshoot: float | None = None, **more) -> Row:  # type: ignore[no-untyped-def]
    values = {} if overshoot is None else {"Overshoot": Measured(overshoot, "%", overshoot - 1, overshoot + 1)}
    return row(day, tuning=Tuning(values, **more))


def test_the_tuning_of_the_latest_runs() -> None:
    advice = Advice("Overshoot", "Lower the gain.", "")
    rows = [tuned(n, 20.0 - n, loop="motor_current") for n in range(21)] + [tuned(21)]
    history = History("Hazel", (*rows[:-1], tuned(21, advice=advice)), (), ())
    page = tuning_page(history)
    assert page is not None
    assert (page.latest, len(page.table.runs), page.table.runs[0].log) == (20, 20, "1.log")
    assert page.table.headings == ("Overshoot",)
    assert page.loops == "The control is judged by the motor current."
    assert page.next == ("2026-03-22 09:30", advice)
    assert page.steps is None
    later = tuning_page(replace(history, rows=(*history.rows, row(22))))  # a log of something else, as of a charge
    assert later is not None
    assert later.next == page.next
    mended = tuning_page(replace(history, rows=(*history.rows, tuned(22, 4.0))))
    assert mended is not None
    assert mended.next is None
    few = tuning_page(History("Hazel", tuple(rows[1:]), (), ()))
    assert few is not None
    assert (few.latest, few.next) == (0, None)
    assert tuning_page(History("Hazel", (row(0),), (), ())) is None
    assert ASPECTS[0].title == "Overshoot"


def test_control_judged_by_several_parts_is_said() -> None:
    assert _loops([tuned(0, 1.0)]) == ""
    assert _loops(
        [tuned(0, 1.0, loop="torque"), tuned(1, 1.0, loop="motor_current"), tuned(2, 1.0, loop="torque")]
    ) == ("The control is judged by the torque in 0.log, 2.log; by the motor current in 1.log.")


def test_the_latest_six_step_responses_are_overlaid() -> None:
    rows = [tuned(n, 1.0, step_s=(0.0, 1.0), step_share=(0.0, float(n))) for n in range(8)]
    page = tuning_page(History("Hazel", (*rows, tuned(9, 1.0)), (), ()))
    assert page is not None
    assert page.steps is not None
    assert [each["y"] for each in page.steps.figure["data"]] == [[0.0, float(n)] for n in range(2, 8)]
    assert page.steps.keys[0].label == "2.log, 2026-03-03 09:30"
    assert page.steps.figure["layout"]["xaxis"]["title"]["text"] == "time since the target changed [s]"


@pytest.mark.parametrize(("count", "limits"), [(80, True), (81, False)])
def test_intervals_of_many_logs_are_left_out(count: int, limits: bool) -> None:
    rows = tuple(row(n, Measured(0.1 + n / 1000, "s", 0.09, 0.3)) for n in range(count))
    notes = (Note(START - timedelta(days=1), "before"), Note(START + timedelta(days=10.5), "between"))
    drawn = vehicle_chart(History("Hazel", rows, notes, (), {TAU: "Time constant"}), [TAU])
    assert drawn is not None
    (trace,) = drawn.figure["data"]
    assert ("error_y" in trace) is limits
    assert trace["marker"]["size"] == (7 if limits else 4)
    assert drawn.summary == f"Chart of 1 measures over {count} logs{', with 95 % intervals' if limits else ''}."
    assert [key.label for key in drawn.keys] == [f"value of a log{', with its 95 % interval' if limits else ''}"]
    assert drawn.marks == (("1", "2026-02-28: before"), ("2", "2026-03-11: between"))
    layout = drawn.figure["layout"]
    assert [each["x0"] for each in layout["shapes"]] == [0.5, 11.5]
    assert layout["xaxis"]["range"] == [0.5, count + 0.5]
    assert (layout["xaxis"]["tickvals"][0], layout["xaxis"]["tickvals"][-1], len(layout["xaxis"]["tickvals"])) == (
        1,
        count,
        5,
    )
    assert layout["xaxis"]["ticktext"][0] == "2026-03-01"
    assert any(each["text"] == "Time constant [s]" for each in layout["annotations"])


def test_a_vehicle_of_very_many_logs_is_thinned_and_its_level_drawn() -> None:
    rows = tuple(row(n, Measured(float(n % 7), "1")) for n in range(300))
    history = History("Hazel", rows, (), (), {TAU: "Ratio"}, (), {TAU: {0: 1.0, 299: 2.0}})
    drawn = vehicle_chart(history, [TAU])
    assert drawn is not None
    points, level = drawn.figure["data"]
    assert len(points["x"]) <= 240
    assert (level["x"], level["y"], level["line"]["shape"]) == ([1, 300], [1.0, 2.0], "hvh")
    assert drawn.notes == ("At most 240 logs a row are drawn, the highest and lowest among them.",)
    assert [key.label for key in drawn.keys] == ["value of a log", "level between steps, or drift"]
    assert any(each["text"] == "Ratio" for each in drawn.figure["layout"]["annotations"])
    assert vehicle_chart(history, []) is None
    assert np.isfinite(drawn.figure["layout"]["yaxis"]["range"]).all()
