"""Findings → explanations: which causes are at work, and which findings each of them explains."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from logscope.diagnosis.causes.all_causes import CAUSES
from logscope.diagnosis.causes.cause import Cause
from logscope.diagnosis.explanation import Explanation
from logscope.diagnosis.network import EXPLAINS, Posterior, posterior
from logscope.diagnosis.signs.all_signs import SIGNS, Observed, observe
from logscope.findings import Finding, Severity

# A cause that usually shows a sign must explain why that is absent; below it the absence says little.
_USUALLY = 0.5
# Below it the finding is likelier to stand by itself than to have any of the causes that show it.
_CLAIMED = 0.5
# A single cause below it would only mislead: many are as likely.
_LIKELY_ENOUGH = 0.4
# The tables of causes are coarse: a rival that comes so near is as likely, and neither is claimed.
_CLEARLY = 1.5
# A rival that is less likely to be at work instead is not worth a test of its own.
_RIVAL = 0.02
_SIGNS = {sign.name: sign for sign in SIGNS}


def explain(findings: Sequence[Finding], logged: Collection[str]) -> tuple[Explanation, ...]:
    """The explanations of what is wrong, the most dangerous first, then the likeliest; none where nothing is.

    findings : as the result lists them; a finding that no cause explains is a member of none
    logged : the parts that the checks could use; what none of them shows is no evidence against a cause
    """
    observed = observe(findings, logged)
    nodes = {name: cause.node for name, cause in CAUSES.items()}
    leaks = {sign.name: sign.alone for sign in SIGNS}
    found = posterior(nodes, frozenset(observed.seen), observed.absent, leaks)
    explained = [
        explanation
        for name, members in _members(found.best, observed, findings).items()
        if any(findings[index].severity.rank >= Severity.WARNING.rank for index in members)
        and (explanation := _explanation(CAUSES[name], found, members, observed)) is not None
    ]
    return tuple(sorted(explained, key=lambda each: (-findings[each.members[0]].severity.rank, -each.likelihood)))


def _members(chosen: Sequence[str], observed: Observed, findings: Sequence[Finding]) -> dict[str, tuple[int, ...]]:
    """The findings that each cause at work explains: each goes to the cause that most often shows its signs."""
    shown_by: dict[int, dict[str, float]] = {}
    for sign, showing in observed.seen.items():
        for index in showing:
            for name in chosen:
                share = CAUSES[name].node.shows.get(sign, 0.0)
                if share >= EXPLAINS:
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


def _explanation(cause: Cause, found: Posterior, members: tuple[int, ...], observed: Observed) -> Explanation | None:
    """None where the findings are likelier to stand by themselves than to have any of the causes that show them."""
    shows = cause.node.shows
    own = [sign for sign, showing in observed.seen.items() if sign in shows and set(showing) & set(members)]
    own.sort(key=lambda sign: (members[0] not in observed.seen[sign], -shows[sign]))
    causes = [name for name in found.candidates if own[0] in CAUSES[name].node.shows]
    if found.chance(*causes) < _CLAIMED or found.chance(cause.name) < _LIKELY_ENOUGH:
        return None
    rivals = {name: found.chance(name, without=cause.name) for name in causes if name != cause.name}
    rival = max(rivals, key=lambda name: rivals[name], default=None)
    if rival is not None and found.chance(cause.name) < _CLEARLY * rivals[rival]:
        return None
    against = [sign for sign in shows if sign in observed.absent and shows[sign] >= _USUALLY]
    return Explanation(
        cause=cause.name,
        title=cause.title,
        likelihood=found.chance(cause.name),
        members=members,
        evidence_for=tuple(_SIGNS[sign].seen for sign in own),
        evidence_against=tuple(_SIGNS[sign].absent for sign in sorted(against, key=lambda sign: -shows[sign])),
        rival="" if rival is None or rivals[rival] < _RIVAL else f"{CAUSES[rival].title} ({100 * rivals[rival]:.0f} %)",
        deciding_test=cause.test,
        actions=cause.actions,
    )
