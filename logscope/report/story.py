"""What is wrong, as cards: each explanation, and each finding that stands by itself. Plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logscope.diagnosis.explanation import Explanation
from logscope.findings import Severity
from logscope.report.model import NumberedFinding, cautions_of
from logscope.result import Result

# Words for a likelihood, from which share on (practice).
_SURE = ((0.95, "Very likely"), (0.8, "Likely"), (0.5, "More likely than not"), (0.0, "Possible"))


@dataclass(frozen=True, slots=True)
class Card:
    """One thing that is wrong, with what to do about it.

    title : the origin, or what a finding that stands by itself found; sure : how likely, in words; empty where a
    finding stands by itself
    leading : the gravest finding; members : all that have this origin, in the order of the report
    actions : what to do, in order; texts on evidence may be empty
    """

    severity: Severity
    title: str
    sure: str
    leading: NumberedFinding
    members: tuple[NumberedFinding, ...]
    actions: tuple[str, ...]
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()
    rival: str = ""
    deciding_test: str = ""

    @property
    def cautions(self) -> tuple[str, ...]:
        """Each caution of its findings and actions, once."""
        said = [entry.finding.caution for entry in self.members if entry.finding.caution]
        return tuple(dict.fromkeys([*said, *cautions_of(self.actions)]))


def cards(result: Result, numbered: Sequence[NumberedFinding]) -> tuple[Card, ...]:
    """What is wrong: explanations, and findings from a warning on that none explains; the gravest first."""
    by_finding = {id(entry.finding): entry for entry in numbered}
    explained = [
        _of_origin(each, sorted((by_finding[id(result.findings[i])] for i in each.members), key=_number))
        for each in result.explanations
    ]
    covered = {entry.number for card in explained for entry in card.members}
    alone = [
        _by_itself(entry)
        for entry in numbered
        if entry.finding.severity.rank >= Severity.WARNING.rank and entry.number not in covered
    ]
    return tuple(sorted([*explained, *alone], key=lambda card: (-card.severity.rank, card.leading.number)))


def _number(entry: NumberedFinding) -> int:
    return entry.number


def _of_origin(explanation: Explanation, members: Sequence[NumberedFinding]) -> Card:
    return Card(
        severity=members[0].finding.severity,
        title=explanation.title,
        sure=likelihood_text(explanation.likelihood),
        leading=members[0],
        members=tuple(members),
        actions=explanation.actions,
        evidence_for=explanation.evidence_for,
        evidence_against=explanation.evidence_against,
        rival=explanation.rival,
        deciding_test=explanation.deciding_test,
    )


def _by_itself(entry: NumberedFinding) -> Card:
    step = entry.finding.next_step
    return Card(
        severity=entry.finding.severity,
        title=entry.finding.title,
        sure="",
        leading=entry,
        members=(entry,),
        actions=(step,) if step else (),
    )


def likelihood_text(likelihood: float) -> str:
    """A likelihood in words and per cent.

    >>> likelihood_text(0.853)
    'Likely (85 %)'
    """
    words = next(words for share, words in _SURE if likelihood >= share)
    return f"{words} ({min(round(100 * likelihood), 99)} %)"
