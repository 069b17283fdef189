"""The page with some signals on one time axis, in a real browser."""

from __future__ import annotations

from pathlib import Path

import fake_results
import pytest
from test_report_browser import PHONE, WIDE, accessible, opened, show_all

from logscope.survey.plot import SignalPlot

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def plot_file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("a plot") / "plot.html"
    parts = tuple(fake_results.signals().parts.values())
    SignalPlot(parts, (0.0, 61.0), (f"logs/{fake_results.HOSTILE}.log",), ("a note",)).to_html(path)
    return path


@pytest.mark.parametrize(("width", "scheme"), [(WIDE, "light"), (PHONE, "dark")])
def test_it_draws_fits_keeps_quiet_and_serves_people_with_disabilities(browser, plot_file, width, scheme):
    with opened(browser, plot_file, viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        show_all(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert accessible(page) == []
