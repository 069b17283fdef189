"""What is reported of one origin."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Explanation:
    """One origin of several findings, or of one.

    cause : its name in the graph of causes; title : the same in words, which stand by themselves
    likelihood : that it is at work, 0 to 1, given the findings and the graph
    members : which findings it explains, as indices into the findings of the result, the most severe first
    evidence_for, evidence_against : signs seen, and those it usually shows that were looked for and are absent
    rival : the likeliest other origin of what it explains, and how likely it is at work instead; empty where none is
    deciding_test : the one test that decides between them; actions : what to do, in order
    """

    cause: str
    title: str
    likelihood: float
    members: tuple[int, ...]
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    rival: str
    deciding_test: str
    actions: tuple[str, ...]
