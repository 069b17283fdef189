"""An installed browser of the Chromium family: where it is, and what it makes of a page."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from logscope.errors import RequestError

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
# Where they are installed without being on the path: below the program folders of Windows, and on macOS.
_BELOW_PROGRAMS = (
    "Google/Chrome/Application/chrome.exe",
    "Microsoft/Edge/Application/msedge.exe",
    "Chromium/Application/chrome.exe",
)
_PROGRAMS = ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")
_APPLICATIONS = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
)
_FLAGS = (
    "--headless", "--disable-gpu", "--disable-extensions", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--no-default-browser-check",
    "--disable-dev-shm-usage",
)  # fmt: skip
_PAGE_MS = 60_000  # of the page's own time, which runs ahead while nothing is loading


def find_browser() -> Path:
    """The first browser that is there. Raises RequestError where none is."""
    for candidate in _candidates():
        if candidate.is_file():
            return candidate
    raise RequestError(
        "a picture is drawn by an installed browser, and none of the Chromium family was found",
        do="Install Chromium, Chrome or Edge, or write an .html file, whose charts any browser shows.",
    )


def _candidates() -> Iterator[Path]:
    yield from (Path(found) for name in _NAMES if (found := shutil.which(name)))
    yield from (
        Path(folder) / below for name in _PROGRAMS if (folder := os.environ.get(name)) for below in _BELOW_PROGRAMS
    )
    yield from map(Path, _APPLICATIONS)
    yield from _of_playwright()


def _of_playwright() -> Iterator[Path]:
    """The browser that playwright has installed for itself, where it is there."""
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        return
    try:
        with sync_playwright() as driver:
            yield Path(driver.chromium.executable_path)
    except Error:
        return


def page_when_done(html: str, patience_s: int) -> str:
    """The page's content after its scripts have run. Raises RequestError where the browser does not answer in time."""
    browser = find_browser()
    # A profile of its own: with the user's, a browser that runs already would open the page in its window.
    with tempfile.TemporaryDirectory(prefix="logscope-", ignore_cleanup_errors=True) as folder:
        page = Path(folder) / "page.html"
        page.write_text(html, encoding="utf-8")
        command = [str(browser), *_FLAGS, *_sandbox(), f"--user-data-dir={Path(folder) / 'profile'}"]
        command += [f"--virtual-time-budget={_PAGE_MS}", "--dump-dom", page.as_uri()]
        try:
            done = subprocess.run(
                command, capture_output=True, stdin=subprocess.DEVNULL, timeout=patience_s, check=False
            )
        except subprocess.TimeoutExpired:
            raise RequestError(f"no answer within {patience_s} s", where=browser, do="Close other programs.") from None
        except OSError as error:
            raise RequestError(f"cannot be started ({error.strerror or error})", where=browser) from None
    return done.stdout.decode("utf-8", "replace")


def _sandbox() -> tuple[str, ...]:
    """For root Chromium runs only without its sandbox, as in a container; the page is our own and asks for nothing."""
    return ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
