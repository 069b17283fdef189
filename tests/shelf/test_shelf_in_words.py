"""A shelf on its page and on the terminal: facts, columns, periods and sentences; made by hand, expected by hand."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from rich.console import Console

from logscope.findings import Measured
from logscope.history.rows import Drift, History, Note, Row
from logscope.history.sisters import Difference
from logscope.report import shelf_page
from logscope.report.shelf_page import FAILED, Shelf, ShelfLog
from logscope.shelf.fill import Tally
from logscope.shelf.terminal import print_shelf

NB = "\N{NO-BREAK SPACE}"
START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def log(name: str = "a", days: float = 0.0, severity: str = "good", vehicle: str = "Hazel", **more) -> ShelfLog:  # type: ignore[no-untyped-def]
    values = {key: more.pop(key) for key in ("a_s", "b_s", "c_s", "d_s", "e_s") if key in more}
    made = Row(f"logs/{name}.log", START + timedelta(days=days), more.pop("dated", True), 61.0, values)
    counts = {"trouble": "", "dangers": 0, "warnings": 0} | more
    return ShelfLog(made, vehicle, severity, **counts)


def history(vehicle: str, *logs: ShelfLog, **more) -> History:  # type: ignore[no-untyped-def]
    titles = {f"{letter}_s": f"Measure {letter}" for letter in "edcba"}
    return History(vehicle, tuple(each.row for each in logs), more.pop("notes", ()), (), titles, **more)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (log(severity="danger"), log(severity="warning", warnings=9, days=9)),
        (log(severity="danger", dangers=2), log(severity="danger", dangers=1, warnings=9, days=9)),
        (log(severity="danger", warnings=2), log(severity="danger", warnings=1, days=9)),
        (log(severity="warning", days=2), log(severity="warning", days=1)),
    ],
)
def test_the_worse_of_two_logs_comes_first(one: ShelfLog, other: ShelfLog) -> None:
    left_out = [log(), log(severity="info"), log(severity=FAILED), log(severity="danger", same_as="x.log")]
    assert shelf_page.worst_first([other, one, *left_out]) == [one, other]
    assert shelf_page.worst_first([one, other, *left_out]) == [one, other]


def test_the_newest_log_comes_first_and_of_one_moment_by_name() -> None:
    logs = [log("b"), log("c", 1), log("a")]
    assert [each.row.log for each in shelf_page._newest_first(logs)] == ["logs/c.log", "logs/a.log", "logs/b.log"]


def test_the_head_of_the_page() -> None:
    one = Shelf((log("a", 3), log("b", 0.5), log("c", 1, same_as="a.log")), ())
    assert shelf_page._facts(one, ["Hazel"]) == [
        ("Vehicle", "Hazel"), ("Logs", "3"), ("Same drive twice", "1"), ("From", "2026-03-01"), ("To", "2026-03-04"),
    ]  # fmt: skip
    assert shelf_page._facts(Shelf((), ()), ["Hazel", "Rowan"]) == [("Vehicles", "2"), ("Logs", "0")]


def test_the_columns_are_the_measures_that_most_logs_have() -> None:
    value = Measured(1.0, "s")
    every = {f"{letter}_s": value for letter in "abcde"}
    logs = (log(**every), log(**dict.fromkeys(("a_s", "b_s", "d_s", "e_s"), value)), log(vehicle="Rowan", a_s=value))
    two = Shelf(logs, (history("Hazel", *logs[:2]), history("Rowan", logs[2])))
    assert shelf_page._key_measures(two) == {f"{n}_s": f"Measure {n}" for n in "edba"}
    assert list(shelf_page._key_measures(Shelf(logs[:2], (history("Hazel", *logs[:2]),)))) == [
        f"{n}_s" for n in "edcba"
    ]


def test_a_line_has_a_cell_for_each_column() -> None:
    line = shelf_page._line(
        log("a", dated=False, a_s=Measured(1.0, "s", 0.9, 1.1), b_s=Measured(None, "s", 0.5)), 3, ["b_s", "a_s", "c_s"]
    )
    assert (line.vehicle, line.date, line.name, line.length) == (3, "2026-03-01 09:00*", "a.log", f"61.00{NB}s")
    assert [(cell.value, cell.limits, cell.best) for cell in line.cells] == [
        ("", "", False), (f"1.00{NB}s", f"0.90 to 1.10{NB}s", False), ("", "", False),
    ]  # fmt: skip
    assert shelf_page._line(log(severity=FAILED), 0, []).length == ""


@pytest.mark.parametrize(("months", "names"), [(24, 24), (25, 3)])
def test_two_years_are_offered_by_months_and_more_by_years(months: int, names: int) -> None:
    dates = [datetime(2026 + (2 + n) // 12, (2 + n) % 12 + 1, 5, tzinfo=UTC) for n in reversed(range(months))]
    lines = [shelf_page._line(replace(log(), row=replace(log().row, date=date)), 0, []) for date in dates]
    periods = shelf_page._periods([*lines, lines[-1]])
    assert len(periods) == names
    assert periods[-1][0] == ("2026-03" if names == 24 else "2026")
    assert sum(len(each) for _, each in periods) == months + 1


@pytest.mark.parametrize(("held", "charted"), [(1, False), (2, True)])
def test_a_measure_of_two_logs_is_charted(held: int, charted: bool) -> None:
    logs = [log(str(n), n, **({"a_s": Measured(1.0, "s")} if n < held else {})) for n in range(3)]
    drift = Drift("a_s", "Measure a", 9, 63.5, Measured(12.0, "%", 8.0, 16.0), 0.003, False)
    made = shelf_page._vehicle(history("Hazel", *logs, drifts=(drift,)), (4, 1, 2))
    assert (made.chart is not None) is charted
    assert (made.name, made.logs, made.tuning) == ("Hazel", "3 logs", None)
    assert made.drifts[0][0] == "Drift"
    assert made.doubt == (
        "These logs hold 3 different sets of identifiers (4, 1 and 2 logs). Are they of several vehicles, or of "
        "several buses? Give each its own folder with a vehicle file."
    )
    assert shelf_page._vehicle(history("Hazel", *logs), ()).doubt == ""


DIFFERENCE = Difference(
    "Hazel", "a_s", "Measure a", 1, Measured(2.0, "s", 1.5, 2.5), Measured(1.0, "s", 0.9, 1.1),
    Measured(100.0, "%", 50.0, 150.0), 0.001, "the sampling period",
)  # fmt: skip


def test_a_vehicle_that_differs_is_shown_with_both_levels() -> None:
    assert shelf_page._differing(DIFFERENCE) == (
        "Hazel", "Measure a", "1 log", f"2.00{NB}s (1.50 to 2.50{NB}s)", f"1.00{NB}s (0.90 to 1.10{NB}s)",
        f"100{NB}% (50 to 150{NB}%)", "The vehicles may be alike, for the sampling period differs, too.",
    )  # fmt: skip
    assert shelf_page._differing(replace(DIFFERENCE, coincides="", logs=2))[2::4] == ("2 logs", "")


def test_each_note_is_listed_once_in_order_of_time() -> None:
    late, early = Note(START, "new tyre"), Note(START - timedelta(hours=1), "new resistor")
    made = [history("Hazel", notes=(late,)), history("Rowan", notes=(late, early))]
    assert shelf_page._notes(made) == [("2026-03-01 08:00", "new resistor"), ("2026-03-01 09:00", "new tyre")]


def shown(shelf: Shelf, tally: Tally) -> list[str]:
    console = Console(file=io.StringIO(), width=200)
    print_shelf(shelf, tally, console)
    return [line.rstrip().replace(NB, " ") for line in console.file.getvalue().splitlines()]  # type: ignore[attr-defined]


def test_a_shelf_on_the_terminal() -> None:
    logs = (
        log("a", 1, "danger", dangers=1, trouble="welded"), log("b", 2, "warning", dated=False, trouble="slow"),
        log("c"),
        log("d"), log("torn", 0, FAILED, trouble="it is torn"), log("e", 0, FAILED, trouble="logs/e.log: empty"),
    )  # fmt: skip
    drift = Drift("a_s", "Measure a", 9, 63.5, Measured(12.0, "%", 8.0, 16.0), 0.003, False)
    shelf = Shelf(
        logs, (history("Hazel", *logs[:4], drifts=(drift,)),), (DIFFERENCE, replace(DIFFERENCE, coincides=""))
    )
    assert shown(shelf, Tally(9, 3, 4, 2, ["x.txt"])) == [
        "9 logs found, 4 checked, 3 known from earlier runs or copies, 2 could not be checked, "
        "1 file passed over, no log.",
        "In the archive: 6 recordings. Verdicts: 1 danger, 1 warning, 2 good.",
        "danger  Hazel, 2026-03-02 09:00, logs/a.log",
        "        welded",
        "warning Hazel, 2026-03-03 09:00*, logs/b.log",
        "        slow",
        "Drift   Hazel. Measure a rises by 12.0 % (95 %: 8.0 to 16.0 %) over 9 logs in 63.5 days. "
        "Probability by chance alone: 0.3 %.",
        "Differs Hazel. Measure a: 2.00 s (1.50 to 2.50 s), the others 1.00 s (0.90 to 1.10 s). "
        "The sampling period differs, too.",
        "Differs Hazel. Measure a: 2.00 s (1.50 to 2.50 s), the others 1.00 s (0.90 to 1.10 s).",
        "Not checked: logs/torn.log: it is torn",
        "Not checked: logs/e.log: empty",
    ]


@pytest.mark.parametrize(("lost", "named", "more"), [(10, 10, ""), (12, 10, "… and 2 more that could not be checked.")])
def test_no_more_than_ten_logs_are_named(lost: int, named: int, more: str) -> None:
    logs = tuple(log(f"{n}", n, FAILED, trouble="torn") for n in range(lost))
    text = shown(Shelf(logs, ()), Tally(lost, 0, 0, 0))
    assert text[0] == f"{lost} logs found, 0 checked, 0 known from earlier runs or copies."
    assert text[1] == f"In the archive: {lost} recordings. Verdicts: none."
    assert sum(line.startswith("Not checked:") for line in text) == named
    assert text[-1] == (more or text[-1])
    worst = tuple(log(f"{n}", n, "danger", trouble="x") for n in range(12))
    assert sum("danger  " in line for line in shown(Shelf(worst, ()), Tally())) == 10
