"""A comparison as JSON, page and terminal text."""

from __future__ import annotations

import io
import json
import math

import pytest
from made_runs import run
from rich.console import Console

from logscope.checks.measures import MEASURES
from logscope.comparison.compare import compare_results
from logscope.comparison.outcome import Comparison
from logscope.findings import Measured
from logscope.report.comparison_terminal import print_comparison
from logscope.report.comparison_words import level_text
from logscope.vehicle import Vehicle


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    before, after = [run(1, 8, rate=9.0)], [run(2, 8, rate=1.0)]
    return compare_results(before, after, (Vehicle(), Vehicle()), MEASURES)


def test_the_json_keeps_the_contract(comparison: Comparison) -> None:
    told = json.loads(comparison.to_json())
    assert {"schema", "verdict", "reason", "measures", "before", "after"} <= set(told)
    assert told["schema"] == 1
    for measure in told["measures"]:
        assert {"name", "unit", "before", "after", "effect", "verdict", "p_value", "exposure"} <= set(measure)
        for value in ("before", "after", "effect"):
            assert set(measure[value]) == {"value", "low", "high"}
    assert "capture" in told["before"]
    assert told["verdict"] in ("better", "worse", "no_difference", "not_comparable")


def test_the_page_leads_with_the_verdict_and_names_every_measure(comparison: Comparison) -> None:
    page = comparison.to_html()
    assert page.index("Better than before") < page.index("Measure by measure")
    assert all(measure.title[1:] in page for measure in comparison.measures)
    assert page.count("data-plot>") == 4  # effects, rate by load, driving by load and by speed; no link voltage logged


@pytest.mark.parametrize(
    ("measured", "text"),
    [
        (Measured(2.0, "s", 1.0, 3.0), "2.0\xa0s (1.0 to 3.0\xa0s)"),
        (Measured(2.0, "s"), "2\xa0s"),
        (Measured(None, "s", 1.0, 3.0), ""),
        (Measured(math.nan, "s"), ""),
        (None, ""),
    ],
)
def test_a_level_is_given_with_its_limits_where_there_is_one(measured: Measured | None, text: str) -> None:
    assert level_text(measured) == text


def test_page_and_terminal_show_both_levels_and_the_effect_of_a_measure(comparison: Comparison) -> None:
    out = io.StringIO()
    print_comparison(comparison, Console(file=out, width=200))
    page, terminal = comparison.to_html(), out.getvalue()
    (rate,) = [each for each in comparison.measures if each.name == "speed_disturbances_per_min"]
    assert rate.effect is not None
    assert rate.effect.value is not None
    assert f"× {rate.effect.value:.2f}" in page
    assert f"× {rate.effect.value:.2f}" in terminal
    for level in (rate.before, rate.after):
        assert level_text(level)
        assert level_text(level) in page


def test_the_terminal_says_the_verdict_on_every_measure(comparison: Comparison) -> None:
    out = io.StringIO()
    print_comparison(comparison, Console(file=out, width=100))
    assert "Better than before" in out.getvalue()
    text = " ".join(out.getvalue().split())
    assert all(measure.title[1:] in text for measure in comparison.measures)
