"""The pages of comparison and history in a real browser: they draw, fit, serve all and ask nothing of the network."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from test_report_browser import PHONE, WIDE, accessible, opened, show_all

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    """Both pages as files, from made-up runs."""
    tests = Path(__file__).parents[1]
    sys.path += [str(tests / "comparison"), str(tests / "diagnosis")]
    from made_runs import run

    from logscope.checks.measures import MEASURES
    from logscope.comparison.compare import compare_results
    from logscope.files import write_text
    from logscope.history.rows import History, Note, Row, values_of
    from logscope.report.shelf_page import Shelf, ShelfLog, shelf_to_html
    from logscope.vehicle import Vehicle

    folder, vehicle = tmp_path_factory.mktemp("pages"), Vehicle()
    runs = [run(1, 8, rate=9.0), run(2, 8, rate=1.0)]
    compare_results(runs[:1], runs[1:], (vehicle, vehicle), MEASURES).to_html(folder / "compare.html")
    start = datetime(2026, 3, 1, 9, tzinfo=UTC)
    rows = tuple(
        Row(f"a-rather-long-name-{n}.log", start + timedelta(days=n), n > 0, 480.0, values_of(each, vehicle, MEASURES))
        for n, each in enumerate(runs)
    )
    titles = {measure.name: measure.title for measure in MEASURES}
    note = Note(start + timedelta(hours=5), "screen of the encoder cable bonded on both sides")
    logs = tuple(ShelfLog(row, "Hazel", "good", "", 0, 0) for row in rows)
    write_text(folder / "trend.html", shelf_to_html(Shelf(logs, (History("Hazel", rows, (note,), (), titles),))))
    return {name: folder / f"{name}.html" for name in ("compare", "trend")}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [WIDE, PHONE])
@pytest.mark.parametrize("name", ["compare", "trend"])
def test_it_fits_and_draws_without_a_sound(browser, pages, name, width, scheme):
    with opened(browser, pages[name], viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        show_all(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", ["compare", "trend"])
def test_it_serves_people_with_disabilities(browser, pages, name):
    with opened(browser, pages[name], viewport={"width": PHONE, "height": 900}) as page:
        show_all(page)
        assert accessible(page) == []
