"""A small fixed part of the cooling score, with seeds of its own: nothing false, limits that hold."""

from __future__ import annotations

import numpy as np
import pytest
from cooling_score import Score, run

pytestmark = pytest.mark.study


def test_faults_are_named_and_sound_cooling_is_not():
    score = Score()
    for seed in (900, 901):
        run(seed, score)
    assert not score.false, score.notes
    assert sum(score.found.values()) >= 0.8 * sum(score.events.values()), score.notes
    assert np.mean([held for each in score.held.values() for held in each]) >= 0.7, score.notes
