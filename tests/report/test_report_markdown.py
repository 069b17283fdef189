"""The summary to paste: what it says, how short it is, and that no name becomes markup.

The reader is markdown-it-py, an implementation of CommonMark (spec.commonmark.org, 0.31).
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace

import fake_results as fake
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from logscope.report.markdown import MOST_CARDS, MOST_FINDINGS, escaped, result_to_markdown
from logscope.report.seal import is_untouched, sealed

READER = MarkdownIt("commonmark").enable(["table", "strikethrough"])
OURS = {"heading", "paragraph", "bullet_list", "ordered_list", "list_item", "inline"}


def kinds(text: str) -> set[str]:
    tokens = READER.parse(text)
    every = [*tokens, *(child for token in tokens for child in token.children or ())]
    return {token.type.removesuffix("_open").removesuffix("_close") for token in every}


def shown(text: str) -> str:
    tokens = READER.parse(text)
    assert [token.type for token in tokens] == ["paragraph_open", "inline", "paragraph_close"], tokens
    children = tokens[1].children or []
    assert {child.type for child in children} <= {"text", "text_special"}, children
    return "".join(child.content for child in children)


@pytest.mark.parametrize(
    "text",
    [
        "<b>bold</b>", "a*b*c", "_a_ motor_speed __b__", "[x](javascript:alert)", "`code`", "# 1", "> 5", "- 5 A",
        "+5 V", "1. one", "12) two", "=", "---", "&lt;", "&#60;", "a|b", "~~gone~~", "C:\\logs\\*.log", "![x](y)",
        "<http://x>", "2 < 3 & 4", "\u2028# a", "<!-- x -->", "***",
    ],
)  # fmt: skip
def test_a_name_is_shown_as_it_is(text: str) -> None:
    assert shown(escaped(text)) == " ".join(text.split())


@given(st.text(st.characters(exclude_categories=["Cc", "Cf", "Cs", "Co"]), min_size=1).filter(str.strip))
def test_any_text_is_shown_as_it_is(text: str) -> None:
    assert shown(escaped(text)) == " ".join(text.split())


@given(st.text())
def test_nothing_unseen_passes(text: str) -> None:
    assert not any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co") for c in escaped(text))


def test_hostile_names_stay_text() -> None:
    text = result_to_markdown(fake.troubled())
    assert kinds(text) <= OURS | {"text", "text_special", "strong", "softbreak"}
    assert "alert" in text


def test_it_says_what_is_wrong_how_likely_and_what_to_do() -> None:
    result = fake.troubled()
    text = result_to_markdown(result)
    assert text.startswith("# Hazel")
    assert "**DANGER: Do not power up again before each danger is fixed.**" in text
    for each in result.explanations:
        assert f": {each.title}.**" in text
        assert f"{min(round(100 * each.likelihood), 99)} %" in text
        assert all(f"- [ ] {action}" in text for action in each.actions)


def test_key_numbers_have_interval_and_unit() -> None:
    text = result_to_markdown(fake.troubled())
    assert "Time constant 210 ms (95 %: 201 to 220 ms; expected 150 ms (120 to 180 ms))" in text
    assert "Peak current 392 A (95 %: 386 to 398 A; expected at most 350 A)" in text


def test_it_says_what_was_not_checked_and_how_it_was_logged() -> None:
    text = result_to_markdown(fake.troubled())
    assert "- charge: no signal is mapped to charger_current" in text
    assert "18 300 frames = 15 000 decoded + 3 250 without a definition" in text
    assert "motor current target (new values every 100.0 ms)" in text
    assert "logs/" not in text  # folders are nobody's business in a forum
    assert "Every check ran." in result_to_markdown(fake.healthy())


def test_a_long_list_is_cut_with_its_rest_counted() -> None:
    text = result_to_markdown(fake.troubled(small=80))
    assert f"\n{MOST_FINDINGS}. " in text
    assert f"\n{MOST_FINDINGS + 1}. " not in text
    assert "good results more." in text
    assert "more, among the findings below." in text
    assert text.count("**WARNING: ") + text.count("**DANGER: ") == MOST_CARDS + 1  # and the verdict


def test_the_caution_comes_before_what_to_do() -> None:
    text = result_to_markdown(fake.troubled())
    assert text.index("**Caution.**") < text.index("- [ ] ")
    assert text.count("**Caution.**") == 1


def test_a_log_that_gave_nothing_still_makes_a_summary() -> None:
    text = result_to_markdown(fake.empty())
    assert "No verdict" in text
    assert " = " not in text  # a sum of nothing


@given(st.text(st.characters(exclude_characters="\r")), st.text(min_size=1))
def test_the_seal_shows_any_edit(text: str, added: str) -> None:
    text = text.encode("utf-8", "replace").decode() + "\n"
    whole = sealed(text, "1.0").encode()
    assert is_untouched(whole)
    assert not is_untouched(whole + added.encode("utf-8", "replace"))
    assert not is_untouched(b"x" + whole)


def test_from_python_it_is_written_as_well(tmp_path) -> None:  # type: ignore[no-untyped-def]
    target = tmp_path / "summary.md"
    result = replace(fake.healthy(), vehicle_name="Hazel \udc80")
    text = result.to_markdown(target)
    assert target.read_text(encoding="utf-8") == text
    assert is_untouched(target.read_bytes())
