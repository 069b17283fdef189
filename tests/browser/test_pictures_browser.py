"""Charts as pictures, drawn by the browser that is installed; read back by the same browser."""

from __future__ import annotations

import base64
import struct

import fake_results
import pytest

from logscope.outputs import PNG
from logscope.pictures.png import SIGNATURE, pictures
from logscope.pictures.report import named_charts, write_pictures
from logscope.report.charts import overview_chart

pytestmark = pytest.mark.browser

COLOURS = """async (source) => {
  const image = new Image();
  image.src = source;
  await image.decode();
  const canvas = Object.assign(document.createElement("canvas"), { width: image.width, height: image.height });
  const brush = canvas.getContext("2d");
  brush.drawImage(image, 0, 0);
  const seen = new Set();
  const pixels = brush.getImageData(0, 0, image.width, image.height).data;
  for (let at = 0; at < pixels.length; at += 4) {
    seen.add("#" + [0, 1, 2].map((k) => pixels[at + k].toString(16).padStart(2, "0")).join(""));
  }
  return [...seen];
}"""
SERIES = ("#1b5e8c", "#b5560d", "#2f7d53")  # --series-1 … of the style sheet, in light
MARK = "#1e2428"  # --ink: the headings above the rows are there


@pytest.fixture(scope="module", autouse=True)
def _installed(browser) -> None:  # type: ignore[no-untyped-def]
    """Skips where no browser is."""


def test_a_picture_shows_lines_and_headings(browser) -> None:  # type: ignore[no-untyped-def]
    drawing = overview_chart([], fake_results.signals())
    assert drawing is not None
    (made,) = pictures([("A title <b>", drawing)])
    width, height = struct.unpack(">II", made[16:24])
    assert made.startswith(SIGNATURE)
    assert height / width > drawing.height_px / 800
    page = browser.new_page()
    colours = set(page.evaluate(COLOURS, f"data:image/png;base64,{base64.b64encode(made).decode()}"))
    page.close()
    assert colours >= {*SERIES, MARK}


def test_every_chart_of_a_report_becomes_a_file_and_what_is_not_ours_stays(tmp_path) -> None:  # type: ignore[no-untyped-def]
    result = fake_results.troubled(small=0)
    charts = named_charts(result)
    asked = []
    assert write_pictures(result, tmp_path / "charts", asked.append) == []
    written = sorted((tmp_path / "charts").iterdir())
    assert [path.name for path in written] == sorted(charts)
    assert all(PNG.recognise(path) for path in written)
    assert asked == []
    written[0].rename(tmp_path / "charts" / "99-earlier.png")
    assert write_pictures(result, tmp_path / "charts", asked.append) == ["99-earlier.png"]
    assert {path.name for path in asked} == {path.name for path in written[1:]}
