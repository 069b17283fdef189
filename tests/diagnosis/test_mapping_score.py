"""A small fixed part of the score of mapping slips, on seeds apart from those of the development."""

from __future__ import annotations

import pytest
from mapping_score import score_case

pytestmark = pytest.mark.study


@pytest.mark.parametrize("case", ["city", "charge"])
def test_slips_are_named_nobody_else_is_blamed_and_a_sound_drive_is_not_doubted(case):
    score = score_case(case, first=7000, seeds=1, many=15)
    assert score.doubted == []
    assert sum(score.blamed.values()) == 0
    assert sum(score.decidable.values()) >= 5
    assert sum(score.named.values()) >= 0.9 * sum(score.decidable.values())
