"""A noisy-OR network in two layers: which of a few causes are at work, from the signs that are seen and absent.

A sign stays away only if each cause at work fails to show it, and nothing else does:
P(sign absent | causes) = (1 − leak) · ∏ (1 − p), each cause by itself; the leak is what shows a sign without a cause.
Source: Pearl (1988), section 4.3.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from logscope.arrays import BoolArray, FloatArray

# More origins than this at once are not tried: each log is of one step of the work.
MOST_CAUSES = 4
# What a cause shows more seldom weighs for it, but is not put down to it.
EXPLAINS = 0.1


@dataclass(frozen=True, slots=True)
class Node:
    """A cause: how often it is at work in a log that shows anything, and how often it then shows each sign."""

    prior: float
    shows: Mapping[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """What the signs make of the causes.

    candidates : the causes that can show any of the signs seen, c of them
    at_work : combinations of them, shape (n, c); share : the probability of each, shape (n,)
    best : the likeliest of those combinations that leave the fewest of the seen signs without a cause
    """

    candidates: tuple[str, ...]
    at_work: BoolArray
    share: FloatArray
    best: tuple[str, ...]

    def chance(self, *causes: str, without: str = "") -> float:
        """The probability that at least one of these causes is at work, and another one is not."""
        chosen = [name in causes for name in self.candidates]
        but = [name == without for name in self.candidates]
        return float(self.share[self.at_work[:, chosen].any(axis=1) & ~self.at_work[:, but].any(axis=1)].sum())


def posterior(
    nodes: Mapping[str, Node], seen: frozenset[str], absent: frozenset[str], leaks: Mapping[str, float]
) -> Posterior:
    """The causes given the signs.

    seen, absent : names of signs; one that could not be looked for is in neither and weighs nothing
    leaks : how often a sign shows without any of the causes
    """
    candidates = tuple(name for name, node in nodes.items() if any(sign in seen for sign in node.shows))
    at_work = _combinations(len(candidates))
    prior = np.array([nodes[name].prior for name in candidates])
    weight = np.where(at_work, np.log(prior), np.log1p(-prior)).sum(axis=1)
    for signs, is_seen in ((sorted(seen), True), (sorted(absent), False)):
        shows = np.array([[nodes[name].shows.get(sign, 0.0) for sign in signs] for name in candidates])
        stays_away = np.log1p(-np.array([leaks[sign] for sign in signs]))
        fails = at_work @ np.log1p(-shows.reshape(len(candidates), len(signs))) + stays_away
        weight += (np.log(-np.expm1(fails)) if is_seen else fails).sum(axis=1)
    share = np.exp(weight - weight.max())
    share = np.asarray(share / share.sum(), dtype=np.float64)
    shows = np.array([[nodes[name].shows.get(sign, 0.0) for sign in sorted(seen)] for name in candidates])
    explains = shows.reshape(len(candidates), len(seen)) >= EXPLAINS
    explained = (at_work.astype(int) @ explains > 0).sum(axis=1)
    best = at_work[int(np.argmax(np.where(explained == explained.max(), share, -1.0)))]
    return Posterior(
        candidates, at_work, share, tuple(name for name, chosen in zip(candidates, best, strict=True) if chosen)
    )


def _combinations(count: int) -> BoolArray:
    """Every combination of up to MOST_CAUSES of some causes, shape (combinations, count)."""
    chosen = [pick for size in range(min(MOST_CAUSES, count) + 1) for pick in combinations(range(count), size)]
    at_work = np.zeros((len(chosen), count), dtype=bool)
    for row, pick in enumerate(chosen):
        at_work[row, list(pick)] = True
    return at_work
