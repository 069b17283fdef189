"""A result as Markdown that pastes into a forum, a build log or a message: short, and readable as plain text too."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import PurePath

from logscope.findings import Measured, Severity
from logscope.parts import part_name
from logscope.quantities import clock_text, duration_text, finite, grouped, value_text
from logscope.report import model
from logscope.report.json import version
from logscope.report.model import NumberedFinding, ValueRow
from logscope.report.seal import sealed
from logscope.report.story import Card, cards
from logscope.report.words import counted
from logscope.result import Result
from logscope.signals import Part

MOST_CARDS, MOST_FINDINGS = 8, 30  # more than this nobody reads in a message; the report lists them all
_VALUES = {Severity.DANGER: 6, Severity.WARNING: 6, Severity.INFO: 3, Severity.GOOD: 3}  # key numbers of one finding
_SLOWER = 1.5  # times the message's period: from here on the time between new values is worth a word

# What CommonMark reads as markup wherever it stands; “_” does so at the edges of words, “<” and “&” before a letter.
_MARKUP = re.compile(r"[\\`*\[\]|~]|(?<![^\W_])_|_(?![^\W_])|<(?=[A-Za-z/!?])|&(?=[A-Za-z#])")
_AT_START = re.compile(r"^(?:[#>+=-]|\d{1,9}(?=[.)]))")  # a heading, quote, list or underline
_UNSEEN = {"Cc", "Cf", "Cs", "Co"}


def result_to_markdown(result: Result) -> str:
    """Verdict, what is wrong with what to do, the numbers of the findings, what was not checked, how it was logged.

    No HTML; whatever comes from the log or the vehicle file is escaped, and files go by their names alone.
    """
    numbered = model.number_findings(result)
    return sealed("".join("\n".join([*lines, "\n"]) for lines in _paragraphs(result, numbered) if lines), version())


def escaped(text: str) -> str:
    """Text of any origin on one line, with plain spaces, that Markdown shows as it is.

    >>> escaped("a*b <b> & 2 < 3, motor_speed")
    'a\\\\*b \\\\<b> & 2 < 3, motor_speed'
    """
    line = " ".join("".join(c for c in text if c.isspace() or unicodedata.category(c) not in _UNSEEN).split())
    return _AT_START.sub(_at_start, _MARKUP.sub(r"\\\g<0>", line))


def _at_start(found: re.Match[str]) -> str:
    mark = found[0]
    return f"\\{mark}" if not mark.isdigit() else f"{mark}\\"


def _paragraphs(result: Result, numbered: Sequence[NumberedFinding]) -> Iterator[list[str]]:
    verdict = model.verdict(result)
    wrong = cards(result, numbered)
    yield [f"# {escaped(result.vehicle_name) or 'Vehicle'}: drive-system check"]
    yield [f"**{verdict.severity.upper()}: {escaped(verdict.headline)}** {escaped(verdict.advice)}"]
    yield [f"**Caution.** {escaped(caution)}" for caution in model.cautions(result)]
    if wrong:
        yield ["## What is wrong, and what to do first"]
        for card in wrong[:MOST_CARDS]:
            yield [*_card(card)]
        if len(wrong) > MOST_CARDS:
            yield [f"And {len(wrong) - MOST_CARDS} more, among the findings below."]
    if numbered:
        yield ["## Findings"]
        yield [*_findings(numbered)]
    yield ["## Not checked"]
    yield [*_not_checked(result)] or ["Every check ran."]
    yield ["## How it was logged"]
    yield [*_logged(result)]


def _card(card: Card) -> Iterator[str]:
    """An origin with how likely it is, or a finding by itself; then the actions as a list to tick."""
    text = f"**{card.severity.upper()}: {escaped(card.title)}.**"
    if card.sure:
        numbers = ", ".join(str(entry.number) for entry in card.members)
        text += f" {card.sure}; explains finding{'' if len(card.members) == 1 else 's'} {numbers}."
        for heading, texts in (("For it", card.evidence_for), ("Against it", card.evidence_against)):
            text += f" {heading}: {escaped('; '.join(texts))}." if texts else ""
        if card.rival:
            text += f" Next likeliest: {escaped(card.rival)}."
        text += f" What would decide: {escaped(card.deciding_test)}"
    elif card.leading.finding.explanation:
        text += f" {escaped(card.leading.finding.explanation)}"
    yield text
    if card.actions:
        yield ""
        yield from (f"- [ ] {escaped(action)}" for action in card.actions)


def _findings(numbered: Sequence[NumberedFinding]) -> Iterator[str]:
    for entry in numbered[:MOST_FINDINGS]:
        severity = entry.finding.severity
        values = [*_key_numbers(entry.values, _VALUES[severity])]
        numbers = f" {'; '.join(values)}." if values else ""
        yield f"{entry.number}. {severity.upper()}: {escaped(entry.finding.title)} ({entry.when}).{numbers}"
    if more := Counter(entry.finding.severity for entry in numbered[MOST_FINDINGS:]):
        listed = ", ".join(counted(more[severity], severity) for severity in reversed(Severity) if more[severity])
        yield ""
        yield f"And {listed} more."


def _key_numbers(rows: Sequence[ValueRow], most: int) -> Iterator[str]:
    """Measured values with an interval or an expected value; where there is none, the first one."""
    measured = [row for row in rows if row.value]
    for row in [row for row in measured if row.limits or row.expected][:most] or measured[:1]:
        notes = [f"95 %: {row.limits}"] if row.limits else []
        notes += [f"expected {row.expected}"] if row.expected else []
        yield escaped(f"{row.name} {row.value}" + (f" ({'; '.join(notes)})" if notes else ""))


def _not_checked(result: Result) -> Iterator[str]:
    for check, reasons in model.not_checked_rows(result.not_checked):
        yield f"- {escaped(check)}: {escaped('; '.join(reasons))}"


def _logged(result: Result) -> Iterator[str]:
    """Whose log, when, what of it could be read; then every message with its period and the parts it carries."""
    capture = result.capture
    files = ", ".join(PurePath(file).name for file in capture.account.files) or "signals without a log"
    start = capture.start_utc
    begins = f"{start:%Y-%m-%d} {clock_text(start, 0.0)}" if start is not None else "no date"
    yield f"- Log: {escaped(files)}; {begins}; {duration_text(capture.duration_s)} long"
    sums = [total for total in (model.line_sum(capture.account), model.frame_sum(capture)) if total.total]
    if sums:
        yield f"- Account: {escaped('; '.join(map(_without_zeros, sums)))}"
    also = [f"{name}: {text}" for name, text in model.account_facts(capture)]
    also += [f"the logger's clock jumped {step}" for step in model.clock_steps(capture)]
    if also:
        yield f"- Also seen: {escaped('; '.join(also))}"
    yield from (f"- Assumed: {escaped(note)}" for note in capture.account.cautions)
    yield from (f"- {line}" for line in _messages(result))
    if result.logged.empty:
        yield f"- Mapped, but not in the log: {escaped('; '.join(map(part_name, result.logged.empty)))}"


def _without_zeros(total: model.Sum) -> str:
    """A sum without the terms that are zero."""
    return model.Sum(total.what, total.total, tuple(term for term in total.terms if term[1])).text()


def _messages(result: Result) -> Iterator[str]:
    logged = result.logged
    parts = [*logged.parts.values(), *(part for load in logged.loads for part in load.logged)]
    for message in dict.fromkeys(part.message for part in parts):
        own = [part for part in parts if part.message == message]
        period_s = finite(own[0].spacing_s)
        every = f" every {_period_text(period_s)}" if period_s else ""
        listed = "; ".join(_part_text(part, period_s, part.name in logged.doubtful) for part in own)
        yield escaped(f"{message or 'Given signals'}{every}, {grouped(own[0].time_s.size)} samples: {listed}")


def _part_text(part: Part, message_period_s: float | None, doubted: bool) -> str:
    notes = ["in doubt"] if doubted else []
    period_s = finite(part.period_s)
    if period_s and message_period_s and period_s > _SLOWER * message_period_s:
        notes.append(f"new values every {_period_text(period_s)}")
    return part_name(part.name) + (f" ({'; '.join(notes)})" if notes else "")


def _period_text(period_s: float) -> str:
    return value_text(Measured(period_s, "s"))
