"""Every chart of a result as a picture with a name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from logscope.files import create_folder, write_bytes
from logscope.pictures.png import is_ours, pictures
from logscope.report.charts import overview_chart
from logscope.report.model import number_findings
from logscope.report.stack import Drawing
from logscope.report.xy import drawings
from logscope.result import Result


def named_charts(result: Result) -> dict[str, tuple[str, Drawing]]:
    """By file name: title and drawing of the whole capture, and of each finding by its number in the report."""
    numbered = number_findings(result)
    found: dict[str, tuple[str, Drawing]] = {}
    overview = overview_chart([(entry.number, entry.finding) for entry in numbered], result.logged)
    if overview is not None:
        found["00-whole-capture.png"] = (f"{result.vehicle_name}: the whole capture", overview)
    for entry in numbered:
        kind = entry.finding.kind.replace(".", "-").replace("_", "-")
        for number, drawing in enumerate(drawings(entry.finding, result.drawn_for(entry.finding)), start=1):
            again = "" if number == 1 else f"-{number}"
            found[f"{entry.number:02d}-{kind}{again}.png"] = (f"{entry.number}. {entry.finding.title}", drawing)
    return found


def write_pictures(result: Result, folder: Path, allow: Callable[[Path], None]) -> list[str]:
    """Draw every chart into a folder, which is created; returns the names of pictures of ours that were there besides.

    allow : is asked for each file that exists, before any is drawn, and raises where it must stay
    """
    charts = named_charts(result)
    for path in (folder / name for name in charts):
        if path.exists():
            allow(path)
    drawn = pictures(list(charts.values()))
    create_folder(folder)
    for name, content in zip(charts, drawn, strict=True):
        write_bytes(folder / name, content)
    return sorted(path.name for path in folder.glob("*.png") if path.name not in charts and _is_ours(path))


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return is_ours(file.read(200))
