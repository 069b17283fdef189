"""What an episode of impossible readings is called, by tables of made readings; expected by hand.

A shaft turns at 3,000 rpm, read every 10 ms; the sensor cuts what is below 60 rpm to zero.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.observations.motor_speed.disturbances import Disturbance, _as_disturbances, _overlap
from logscope.observations.motor_speed.model import SpeedModel
from logscope.signals import Part
from logscope.statistics.excursions import Excursions

MODEL = cast(SpeedModel, SimpleNamespace(update_s=0.01, zero_rpm=10.0, standstill_rpm=60.0))


def named(readings: list[float], before: float = 3000.0, after: float = 3000.0, steps: int = 2) -> list[Disturbance]:
    """One episode of so many impossible steps between two sound samples."""
    value = np.array([before, before, *readings, after, after])
    speed = Part("motor_speed", 0.01 * np.arange(value.size), value, "rpm", "Made.Speed")
    sides = (1, 2, 1 + len(readings), 2 + len(readings), steps)
    return _as_disturbances(speed, MODEL, Excursions(*(np.array([each]) for each in sides)))


@pytest.mark.parametrize(
    ("readings", "steps", "kind", "deviation_rpm"),
    [
        ([4000.0], 2, "spike", 1000.0),
        ([2200.0, 2500.0], 3, "spike", 800.0),  # 30 ms
        ([4000.0, 2900.0, 4000.0, 3000.0, 3900.0], 6, "burst", 1000.0),
        ([4000.0, 4000.0, 4000.0, 4000.0, 4000.0], 2, "spike", 1000.0),  # away and back, however long
        ([0.0], 2, "dropout", 3000.0),
        ([0.0, 5.0, 0.0, 0.0, 0.0], 2, "dropout", 3000.0),
        ([1800.0, 0.0, 0.0, 1800.0], 4, "dropout", 3000.0),  # the edges of a filter
        ([0.0, 2900.0, 0.0, 2900.0, 0.0], 6, "burst", 3000.0),  # to zero and back, several times
        ([-3000.0], 2, "reversal", 6000.0),
        ([-3000.0, -2990.0], 2, "reversal", 6000.0),
    ],
)
def test_an_episode_is_called_by_what_it_reads_and_how_long(
    readings: list[float], steps: int, kind: str, deviation_rpm: float
) -> None:
    (found,) = named(readings, steps=steps)
    assert (found.kind, found.deviation_rpm) == (kind, pytest.approx(deviation_rpm))
    assert (found.before, found.first, found.last, found.after) == (1, 2, 1 + len(readings), 2 + len(readings))


@pytest.mark.parametrize(
    ("before", "after", "dropouts"),
    [
        (3000.0, 3000.0, 1),
        (-3000.0, -3000.0, 1),
        (3000.0, 50.0, 0),  # it comes to its standstill, which the sensor cuts to zero
        (50.0, 3000.0, 0),  # or leaves it
        (-3000.0, -50.0, 0),
        (70.0, 3000.0, 1),
    ],
)
def test_a_zero_beside_a_standstill_is_the_sensors_own(before: float, after: float, dropouts: int) -> None:
    assert len(named([0.0, 0.0], before, after)) == dropouts
    assert len(named([2.0 * before + after], before, after)) == 1  # a spike is none


def test_a_deviation_counts_from_the_line_between_the_sound_samples() -> None:
    """Between 1,000 and 1,600 rpm in three steps lie 1,200 and 1,400."""
    (found,) = named([1200.0, 2000.0], 1000.0, 1600.0)
    assert found.deviation_rpm == pytest.approx(600.0)


@pytest.mark.parametrize(("first", "overlap"), [(1, False), (4, True), (9, True), (13, True), (14, False)])
def test_episodes_overlap_where_one_begins_before_the_other_is_over(first: int, overlap: bool) -> None:
    one = Disturbance("hold", 5, 6, 12, 13, 100.0)
    other = Disturbance("spike", first - 1, first, first + 1, first + 2, 100.0)
    assert _overlap(one, other) is _overlap(other, one) is overlap
