"""A result as one HTML page that needs nothing else: no network, no other file."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from logscope.findings import CAUTION_HV, Severity
from logscope.report import model
from logscope.report.charts import overview_chart
from logscope.report.json import version
from logscope.report.xy import drawings
from logscope.result import Result

if TYPE_CHECKING:
    from jinja2 import Environment

FEW = 3  # up to here good results are shown in full; more are folded away below the rest
EVENTS_SHOWN = 200  # episodes listed under one finding; the JSON has them all


def result_to_html(result: Result) -> str:
    """The whole report as HTML text. Signal and file names are escaped wherever they stand."""
    numbered = model.number_findings(result)
    good = [entry for entry in numbered if entry.finding.severity is Severity.GOOD]
    folded = good if len(good) > FEW else []
    return render_page(
        "report.html.j2",
        title=f"{result.vehicle_name}: drive-system check",
        facts=model.capture_facts(result),
        verdict=model.verdict(result),
        overview=overview_chart([(entry.number, entry.finding) for entry in numbered], result.logged),
        urgent=[entry for entry in numbered if entry.finding.severity.rank >= Severity.WARNING.rank],
        shown=[
            (entry, drawings(entry.finding, result.drawn_for(entry.finding)))
            for entry in numbered
            if entry not in folded
        ],
        folded=[(entry, drawings(entry.finding, result.drawn_for(entry.finding))) for entry in folded],
        attempts=model.attempt_rows(numbered),
        attempt_headings=[heading for _, heading in model.ATTEMPT_VALUES],
        not_checked=model.not_checked_rows(result.not_checked),
        capture=result.capture,
        sums=(model.line_sum(result.capture.account), model.frame_sum(result.capture)),
        account_facts=model.account_facts(result.capture),
        clock_steps=model.clock_steps(result.capture),
        parts=model.part_rows(result),
        glossary=model.glossary(result, numbered),
        cautions=model.cautions(result.findings),
        caution=CAUTION_HV,
        events_shown=EVENTS_SHOWN,
    )


def render_page(template: str, **content: Any) -> str:
    """A template that extends page.html.j2, with style sheet, script and charting library inside."""
    return _environment().get_template(template).render(version=version(), **content)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup
    from plotly.offline import get_plotlyjs

    environment = Environment(
        loader=PackageLoader("logscope", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["library"] = Markup(get_plotlyjs())
    return environment
