"""A result as one HTML page that needs nothing else: no network, no other file."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from logscope.findings import CAUTION_HV, Severity
from logscope.report import model
from logscope.report.charts import overview_chart
from logscope.report.json import version
from logscope.report.story import cards
from logscope.report.xy import drawings
from logscope.result import Result

if TYPE_CHECKING:
    from jinja2 import Environment

EVENTS_SHOWN = 200  # episodes listed under one finding; the JSON has them all


def result_to_html(result: Result) -> str:
    """The whole report as HTML text. Signal and file names are escaped wherever they stand."""
    numbered = model.number_findings(result)
    drawn = {entry.number: drawings(entry.finding, result.drawn_for(entry.finding)) for entry in numbered}
    wrong = cards(result, numbered)
    on_cards = {card.leading.number for card in wrong}
    # The chart of a card is not drawn a second time under its finding.
    below = {number: each[1:] if number in on_cards else each for number, each in drawn.items()}
    good = [entry for entry in numbered if entry.finding.severity is Severity.GOOD]
    return render_page(
        "report.html.j2",
        title=f"{result.vehicle_name}: drive-system check",
        facts=model.capture_facts(result),
        verdict=model.verdict(result),
        cards=[(card, next(iter(drawn[card.leading.number]), None)) for card in wrong],
        overview=overview_chart([(entry.number, entry.finding) for entry in numbered], result.logged),
        shown=[(entry, below[entry.number]) for entry in numbered if entry not in good],
        good=[(entry, below[entry.number]) for entry in good],
        on_cards=on_cards,
        attempts=model.attempt_rows(numbered),
        attempt_headings=[heading for _, heading in model.ATTEMPT_VALUES],
        not_checked=model.not_checked_rows(result.not_checked),
        capture=result.capture,
        sums=(model.line_sum(result.capture.account), model.frame_sum(result.capture)),
        account_facts=model.account_facts(result.capture),
        clock_steps=model.clock_steps(result.capture),
        parts=model.part_rows(result),
        glossary=model.glossary(result, numbered),
        cautions=model.cautions(result),
        cautions_first=any(card.cautions for card in wrong),
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

    environment = Environment(
        loader=PackageLoader("logscope", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    library = files("logscope") / "report/library/plotly-basic.min.js"
    environment.globals["library"] = Markup(library.read_text(encoding="utf-8"))
    return environment
