"""The evidence of a search as one HTML page: each hit as a chart over the log."""

from __future__ import annotations

import numpy as np

from logscope.parts import part_name, part_title
from logscope.report.charts import OVERVIEW_POINTS, TIME_TITLE
from logscope.report.drawing import mark_line
from logscope.report.html import render_page
from logscope.report.rows import panel
from logscope.report.stack import Drawing, stacked
from logscope.seeking.hits import Found, Hit
from logscope.seeking.show import NOTATION, headline, rate_text
from logscope.signals import Part

MOST_CHARTS, MOST_IN_VAIN = 8, 3


def found_to_html(found: Found) -> str:
    """The outcome as HTML text that needs nothing else."""
    rows = [
        (hit.candidate, (part_title(hit.part), f"{hit.score:.2f}", rate_text(hit), "; ".join(hit.reasons)))
        for hit in found.hits
    ]
    return render_page(
        "found.html.j2",
        title="Search for fields without a definition",
        headline=headline(found),
        notes=found.notes,
        headings=("Field", "Part", "Likeness", "Chance", "Seen"),
        rows=rows,
        notation=NOTATION,
        charts=[(hit, hit_chart(hit, found.duration_s)) for hit in drawn(found)],
        definitions=found.to_dbc(),
    )


def drawn(found: Found) -> tuple[Hit, ...]:
    """The hits that get a chart: those that stand out; where none does, the best, so that one can see why not."""
    return found.standing_out[:MOST_CHARTS] or found.hits[:MOST_IN_VAIN]


def hit_chart(hit: Hit, duration_s: float) -> Drawing:
    """A hit over the whole log, with the moments at which it does what was sought."""
    time_s, raw = hit.candidate.samples()
    values = raw * hit.scale + hit.offset
    scaled = bool(hit.unit) or (hit.scale, hit.offset) != (1.0, 0.0)
    name = f"Like {part_name(hit.part)}{'' if scaled else ', raw value'}"
    part = Part(name, time_s, values, hit.unit, name, step=abs(hit.scale) or None)
    window = (0.0, max(duration_s, float(time_s[-1])))
    row = panel([part], (), (), window, 0, OVERVIEW_POINTS)
    marks = [mark_line(moment) for moment in hit.moments if np.isfinite(moment)]
    summary = f"Chart of {hit.candidate.in_words} over {window[1]:.3g} s, {hit.score:.2f} like {part_name(hit.part)}."
    return Drawing(stacked([row], window, TIME_TITLE, marks), summary, row.keys, notes=row.notes, window=window)
