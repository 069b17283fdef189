"""A headless browser, and the made-up results of the report's tests."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "report"))

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
    # a page that nobody sees goes on drawing, in memory of its own where a container has little that is shared
    "--disable-renderer-backgrounding", "--disable-backgrounding-occluded-windows", "--disable-dev-shm-usage",
)  # fmt: skip
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")


@pytest.fixture(scope="session")
def browser():
    """A browser that is installed already; none is fetched."""
    playwright = pytest.importorskip("playwright.sync_api")
    executable = next((found for name in NAMES if (found := shutil.which(name))), None)
    if executable is None:
        pytest.skip("no browser of the Chromium family is installed")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=executable, args=list(FLAGS))
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def page_file(tmp_path_factory) -> Path:
    """The troubled report as a file, in a folder with a space in its name."""
    import fake_results

    path = tmp_path_factory.mktemp("a report") / "report.html"
    fake_results.troubled().to_html(path)
    return path
