"""Falls of a link, however logged: the limits hold and no claim is false; `discharge_score` has more."""

from __future__ import annotations

import pytest
from discharge_falls import WAYS
from discharge_score import Judged, judged
from scipy.stats import binom

SEEDS = range(9100, 9103)


@pytest.fixture(scope="module")
def bled() -> list[Judged]:
    return [judged((seed, way, "bleeder")) for way in WAYS for seed in SEEDS]


def test_the_limits_hold_however_the_fall_was_logged(bled: list[Judged]) -> None:
    """Not fewer than limits that hold in 95 % of cases do with a chance above 1 in 1000 (binomial, scipy)."""
    for intervals in ([case.constant for case in bled], [case.time for case in bled]):
        known = [each for each in intervals if each is not None]
        assert len(known) > 0.8 * len(bled)
        assert sum(each.held for each in known) >= binom.ppf(0.001, len(known), 0.95)


def test_a_sound_fall_is_never_called_slow_or_live(bled: list[Judged]) -> None:
    assert [case for case in bled if case.false] == []


@pytest.mark.parametrize("fall", ["slow", "held up", "load stops"])
def test_no_claim_is_false_whatever_discharges_the_link(fall: str) -> None:
    cases = [judged((9200 + number, way, fall)) for number, way in enumerate(WAYS)]
    assert [case for case in cases if case.false] == []
