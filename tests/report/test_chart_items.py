"""Each line, label, strip and row of a chart, and the moments that it shows: places and texts by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from logscope.findings import Chart, Curve, Event, Evidence, Finding, Level, Mark, Series, Severity, Style
from logscope.parts import Role
from logscope.report import drawing
from logscope.report.charts import _overview_parts, _window, finding_chart, overview_chart, parts_chart
from logscope.report.downsample import keep_extremes
from logscope.report.rows import Key, Row, by_scale, panel, plain, role_of, title_of
from logscope.report.stack import Drawing, stacked
from logscope.report.strips import strip
from logscope.report.xy import drawings, xy_chart
from logscope.signals import Part, Signals

AT = np.arange(0.0, 10.0, 0.1)


def part(name: str, value: np.ndarray | float = 0.0, unit: str = "rpm", source: str = "", **more) -> Part:  # type: ignore[no-untyped-def]
    time_s = more.pop("time_s", AT)
    return Part(name, time_s, np.zeros(time_s.size) + value, unit, source or f"Made.{name}", **more)


def signals(*parts: Part, end_s: float = 10.0) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, end_s)


def finding(start_s: float = 4.0, end_s: float = 5.0, parts: tuple[str, ...] = ("motor_speed",), **more) -> Finding:  # type: ignore[no-untyped-def]
    severity = more.pop("severity", Severity.WARNING)
    return Finding("encoder.spike", severity, start_s, end_s, "t", "e", "n", parts=parts, **more)


@pytest.mark.parametrize(
    ("text", "shown"),
    [("a < b > c & d", "a &lt; b &gt; c &amp; d"), ("&lt;", "&amp;lt;"), (" a\n b ", "a b"), ("plain", "plain")],
)
def test_the_charting_library_reads_no_tags(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_json_inside_a_script_element_ends_it_nowhere() -> None:
    figure = {"layout": {"height": 321}, "a": "</script><!-- & -->"}
    drawn = Drawing(figure, "", ())
    text = drawn.to_json()
    assert not set("<>&") & set(text)
    assert "\\u003c/script\\u003e\\u003c!-- \\u0026 --\\u003e" in text
    assert json.loads(text) == figure
    assert drawn.height_px == 321


def test_shades_and_lines_run_through_all_rows() -> None:
    through = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1}
    assert drawing.shade(drawing.Span(1.0, 2.5, "danger")) == through | {
        "type": "rect", "x0": 1.0, "x1": 2.5, "layer": "below", "fillcolor": "--shade-danger",
        "line": {"width": 1, "color": "--edge-danger"},
    }  # fmt: skip
    assert drawing.mark_line(3.0) == through | {
        "type": "line", "x0": 3.0, "x1": 3.0, "line": {"width": 1, "color": "--mark"},
    }  # fmt: skip
    level = drawing.level_line(60.0, "y2")
    assert {name: level[name] for name in ("type", "xref", "yref", "x0", "x1", "y0", "y1")} == {
        "type": "line", "xref": "paper", "yref": "y2", "x0": 0, "x1": 1, "y0": 60.0, "y1": 60.0,
    }  # fmt: skip
    tag = drawing.tag(3.0, "<2>", 2, "--mark")
    assert {name: tag[name] for name in ("text", "x", "y", "yshift", "xref", "yref", "yanchor", "font")} == {
        "text": "&lt;2&gt;", "x": 3.0, "y": 1, "yshift": 30, "xref": "x", "yref": "paper", "yanchor": "bottom",
        "font": {"size": 11, "color": "--mark"},
    }  # fmt: skip
    heading = drawing.heading("Speed", 0.75)
    assert (heading["text"], heading["x"], heading["y"], heading["xanchor"]) == ("Speed", 0, 0.75, "left")


@pytest.mark.parametrize(
    ("times", "rows"),
    [
        ([], []), ([1.0, 1.61], [0, 0]), ([1.0, 1.59], [0, 1]), ([1.0, 1.1, 1.2, 1.3, 1.4], [0, 1, 2, 3, 3]),
        ([1.0, 1.3, 1.7], [0, 1, 0]), ([5.0, 4.5, 4.0], [0, 1, 0]),
    ],
)  # fmt: skip
def test_numbers_that_would_meet_are_one_over_the_other(times: list[float], rows: list[int]) -> None:
    """Room for one is 6 % of 10 s."""
    assert drawing.tag_rows([100.0 + time for time in times], (100.0, 110.0)) == rows


def level_row(levels: tuple[float, ...], lines: list[tuple[list[float], list[float]]]) -> Row:
    """An axis from 0 to 100, 150 pixels high: a label is 10 high."""
    made = tuple(Level(value, f"limit {value:g}, and more", "torque") for value in levels)
    traces = tuple({"x": [100 + each for each in x], "y": y} for x, y in lines)
    return Row("x", 150, traces, 0.0, 100.0, levels=made)


@pytest.mark.parametrize(
    ("levels", "lines", "expected"),
    [
        ((50.0,), [], [("limit 50", 1, "right", "bottom")]),
        ((90.0,), [], [("limit 90", 1, "right", "bottom")]), ((91.0,), [], [("limit 91", 1, "right", "top")]),
        ((9.0,), [], [("limit 9", 1, "right", "bottom")]),
        ((50.0,), [([0, 10], [55, 55])], [("limit 50", 1, "right", "top")]),
        ((50.0,), [([5, 10], [55, 55]), ([5, 10], [45, 45])], [("limit 50", 0, "left", "bottom")]),
        ((50.0, 55.0), [], [("limit 55", 1, "right", "bottom"), ("limit 50", 1, "right", "top")]),
        ((50.0, 60.0), [], [("limit 60", 1, "right", "bottom"), ("limit 50", 1, "right", "bottom")]),
        ((50.0, 52.0, 54.0), [], [("limit 54", 1, "right", "bottom"), ("limit 52", 1, "right", "top")]),
    ],
)  # fmt: skip
def test_a_label_stands_at_its_level_where_it_covers_least(
    levels: tuple[float, ...], lines: list[tuple[list[float], list[float]]], expected: list[tuple[str, int, str, str]]
) -> None:
    labels = drawing.level_labels(level_row(levels, lines), "y3", (100.0, 110.0))
    assert [(each["text"], each["x"], each["xanchor"], each["yanchor"]) for each in labels] == expected
    assert all(each["yref"] == "y3" for each in labels)
    assert [each["y"] for each in labels] == [float(each["text"].split()[1]) for each in labels]


def test_rows_are_stacked_from_the_top() -> None:
    rows = [
        Row("one", 150, ({"x": [1], "y": [1]},), 0.0, 5.0),
        Row("two", 76, ({"x": [2]}, {"x": [3]}), -1.0, 1.0, strip=True),
    ]
    rows[0] = replace(rows[0], levels=(Level(4.0, "limit", "torque"),))
    figure = stacked(rows, (2.0, 7.0), "time", [{"s": 1}], [{"t": 1}], 30)
    layout = figure["layout"]
    # 24 pixels of heading a row: 174 and 100 of 274
    assert layout["height"] == 6 + 30 + 274 + 42
    assert layout["margin"] == {"l": 54, "r": 18, "t": 36, "b": 42}
    assert layout["yaxis"] == {
        "domain": pytest.approx([100 / 274, 250 / 274]), "range": [0.0, 5.0], "visible": True
    }  # fmt: skip
    assert layout["yaxis2"] == {"domain": pytest.approx([0.0, 76 / 274]), "range": [-1.0, 1.0], "visible": False}
    assert layout["xaxis"] == {"range": [2.0, 7.0], "anchor": "y2", "title": {"text": "time"}}
    assert stacked(rows[:1], (0.0, 1.0), "t")["layout"]["xaxis"]["anchor"] == "y"
    assert [each.get("text") for each in layout["annotations"]] == [None, "one", "limit", "two"]
    assert [each.get("y0") for each in layout["shapes"]] == [None, 4.0]
    assert figure["data"] == [
        {"x": [1], "y": [1], "yaxis": "y", "xaxis": "x"}, {"x": [2], "yaxis": "y2", "xaxis": "x"},
        {"x": [3], "yaxis": "y2", "xaxis": "x"},
    ]  # fmt: skip


def test_parts_share_an_axis_by_unit_and_side_of_the_vehicle() -> None:
    names = [("battery_voltage", "V"), ("aux_voltage", "V"), ("motor_speed", "rpm"), ("dc_link_voltage", "V"),
             ("cell_voltage_lowest", "V"), ("converter_voltage", "V"), ("coolant_pump_current", "A"),
             ("motor_current", "A"), ("main_contactor", "")]  # fmt: skip
    made = [part(name, unit=unit) for name, unit in names] + [
        part("Pump", unit="V"),
        part("X.Raw", unit="V", source="X.Raw"),
    ]
    assert [[each.name for each in group] for group in by_scale(made)] == [
        ["battery_voltage", "dc_link_voltage", "X.Raw"], ["aux_voltage", "converter_voltage", "Pump"], ["motor_speed"],
        ["cell_voltage_lowest"], ["coolant_pump_current"], ["motor_current"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("of", "role", "title"),
    [
        (part("motor_speed"), Role.QUANTITY, "Motor speed"), (part("main_contactor", unit=""), Role.STATE,
        "Main contactor"),
        (part("fault", unit=""), Role.FAULT, "Fault"), (part("Pump", unit="", on=AT > 1), Role.STATE, "Pump"),
        (part("X.mode", unit="", source="X.mode", labels={0.0: "off"}), Role.MODE, "X.mode"),
        (part("X.y_z", unit="A", source="X.y_z", labels={0.0: "off"}), Role.QUANTITY, "X.y_z"),
        (part("X.y", unit="", source="X.y"), Role.QUANTITY, "X.y"),
    ],
)  # fmt: skip
def test_how_a_part_is_read_and_called(of: Part, role: Role, title: str) -> None:
    assert (role_of(of), title_of(of)) == (role, title)


def test_a_panel_holds_curves_with_bands_series_levels_and_their_keys() -> None:
    at = np.array([1.0, 2.0])
    curves = [
        Curve("expected", "motor_speed", at, np.array([10.0, 20.0]), np.array([5.0, 15.0]), np.array([15.0, 40.0])),
        Curve("fitted", "motor_speed", at, np.array([12.0, 22.0])), Curve("other", "torque", at, np.array([900.0,
        900.0])),
    ]  # fmt: skip
    levels = [Level(30.0, "limit", "motor_speed"), Level(9000.0, "far", "motor_speed"), Level(3.0, "of torque",
    "torque"),
              Level(math.nan, "none", "motor_speed")]  # fmt: skip
    row = panel([part("motor_speed", np.linspace(0, 20, 100)), part("motor_speed_second", 7.0)], curves, levels,
                (1.0, 2.0), 4, 1000)  # fmt: skip
    assert row.heading == "Motor speed, Motor speed, second source [rpm]"
    assert [(key.style, key.label) for key in row.keys] == [
        ("dash curve-1", "expected"), ("area band-1", "expected: its band"), ("dot curve-2", "fitted"),
        ("line series-5", "Motor speed (measured)"), ("line series-6",
        f"{title_of(part('motor_speed_second'))} (measured)"),
    ]  # fmt: skip
    low, high, first, second, expected, fitted = row.traces
    assert (low["y"], low["fill"], high["y"], high["fill"]) == ([5.0, 15.0], "none", [15.0, 40.0], "tonexty")
    assert low["fillcolor"] == high["fillcolor"] == "--band-1"
    assert (first["x"][0], first["x"][-1], len(first["x"])) == (0.9, 2.1, 13)  # one sample beyond each edge
    assert (first["line"]["color"], first["mode"]) == ("--series-5", "lines+markers")
    assert (second["y"][0], second["line"]["color"]) == (7.0, "--series-6")
    assert (expected["line"], fitted["line"]) == (
        {"color": "--curve-1", "width": 2, "dash": "dash"}, {"color": "--curve-2", "width": 2, "dash": "dot"},
    )  # fmt: skip
    assert (row.unit, row.height_px, [level.label for level in row.levels]) == ("rpm", 150, ["limit"])
    assert row.notes == ("far: 9000 rpm, outside the chart.",)
    # from the least sample, 1.8, to the band's 40, with 8 % of air
    assert (row.low, row.high) == (
        pytest.approx(1.818 - 0.08 * 38.182, abs=0.01),
        pytest.approx(40 + 0.08 * 38.182, abs=0.01),
    )


@pytest.mark.parametrize(("count", "mode"), [(150, "lines+markers"), (151, "lines")])
def test_single_samples_are_marked_where_they_can_be_distinguished(count: int, mode: str) -> None:
    made = part("motor_speed", np.arange(float(count)), time_s=np.arange(float(count)))
    assert panel([made], (), (), (0.0, 999.0), 0, 1000).traces[0]["mode"] == mode


def test_a_thinned_part_says_how_many_samples_are_drawn() -> None:
    made = part("motor_speed", np.sin(AT))
    row = panel([made], (), (), (0.0, 10.0), 5, 40)
    drawn = len(row.traces[0]["x"])
    assert drawn <= 40
    assert row.notes == (f"Motor speed: {drawn} of 100 samples drawn, including every extreme.",)
    assert row.traces[0]["line"]["color"] == "--series-6"
    assert panel([made, made], (), (), (0.0, 10.0), 5, 400).traces[1]["line"]["color"] == "--series-1"
    assert panel([made], (), (), (0.0, 10.0), 0, 400).notes == ()


@pytest.mark.parametrize(("count", "most", "kept"), [(40, 40, 40), (41, 40, 25), (7, 8, 7)])
def test_no_more_samples_are_drawn_than_asked_for(count: int, most: int, kept: int) -> None:
    found = keep_extremes(np.sin(np.arange(float(count))), most)
    assert found.size <= most
    assert found.size >= kept
    assert (found[0], found[-1]) == (0, count - 1)
    assert np.all(np.diff(found) > 0)


LABELS = {0.0: "Off", 1.0: "Ready", 2.0: "Run", 3.0: "Limp"}


def runs_of(row: Row) -> list[tuple[str, list[float | None]]]:
    return [(each["line"]["color"], each["x"]) for each in row.traces[1:]]


def test_a_mode_is_a_strip_of_its_runs_in_two_colours() -> None:
    at = np.arange(10.0)
    made = part("inverter_state", np.array([0.0, 0, 1, 1, 2, 2, 2, 0, 3, 3]), "", time_s=at, labels=LABELS)
    row = strip(made, (0.0, 9.0))
    assert runs_of(row) == [
        ("--state", [2.0, 4.0, None, 8.0, 9.0, None]), ("--state-2", [4.0, 7.0, None]),
    ]  # fmt: skip
    assert [each["text"][0] for each in row.traces[1:]] == ["Ready", "Run"]
    title = title_of(made)
    assert row.heading == title  # three texts are too many for it
    assert row.notes == (f"{title}: “Ready” from 2.000 s, “Run” from 4.000 s, “Limp” from 8.000 s.",)
    assert row.keys == (Key("bar state", f"{title}: any value but “Off”; the colour changes with the value"),)
    assert (row.height_px, row.low, row.high, row.strip) == (14, -1.0, 1.0, True)
    assert row.traces[0]["x"] == [0.0, 9.0]
    some_on = strip(replace(made, on=made.value == 2.0), (0.0, 9.0))  # some of its texts may mean on
    assert (runs_of(some_on), some_on.notes) == (runs_of(row), row.notes)
    two = strip(replace(made, value=np.array([0.0, 0, 1, 1, 2, 2, 2, 0, 1, 1])), (0.0, 9.0))
    assert two.heading == f"{title}: Ready, then Run"


def test_a_fault_is_present_where_it_is_not_healthy_or_not_zero() -> None:
    at, code = np.arange(6.0), np.array([0.0, 4, 4, 7, 0, 0])
    by_code = strip(part("fault", code, "", time_s=at, labels={4.0: "Hot", 7.0: "Over"}), (0.0, 5.0))
    assert runs_of(by_code) == [("--danger", [1.0, 3.0, None]), ("--danger-2", [3.0, 4.0, None])]
    assert by_code.keys == (Key("bar danger", "fault present; the colour changes with the code"),)
    assert by_code.heading == "Fault: Hot, then Over"
    by_health = strip(part("fault", code, "", time_s=at, healthy=code != 7), (0.0, 5.0))
    assert runs_of(by_health) == [("--danger", [3.0, 4.0, None]), ("--danger-2", [])]


def test_more_runs_than_can_be_named_are_counted() -> None:
    at = np.arange(14.0)
    made = part("fault", np.where(at % 2 == 1, at, 0.0), "", time_s=at)
    (note,) = strip(made, (0.0, 13.0)).notes
    assert note.count(" from ") == 4
    assert note.endswith(" and 3 more.")
    state = strip(part("main_contactor", at, "", time_s=at, on=at > 3), (0.0, 13.0))
    assert (state.notes, state.heading, state.keys) == ((), "Main contactor", (Key("bar state", "state: on"),))


@pytest.mark.parametrize(
    ("made", "window"),
    [
        (finding(4.0, 5.0), (3.5, 5.5)),  # five samples of 0.1 s
        (finding(2.0, 6.0), (1.4, 6.6)),  # 15 % of 4 s
        (finding(0.1, 0.2), (0.0, 0.7)),  # no farther than the log
        (finding(4.0, 5.0, evidence=Evidence(marks=(Mark(1.0, "m"), Mark(math.nan, "n")))), (0.4, 5.6)),
        (finding(4.0, 5.0, evidence=Evidence(window=(3.0, 7.0))), (2.4, 7.6)),
        (finding(4.0, 5.0, evidence=Evidence(curves=(Curve("c", "torque", np.array([4.5, 6.0, 8.0]), np.zeros(3)),))),
        (3.4, 8.6)),
        (finding(-3.0, 5.0), (-3.0, 6.2)),
    ],
)  # fmt: skip
def test_the_moment_of_a_finding_has_a_margin(made: Finding, window: tuple[float, float]) -> None:
    own = [part("motor_speed", AT)]
    assert _window(made, own, signals(*own)) == pytest.approx(window)
    fast = [part("motor_speed", AT, time_s=AT / 100)]
    if made.start_s == 4.0 and not made.evidence.marks and made.evidence.window is None and not made.evidence.curves:
        assert _window(made, fast, signals(*fast)) == pytest.approx((3.8, 5.2))  # 0.2 s at least


def test_the_chart_of_a_finding_shades_its_episodes_and_numbers_its_marks() -> None:
    marks = (Mark(4.2, "first"), Mark(4.4, "second"), Mark(math.nan, "never"))
    evidence = Evidence(marks=marks, levels=(Level(12.0, "limit", "torque"),))
    made = finding(parts=("motor_speed", "absent"), evidence=evidence, events=(Event(4.1, 4.2), Event(4.5, math.nan)))
    drawn = finding_chart(made, signals(part("motor_speed", AT * 10), part("torque", AT, "Nm")))
    assert drawn is not None
    shapes = [(each["type"], each["x0"], each["x1"]) for each in drawn.figure["layout"]["shapes"]]
    assert shapes[:3] == [("rect", 4.1, 4.2), ("line", 4.2, 4.2), ("line", 4.4, 4.4)]
    assert drawn.marks == (("1", "first, 4.200 s"), ("2", "second, 4.400 s"))
    assert Key("area shade-warning", "an episode of this finding") in drawn.keys
    assert Key("dash level", "limit: 12 Nm") in drawn.keys
    assert drawn.window == pytest.approx((3.5, 5.5))
    assert drawn.summary == "Chart from 3.500 s to 5.500 s of Motor speed [rpm]; Torque [Nm]."
    tags = [each for each in drawn.figure["layout"]["annotations"] if each.get("yshift") is not None]
    assert [each["text"] for each in tags] == ["1", "2"]
    plain_one = finding_chart(finding(), signals(part("motor_speed", AT)))
    assert plain_one is not None
    assert Key("area shade-warning", "the moment of this finding") in plain_one.keys
    assert finding_chart(finding(math.nan), signals(part("motor_speed", AT))) is None
    assert finding_chart(finding(parts=("absent",)), signals(part("motor_speed", AT))) is None


@pytest.mark.parametrize(("end_s", "shaded"), [(8.0, True), (8.1, False)])
def test_what_covers_most_of_a_chart_is_not_shaded(end_s: float, shaded: bool) -> None:
    """The chart is 10 s, as is the log."""
    made = finding(0.0, end_s, evidence=Evidence(window=(0.0, 10.0)))
    drawn = finding_chart(made, signals(part("motor_speed", AT)))
    assert drawn is not None
    assert bool(drawn.figure["layout"]["shapes"]) is shaded
    overview = overview_chart([(3, made)], signals(part("motor_speed", AT)))
    assert overview is not None
    assert bool(overview.figure["layout"]["shapes"]) is shaded
    assert overview.notes == (
        ("Shaded: dangers and warnings, numbered as in the list below.",) if shaded
        else ("Over most of the log, so not shaded: finding 3.",)
    )  # fmt: skip


def test_more_marks_than_can_be_numbered_are_counted() -> None:
    marks = tuple(Mark(4.0 + 0.01 * n, f"mark {n}") for n in range(26))
    drawn = finding_chart(finding(evidence=Evidence(marks=marks)), signals(part("motor_speed", AT)))
    assert drawn is not None
    assert len(drawn.marks) == 24
    assert drawn.notes == ("And 2 more moments.",)
    many = [(n, finding(0.1 * n, 0.1 * n + 0.05)) for n in range(1, 27)]
    overview = overview_chart([*many, (27, finding(severity=Severity.INFO))], signals(part("motor_speed", AT)))
    assert overview is not None
    assert overview.notes[1] == "Numbered: the first 24 of 26, worst first."
    assert overview.keys[-1] == Key("area shade-warning", "warning")


def test_the_overview_shows_the_main_parts_else_the_first_three() -> None:
    known = [part(name) for name in ("torque", "battery_current", "vehicle_speed", "dc_link_voltage")]
    assert [each.name for each in _overview_parts(signals(*known))] == [
        "dc_link_voltage",
        "vehicle_speed",
        "battery_current",
    ]
    other = [part(name) for name in ("torque", "throttle", "aux_voltage", "motor_temperature")]
    state = part("main_contactor", unit="")
    assert [each.name for each in _overview_parts(signals(state, *other))] == ["torque", "throttle", "aux_voltage"]


def test_any_parts_are_drawn_six_to_a_panel_and_those_without_a_unit_by_themselves() -> None:
    same = [part(f"A.{n}", AT, "V", source=f"A.{n}") for n in range(7)]
    bare = [part(f"B.{n}", AT, "", source=f"B.{n}") for n in range(2)]
    late = part("C.late", AT, "V", source="C.late", time_s=AT + 50)
    state = part("main_contactor", AT, "", on=AT > 4)
    drawn = parts_chart([*same, *bare, late, state], (0.0, 9.0), ["a note"])
    assert drawn is not None
    assert len([name for name in drawn.figure["layout"] if name.startswith("yaxis")]) == 5
    assert drawn.notes[:2] == ("C.late: no sample in this stretch.", "a note")
    assert parts_chart([late], (0.0, 9.0)) is None


def test_points_have_bars_and_lines_have_bands() -> None:
    x, y = np.array([1.0, 2.0]), np.array([10.0, 20.0])
    series = (
        Series("points", x, y, y - 1, y + 3, Style.POINTS), Series("bare", x, y, style=Style.POINTS),
        Series("line", x, y, y - 1, y + 3), Series("thin", x, y),
    )  # fmt: skip
    drawn = xy_chart(Chart("speed <1>", "rpm", "current", "A", series, "more"))
    points, bare, low, high, line, thin = drawn.figure["data"]
    assert (points["error_y"]["array"], points["error_y"]["arrayminus"]) == ([3.0, 3.0], [1.0, 1.0])
    assert (points["marker"]["color"], bare["marker"]["color"]) == ("--series-1", "--series-2")
    assert "error_y" not in bare
    assert (low["y"], low["fill"], high["y"], high["fill"]) == ([9.0, 19.0], "none", [13.0, 23.0], "tonexty")
    assert (line["line"]["color"], low["fillcolor"], thin["line"]["color"]) == ("--curve-1", "--band-1", "--series-4")
    assert [(key.style, key.label) for key in drawn.keys] == [
        ("points series-1", "points, with 95 % interval"), ("points series-2", "bare"), ("line curve-1", "line"),
        ("area band-1", "line: 95 % interval"), ("line series-4", "thin"),
    ]  # fmt: skip
    assert drawn.figure["layout"]["xaxis"]["range"] == pytest.approx([0.97, 2.03])
    assert drawn.figure["layout"]["yaxis"]["range"] == pytest.approx([9 - 0.08 * 14, 23 + 0.08 * 14])
    assert drawn.figure["layout"]["xaxis"]["title"]["text"] == "speed &lt;1&gt; [rpm]"
    assert drawn.summary == "Chart of current [A] against speed <1> [rpm]: points, bare, line, thin."
    assert (drawn.folded, drawn.window, drawn.notes) == ("more", None, ())
    both = drawings(
        finding(evidence=Evidence(charts=(Chart("a", "", "b", "", series),))), signals(part("motor_speed", AT))
    )
    assert [each.window is None for each in both] == [False, True]
    assert both[1].summary.startswith("Chart of b against a:")
