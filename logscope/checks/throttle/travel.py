"""Whether more pedal ever asks for less: a table with a dip, or a track that turns back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.throttle.pedal import REST_BAND, Rest
from logscope.parts import PARTS
from logscope.signals import Part, Signals
from logscope.statistics.sampling import stretches

_BIN_PERCENT = 5.0  # of travel, within which a demand counts as one
_NEXT = 1.5  # periods: samples further apart do not follow one another
_STANDS_S = 0.3  # a pedal that stays so long within a bin: by then the torque ramp has caught up (practice)
_VISITS = 4  # to each of two bins; four against four come apart by chance once in 70 times
_LESS_SHARE = 0.05  # of the largest demand: a smaller dip is not felt (common practice, no published source)
# Of the largest speed: above it power and voltage limits may ask for less at any pedal.
_SLOW_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Falling:
    """Two places in the pedal's travel [%] of which the farther asks for less, and by how much at the least."""

    nearer: float
    farther: float
    less: float
    unit: str


def find_falling(throttle: Part, rest: Rest, signals: Signals) -> Falling | None:
    """The deepest dip of the demand over the pedal's travel; None where there is none, or no demand is logged.

    Every visit to the farther place must have asked for less than every visit to the nearer one, and the visits must
    mix in time: a pack that gets warm asks for less later, at any pedal.
    """
    asked = next((signals[n] for n in ("torque_target", "motor_current_target") if n in signals), None)
    if asked is None:
        return None
    largest = float(np.max(np.abs(asked.value), initial=0.0))
    at_s, place, wish = _visits(throttle, rest, asked, signals.get("motor_speed"))
    places = [int(p) for p in np.unique(place) if np.count_nonzero(place == p) >= _VISITS]
    deepest: Falling | None = None
    for k, near in enumerate(places):
        for far in places[k + 1 :]:
            before, behind = place == near, place == far
            less = float(wish[before].min() - wish[behind].max())
            mixed = at_s[before].min() < at_s[behind].max() and at_s[behind].min() < at_s[before].max()
            if mixed and less > max(_LESS_SHARE * largest, deepest.less if deepest else 0.0):
                middle = [rest.level + REST_BAND + (bin_ + 0.5) * _BIN_PERCENT for bin_ in (near, far)]
                deepest = Falling(middle[0], middle[1], less, PARTS[asked.name].unit)
    return deepest


def _visits(throttle: Part, rest: Rest, asked: Part, speed: Part | None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each time the pedal stood in a bin at low speed: when [s], the bin, and what was asked for at its end."""
    bins = np.floor((throttle.value - rest.level - REST_BAND) / _BIN_PERCENT)
    wish = np.nan_to_num(asked.held_at(throttle.time_s))
    use = (bins >= 0) & (wish >= 0)  # what brakes the motor is another table
    if speed is not None:
        rpm = np.abs(np.nan_to_num(speed.held_at(throttle.time_s)))
        use &= rpm <= _SLOW_SHARE * float(np.max(np.abs(speed.value), initial=0.0))
    found: list[tuple[float, float, float]] = []
    for each in np.unique(bins[use]):
        begins, ends = stretches(use & (bins == each), throttle.time_s, _NEXT * throttle.period_s)
        found += [
            (float(throttle.time_s[b]), float(each), float(wish[b]))
            for a, b in zip(begins, ends, strict=True)
            if throttle.time_s[b] - throttle.time_s[a] >= _STANDS_S
        ]
    when, place, wished = (np.array(column) for column in zip(*found, strict=True)) if found else (np.empty(0),) * 3
    return when, place, wished
