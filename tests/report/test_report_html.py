"""The page: safe with hostile names, whole without a network, complete and in order."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from itertools import pairwise

import fake_results as fake
import pytest

from logscope.findings import CAUTION_HV, Severity


class Page(HTMLParser):
    """What a browser makes of the page: its elements, its text outside scripts, its scripts."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[str | None, str]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._open.append(tag)
        if tag == "script":
            self.scripts.append((dict(attrs).get("type"), ""))

    def handle_endtag(self, tag):
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data):
        if self._open[-1:] == ["script"]:
            kind, text = self.scripts[-1]
            self.scripts[-1] = (kind, text + data)
        elif self._open[-1:] != ["style"]:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@cache
def troubled_html() -> str:
    return fake.troubled().to_html()


@cache
def troubled_page() -> Page:
    return Page(troubled_html())


def test_hostile_names_make_no_element_and_no_script():
    page = troubled_page()
    programs = [text for kind, text in page.scripts if kind is None]
    assert len(programs) == 2  # the charting library and the page's own
    assert not any("alert(1)" in text for text in programs)
    assert fake.HOSTILE in page.text
    for kind, text in page.scripts:
        assert kind in (None, "application/json")
        assert kind is None or "<" not in text


def test_the_page_loads_nothing():
    for tag, attributes in troubled_page().elements:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:,")), (tag, name, value)
    own = troubled_html().replace(max((text for _, text in troubled_page().scripts), key=len), "")
    assert not re.search(r"https?://|url\(|@import", own)


def test_the_charting_library_is_inside_once():
    assert troubled_html().count("* plotly.js (basic") == 1


def test_charts_hold_valid_json():
    for kind, text in troubled_page().scripts:
        if kind == "application/json":
            assert set(json.loads(text)) == {"data", "layout"}


def test_every_finding_is_listed_worst_first():
    result = fake.troubled()
    text = troubled_html()
    for finding in result.findings:
        assert finding.title in troubled_page().text
    order = re.findall(r'<details class="finding".*?<span class="badge (\w+)"', text, re.DOTALL)
    assert len(order) == len(result.findings)
    assert [Severity(word).rank for word in order] == sorted((f.severity.rank for f in result.findings), reverse=True)


def test_the_verdict_comes_before_everything_else_and_says_what_to_do():
    text = troubled_page().text
    verdict = text.index("Do not power up again before each danger is fixed.")
    assert verdict < text.index("1 danger and 9 warnings.") < text.index("What is wrong, and what to do first")


def test_what_is_wrong_stands_first_as_cards_with_what_to_do():
    text, page = troubled_page().text, troubled_html()
    first = text[: text.index("The whole log")]
    explained = fake.troubled().explanations
    assert explained
    for each in explained:
        assert each.title in first
        assert all(action in first for action in each.actions)
    alone = [
        finding
        for number, finding in enumerate(fake.troubled().findings)
        if finding.severity.rank >= Severity.WARNING.rank and all(number not in each.members for each in explained)
    ]
    assert all(finding.title in first for finding in alone)
    assert page.count('<article class="card') == len(explained) + len(alone)


def test_only_the_first_finding_is_open():
    assert len(re.findall(r'<details class="finding" id="finding-\d+" open>', troubled_html())) == 1


def test_a_finding_shows_values_limits_expectation_next_step_and_caution():
    text = troubled_page().text
    for words in (
        "210 ms 201 to 220 ms 150 ms (120 to 180 ms)",
        "What to check next",
        "from 09:00:02.690 UTC",
    ):
        assert words in text
    assert text.count(CAUTION_HV) == 2  # once for all findings, once at the end of the page
    assert "Read the caution first." in text


def test_a_chart_of_readings_left_out_shows_them():
    result = fake.troubled()
    part = result.signals.parts["dc_link_voltage"]
    cleaned = replace(result.signals, parts={**result.signals.parts, part.name: part.where(part.time_s > 3.0)})
    left_out = replace(result, signals=cleaned, originals={part.name: part})
    plain = fake.slow_precharge()
    assert left_out.drawn_for(plain)[part.name].time_s[0] > 3.0
    raw = replace(plain, evidence=replace(plain.evidence, as_logged=True))
    assert left_out.drawn_for(raw)[part.name] is part


def test_how_a_finding_was_worked_out_is_folded():
    finding = replace(fake.slow_precharge(), method="One exponential fits within the quantization.")
    text = replace(fake.troubled(), findings=(finding,), explanations=()).to_html()
    folded = text.index("<summary>How this was worked out</summary>")
    assert text.index(finding.explanation) < folded < text.index(finding.method)


def test_what_was_not_checked_the_account_and_its_bad_lines_are_shown():
    text = troubled_page().text
    assert "no signal is mapped to charger_current" in text
    assert "logs/first drive.log:9042 no identifier" in text
    assert "18 340" in text
    assert "does not close" not in text


def test_an_account_that_does_not_close_says_so():
    result = fake.troubled()
    broken = replace(result, capture=replace(result.capture, frames_decoded=14_990))
    assert "the sum does not close, 10 unaccounted for" in Page(broken.to_html()).text


def test_headings_skip_no_level():
    levels = [int(tag[1]) for tag, _ in troubled_page().elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_charts_have_words_for_those_who_do_not_see_them():
    labels = [a["aria-label"] for _, a in troubled_page().elements if "data-plot" in a]
    assert any("DC-link voltage" in label and "expected from" in label for label in labels)


def test_good_results_stand_by_themselves():
    page = troubled_html()
    good = next(finding for finding in fake.troubled().findings if finding.severity is Severity.GOOD)
    assert page.index('id="good"') < page.index(good.title)
    assert 'id="good"' not in fake.empty().to_html()


def test_a_result_without_findings_gives_no_verdict():
    text = Page(fake.empty().to_html()).text
    assert "No verdict: this log gave no finding." in text
    assert "A log-based verdict never replaces insulation and continuity tests." in text


@pytest.mark.parametrize("term", ["rpm", "DC link", "time constant", "UTC", "95 % interval"])
def test_abbreviations_in_use_are_explained(term):
    assert f"<dt>{term}</dt>" in troubled_html()


def test_terms_not_in_use_are_not_explained():
    assert "<dt>PWM</dt>" not in troubled_html()


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.2, 'contrast ratio' and 'relative luminance'."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_gives_the_published_ends():
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: from 1 to 21
    assert _contrast("#ffffff", "#ffffff") == 1.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_lines_stand_out_from_the_page(scheme):
    css = (files("logscope") / "report/templates/page.css").read_text(encoding="utf-8")
    light, dark = css.split("@media screen and (prefers-color-scheme: dark)")[:2]
    block = light if scheme == "light" else dark.split("\n}\n")[0]
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))
    for name in ("ink", "soft", "link", "danger", "warning", "info", "good", "level", "mark"):
        assert _contrast(colours[name], colours["sheet"]) >= 4.5, name  # WCAG 2.2, 1.4.3
        assert _contrast(colours[name], colours["paper"]) >= 4.5, name
    for name in [n for n in colours if n.startswith(("series", "curve")) or n == "state"]:
        assert _contrast(colours[name], colours["sheet"]) >= 3.0, name  # WCAG 2.2, 1.4.11


def test_several_precharge_attempts_stand_in_one_table():
    page = fake.troubled().to_html()
    attempts = [f for f in fake.troubled().findings if f.kind.startswith("precharge.")]
    assert ("All precharge attempts" in page) == (len(attempts) > 1)
