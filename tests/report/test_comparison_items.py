"""A comparison in each output: rows, fields, charts and sums; made by hand, expected by hand."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from rich.console import Console

from logscope.capture.frames import Account
from logscope.comparison.cells import Grid
from logscope.comparison.driving import Driving
from logscope.comparison.outcome import ComparedMeasure, Comparison, Difference, Exposure, LoadRate, Side, Verdict
from logscope.findings import Finding, Measured, Severity
from logscope.report import comparison_charts as charts
from logscope.report import comparison_json, comparison_page
from logscope.report.comparison_terminal import print_comparison
from logscope.report.comparison_words import MeasureRow, not_compared, rows
from logscope.result import CaptureSummary, Result
from logscope.signals import Part, Signals

NB = "\N{NO-BREAK SPACE}"
START = datetime(2026, 3, 1, 9, tzinfo=UTC)
AT = np.arange(0.0, 20.0, 0.05)


def result(n: int, start: datetime | None, *findings: Finding, link: bool = True) -> Result:
    account = Account(
        files=(f"{n}.log",), lines=10 * n, lines_bad=n, frames=9 * n, error_frames=2 * n,
        assumptions=("an assumption",),
        notes=(f"note {n}",),
    )  # fmt: skip
    capture = CaptureSummary(account, start, 60.0 * n, 5 * n, 3 * n, n, 7 * n, ((1.0 * n, -2.0),))
    volts = Part("dc_link_voltage", AT, AT * 10, "V", "X.Link")
    return Result("Hazel", capture, findings, (), Signals({"dc_link_voltage": volts} if link else {}, 0.0, 20.0))


def driving(load: list[float], known: list[bool] | None = None) -> Driving:
    count = len(load)
    return Driving(0.0, np.arange(count), np.full(count, 100.0), np.array(load), np.array(known or [True] * count))


RATE = ComparedMeasure(
    "spikes", "Speed spikes", "1/min", Verdict.BETTER, "Fewer.", Measured(4.0, "1/min", 3.0, 5.0),
    Measured(2.0, "1/min", 1.0, 3.0), Measured(0.5, "1", 0.4, 0.62), 0.001, 0.004,
    Exposure((12.0, 3.0), (1.0, 2.0), (4.0, 8.0), "bursts"), 0.7, math.inf,
)  # fmt: skip
LEVEL = ComparedMeasure(
    "tau", "Time constant", "s", Verdict.WORSE, "Longer.", Measured(0.2, "s", 0.19, 0.21), None,
    Measured(0.1, "s", 0.05, 0.15), exposure=Exposure((1.0, 3.0)),
)  # fmt: skip
OPEN = replace(RATE, name="trips", title="Trips", verdict=Verdict.NO_DIFFERENCE, reason="", p_adjusted=None)
BARE = ComparedMeasure("a", "Noise", "rpm", Verdict.NOT_COMPARABLE, "not logged")
BARE_2 = replace(BARE, title="DC-link noise")
BARE_3 = replace(BARE, title="Ripple")
COMPARED = Comparison(
    "Hazel", Verdict.WORSE, "One is worse.", (BARE, RATE, OPEN, BARE_2, LEVEL, BARE_3),
    (Difference("a new tyre", ("torque",)),),
    Side((result(1, START + timedelta(days=1)), result(2, START)), (None, None)), Side((result(3, None),), (None,)),
)  # fmt: skip


def test_measures_that_changed_for_the_worse_come_first() -> None:
    assert [row.title for row in rows(COMPARED)] == ["Time constant", "Speed spikes", "Trips"]
    assert rows(COMPARED)[1] == MeasureRow(
        "Speed spikes", "better", "good", f"4.0{NB}per minute (3.0 to 5.0{NB}per minute)",
        f"2.0{NB}per minute (1.0 to 3.0{NB}per minute)",
        "× 0.50", "× 0.40 to × 0.62", "0.004", "Fewer.",
        (f"before: 12 in 1.0{NB}min at similar speed and load, of 4.0{NB}min driven",
         f"after: 3 in 2.0{NB}min at similar speed and load, of 8.0{NB}min driven"),
    )  # fmt: skip
    worse, _, still = rows(COMPARED)
    assert (worse.verdict, worse.severity, worse.chance, worse.after) == ("worse", "warning", "", "")
    assert (still.verdict, still.severity) == ("no difference shown", "info")
    assert not_compared(COMPARED) == [("not logged", ("Noise", "DC-link noise", "ripple"))]


def test_the_comparison_on_the_terminal() -> None:
    console = Console(file=io.StringIO(), width=200)
    print_comparison(COMPARED, console)
    text = [" ".join(line.split(" ")).rstrip() for line in console.file.getvalue().splitlines()]  # type: ignore[attr-defined]
    assert [line.replace(NB, " ") for line in text] == [
        "Hazel: Worse than before. One is worse.",
        "Note: an assumption",
        "Another difference: a new tyre",
        "worse               Time constant: 200 ms (190 to 210 ms) → –",
        "                    change +100 ms (95 %: 50 to 150 ms)",
        "                    Longer.",
        "better              Speed spikes: 4.0 per minute (3.0 to 5.0 per minute) → 2.0 per minute (1.0 to 3.0 per "
        "minute)",
        "                    change × 0.50 (95 %: × 0.40 to × 0.62)",
        "                    Fewer.",
        "no difference shown Trips: 4.0 per minute (3.0 to 5.0 per minute) → 2.0 per minute (1.0 to 3.0 per minute)",
        "                    change × 0.50 (95 %: × 0.40 to × 0.62)",
        "Not comparable: Noise, DC-link noise, ripple: not logged",
    ]


def test_the_json_of_a_comparison_holds_each_field_in_its_place() -> None:
    found = json.loads(comparison_json.comparison_to_json(COMPARED))
    assert (found["verdict"], found["reason"]) == ("worse", "One is worse.")
    assert found["differences"] == [{"text": "a new tyre", "parts": ["torque"]}]
    bare, rate, _, _, level, _ = found["measures"]
    nothing = {"value": None, "low": None, "high": None}
    assert rate == {
        "name": "spikes", "title": "Speed spikes", "unit": "1/min", "before": {"value": 4.0, "low": 3.0, "high": 5.0},
        "after": {"value": 2.0, "low": 1.0, "high": 3.0}, "effect": {"value": 0.5, "low": 0.4, "high": 0.62},
        "effect_is": "after / before", "verdict": "better", "reason": "Fewer.", "p_value": 0.001, "p_adjusted": 0.004,
        "exposure": {
            "before": {"count": 12.0, "shared_min": 1.0, "all_min": 4.0},
            "after": {"count": 3.0, "shared_min": 2.0, "all_min": 8.0}, "units": "bursts",
        },
        "could_show_ratio": 0.7, "more_minutes_for_a_halving": None,
    }  # fmt: skip
    assert (level["effect_is"], level["after"]) == ("after − before", nothing)
    assert level["exposure"]["after"] == {"count": 3.0, "shared_min": None, "all_min": None}
    assert (bare["effect_is"], bare["effect"], bare["exposure"]) == (None, nothing, None)
    before = found["before"]
    assert [run["files"] for run in before["runs"]] == [["1.log"], ["2.log"]]
    whole = before["capture"]
    assert (whole["files"], whole["start_utc"], whole["duration_s"]) == (
        ["1.log", "2.log"],
        "2026-03-01T09:00:00Z",
        180.0,
    )
    assert {name: whole[name] for name in ("lines", "lines_bad", "frames", "error_frames")} == {
        "lines": 30, "lines_bad": 3, "frames": 27, "error_frames": 6,
    }  # fmt: skip
    assert [whole[f"frames_{name}"] for name in ("decoded", "undefined", "undecodable")] == [15, 9, 3]
    assert (whole["samples_undecodable"], len(whole["time_steps"])) == (21, 2)
    assert found["after"]["capture"]["start_utc"] is None


def test_the_page_says_of_each_side_how_many_runs_it_rests_on() -> None:
    assert comparison_page._facts(COMPARED) == [
        ("Vehicle", "Hazel"), ("Before", f"2 runs, 3{NB}min{NB}0{NB}s"), ("After", f"1 run, 3{NB}min{NB}0{NB}s"),
        ("Measures", "6"),
    ]  # fmt: skip
    name, length, frames, notes = comparison_page._runs(COMPARED.before)[1]
    assert (name, length, frames, notes[1:]) == ("2.log", f"2{NB}min{NB}0{NB}s", "18", ("note 2",))
    assert notes[0].startswith("18 frames = 10 decoded + 6 without")


def test_the_forest_names_each_effect_and_its_colours() -> None:
    drawn = charts.forest_chart(COMPARED.measures)
    assert drawn is not None
    assert drawn.summary == (
        "Forest plot of the effects. Speed spikes: × 0.50 × 0.40 to × 0.62, better; "
        "Trips: × 0.50 × 0.40 to × 0.62, no difference shown."
    )
    assert [(key.style, key.label) for key in drawn.keys] == [
        ("dash level", "no change"), ("line badge-good", "better"), ("line badge-info", "no difference shown"),
    ]  # fmt: skip
    assert [each["line"]["color"] for each in drawn.figure["data"][::2]] == ["--good", "--info"]
    assert not drawn.figure["layout"]["yaxis"]["visible"]
    axis = drawn.figure["layout"]["xaxis"]
    assert axis["tickvals"] == [0.5, 1.0, 2.0]
    assert axis["ticktext"] == ["× 0.5", "× 1", "× 2"]
    beyond = charts.forest_chart([replace(RATE, effect=Measured(0.5, "1", 0.4, None))])
    assert beyond is not None
    assert beyond.notes == ("Speed spikes: the limits reach beyond the chart (-65 % to +130 %).",)
    assert charts.forest_chart([LEVEL, BARE]) is None


def test_minutes_of_driving_are_counted_by_load_and_by_speed() -> None:
    """A tick is 0.05 s: 1200 of them are a minute."""
    grid = Grid("motor_speed", "motor_current", np.array([10.0, 60.0, 110.0]), np.array([0.0, 50.0, 100.0]))
    before = driving([10.0] * 1200 + [60.0] * 600 + [500.0] * 600 + [20.0] * 999, [True] * 2400 + [False] * 999)
    after = driving([10.0] * 600)
    compared = replace(COMPARED, grid=grid, before=Side(COMPARED.before.results, (before, before)),
                       after=Side(COMPARED.after.results, (None, after)))  # fmt: skip
    load, speed = charts.exposure_charts(compared)
    assert [each["y"] for each in load.figure["data"]] == [[2.0, 2.0, 2.0], [0.5, 0.0, 0.0]]
    assert [each["y"] for each in speed.figure["data"]] == [[0.0, 4.0, 4.0], [0.0, 0.5, 0.5]]
    assert [each["name"] for each in load.figure["data"]] == ["before", "after"]
    assert [each["line"]["color"] for each in load.figure["data"]] == ["--series-2", "--series-1"]
    assert load.figure["layout"]["xaxis"]["title"]["text"] == "Motor current [A]"
    assert load.figure["layout"]["xaxis"]["range"] == [0.0, 100.0]
    assert load.figure["layout"]["yaxis"]["range"] == pytest.approx([0.0, 2.0 * 1.08])
    assert load.summary == "Chart of the minutes driven before and after, by motor current."
    assert speed.figure["layout"]["xaxis"]["title"]["text"] == "Motor speed [rpm]"
    assert charts.exposure_charts(COMPARED) == ()


def test_rates_by_load_stand_side_by_side_with_their_limits() -> None:
    rate = LoadRate(
        "Speed spikes", "motor_current", "A", np.array([0.0, 100.0, 200.0]), np.array([[4.0, 6.0], [1.0, 2.0]]),
        np.array([[3.0, 5.0], [0.5, 1.5]]), np.array([[7.0, 8.0], [2.0, 4.0]]),
    )  # fmt: skip
    drawn = charts.load_chart(replace(COMPARED, by_load=rate))
    assert drawn is not None
    before, after = drawn.figure["data"]
    assert (before["x"], after["x"]) == ([40.0, 140.0], [60.0, 160.0])  # a tenth of a band to either side
    assert (before["y"], after["y"]) == ([4.0, 6.0], [1.0, 2.0])
    assert (before["error_y"]["array"], before["error_y"]["arrayminus"]) == ([3.0, 2.0], [1.0, 1.0])
    assert (after["error_y"]["array"], after["error_y"]["arrayminus"]) == ([1.0, 2.0], [0.5, 0.5])
    assert drawn.summary == "Chart of speed spikes, by motor current, before and after, with 95 % intervals."
    assert len(drawn.notes) == 1
    assert drawn.figure["layout"]["xaxis"]["range"] == [0.0, 200.0]
    assert charts.load_chart(COMPARED) is None


def rise(start_s: float, kind: str = "precharge.complete") -> Finding:
    measured = {"start_voltage_V": Measured(0.0, "V")}
    return Finding(kind, Severity.GOOD, start_s, start_s + 1.02, "", "", "", (), measured=measured)


def test_precharges_are_drawn_from_the_beginning_of_their_rise() -> None:
    """From 0.1 s before to 15 % of its length after its end."""
    left_out = [replace(rise(3.0), measured={}), rise(3.0, "dc_link.discharged"), rise(50.0)]
    before = [result(1, START, *(rise(2.0 + n) for n in range(7)), *left_out), result(1, START, rise(2.0), link=False)]
    compared = replace(
        COMPARED, before=Side(tuple(before), (None, None)), after=Side((result(1, START, rise(4.0)),), (None,))
    )
    drawn = charts.precharge_chart(compared)
    assert drawn is not None
    assert drawn.summary == "Chart of 7 precharges overlaid, before and after."
    assert drawn.notes == ("The first 6 of 7 precharges before are drawn.",)
    first, last = drawn.figure["data"][0], drawn.figure["data"][-1]
    assert (first["x"][0], first["x"][-1]) == (pytest.approx(-0.1), pytest.approx(1.15))
    assert (first["y"][0], first["y"][-1]) == (pytest.approx(19.0), pytest.approx(31.5))
    assert (first["name"], last["name"], last["y"][0]) == ("before", "after", pytest.approx(39.0))
    assert drawn.figure["layout"]["xaxis"]["range"] == pytest.approx([-0.1, 1.15])
    assert charts.precharge_chart(COMPARED) is None
