"""A noisy-OR network in two layers: which of a few causes are at work, from the signs that are seen and absent.

A sign stays away only if each cause at work fails to show it, and nothing else does:
P(sign absent | causes) = (1 − leak) · ∏ (1 − p), each cause by itself. Source: Pearl (1988), section 4.3.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from logscope.arrays import BoolArray

# More origins than this at once are not tried: each log is of one step of the work.
MOST_CAUSES = 4
# A sign that no cause of the graph shows: a finding that stands by itself.
LEAK = 0.001


@dataclass(frozen=True, slots=True)
class Node:
    """A cause: how often it is at work in a log that shows anything, and how often it then shows each sign."""

    prior: float
    shows: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the signs make of the causes.

    likelihood : that each cause is at work, 0 to 1
    best : the likeliest of those combinations that leave the fewest of the seen signs without a cause
    """

    likelihood: Mapping[str, float]
    best: tuple[str, ...]


def posterior(nodes: Mapping[str, Node], seen: frozenset[str], absent: frozenset[str]) -> Posterior:
    """The causes given the signs.

    seen, absent : names of signs; one that could not be looked for is in neither and weighs nothing
    """
    candidates = [name for name, node in nodes.items() if any(sign in seen for sign in node.shows)]
    at_work = _combinations(len(candidates))
    prior = np.array([nodes[name].prior for name in candidates])
    weight = np.where(at_work, np.log(prior), np.log1p(-prior)).sum(axis=1)
    for signs, is_seen in ((sorted(seen), True), (sorted(absent), False)):
        shows = np.array([[nodes[name].shows.get(sign, 0.0) for sign in signs] for name in candidates])
        fails = at_work @ np.log1p(-shows.reshape(len(candidates), len(signs))) + np.log1p(-LEAK)
        weight += (np.log(-np.expm1(fails)) if is_seen else fails).sum(axis=1)
    share = np.exp(weight - weight.max())
    likelihood = (at_work * share[:, None]).sum(axis=0) / share.sum()
    can_show = np.array([[sign in nodes[name].shows for sign in sorted(seen)] for name in candidates], dtype=bool)
    explained = (at_work.astype(int) @ can_show.reshape(len(candidates), len(seen)) > 0).sum(axis=1)
    best = at_work[int(np.argmax(np.where(explained == explained.max(), share, -1.0)))]
    return Posterior(
        dict(zip(candidates, likelihood.tolist(), strict=True)),
        tuple(name for name, chosen in zip(candidates, best, strict=True) if chosen),
    )


def _combinations(count: int) -> BoolArray:
    """Every combination of up to MOST_CAUSES of some causes, shape (combinations, count)."""
    chosen = [pick for size in range(min(MOST_CAUSES, count) + 1) for pick in combinations(range(count), size)]
    at_work = np.zeros((len(chosen), count), dtype=bool)
    for row, pick in enumerate(chosen):
        at_work[row, list(pick)] = True
    return at_work
