"""What the page of a shelf shows of an archive whose tables were written by hand."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from made_records import START, InMemory, outcome, row

from logscope.findings import Measured
from logscope.history.rows import CHECKS, MAPPING, Note
from logscope.history.tuning import Tuning
from logscope.report.shelf_page import FAILED
from logscope.shelf.alike import twins
from logscope.shelf.overview import IDENTIFIERS, _relative, overview


def finding(key: str, number: int, severity: str, title: str) -> dict[str, object]:
    return {"key": key, "finding": number, "severity": severity, "title": title}


def measure(key: str, name: str, value: float, **more: object) -> dict[str, object]:
    return {"key": key, "name": name, "value": value, "unit": "s", "low": value / 2, "high": value * 2} | more


def test_each_recording_is_shown_with_what_its_tables_hold(tmp_path: Path) -> None:
    tuning = json.dumps(asdict(Tuning()))
    archive = InMemory(
        tmp_path / "archive",
        outcome(
            row(
                "a",
                severity="danger",
                dangers=2,
                warnings=5,
                duration_s=61.5,
                tuning=tuning,
                cautions=["the clock jumps"],
            ),
            page="<html>",
            measures=[
                measure("a", "precharge_time_constant_s", 0.15, period_s=0.01),
                measure("a", "other_s", 0.3),
                measure("a", "of_a_finding_s", 9.0, finding=0, kind="precharge.slow"),
            ],
        ),
        outcome(row("b", 1, date_from="name")),
        outcome(
            row("c", 2, date_from="file", status="failed", reason="torn", severity=None, duration_s=None), vehicle=""
        ),
    )
    logs = {Path(each.row.log).stem: each for each in overview(archive, beside=tmp_path).logs}
    a, b, c = logs["a"], logs["b"], logs["c"]
    assert (a.row.log, a.row.date, a.row.dated, a.row.date_named, a.row.duration_s) == (
        "drives/a.log",
        START,
        True,
        False,
        61.5,
    )
    assert a.row.values == {
        "precharge_time_constant_s": Measured(0.15, "s", 0.075, 0.3), "other_s": Measured(0.3, "s", 0.15, 0.6)
    }  # fmt: skip
    assert a.row.periods_s == {"precharge_time_constant_s": 0.01}
    assert a.row.made_with == {MAPPING: "m1", CHECKS: "c1", IDENTIFIERS: "0"}
    assert (a.row.tuning, a.row.cautions) == (Tuning(), ("the clock jumps",))
    assert (a.vehicle, a.severity, a.dangers, a.warnings) == ("Hazel", "danger", 2, 5)
    assert (a.link, a.same_as, a.trouble) == ("archive/_reports/a.html", "", "")
    assert (b.row.dated, b.row.date_named, b.link, b.dangers) == (False, True, "", 0)
    assert (c.row.dated, c.row.date_named, c.severity, c.trouble) == (False, False, FAILED, "torn")
    assert (c.vehicle, c.row.made_with, c.row.duration_s, c.row.values) == ("without a vehicle file", {}, 0.0, {})
    assert all(not each.link for each in overview(archive).logs)
    assert [each.row.log for each in overview(archive, keys=["b"]).logs] == ["drives/b.log"]


@pytest.mark.parametrize(
    ("findings", "origin", "trouble"),
    [
        ([("good", "fine")], "", ""),
        ([("info", "noted"), ("warning", "first"), ("warning", "second")], "", "first"),
        ([("warning", "first"), ("danger", "worse"), ("danger", "bad too")], "", "worse"),
        ([("danger", "worse")], "the cable", "the cable"),
        ([("good", "fine"), ("info", "noted")], "the cable", ""),  # an origin of what is not grave leads nothing
    ],
)
def test_the_first_origin_leads_else_the_first_grave_finding(
    findings: list[tuple[str, str]], origin: str, trouble: str, tmp_path: Path
) -> None:
    tables = {
        "findings": [finding("a", n, *each) for n, each in enumerate(findings)],
        "explanations": [
            {"key": "a", "explanation": n, "title": origin if n == 0 else "later"} for n in (1, 0) if origin
        ],
    }
    (only,) = overview(InMemory(tmp_path, outcome(row("a"), **tables))).logs
    assert only.trouble == trouble


def test_a_history_is_of_one_vehicle_without_copies_and_failures(tmp_path: Path) -> None:
    archive = InMemory(
        tmp_path,
        outcome(row("a", 0, content="same")),
        outcome(row("b", 1)),
        outcome(row("copy", 0.0001, content="same", date_from="file")),
        outcome(row("torn", 3, status="failed", reason="it is torn", date_from="file")),
        outcome(row("d", 2), vehicle="Rowan"),
        outcome(row("e", 2, status="failed", reason="no"), vehicle="Aspen"),
    )
    note = Note(START, "new resistor")
    shown = overview(archive, [note])
    hazel, rowan = shown.histories
    assert (hazel.vehicle_name, rowan.vehicle_name) == ("Hazel", "Rowan")
    assert [each.log for each in hazel.rows] == ["drives/a.log", "drives/b.log"]
    assert hazel.skipped == (("drives/torn.log", "it is torn"),)
    assert hazel.notes == (note,)
    assert {Path(each.row.log).stem: each.same_as for each in shown.logs}["copy"] == "a.log"
    assert sum(bool(each.same_as) for each in shown.logs) == 1


def test_sets_of_identifiers_are_counted_in_each_vehicle_by_itself(tmp_path: Path) -> None:
    archive = InMemory(
        tmp_path,
        outcome(row("a")), outcome(row("b", 1)), outcome(row("c", 2, identifiers=[7, 8])),
        outcome(row("torn", 3, status="failed", reason="torn", identifiers=[9])),
        outcome(row("d", identifiers=[7, 8]), vehicle="Rowan"),
    )  # fmt: skip
    shown = overview(archive)
    assert shown.mixed == {"Hazel": (2, 1)}
    kinds = {Path(each.row.log).stem: each.row.made_with.get(IDENTIFIERS) for each in shown.logs}
    assert kinds == {"a": "0", "b": "0", "c": "1", "torn": None, "d": "0"}


def test_a_page_is_linked_relative_to_the_page_of_the_shelf(tmp_path: Path) -> None:
    assert _relative(tmp_path / "my archive" / "_reports" / "ä.html", tmp_path / "pages") == (
        "../my%20archive/_reports/%C3%A4.html"
    )


@pytest.mark.parametrize(
    ("one_s", "other_s", "twin"),
    [(60.0, 61.6, True), (60.0, 61.7, False), (0.0, 1.01, True), (0.0, 1.02, False), (1000.0, 1011.1, True),
     (1000.0, 1011.2, False)],
)  # fmt: skip
def test_two_formats_of_a_drive_are_equally_long_within_a_second_and_one_percent(
    one_s: float, other_s: float, twin: bool
) -> None:
    """1 s + 1 % of the longer: 1.616 s of 61.6 s, 11.11 s of 1011.1 s."""
    rows = [
        row("a", content="x", duration_s=one_s, vehicle="Hazel"),
        row("b", content="x", duration_s=other_s, vehicle="Hazel"),
    ]
    assert set(twins(rows)) == ({"b"} if twin else set())
    assert set(twins(rows[::-1])) == ({"b"} if twin else set())


@pytest.mark.parametrize(
    ("change", "counts"),
    [
        ({}, ["b"]), ({"content": "y"}, []), ({"vehicle": "Rowan"}, []), ({"status": "failed"}, []),
        ({"content": ""}, []),
        ({"date_from": "name"}, ["b"]), ({"logs": ["drives/0.log"]}, ["a"]),
        ({"logs": ["drives/0.log"], "date_from": "name"}, ["b"]),  # a date of the log counts before the name
    ],
)  # fmt: skip
def test_the_log_with_the_better_date_counts(change: dict[str, object], counts: list[str]) -> None:
    one = row("a", content="x", vehicle="Hazel")
    found = twins([row("b", content="x", vehicle="Hazel") | change, one])
    assert list(found) == counts
    if change.get("content") == "":
        assert twins([row("b", content="", vehicle="Hazel"), row("a", content="", vehicle="Hazel")]) == {}


def test_the_name_of_a_log_dates_better_than_its_file() -> None:
    named, filed = (row(each, content="x", vehicle="Hazel", date_from=each) for each in ("name", "file"))
    assert twins([filed, named]) == {"file": named}


def test_an_outcome_of_nothing_is_no_history(tmp_path: Path) -> None:
    shown = overview(InMemory(tmp_path))
    assert (shown.logs, shown.histories, shown.differing, shown.mixed) == ((), (), (), {})
    assert replace(shown) == shown
