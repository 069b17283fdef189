"""Ties between shaft, road and stator: one motion, measured several times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import pi

import numpy as np

from logscope.plausibility.paired import Kept, common_moments, kept_ratio, lag_allowance_s, steady_at
from logscope.plausibility.ties import Tie, Unexplained
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_MOVING = 0.15  # of a reading's own highest level: slower, steps and cut-offs weigh too much
_SHAFT_APART = 1.12  # two readings of one shaft (practice)
_ROAD_APART = 1.6  # tyre, another gear, slip: what is off by less is left to the check of the encoder
_STATOR_APART = 1.25  # slip of an induction motor under load (practice)
_MOST = 0.5  # of the moments: a ratio that holds for less is a gear of several, or slip
# Of the moments: readings that agree as often are of one scale, and those that agree less often may be so by a wheel
# that spins, or in one gear of several.
_AGREED, _MAY_AGREE = 0.3, 0.05
_MIN_S = 3.0
_STEADY = 0.1  # both lag and lead in turn, so the middle of their ratio holds where single ones are off by as much
_TURNED = 1.3  # by this factor the speed must have changed while the ratio held


def speed_ties(signals: Signals, vehicle: Vehicle) -> Iterator[Tie]:
    """What shaft, road and stator demand of each other."""
    motor, second, road = (signals.get(n) for n in ("motor_speed", "motor_speed_second", "vehicle_speed"))
    stator, pole_pairs = signals.get("stator_frequency"), vehicle.motor.pole_pairs
    if motor is not None and second is not None:
        kept = _ratio(motor, second, 1.0)
        if kept is not None:
            of = {"motor_speed": 1, "motor_speed_second": -1}
            yield _tie(of, kept, 1.0, _SHAFT_APART, "the second speed of the same shaft", Unexplained.NOTHING)
    ratio, radius = vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m
    if motor is not None and road is not None and ratio and radius:
        expected = ratio / 3.6 / (2.0 * pi * radius) * 60.0
        kept = _ratio(motor, road, expected)
        if kept is not None:
            of = {"motor_speed": 1, "vehicle_speed": -1, "driveline.ratio": -1}
            yield _tie(
                of,
                kept,
                expected,
                _ROAD_APART,
                "the speed from road speed, ratio and wheel radius",
                Unexplained.NOTHING,
            )
    if motor is not None and stator is not None and pole_pairs:
        expected = 60.0 / pole_pairs
        kept = _ratio(motor, stator, expected)
        if kept is not None:
            of = {"motor_speed": 1, "stator_frequency": -1, "motor.pole_pairs": 1}
            yield _tie(
                of, kept, expected, _STATOR_APART, "the speed from electrical frequency and pole pairs", Unexplained.ODD
            )


def _ratio(motor: Part, other: Part, expected: float) -> Kept | None:
    at_s, around_s = common_moments(motor, other), lag_allowance_s(motor, other)
    one, steady_one = steady_at(motor, at_s, around_s, _STEADY)
    two, steady_two = steady_at(other, at_s, around_s, _STEADY)
    moving = (np.abs(one) > _MOVING * _top(motor)) & (np.abs(two) > _MOVING * _top(other))
    kept = kept_ratio(at_s, one, two, steady_one & steady_two & moving, expected)
    if kept is None or kept.at_s[-1] - kept.at_s[0] < _MIN_S:
        return None
    if kept.agree >= _AGREED:
        return replace(kept, ratio=expected, low=expected, high=expected)
    apart = kept.agree < _MAY_AGREE and kept.share >= _MOST and kept.span >= _TURNED
    return kept if apart else None


def _top(part: Part) -> float:
    return float(np.quantile(np.abs(part.value), 0.99))


def _tie(of: dict[str, int], kept: Kept, expected: float, apart: float, reading: str, unexplained: Unexplained) -> Tie:
    ratio = kept.ratio / expected
    return Tie(
        of, ratio, kept.low / expected, kept.high / expected, 1.0 / apart, apart, f"{ratio:.3g} × {reading}",
        float(kept.at_s[0]), float(kept.at_s[-1]), unexplained,
    )  # fmt: skip
