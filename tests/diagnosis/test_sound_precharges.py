"""Sound precharges, however filtered and logged, are never called slow or fast; `sound_precharges` has more."""

from __future__ import annotations

import pytest
from sound_precharges import outcomes

pytestmark = pytest.mark.study


@pytest.mark.parametrize("way", ["stale", "repeated"])
def test_no_sound_precharge_is_slow_or_fast_and_the_limits_hold(way: str) -> None:
    """Of 5, four at the least: limits that hold the truth in 95 % fail that in one of 44 trials (binomial)."""
    cases = outcomes(range(7000, 7005), way)
    assert not [case for case in cases if "slow" in case.kinds or "fast" in case.kinds]
    known = [case for case in cases if case.found_s is not None]
    assert sum(case.held for case in known) >= len(known) - 1
