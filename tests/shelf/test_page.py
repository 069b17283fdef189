"""The page of a shelf."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from small_shelf import filled

from logscope.findings import Measured
from logscope.history.history import history_of
from logscope.history.rows import Note, Row
from logscope.report.shelf_page import FAILED, Shelf, ShelfLog, shelf_to_html, worst_first
from logscope.shelf.overview import overview

_START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def _log(days: float, severity: str = "good", vehicle: str = "Hazel", value: float = 0.15, **more) -> ShelfLog:  # type: ignore[no-untyped-def]
    values = {"precharge_time_constant_s": Measured(value, "s", 0.99 * value, 1.01 * value)}
    row = Row(f"logs/{vehicle} {days}.log", _START + timedelta(days=days), True, 60.0, values)
    counts = {"trouble": "", "dangers": 0, "warnings": 0} | more
    return ShelfLog(row, vehicle, severity, **counts)


def _shelf(logs: list[ShelfLog], notes: tuple[Note, ...] = ()) -> Shelf:
    names = sorted({log.vehicle for log in logs})
    rows = {name: [log.row for log in logs if log.vehicle == name and log.severity != FAILED] for name in names}
    return Shelf(tuple(logs), tuple(history_of(name, rows[name], notes) for name in names))


def test_the_worst_come_first_and_sound_logs_are_not_among_them() -> None:
    logs = [
        _log(0, "warning", warnings=9),
        _log(1, "danger", dangers=1),
        _log(2, "good"),
        _log(3, "danger", dangers=2),
        _log(4, FAILED),
    ]
    assert [log.row.date.day for log in worst_first(logs)] == [4, 2, 1]


def test_each_filter_hides_what_it_says(tmp_path: Path) -> None:
    """Every rule of the style sheet is for a control that is on the page, and for rows of the table."""
    logs = [_log(30.0 * n, severity, vehicle) for n, (severity, vehicle) in enumerate(
        [("good", "Hazel"), ("danger", "Rowan"), (FAILED, "Hazel"), ("warning", "Rowan")]
    )]  # fmt: skip
    page = shelf_to_html(_shelf(logs))
    table = page[page.index('<h2 id="table">') :]
    controls = set(re.findall(r"main:has\(#([\w-]+):", table))
    assert controls == set(re.findall(r'<input [^>]*id="([\w-]+)"', table))
    rows = re.findall(r'<tr class="log (\w+) v(\d)">', table)
    assert sorted(rows) == sorted([("good", "0"), ("danger", "1"), (FAILED, "0"), ("warning", "1")])
    bodies = re.findall(r'<tbody id="period-\d+">(.*?)</tbody>', table, re.DOTALL)
    dates = [max(re.findall(r"\d{4}-\d\d-\d\d", body)) for body in bodies]
    assert dates == sorted(dates, reverse=True)  # so that “since” may hide what follows


def test_a_long_time_is_offered_by_years() -> None:
    page = shelf_to_html(_shelf([_log(30.0 * n) for n in range(40)]))
    assert re.findall(r'name="since" id="[\w-]+"> (\S+)</label>', page) == ["2029", "2028", "2027", "2026"]


def test_a_step_is_named_with_its_log_and_the_note_before_it() -> None:
    """Values of known truth: a resistor that was replaced between the sixth and the seventh log."""
    logs = [_log(n, value=0.15 if n < 6 else 0.26) for n in range(12)]
    shelf = _shelf(logs, (Note(_START + timedelta(days=5.5), "resistor replaced"),))
    (drift,) = shelf.histories[0].drifts
    assert drift.step is not None
    assert drift.step.log == "logs/Hazel 6.log"
    page = shelf_to_html(shelf)
    assert "resistor replaced" in page
    assert re.search(r"steps up by 73\.\d\s% \(95 %: [^)]*\) at Hazel 6\.log \(2026-03-07\)", page)
    assert "A change noted in that time" in page


def test_names_from_outside_are_text_and_no_markup() -> None:
    page = shelf_to_html(_shelf([_log(0, "danger", "<b>Hazel</b>", dangers=1, trouble="<script>x</script>")]))
    assert "<script>x" not in page
    assert "<b>Hazel" not in page


def test_thousands_of_rows_make_a_page_of_some_megabytes() -> None:
    page = shelf_to_html(_shelf([_log(n / 24, vehicle=f"V{n % 3}") for n in range(3000)]))
    assert page.count('<tr class="log') == 3000
    assert len(page) < 6_000_000


def test_the_page_of_each_log_is_linked_from_where_the_page_stands(shelf: Path, tmp_path: Path) -> None:
    archive, _ = filled(shelf / "Hazel", tmp_path / "my archive", pages=True)
    assert filled(shelf / "Hazel", tmp_path / "my archive", pages=True)[1].kept == 3
    page = shelf_to_html(overview(archive, beside=tmp_path))
    links = re.findall(r'<a class="name" href="([^"]+)"', page)
    assert len(links) == 3
    for link in links:
        assert (tmp_path / link.replace("%20", " ")).is_file()
