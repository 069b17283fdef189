"""A comparison as JSON, page and terminal text."""

from __future__ import annotations

import io
import json

import pytest
from made_runs import run
from rich.console import Console

from logscope.checks.measures import MEASURES
from logscope.comparison.compare import compare_results
from logscope.comparison.outcome import Comparison
from logscope.report.comparison_terminal import print_comparison
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


def test_the_terminal_says_the_verdict_on_every_measure(comparison: Comparison) -> None:
    out = io.StringIO()
    print_comparison(comparison, Console(file=out, width=100))
    assert "Better than before" in out.getvalue()
    text = " ".join(out.getvalue().split())
    assert all(measure.title[1:] in text for measure in comparison.measures)
