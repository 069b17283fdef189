"""The page of a shelf in a real browser: it draws, fits, serves all, and its filters work without a script."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from test_report_browser import PHONE, WIDE, accessible, opened, show_all

from logscope.findings import Measured
from logscope.history.history import history_of
from logscope.history.rows import Note, Row
from logscope.report.shelf_page import FAILED, Shelf, ShelfLog, shelf_to_html

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def shelf_file(tmp_path_factory) -> Path:
    """Two vehicles with ten logs each, five days apart, two of each verdict; one vehicle has a step."""
    start = datetime(2026, 3, 1, 9, tzinfo=UTC)
    kinds = ("good", "info", "warning", "danger", FAILED)
    logs = []
    for vehicle in ("Hazel", "Rowan"):
        for n in range(10):
            level = 0.15 if n < 5 or vehicle == "Rowan" else 0.26  # a vehicle that changed is unfolded
            values = {"precharge_time_constant_s": Measured(level, "s", 0.98 * level, 1.02 * level)}
            row = Row(f"a-rather-long-name-{n}.log", start + timedelta(days=5 * n), n > 0, 60.0, values)
            trouble = "Interference on the encoder's wiring" if kinds[n % 5] in ("warning", "danger") else ""
            logs.append(ShelfLog(row, vehicle, kinds[n % 5], trouble, 1, 1, "x/page.html"))
    note = Note(start + timedelta(days=22), "resistor replaced")
    histories = (
        history_of(name, [log.row for log in logs if log.vehicle == name], [note]) for name in ("Hazel", "Rowan")
    )
    path = tmp_path_factory.mktemp("a shelf") / "overview.html"
    path.write_text(shelf_to_html(Shelf(tuple(logs), tuple(histories))), encoding="utf-8")
    return path


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_it_fits_and_draws_without_a_sound(browser, shelf_file, width, scheme):
    with opened(browser, shelf_file, viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        show_all(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_it_serves_people_with_disabilities(browser, shelf_file):
    with opened(browser, shelf_file, viewport={"width": PHONE, "height": 900}) as page:
        show_all(page)
        assert accessible(page) == []


def test_the_filters_work_together_and_without_a_script(browser, shelf_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(shelf_file.as_uri())

    def shown() -> int:
        return sum(row.is_visible() for row in page.locator("tr.log").all())

    assert shown() == 20
    page.locator("#show-good").uncheck()
    assert shown() == 16
    page.locator("#vehicle-1").check()
    assert shown() == 8
    page.locator("#since-0").check()  # April: the last three logs of a vehicle
    assert shown() == 3
    context.close()
