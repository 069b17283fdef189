"""Findings → explanations: which causes are at work, and which findings each of them explains."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from logscope.diagnosis.causes import CAUSES, Cause
from logscope.diagnosis.explanation import Explanation
from logscope.diagnosis.network import posterior
from logscope.diagnosis.signs import SIGNS, Observed, observe
from logscope.findings import Finding, Severity

# A cause that usually shows a sign must explain why that is absent; below it the absence says little.
_USUALLY = 0.5
# A rival below this is not worth a test of its own.
_RIVAL = 0.02
_SIGNS = {sign.name: sign for sign in SIGNS}


def explain(findings: Sequence[Finding]) -> tuple[Explanation, ...]:
    """The explanations of what is wrong, the most dangerous first, then the likeliest; none where nothing is.

    findings : as the result lists them; a finding that no cause explains is a member of none
    """
    observed = observe(findings)
    nodes = {name: cause.node for name, cause in CAUSES.items()}
    found = posterior(nodes, frozenset(observed.seen), observed.absent)
    explained = [
        _explanation(CAUSES[name], found.likelihood, members, observed)
        for name, members in _members(found.best, observed, findings).items()
        if any(findings[index].severity.rank >= Severity.WARNING.rank for index in members)
    ]
    return tuple(sorted(explained, key=lambda each: (-findings[each.members[0]].severity.rank, -each.likelihood)))


def _members(chosen: Sequence[str], observed: Observed, findings: Sequence[Finding]) -> dict[str, tuple[int, ...]]:
    """The findings that each cause at work explains: each goes to the cause that most often shows its signs."""
    shown_by: dict[int, dict[str, float]] = {}
    for sign, showing in observed.seen.items():
        for index in showing:
            for name in chosen:
                share = CAUSES[name].node.shows.get(sign, 0.0)
                if share:
                    best = shown_by.setdefault(index, {})
                    best[name] = max(best.get(name, 0.0), share)
    members: dict[str, list[int]] = {name: [] for name in chosen}
    for index, shares in shown_by.items():
        members[max(shares, key=lambda name: shares[name])].append(index)
    return {
        name: tuple(sorted(indices, key=lambda index: (-findings[index].severity.rank, index)))
        for name, indices in members.items()
        if indices
    }


def _explanation(
    cause: Cause, likelihood: Mapping[str, float], members: tuple[int, ...], observed: Observed
) -> Explanation:
    shows = cause.node.shows
    own = {sign for sign, showing in observed.seen.items() if set(showing) & set(members)}
    usual = sorted((sign for sign in shows if sign in observed.absent), key=lambda sign: -shows[sign])
    return Explanation(
        cause=cause.name,
        title=cause.title,
        likelihood=likelihood[cause.name],
        members=members,
        evidence_for=tuple(_SIGNS[sign].seen for sign in sorted(own & set(shows), key=lambda sign: -shows[sign])),
        evidence_against=tuple(_SIGNS[sign].absent for sign in usual if shows[sign] >= _USUALLY),
        rival=_rival(cause, likelihood, own),
        deciding_test=cause.test,
        actions=cause.actions,
    )


def _rival(cause: Cause, likelihood: Mapping[str, float], own: set[str]) -> str:
    """The likeliest other cause that shows the sign which this one shows most often, with its likelihood."""
    leading = max(own, key=lambda sign: cause.node.shows.get(sign, 0.0))
    rivals = [name for name in likelihood if name != cause.name and CAUSES[name].node.shows.get(leading)]
    rival = max(rivals, key=lambda name: likelihood[name], default=None)
    if rival is None or likelihood[rival] < _RIVAL:
        return ""
    return f"{CAUSES[rival].title} ({100 * likelihood[rival]:.0f} %)"
