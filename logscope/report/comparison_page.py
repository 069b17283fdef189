"""A comparison as one HTML page that needs nothing else: verdict first, then effects, exposure and curves."""

from __future__ import annotations

from logscope.comparison.outcome import Comparison, Side
from logscope.findings import CAUTION_HV
from logscope.quantities import duration_text, grouped
from logscope.report import model
from logscope.report.comparison_charts import exposure_charts, forest_chart, load_chart, precharge_chart
from logscope.report.comparison_words import CAUTION, HEADLINES, VERDICT_SEVERITY, not_compared, rows
from logscope.report.html import render_page
from logscope.report.words import glossary_of


def comparison_to_html(comparison: Comparison) -> str:
    """The comparison as HTML text."""
    listed = rows(comparison)
    texts = [text for row in listed for text in (row.title, row.before, row.after, row.reason)]
    charts = (
        ("Effects", (forest_chart(comparison.measures),)),
        ("Rate by load", (load_chart(comparison),)),
        ("How both sides were driven", exposure_charts(comparison)),
        ("Precharges overlaid", (precharge_chart(comparison),)),
    )
    return render_page(
        "comparison.html.j2",
        title=f"{comparison.vehicle_name}: before and after",
        facts=_facts(comparison),
        severity=VERDICT_SEVERITY[comparison.verdict].value,
        headline=HEADLINES[comparison.verdict],
        reason=comparison.reason,
        measures=listed,
        not_compared=not_compared(comparison),
        differences=[difference.text for difference in comparison.differences],
        charts=[(name, drawn) for name, several in charts if (drawn := [c for c in several if c is not None])],
        sides=[(name, _runs(side)) for name, side in zip(("Before", "After"), comparison.sides, strict=True)],
        glossary=glossary_of([*texts, "95 % interval"]),
        cautions=(CAUTION, CAUTION_HV),
    )


def _facts(comparison: Comparison) -> list[tuple[str, str]]:
    facts = [("Vehicle", comparison.vehicle_name)]
    for name, side in zip(("Before", "After"), comparison.sides, strict=True):
        length = sum(result.capture.duration_s for result in side.results)
        runs = len(side.results)
        facts.append((name, f"{runs} run{'' if runs == 1 else 's'}, {duration_text(length)}"))
    return [*facts, ("Measures", str(len(comparison.measures)))]


def _runs(side: Side) -> list[tuple[str, str, str, tuple[str, ...]]]:
    """Files, length, frames and notes of each run."""
    return [
        (
            ", ".join(result.capture.account.files),
            duration_text(result.capture.duration_s),
            grouped(result.capture.account.frames),
            (model.frame_sum(result.capture).text(), *result.capture.account.remarks),
        )
        for result in side.results
    ]
