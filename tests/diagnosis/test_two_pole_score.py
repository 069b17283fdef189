"""A small fixed part of the score behind a sensing lag, with the thresholds the full run must meet."""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from two_pole_score import two_poles

pytestmark = pytest.mark.study


def test_the_links_constant_is_found_behind_a_lag() -> None:
    cases = two_poles(range(1000, 1015))
    known = [case for case in cases if case.error is not None]
    assert len(known) >= 14
    assert np.median([abs(case.error or 0.0) for case in known]) < 0.03
    study = LimitsStudy()
    for case in known:
        assert case.found is not None
        study.of(case.truth_s, case.found)
    study.judge()
    assert not any(case.outcome in ("slow", "fast", "closed_early") for case in cases)
