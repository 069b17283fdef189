"""The terminal summary: on narrow and old consoles, without colour, with hostile names."""

from __future__ import annotations

import io
from dataclasses import replace

import fake_results as fake
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from logscope.findings import CAUTION_HV, Severity
from logscope.report.terminal import Detail, print_summary, printable


def summary(result, *, width=80, encoding="utf-8", colour=False, detail=Detail.USUAL):
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="")
    console = Console(file=stream, width=width, force_terminal=colour, color_system="standard" if colour else None)
    print_summary(result, console, detail)
    stream.flush()
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "cp437", "ascii"])
@pytest.mark.parametrize("width", [40, 60, 200])
def test_any_console_can_show_it(encoding, width):
    text = summary(fake.troubled(), width=width, encoding=encoding)
    assert all(len(line) <= width for line in text.splitlines())
    assert "1 danger and 9 warnings." in " ".join(text.split())


def test_words_carry_the_severity_without_colour():
    text = summary(fake.troubled())
    assert "\x1b" not in text
    assert text.index("DANGER ") < text.index("WARNING ") < text.index("INFO ")


def test_what_is_wrong_is_explained_with_what_to_do():
    result = fake.troubled()
    text = " ".join(summary(result, width=200).split())
    for each in result.explanations:
        assert each.title in text
        assert all(action in text for action in each.actions)
    worst = max(result.findings, key=lambda finding: finding.severity.rank)
    good = next(finding for finding in result.findings if finding.severity is Severity.GOOD)
    assert " ".join(worst.explanation.split()) in text
    assert f"{good.title} [" in text


def test_the_caution_stands_once_and_before_anything_to_do():
    result = fake.troubled()
    text = " ".join(summary(result).split())
    assert text.count(CAUTION_HV) == 1
    assert text.index(CAUTION_HV) < text.index(result.explanations[0].actions[0])
    assert "CAUTION" not in summary(fake.empty())


def test_what_was_not_checked_and_the_account_close_the_summary():
    text = " ".join(summary(fake.troubled()).split())
    assert "Not checked: charge: no signal is mapped to charger_current" in text
    assert "Contactors: checked without battery current, which is in doubt" in text
    assert "18 300 frames = 15 000 decoded + 3 250 without a definition" in text


def test_a_long_list_is_cut_with_its_rest_counted():
    assert "more; --verbose, the report and the JSON list them all" in " ".join(summary(fake.troubled()).split())


def test_a_brief_summary_is_verdict_origins_and_caution():
    text = summary(fake.troubled(), width=200, detail=Detail.BRIEF)
    assert len(text.splitlines()) < len(summary(fake.troubled(), width=200).splitlines()) / 2
    assert all(each.title in text for each in fake.troubled().explanations)
    assert "Findings" not in text


def test_a_full_summary_has_every_finding_with_its_text():
    text = " ".join(summary(fake.troubled(), width=200, detail=Detail.FULL).split())
    for finding in fake.troubled().findings:
        assert " ".join(finding.explanation.split()) in text


def test_names_bring_neither_markup_nor_control_characters():
    text = summary(replace(fake.healthy(), vehicle_name="[red]Hazel[/red]\x1b[31m\udc80"))
    assert text.startswith("[red]Hazel[/red][31m: ")


def test_colour_is_used_where_there_is_some():
    assert "\x1b[1;31m" in summary(fake.troubled(), colour=True)


def test_a_result_without_findings_is_no_good_news():
    assert "No verdict" in summary(fake.empty())


@given(st.text(), st.sampled_from(["utf-8", "cp1252", "cp437", "ascii"]))
def test_any_text_becomes_printable(text, encoding):
    shown = printable(text, encoding)
    shown.encode(encoding)
    assert "\n" not in shown


def test_a_number_is_not_parted_from_its_unit():
    text = summary(replace(fake.healthy(), vehicle_name=" ".join(["123\N{NO-BREAK SPACE}V"] * 12)), width=23)
    assert [line.split()[-1] for line in text.splitlines()[:3]] == ["V"] * 3
