"""Free play that knocks: the rotor runs through it alone when the torque changes its sign."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.driveline.judder import Demand
from logscope.signals import Part
from logscope.statistics.robust import noise_floor

SLOWEST_PERIOD_S = 0.02  # the play is crossed in some 10 to 60 ms: slower messages do not show it
_ABOUT_S = (-0.4, 0.3)  # of the end of a change, that the play may be crossed in
_NEAR_S = 0.5  # a change of sign belongs to the change of torque that ends this near
_CLEAR = 8.0  # noises of a difference of two readings
# A change of torque winds the shafts up, and the rotor jumps with it at any sign. Only where it jumps twice as fast
# for the same change when the sign turns too is there play.
_BESIDE = 2.0
_LEAST_COMPARED = 2  # changes without a change of sign to compare with
_ROWS = 3  # the middle one of the three largest accelerations: a lone one may be a disturbed reading


@dataclass(frozen=True, slots=True)
class Knocks:
    """Changes of sign that were judged, and those that knock: (from, until) [s]; the largest acceleration [rpm/s]."""

    judged: int
    spans: tuple[tuple[float, float], ...]
    peak_rpm_per_s: float


def find_knocks(speed: Part, demand: Demand) -> Knocks | None:
    """None where the speed is logged too seldom, the torque never changes its sign, or never without doing so."""
    period_s = speed.period_s
    if not period_s <= SLOWEST_PERIOD_S * 1.2 or not demand.sign_s.size:
        return None
    noise = max(float(np.nan_to_num(noise_floor(speed.value))), (speed.step or 0.0) / 12**0.5)
    turns = [min(abs(at - s) for s in demand.sign_s) < _NEAR_S for at in demand.change_s]
    jumps = [_jump(speed, at, period_s) for at in demand.change_s]
    per_change = [
        jump[0] / abs(size)
        for jump, size, turn in zip(jumps, demand.change, turns, strict=True)
        if jump is not None and not turn
    ]
    if len(per_change) < _LEAST_COMPARED:
        return None
    usual, spans, peak, judged = max(per_change), [], 0.0, 0
    for jump, size, turn in zip(jumps, demand.change, turns, strict=True):
        if jump is None or not turn:
            continue
        judged += 1
        if jump[0] > max(_CLEAR * noise * np.sqrt(2.0) / period_s, _BESIDE * usual * abs(size)):
            spans.append((jump[1], jump[1] + period_s))
            peak = max(peak, jump[0])
    return Knocks(judged, tuple(spans), peak) if judged else None


def _jump(speed: Part, at_s: float, period_s: float) -> tuple[float, float] | None:
    """The largest acceleration beyond those before and after [rpm/s], a lone reading left out; and when."""
    rows = speed.between(at_s + _ABOUT_S[0], at_s + _ABOUT_S[1])
    if rows.stop - rows.start < 12:
        return None
    slope = np.diff(speed.value[rows]) / np.maximum(np.diff(speed.time_s[rows]), period_s / 2)
    third = slope.size // 3  # the levels of acceleration before and after the change of torque are no jump
    levels = np.median(slope[:third]), np.median(slope[-third:])
    away = np.maximum(np.maximum(slope - max(levels), min(levels) - slope), 0.0)
    return float(np.sort(away)[-_ROWS + 1]), float(speed.time_s[rows.start + int(np.argmax(away))])
