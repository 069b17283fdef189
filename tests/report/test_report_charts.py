"""Charts: extremes survive, the moment is in view, marks and levels are where they belong."""

from __future__ import annotations

from dataclasses import replace

import fake_results as fake
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.findings import Event, Evidence, Finding, Level, Mark, Severity
from logscope.report.charts import MOMENT_POINTS, finding_chart, overview_chart
from logscope.report.downsample import keep_extremes
from logscope.report.drawing import level_labels, tag_rows
from logscope.report.rows import Row
from logscope.signals import Load, Part, Signals


@given(st.integers(5_000, 60_000), st.floats(0, 1, exclude_max=True), st.booleans())
def test_a_spike_of_one_sample_survives(length, where, upward):
    value = np.sin(np.arange(length) / 50.0)
    at = int(where * length)
    value[at] = 9.0 if upward else -9.0
    kept = keep_extremes(value, 4000)
    assert at in kept
    assert kept.size <= 4000


@given(st.integers(0, 2**32 - 1))
def test_each_stretch_keeps_its_least_and_greatest_sample(seed):
    value = np.random.default_rng(seed).normal(size=10_000)
    kept = np.zeros(value.size, bool)
    kept[keep_extremes(value, 401)] = True
    for stretch in np.split(np.arange(value.size), 100):  # numpy is the oracle: 401 points, 100 stretches
        assert value[stretch][kept[stretch]].min() == value[stretch].min()
        assert value[stretch][kept[stretch]].max() == value[stretch].max()


@pytest.mark.parametrize("length", [5, 41, 97, 230, 321, 390])
def test_no_place_of_a_spike_is_missed(length):
    for at in range(length):
        value = np.zeros(length)
        value[at] = 1.0
        assert at in keep_extremes(value, 41)


def test_few_samples_are_all_drawn():
    assert keep_extremes(np.zeros(4000), 4000).tolist() == list(range(4000))


def test_an_overview_of_a_long_log_keeps_the_spike():
    time = np.arange(0.0, 3600.0, 0.01)
    value = np.full(time.size, 100.0)
    value[123_457] = 5000.0
    chart = overview_chart((), Signals({"motor_speed": Part("motor_speed", time, value, "rpm", "A.B")}, 0.0, 3600.0))
    assert chart is not None
    (trace,) = chart.figure["data"]
    assert len(trace["y"]) <= 4000
    assert trace["x"][trace["y"].index(5000.0)] == pytest.approx(1234.57)
    assert "including every extreme" in " ".join(chart.notes)


def test_the_moment_is_in_view_with_air_around_it():
    finding = fake.trip()
    chart = finding_chart(finding, fake.signals())
    start, end = chart.figure["layout"]["xaxis"]["range"]
    assert start <= finding.start_s - 0.09
    assert end >= finding.end_s + 0.09


def test_quantities_of_one_unit_share_a_panel_and_states_are_strips():
    layout = finding_chart(fake.slow_precharge(), fake.signals()).figure["layout"]
    axes = [layout[name] for name in layout if name.startswith("yaxis")]
    assert [axis["visible"] for axis in axes] == [True, False, False]
    edges = [edge for axis in axes for edge in reversed(axis["domain"])]
    assert edges == sorted(edges, reverse=True)  # from top to bottom, none over another
    assert 0.0 <= edges[-1] < edges[0] <= 1.0


def test_marks_levels_curves_and_bands_are_drawn_and_named():
    chart = finding_chart(fake.slow_precharge(), fake.signals())
    shapes = chart.figure["layout"]["shapes"]
    assert [s["x0"] for s in shapes if s["type"] == "line" and s["yref"] == "paper"] == [2.44, 2.5, 3.1]
    assert [round(s["y0"], 1) for s in shapes if s["yref"] != "paper"] == [296.4, 312.0, 60.0]
    assert chart.marks[1] == ("2", "precharge relay reported closed, 2.500 s")
    labels = {key.label for key in chart.keys}
    assert {
        "fitted, one exponential",
        "pack voltage: 312 V",
        "expected from 150 Ω and 1000 µF: its band",
    } <= labels
    assert [t["fill"] for t in chart.figure["data"] if "fill" in t] == ["none", "tonexty"]


def test_labels_of_near_levels_do_not_meet():
    levels = tuple(Level(x, f"{x:g}", "dc_link_voltage") for x in (60.0, 300.0, 306.0, 312.0))
    finding = replace(fake.slow_precharge(), evidence=Evidence(levels=levels))
    chart = finding_chart(finding, fake.signals())
    assert len([s for s in chart.figure["layout"]["shapes"] if s["yref"] == "y"]) == 4
    assert sum(key.style == "dash level" for key in chart.keys) == 4


def test_a_label_stands_where_it_covers_no_line_and_ends_at_its_comma():
    """A rise from the left to a line just above the level: only below the level's left end there is room."""
    x = [0.0, 2.0, 3.0, 4.0, 10.0]
    lines = ({"x": x, "y": [0.0, 0.0, 80.0, 94.0, 94.0]}, {"x": x, "y": [100.0] * 5})
    level = Level(95.0, "closing threshold, 95 % of the pack", "dc_link_voltage")
    (label,) = level_labels(Row("", 150, lines, -8.0, 125.0, levels=(level,)), "y", (0.0, 20.0))
    assert label["text"] == "closing threshold"
    assert (label["x"], label["xanchor"], label["yanchor"]) == (1, "right", "bottom")
    (label,) = level_labels(Row("", 150, lines, -8.0, 125.0, levels=(level,)), "y", (0.0, 10.0))
    assert (label["x"], label["xanchor"], label["yanchor"]) == (0, "left", "top")


def test_a_level_far_off_is_named_instead_of_pressing_the_data_flat():
    finding = replace(fake.trip(), evidence=Evidence(levels=(Level(9e6, "far", "motor_current"),)))
    chart = finding_chart(finding, fake.signals())
    assert "far: 9e+06 A, outside the chart." in chart.notes
    assert chart.figure["layout"]["yaxis"]["range"][1] < 1000


def test_a_fault_is_named_with_its_text_and_time():
    notes = " ".join(finding_chart(fake.trip(), fake.signals()).notes)
    assert f"Fault: “Overcurrent {fake.HOSTILE}” from 34.100 s." in notes


def test_names_reach_the_charting_library_without_tags():
    text = str(finding_chart(fake.trip(), fake.signals()).figure)
    assert "<" not in text
    assert "&lt;script&gt;" in text


@pytest.mark.parametrize("times", [(float("nan"), 1.0), (1.0, float("inf")), (900.0, 901.0)])
def test_a_moment_without_time_or_samples_has_no_chart(times):
    finding = Finding("x.y", Severity.INFO, *times, "t", "", "", ("motor_speed",))
    assert finding_chart(finding, fake.signals()) is None


def test_an_episode_without_a_time_is_not_shaded():
    finding = replace(fake.encoder_spikes(), events=(Event(18.5, 18.51), Event(float("nan"), 19.0)))
    chart = finding_chart(finding, fake.signals())
    assert [s["x0"] for s in chart.figure["layout"]["shapes"]] == [18.5]
    chart.to_json()


def test_a_part_of_one_sample_and_a_moment_of_no_length_can_be_drawn():
    one = Part("aux_voltage", np.array([1.0]), np.array([12.0]), "V", "A.B")
    finding = Finding("aux.dip", Severity.INFO, 1.0, 1.0, "t", "", "", ("aux_voltage",))
    chart = finding_chart(finding, Signals({"aux_voltage": one}, 0.0, 2.0))
    low, high = chart.figure["layout"]["yaxis"]["range"]
    assert low < 12.0 < high


def test_values_that_are_not_finite_are_gaps():
    part = Part("aux_voltage", np.arange(3.0), np.array([12.0, np.inf, 11.0]), "V", "A.B")
    finding = Finding("aux.dip", Severity.INFO, 0.0, 2.0, "t", "", "", ("aux_voltage",))
    chart = finding_chart(finding, Signals({"aux_voltage": part}, 0.0, 2.0))
    assert chart.figure["data"][0]["y"] == [12.0, None, 11.0]
    assert "null" in chart.to_json()


def test_the_overview_shades_dangers_and_warnings_and_names_what_covers_all():
    findings = [
        (1, fake.trip()),
        (2, fake.encoder_spikes()),
        (3, replace(fake.trip(), start_s=0.0, end_s=61.0)),
    ]
    chart = overview_chart([*findings, (4, fake.plain_finding(1, Severity.GOOD))], fake.signals())
    spans = [(s["x0"], s["x1"]) for s in chart.figure["layout"]["shapes"]]
    assert spans == [(33.5, 34.1), (18.5, 25.56)]
    assert "Over most of the log, so not shaded: finding 3." in chart.notes


def test_numbers_that_would_meet_are_set_one_over_the_other():
    assert tag_rows([10.0, 10.1, 50.0], (0.0, 100.0)) == [0, 1, 0]


def test_many_marks_stay_drawable():
    marks = tuple(Mark(33.5 + n / 1000, f"m{n}") for n in range(500))
    chart = finding_chart(replace(fake.trip(), evidence=Evidence(marks=marks)), fake.signals())
    assert len(chart.figure["layout"]["shapes"]) <= 301
    assert "And 476 more moments." in chart.notes


def test_a_chart_of_a_long_moment_is_thinned():
    finding = replace(fake.trip(), start_s=0.0, end_s=61.0)
    chart = finding_chart(finding, fake.signals())
    assert all(len(trace["x"]) <= MOMENT_POINTS for trace in chart.figure["data"])
    assert max(v for v in chart.figure["data"][1]["y"] if v is not None) == 6900.0


def test_a_load_of_the_12_volt_side_is_drawn_by_its_own_name():
    on = np.array([False, True, True])
    pump = Part("brake pump", np.arange(3.0), on.astype(float), "", "A.B", on=on)
    finding = Finding("aux.backfeed", Severity.WARNING, 0.0, 2.0, "t", "", "", ("brake pump",))
    assert finding_chart(finding, Signals({}, 0.0, 2.0, loads=(Load("brake pump", pump),))) is not None
