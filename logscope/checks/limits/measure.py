"""How near a part came to a limit, when, and for how long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.stated_limits import Limit
from logscope.signals import Part
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import held_time_s, stretches

# A supply read as less than half of its least is a controller that has not woken or an open service plug, not a sag.
AWAKE_SHARE = 0.5
# Speed is judged by the middle one of five readings: a shaft does not pass its limit for two samples, a glitch does.
_SPEED_SAMPLES = 5
_NOISES = 4.0  # of a reading: of an hour every 10 ms at a limit, some ten lie farther beyond it
_ONE_EPISODE_S = 0.5  # visits nearer than this are one: the value hovers


@dataclass(frozen=True, slots=True, eq=False)
class Closeness:
    """How near a part came to a limit.

    margin : smallest distance left, below zero beyond it, in the limit's unit; time_s : when
    near_s, seen_s : time spent near it, and in all [s]; near, passed : the stretches as (from, until) [s],
        passed where it lies beyond what noise and rounding of a reading make
    """

    limit: Limit
    part: Part
    margin: float
    time_s: float
    near_s: float
    seen_s: float
    near: tuple[tuple[float, float], ...]
    passed: tuple[tuple[float, float], ...]

    @property
    def unit(self) -> str:
        """The unit of the margin: a difference of temperatures is in K."""
        return "K" if self.limit.unit == "°C" else self.limit.unit

    @property
    def near_percent(self) -> float:
        """Share of the time spent near the limit [%]."""
        return 100 * self.near_s / self.seen_s if self.seen_s else 0.0


def judge_limit(part: Part, limit: Limit, but: Sequence[tuple[float, float]] = ()) -> Closeness | None:
    """How near a part came to a limit; None where it holds no reading to judge.

    but : stretches that do not count (from, until) [s]: readings that are wrong, or that are reported elsewhere
    """
    part = _without(part, but)
    time_s, value = part.time_s, _read(part)
    if not limit.upper:
        awake = value > AWAKE_SHARE * limit.value
        time_s, value = time_s[awake], value[awake]
    if time_s.size < 2:
        return None
    left = limit.value - value if limit.upper else value - limit.value
    room = abs(limit.value - limit.near)
    worst = int(np.argmin(left))
    held = held_time_s(time_s)
    near, passed = left <= room, left < -_doubt(part)

    def spans(where: BoolArray) -> tuple[tuple[float, float], ...]:
        first, last = stretches(where, time_s, _ONE_EPISODE_S)
        return tuple((float(time_s[a]), float(time_s[b])) for a, b in zip(first, last, strict=True))

    return Closeness(
        limit,
        part,
        float(left[worst]),
        float(time_s[worst]),
        float(held[near].sum()),
        float(held.sum()),
        spans(near),
        spans(passed),
    )


def _doubt(part: Part) -> float:
    """By how much noise and rounding alone may carry a reading beyond a limit at which the part stands."""
    noise = float(np.nan_to_num(noise_floor(part.value))) if part.value.size > 2 else 0.0
    return _NOISES * noise + (part.step or 0.0) / 2.0


def _without(part: Part, but: Sequence[tuple[float, float]]) -> Part:
    counts = np.ones(part.time_s.size, dtype=bool)
    for since_s, until_s in but:
        counts[part.between(since_s, until_s)] = False
    return part if counts.all() else replace(part, time_s=part.time_s[counts], value=part.value[counts])


def _read(part: Part) -> FloatArray:
    """The part's values as they are judged: currents and speeds by magnitude, speed without lone readings."""
    if part.name == "motor_speed":
        return np.asarray(np.abs(median_filter(part.value, _SPEED_SAMPLES, mode="nearest")))
    return np.asarray(np.abs(part.value)) if part.name == "motor_current" else part.value
