"""A small fixed part of the precharge score, with the thresholds the full run must meet."""

from __future__ import annotations

import pytest
from precharge_score import score
from scipy import stats

SEEDS = range(1000, 1060)  # apart from the seeds that the method was developed on


def test_limits_hold_the_true_constant_as_often_as_they_say() -> None:
    """95 % limits; the count must be one that 92 to 98 % would give in 99 of 100 such runs."""
    result = score("complete", SEEDS)
    low, high = stats.binom(len(result.held), 0.92).ppf(0.005), len(result.held)
    assert low <= sum(result.held) <= high
    assert len(result.held) >= 55
    assert result.wrong_claims == 0


@pytest.mark.parametrize("kind", ["slow", "stalled", "interrupted"])
def test_kinds_are_told_apart(kind: str) -> None:
    result = score(kind, range(1000, 1015))
    assert result.kinds[kind] >= 14
    assert result.wrong_claims == 0


@pytest.mark.parametrize("kind", ["closed_early", "bypassed"])
def test_a_hard_closing_is_never_called_sound(kind: str) -> None:
    """Between these two a coarse log cannot decide; both are dangers, and neither may pass as good."""
    result = score(kind, range(1000, 1015))
    assert result.kinds["complete"] == 0
    assert result.kinds["slow"] == 0
