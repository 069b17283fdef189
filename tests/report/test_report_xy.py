"""Charts of one quantity against another: limits drawn, axes named, the page shows them after the moment."""

from __future__ import annotations

from dataclasses import replace

import fake_results as fake
import numpy as np
import pytest

from logscope.findings import Chart, Evidence, Series, Style
from logscope.report.charts import MOMENT_POINTS
from logscope.report.html import result_to_html
from logscope.report.xy import drawings, xy_chart

AMPS = np.array([50.0, 150.0, 250.0])
RATE = np.array([0.5, 1.5, 6.0])
POINTS = Series("counted", AMPS, RATE, RATE * 0.5, np.array([1.0, 3.0, np.inf]), Style.POINTS)
LAW = Series("fitted law", AMPS, RATE, RATE * 0.8, RATE * 1.2)
CHART = Chart("motor current", "A", "disturbances", "min^-1", (POINTS, LAW))


def test_points_carry_bars_from_limit_to_limit_and_an_open_limit_none() -> None:
    points = xy_chart(CHART).figure["data"][0]
    assert points["mode"] == "markers"
    assert points["x"] == AMPS.tolist()
    assert points["error_y"]["array"] == [0.5, 1.5, None]
    assert points["error_y"]["arrayminus"] == [0.25, 0.75, 3.0]


def test_a_line_has_its_band_below_it_and_both_are_named() -> None:
    drawing = xy_chart(CHART)
    low, high, line = drawing.figure["data"][1:]
    assert (low["fill"], high["fill"]) == ("none", "tonexty")
    assert low["y"] == pytest.approx((RATE * 0.8).tolist())
    assert high["y"] == pytest.approx((RATE * 1.2).tolist())
    assert line["name"] == "fitted law"
    assert [key.label for key in drawing.keys] == [
        "counted, with 95 % interval",
        "fitted law",
        "fitted law: 95 % interval",
    ]


def test_axes_are_named_with_units_and_hold_all_that_is_finite() -> None:
    layout = xy_chart(CHART).figure["layout"]
    assert layout["xaxis"]["title"]["text"] == "motor current [A]"
    assert [note["text"] for note in layout["annotations"]] == ["disturbances [1/min]"]
    assert layout["xaxis"]["range"][0] < 50 < 250 < layout["xaxis"]["range"][1]
    assert layout["yaxis"]["range"][0] < 0.25 < 7.2 < layout["yaxis"]["range"][1]


def test_a_long_line_is_thinned_and_keeps_its_peak() -> None:
    y = np.zeros(50_000)
    y[31_000] = 4.0
    drawing = xy_chart(Chart("order", "", "amplitude", "rpm", (Series("found", np.arange(50_000.0), y),)))
    drawn = drawing.figure["data"][0]["y"]
    assert len(drawn) <= MOMENT_POINTS
    assert max(drawn) == 4.0
    assert "including every extreme" in drawing.notes[0]


def test_the_page_shows_the_moment_and_then_the_chart_in_hostile_words_escaped() -> None:
    hostile = replace(CHART, y_name=fake.HOSTILE)
    finding = replace(fake.trip(), evidence=Evidence(charts=(hostile,)))
    assert [drawing.summary[:10] for drawing in drawings(finding, fake.signals())] == ["Chart from", "Chart of <"]
    page = result_to_html(replace(fake.troubled(), findings=(finding,), explanations=()))
    assert "Chart of &lt;script&gt;" in page
    assert fake.HOSTILE not in page


def test_a_folded_chart_is_opened_by_its_words() -> None:
    drawing = xy_chart(replace(CHART, folded="How far each reading is off"))
    assert drawing.folded == "How far each reading is off"
