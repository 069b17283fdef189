"""Whether 95 % limits are what they say: the one way in which every study of limits judges them.

Too narrow, they hold the truth too seldom. Too wide, they hold it always, which a count of those held cannot show in a
study of some twenty draws; their width is then judged against the errors that the estimates really have. An error in
units of its own limit (1.96 for the limit) is about standard normal, and so many of the smallest such errors have a sum
of squares that normal draws show.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from scipy import stats

LEAST_SHARE, MOST_SHARE = 0.93, 0.97  # of limits that hold the truth, for nominal 95 %
# A normal error lies within 2.17 standard deviations in 97 of 100: limits that hold it so often are this much too wide.
WIDEST = float(stats.norm.ppf((1 + MOST_SHARE) / 2) / stats.norm.ppf(0.975))
CHANCE = 0.001  # of a right study to fail, each side
SEEN_WIDER = 3.0  # limits so many times as wide as they may be must fail, in nine studies of ten


class Estimate(Protocol):
    """What has a value and its limits."""

    @property
    def value(self) -> float | None: ...
    @property
    def low(self) -> float | None: ...
    @property
    def high(self) -> float | None: ...


@dataclass
class LimitsStudy:
    """Draws of one estimate with their limits and truths.

    widest : factor by which the limits may be wider than the errors; above WIDEST only with a reason at the call
    """

    widest: float = WIDEST
    held: int = 0
    scaled: list[float] = field(default_factory=list)  # errors, in units in which the limit is 1.96

    def add(self, truth: float, value: float | None, low: float | None, high: float | None) -> None:
        """One draw; the middle of the limits stands for an estimate without a value."""
        assert low is not None
        assert high is not None
        assert low < high
        self.held += low <= truth <= high
        value = (low + high) / 2 if value is None else value
        assert low <= value <= high
        room = (high - value) if truth > value else (value - low)
        self.scaled.append(1.96 * abs(truth - value) / max(room, 1e-3 * (high - low)))

    def of(self, truth: float, estimate: Estimate) -> None:
        """One draw, of an estimate as the checks hand it over."""
        self.add(truth, estimate.value, estimate.low, estimate.high)

    def judge(self) -> None:
        """Fails where the limits hold the truth too seldom or too often, or are wider than the errors need."""
        count = len(self.scaled)
        kept = count - 1 - count // 20  # the largest errors are left out, for one of them would hide limits too wide
        squares = float(np.sum(np.sort(self.scaled)[:kept] ** 2))
        right = np.sort(np.abs(np.random.default_rng(0).normal(size=(20_000, count))), axis=1)[:, :kept]
        fewest, most = np.quantile(np.sum(right**2, axis=1), [CHANCE, 0.9])
        assert most / SEEN_WIDER**2 < fewest, "too few draws to show wide limits"
        fewest /= self.widest**2
        share = (squares / float(np.mean(np.sum(right**2, axis=1)))) ** 0.5
        said = f"{self.held} of {count} held the truth; errors {share:.2f} of what limits say"
        assert self.held >= stats.binom.ppf(CHANCE, count, LEAST_SHARE), said
        assert squares >= fewest, said
        if self.widest == WIDEST:
            assert self.held <= stats.binom.ppf(1 - CHANCE, count, MOST_SHARE), said
