"""Charts as files: which browser draws them, how long it may take, and what each file is called."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from logscope.errors import RequestError
from logscope.pictures import browser, png
from logscope.pictures import report as picture_report


def test_a_browser_is_sought_on_the_path_then_where_programs_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(browser.shutil, "which", lambda name: f"/bin/{name}" if name in ("chrome", "msedge") else None)
    for name in browser._PROGRAMS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("PROGRAMFILES", "/programs")
    monkeypatch.setattr(browser, "_of_playwright", lambda: iter([tmp_path / "own"]))
    found = [path.as_posix() for path in browser._candidates()]
    assert found[:3] == ["/bin/chrome", "/bin/msedge", "/programs/Google/Chrome/Application/chrome.exe"]
    assert found[-2] == "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge"
    assert found[-1] == (tmp_path / "own").as_posix()
    (tmp_path / "own").write_bytes(b"")
    assert browser.find_browser() == tmp_path / "own"


def test_a_page_is_drawn_by_a_browser_of_its_own_profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import subprocess

    ran: list[Any] = []

    def run(command: list[str], **how: Any) -> Any:
        page = Path(command[-1].removeprefix("file://"))
        ran.append((command, how, page.read_text(encoding="utf-8")))
        return SimpleNamespace(stdout="<p>ä</p>".encode() + b"\xff")

    monkeypatch.setattr(browser, "find_browser", lambda: Path("/bin/chrome"))
    monkeypatch.setattr(browser.subprocess, "run", run)
    assert browser.page_when_done("<p>", 130) == "<p>ä</p>\N{REPLACEMENT CHARACTER}"
    ((command, how, page),) = ran
    assert (command[0], page, how["timeout"], how["capture_output"]) == ("/bin/chrome", "<p>", 130, True)
    assert "--dump-dom" in command
    assert any(each.startswith("--user-data-dir=") for each in command)
    assert "--virtual-time-budget=60000" in command
    assert ("--no-sandbox" in command) == (os.name == "posix" and os.geteuid() == 0)

    def late(*of: Any, **how: Any) -> Any:
        raise subprocess.TimeoutExpired("chrome", 130)

    def absent(*of: Any, **how: Any) -> Any:
        raise OSError(2, "No such file")

    for broken, why in ((late, "no answer within 130 s"), (absent, "cannot be started (No such file)")):
        monkeypatch.setattr(browser.subprocess, "run", broken)
        with pytest.raises(RequestError) as error:
            browser.page_when_done("<p>", 130)
        assert why in str(error.value)


def test_pictures_are_those_of_the_page_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    import base64

    waited: list[int] = []
    raw = [png.SIGNATURE + bytes([n]) * 40 for n in (1, 2)]
    page = "".join(f'<img data-png="data:image/png;base64,{base64.b64encode(each).decode()}">' for each in raw)

    def done(html: str, patience_s: int) -> str:
        waited.append(patience_s)
        return page

    monkeypatch.setattr(png, "page_when_done", done)
    monkeypatch.setattr(png, "render_page", lambda template, **of: of["title"])
    monkeypatch.setattr(png, "version", lambda: "1.0")
    drawn: Any = [("a", 1), ("b", 2)]
    assert png.pictures(drawn) == [png.signed(each, "1.0") for each in raw]
    assert waited == [140]  # two minutes, and ten seconds a chart
    with pytest.raises(RequestError, match="drew 2 of 3 charts"):
        png.pictures([*drawn, ("c", 3)])
    page = page.replace(base64.b64encode(raw[0]).decode(), base64.b64encode(b"no picture").decode())
    with pytest.raises(RequestError, match="drew 2 of 2"):
        png.pictures(drawn)


def test_each_chart_has_a_name_by_its_finding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    findings = [
        SimpleNamespace(kind="dc_link.stays_live", title="live"),
        SimpleNamespace(kind="trip.none", title="none"),
    ]
    numbered = [SimpleNamespace(number=n, finding=each) for n, each in enumerate(findings, 1)]
    result: Any = SimpleNamespace(vehicle_name="Hazel", logged="logged", drawn_for=lambda of: of.title)
    monkeypatch.setattr(picture_report, "number_findings", lambda of: numbered)
    monkeypatch.setattr(picture_report, "overview_chart", lambda *of: "overview")
    monkeypatch.setattr(
        picture_report, "drawings", lambda of, signals: [f"{signals} 1", f"{signals} 2"] if signals == "live" else []
    )
    charts = picture_report.named_charts(result)
    assert charts == {
        "00-whole-capture.png": ("Hazel: the whole capture", "overview"), "01-dc-link-stays-live.png": ("1. live",
        "live 1"),
        "01-dc-link-stays-live-2.png": ("1. live", "live 2"),
    }  # fmt: skip
    (tmp_path / "00-whole-capture.png").write_bytes(b"x")
    (tmp_path / "07-old.png").write_bytes(png.signed(png.SIGNATURE + bytes(40), "1.0"))
    (tmp_path / "mine.png").write_bytes(b"mine")
    monkeypatch.setattr(picture_report, "pictures", lambda drawn: [name.encode() for name, _ in drawn])
    asked: list[Path] = []
    assert picture_report.write_pictures(result, tmp_path, asked.append) == ["07-old.png"]
    assert asked == [tmp_path / "00-whole-capture.png"]
    assert (tmp_path / "01-dc-link-stays-live-2.png").read_bytes() == b"1. live"
    monkeypatch.setattr(picture_report, "overview_chart", lambda *of: None)
    assert "00-whole-capture.png" not in picture_report.named_charts(result)
