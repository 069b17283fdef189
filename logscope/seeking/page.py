"""The evidence of a search as one HTML page: each hit as a chart over the log."""

from __future__ import annotations

import numpy as np

from logscope.report.charts import OVERVIEW_POINTS, TIME_TITLE
from logscope.report.drawing import mark_line
from logscope.report.html import render_page
from logscope.report.rows import panel
from logscope.report.stack import Drawing, stacked
from logscope.seeking.hits import Found, Hit
from logscope.seeking.show import headline, rate_text
from logscope.signals import Part

MOST_CHARTS = 8


def found_to_html(found: Found) -> str:
    """The outcome as HTML text that needs nothing else."""
    rows = [
        (str(rank), hit.candidate.name, hit.part, f"{hit.score:.2f}", rate_text(hit), "; ".join(hit.reasons))
        for rank, hit in enumerate(found.hits, 1)
    ]
    return render_page(
        "found.html.j2",
        title="Search for fields without a definition",
        headline=headline(found),
        notes=found.notes,
        headings=("", "Field", "Part", "Likeness", "Chance", "Seen"),
        rows=rows,
        charts=[(hit, hit_chart(hit, found.duration_s)) for hit in found.hits[:MOST_CHARTS]],
        definitions=found.to_dbc(),
    )


def hit_chart(hit: Hit, duration_s: float) -> Drawing:
    """A hit over the whole log, with the moments at which it does what was sought."""
    time_s, raw = hit.candidate.samples()
    values = raw * hit.scale + hit.offset
    part = Part(hit.part, time_s, values, hit.unit or "counts", hit.candidate.name, step=abs(hit.scale) or None)
    window = (0.0, max(duration_s, float(time_s[-1])))
    row = panel([part], (), (), window, 0, OVERVIEW_POINTS)
    marks = [mark_line(moment) for moment in hit.moments if np.isfinite(moment)]
    summary = f"Chart of {hit.candidate.name} over {window[1]:.3g} s, {hit.score:.2f} like {hit.part}."
    return Drawing(stacked([row], window, TIME_TITLE, marks), summary, row.keys, notes=row.notes, window=window)
