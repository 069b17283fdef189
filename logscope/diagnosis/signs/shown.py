"""How findings show signs: by kind, cause, value, limit passed, or by the moment that they share with another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logscope.findings import Event, Finding, Severity

# Two checks place one moment apart by a state's lag and its message period (10 Hz messages, practice).
_SAME_MOMENT_S = 0.3
# A rate that rises less than this is none that rises: few events leave it open.
_NO_RISE = 1.5


@dataclass(frozen=True, slots=True)
class Shown:
    """When a finding shows a sign.

    by : whether a finding does, beside all findings of the log
    topics : of kinds; where a finding of one of them exists, the sign was looked for
    ruled_out : where it needs more than that: whether a finding rules the sign out
    """

    by: Callable[[Finding, Sequence[Finding]], bool]
    topics: frozenset[str]
    ruled_out: Callable[[Finding], bool] = lambda finding: not finding.kind.endswith(".undetermined")

    def absent_from(self, findings: Sequence[Finding]) -> bool:
        """Whether the sign was looked for in a log in which no finding shows it."""
        return any(each.kind.partition(".")[0] in self.topics and self.ruled_out(each) for each in findings)


def by_kind(*kinds: str, from_severity: Severity = Severity.WARNING, ruled_out_by: tuple[str, ...] = ()) -> Shown:
    """A finding of one of these kinds, by default one that is a warning or worse.

    ruled_out_by : the kinds that rule it out, where not every other outcome of the topic does
    """

    def shows(finding: Finding, _: Sequence[Finding]) -> bool:
        return finding.kind in kinds and finding.severity.rank >= from_severity.rank

    if not ruled_out_by:
        return Shown(shows, _topics(*kinds))
    return Shown(shows, _topics(*ruled_out_by), lambda finding: finding.kind in ruled_out_by)


def by_topic(topic: str, but: tuple[str, ...] = ()) -> Shown:
    """Any warning of a topic, but for some kinds."""
    return Shown(lambda f, _: f.kind.startswith(f"{topic}.") and f.kind not in but and is_wrong(f), frozenset((topic,)))


def by_cause(kind: str, *causes: str | None) -> Shown:
    """A finding that its check already puts down to one of these causes; with None, to none."""
    return Shown(lambda f, _: f.kind == kind and f.cause in causes and is_wrong(f), _topics(kind))


def by_rise(topic: str, value: str) -> Shown:
    """A measured ratio whose lower limit is above 1."""

    def shows(finding: Finding, _: Sequence[Finding]) -> bool:
        ratio = finding.measured.get(value)
        return ratio is not None and ratio.low is not None and ratio.low > 1.0

    def ruled_out(finding: Finding) -> bool:
        ratio = finding.measured.get(value)
        return ratio is not None and ratio.high is not None and ratio.high < _NO_RISE

    return Shown(shows, frozenset((topic,)), ruled_out)


def by_value(topic: str, *values: str, ruled_out_by: tuple[str, ...]) -> Shown:
    """A finding of a topic that measured one of these values, and is more than good.

    ruled_out_by : the kinds that rule it out where none of the values was measured
    """

    def shows(finding: Finding, _: Sequence[Finding]) -> bool:
        measured = [finding.measured.get(name) for name in values]
        seen = any(each is not None and each.value is not None for each in measured)
        return finding.kind.startswith(f"{topic}.") and finding.severity is not Severity.GOOD and seen

    return Shown(shows, frozenset((topic,)), lambda finding: finding.kind in ruled_out_by)


def by_limit(*limits: str) -> Shown:
    """A limit of the vehicle file that was passed, whichever check says so."""

    def margins(finding: Finding) -> list[float]:
        named = [
            value.value
            for limit in limits
            for name, value in finding.measured.items()
            if name.startswith(f"{limit}_margin_")
        ]
        return [value for value in named if value is not None]

    def shows(finding: Finding, _: Sequence[Finding]) -> bool:
        return is_wrong(finding) and any(margin < 0.0 for margin in margins(finding))

    return Shown(shows, frozenset(("limits",)), lambda finding: bool(margins(finding)))


def at_moment_of(other: str, *kinds: str) -> Shown:
    """A warning of these kinds at the moment of a warning of another kind."""

    def shows(finding: Finding, findings: Sequence[Finding]) -> bool:
        if finding.kind not in kinds or not is_wrong(finding):
            return False
        return any(each.kind == other and is_wrong(each) and _meet(finding, each) for each in findings)

    return Shown(shows, _topics(other))


def either(*shown: Shown) -> Shown:
    """What any of these shows."""
    topics = frozenset(topic for each in shown for topic in each.topics)
    return Shown(lambda f, findings: any(each.by(f, findings) for each in shown), topics)


def is_wrong(finding: Finding) -> bool:
    """Whether a finding is a warning or a danger."""
    return finding.severity.rank >= Severity.WARNING.rank


def _topics(*kinds: str) -> frozenset[str]:
    return frozenset(kind.partition(".")[0] for kind in kinds)


def _meet(first: Finding, second: Finding) -> bool:
    return any(
        one.start_s <= other.end_s + _SAME_MOMENT_S and other.start_s <= one.end_s + _SAME_MOMENT_S
        for one in _episodes(first)
        for other in _episodes(second)
    )


def _episodes(finding: Finding) -> tuple[Event, ...]:
    return finding.events or (Event(finding.start_s, finding.end_s),)
