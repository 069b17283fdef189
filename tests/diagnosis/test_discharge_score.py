"""Falls of a link, however logged: the limits hold and no claim is false; `discharge_score` has more."""

from __future__ import annotations

from math import isfinite

import pytest
from discharge_falls import WAYS
from discharge_score import Judged, judged
from limits_study import LimitsStudy

pytestmark = pytest.mark.study

SEEDS = range(9100, 9103)


@pytest.fixture(scope="module")
def bled() -> list[Judged]:
    return [judged((seed, way, "bleeder")) for way in WAYS for seed in SEEDS]


def test_the_limits_hold_however_the_fall_was_logged(bled: list[Judged]) -> None:
    """The time to 60 V allows for a link that is no plain resistor, which these are."""
    for study, intervals in (
        (LimitsStudy(), [case.constant for case in bled]),
        (LimitsStudy(widest=3.5), [case.time for case in bled]),
    ):
        for each in intervals:
            if each is not None and isfinite(each.high - each.low):
                study.of(each.truth, each)
            elif each is not None:
                assert each.held
        assert len(study.scaled) > 0.8 * len(bled)
        study.judge()


def test_a_sound_fall_is_never_called_slow_or_live(bled: list[Judged]) -> None:
    assert [case for case in bled if case.false] == []


@pytest.mark.parametrize("fall", ["slow", "held up", "load stops"])
def test_no_claim_is_false_whatever_discharges_the_link(fall: str) -> None:
    cases = [judged((9200 + number, way, fall)) for number, way in enumerate(WAYS)]
    assert [case for case in cases if case.false] == []
