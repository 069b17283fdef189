"""What each page is filled with, before any template: the content is kept in place of the page."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from small_result import GOOD, RESULT, SLOW, SPIKES, TRIP

from logscope.comparison.outcome import ComparedMeasure, Comparison, Difference, Side, Verdict
from logscope.findings import CAUTION_HV, Evidence, Measured, Severity
from logscope.history.rows import History, Row
from logscope.report import comparison_page, html, model, shelf_page
from logscope.report.shelf_page import FAILED, Shelf, ShelfLog


@pytest.fixture
def filled(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, dict[str, Any]]]:
    kept: list[tuple[str, dict[str, Any]]] = []
    for page in (html, comparison_page, shelf_page):
        monkeypatch.setattr(page, "render_page", lambda template, **content: kept.append((template, content)))
    return kept


def test_the_report_has_each_finding_once_with_its_charts(
    filled: list[tuple[str, dict[str, Any]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(html, "drawings", lambda of, signals: (f"moment of {of.title}", f"chart of {of.title}"))
    monkeypatch.setattr(html, "overview_chart", lambda numbered, signals: [n for n, _ in numbered])
    html.result_to_html(RESULT)
    ((template, content),) = filled
    assert (template, content["title"], content["overview"]) == (
        "report.html.j2",
        "Hazel: drive-system check",
        [1, 2, 3, 4],
    )
    assert [(card.title, drawing) for card, drawing in content["cards"]] == [
        ("The encoder’s cable", "moment of trip"), ("slow", "moment of slow"),
    ]  # fmt: skip
    assert content["on_cards"] == {1, 2}
    # the chart of a card is not drawn a second time
    assert [(entry.finding.title, drawn) for entry, drawn in content["shown"]] == [
        ("trip", ("chart of trip",)), ("slow", ("chart of slow",)), ("spikes", ("moment of spikes", "chart of spikes")),
    ]  # fmt: skip
    assert [(entry.finding.title, drawn) for entry, drawn in content["good"]] == [
        ("sound", ("moment of sound", "chart of sound"))
    ]  # fmt: skip
    assert [total.text()[:9] for total in content["sums"]] == ["12 lines ", "9 frames "]
    assert content["clock_steps"] == ["3.250 s back at 12.500 s"]
    assert (content["cautions"], content["cautions_first"], content["caution"]) == ((CAUTION_HV,), True, CAUTION_HV)
    assert content["not_checked"][0] == ("encoder", ("no second speed", "too slow"))
    assert [row.name for row in content["parts"]] == ["Motor speed", "Torque", "Throttle"]
    assert content["facts"][0] == ("Vehicle", "Hazel")
    assert (content["attempts"], content["events_shown"], content["capture"]) == ((), 200, RESULT.capture)
    assert content["attempt_headings"][0] == "Time constant"
    assert content["account_facts"] == model.account_facts(RESULT.capture)
    assert content["verdict"].severity is Severity.DANGER
    html.result_to_html(replace(RESULT, findings=(GOOD, replace(SPIKES, severity=Severity.INFO)), explanations=()))
    content = filled[1][1]
    assert (content["cards"], content["on_cards"], content["cautions_first"], content["cautions"]) == (
        [],
        set(),
        False,
        (),
    )
    assert [entry.finding.title for entry, _ in content["shown"]] == ["spikes"]


def test_a_chart_shows_the_readings_that_a_finding_asks_for(
    filled: list[tuple[str, dict[str, Any]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(html, "drawings", lambda of, signals: asked.append((of.title, "x" in signals.parts)) or ())
    monkeypatch.setattr(html, "overview_chart", lambda *of: None)
    as_logged = replace(SLOW, title="as logged", evidence=Evidence(as_logged=True))
    html.result_to_html(replace(RESULT, findings=(as_logged, TRIP), originals={"x": 1}, explanations=()))  # type: ignore[dict-item]
    assert sorted(asked) == [("as logged", True), ("trip", False)]
    assert [drawing for _, drawing in filled[0][1]["cards"]] == [None, None]


def test_the_page_of_a_comparison(filled: list[tuple[str, dict[str, Any]]], monkeypatch: pytest.MonkeyPatch) -> None:
    for name, drawn in (("forest_chart", "forest"), ("load_chart", None), ("precharge_chart", "rises")):
        monkeypatch.setattr(comparison_page, name, lambda of, drawn=drawn: drawn)
    monkeypatch.setattr(comparison_page, "exposure_charts", lambda of: ("load", "speed"))
    measure = ComparedMeasure("m", "EMI", "V", Verdict.BETTER, "r", Measured(2.0, "V"), Measured(1.0, "V"),
                              Measured(-1.0, "V", -2.0, -0.5))  # fmt: skip
    bare = ComparedMeasure("n", "Noise", "V", Verdict.NOT_COMPARABLE, "not logged")
    before, after = Side((RESULT,), (None,)), Side((RESULT, RESULT), (None, None))
    comparison_page.comparison_to_html(
        Comparison("Hazel", Verdict.BETTER, "Less.", (measure, bare), (Difference("tyres"),), before, after)
    )
    ((template, content),) = filled
    assert (template, content["title"], content["severity"]) == (
        "comparison.html.j2",
        "Hazel: before and after",
        "good",
    )
    assert (content["headline"], content["reason"]) == ("Better than before.", "Less.")
    assert [row.title for row in content["measures"]] == ["EMI"]
    assert content["not_compared"] == [("not logged", ("Noise",))]
    assert content["differences"] == ["tyres"]
    assert content["charts"] == [
        ("Effects", ["forest"]), ("How both sides were driven", ["load", "speed"]), ("Precharges overlaid", ["rises"]),
    ]  # fmt: skip
    assert [(name, len(runs)) for name, runs in content["sides"]] == [("Before", 1), ("After", 2)]
    assert content["sides"][0][1][0][0] == "logs/a.log"
    assert [term for term, _ in content["glossary"]] == ["95 % interval", "EMI", "V"]
    assert content["cautions"][1] == CAUTION_HV
    assert content["cautions"][0].startswith("A comparison of two logs never replaces")
    assert [name for name, _ in content["facts"]] == ["Vehicle", "Before", "After", "Measures"]


START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def log(name: str, days: float, severity: str, vehicle: str = "Hazel", dated: bool = True) -> ShelfLog:
    made = Row(f"{name}.log", START + timedelta(days=days), dated, 60.0, {"a_s": Measured(1.0, "s")})
    return ShelfLog(made, vehicle, severity, "t", 1, 1)


def test_the_page_of_a_shelf(filled: list[tuple[str, dict[str, Any]]]) -> None:
    logs = (log("a", 0, "danger"), log("b", 40, "good", "Rowan"), log("c", 41, FAILED), log("d", 42, "danger"))
    histories = tuple(
        History(name, tuple(each.row for each in logs if each.vehicle == name), (), (), {"a_s": "Time constant"})
        for name in ("Hazel", "Rowan")
    )
    shelf_page.shelf_to_html(Shelf(logs, histories, mixed={"Rowan": (1, 2)}))
    ((template, content),) = filled
    assert (template, content["title"], content["names"]) == ("shelf.html.j2", "Shelf of logs", ["Hazel", "Rowan"])
    assert content["counts"] == [("danger", 2), ("good", 1), (FAILED, 1)]
    assert [(line.name, line.vehicle, line.cells) for line in content["worst"]] == [("d.log", 0, ()), ("a.log", 0, ())]
    assert [(name, [line.name for line in lines]) for name, lines in content["periods"]] == [
        ("2026-04", ["d.log", "c.log", "b.log"]), ("2026-03", ["a.log"]),
    ]  # fmt: skip
    assert [line.vehicle for _, lines in content["periods"] for line in lines] == [0, 0, 1, 0]
    assert content["headings"] == ["Time constant"]
    assert [each.doubt[:17] for each in content["vehicles"]] == ["", "These logs hold 2"]
    assert (content["compared"], content["differing"], content["undated"]) == (False, [], False)
    assert content["caution"] == CAUTION_HV
    assert [term for term, _ in content["glossary"]] == ["95 % interval", "time constant"]
    three = (*histories, replace(histories[1], vehicle_name="Aspen"))
    shelf_page.shelf_to_html(Shelf((*logs, log("e", 1, "good", "Aspen", dated=False)), three))
    assert (filled[1][1]["compared"], filled[1][1]["undated"]) == (True, True)
    shelf_page.shelf_to_html(Shelf(logs[:1], histories[:1]))
    assert filled[2][1]["title"] == "Hazel: over time"
