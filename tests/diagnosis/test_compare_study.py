"""A small fixed part of the comparison study, with what the full run must meet."""

from __future__ import annotations

import pytest
from compare_study import PAIRS, RATE, study, wrong_claims

from logscope.comparison.outcome import Verdict

pytestmark = pytest.mark.study

SEEDS = range(5000, 5012)  # apart from the seeds that the method was developed on


@pytest.mark.parametrize("name", ["no change, bursts", "no change, bursts, 20 and 4 min", "no change, rare bursts"])
def test_bursts_and_unequal_driving_raise_no_claim(name: str) -> None:
    """At 5 % a pair, three or more of twelve would come in 2 % of such runs."""
    assert sum(bool(wrong_claims(PAIRS[name], found)) for found in study(name, SEEDS)) <= 2


@pytest.mark.parametrize("name", ["gentler", "gentler, bursts", "gentler, steep"])
def test_a_gentler_run_is_never_better(name: str) -> None:
    assert all(found.verdict is not Verdict.BETTER for found in study(name, SEEDS))


def test_a_halved_rate_is_found() -> None:
    found = study("halved", SEEDS)
    rates = [measure for one in found for measure in one.measures if measure.name == RATE]
    assert sum(rate.verdict is Verdict.BETTER for rate in rates) >= 10
