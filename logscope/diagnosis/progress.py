"""How far the work has come: the step after what was logged, and what a log must show before that but does not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logscope.findings import Finding, Severity


@dataclass(frozen=True, slots=True)
class Progress:
    """The step that comes after what was logged, in words, and what must be shown before it but is not."""

    step: str
    missing: tuple[str, ...]


# In the order of the work: the topic of findings by which a log shows that a step was taken, the step after it, and the
# results that must be there before that, each in words (common practice, no published source).
_POWER_UP = ("precharge", "turning the motor, wheels off the ground")
_MOTOR = ("encoder", "the next drive")
_CHARGE = ("charge", "the next charge")
_NEEDED = {
    _POWER_UP: {"precharge.complete": "a complete precharge, each time", "contactor.sound": "sound contactors"},
    _MOTOR: {"encoder.clean": "a clean motor speed", "trip.none": "a drive without a trip"},
    _CHARGE: {"charge.complete": "a complete charge"},
}  # fmt: skip


def progress(findings: Sequence[Finding]) -> Progress | None:
    """What comes next; None where the log shows no step of the work, or something is wrong."""
    if any(finding.severity.rank >= Severity.WARNING.rank for finding in findings):
        return None
    taken = [step for step in _NEEDED if any(finding.kind.startswith(f"{step[0]}.") for finding in findings)]
    if not taken:
        return None
    good = {finding.kind for finding in findings if finding.severity is Severity.GOOD}
    # What could not be judged once stands open, whatever another attempt showed.
    needed = {kind for results in _NEEDED.values() for kind in results}
    unjudged = {
        finding.kind.partition(".")[0]
        for finding in findings
        if finding.kind.endswith(".undetermined") or (finding.kind in needed and finding.severity is not Severity.GOOD)
    }
    shown = {kind for kind in good if kind.partition(".")[0] not in unjudged}
    latest = taken[-1]
    return Progress(latest[1], tuple(words for kind, words in _NEEDED[latest].items() if kind not in shown))
