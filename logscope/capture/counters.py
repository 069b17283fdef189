"""A controller's own clock made continuous: overflows unrolled, restarts bridged, stray values found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray

TimesNs = NDArray[np.int64]

# An overflow costs no time, so the step across it is as long as any other. This many typical steps
# leave room for lines lost there; a longer step is taken for a restart, which needs no room.
LIKELY_STEPS = 20
# A controller that restarts speaks again within its boot time, a few seconds (common practice, no
# published source). A counter below that tells how long ago it started, a higher one does not.
BOOT_NS = 30_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Unrolled:
    """time_ns : on one clock, shape (n,); overflows, resets : how many of each were bridged
    reset_at : places in time_ns of the first value after each reset
    unplaced_resets : those of the resets behind which the counter did not begin near zero
    """

    time_ns: TimesNs
    overflows: int
    resets: int
    unplaced_resets: int
    reset_at: tuple[int, ...] = ()


def stray(ticks: TimesNs, modulus: int | None) -> BoolArray:
    """Single values that stand apart from neighbours which agree with each other; shape (n,).

    They are digits damaged on the way: a clock does not jump and come back.
    """
    strays = np.zeros(ticks.size, np.bool_)
    if ticks.size < 3:
        return strays
    steps, across = _steps(ticks, 1, modulus), _steps(ticks, 2, modulus)
    limit = LIKELY_STEPS * _typical(steps)
    likely = (steps >= 0) & (steps <= limit)
    strays[1:-1] = ~likely[:-1] & ~likely[1:] & (across >= 0) & (across <= limit)
    return strays


def unroll(ticks: TimesNs, modulus: int | None, restarts: bool) -> Unrolled:
    """Times of a counter, in order of the log, on one clock that starts with its first value.

    ticks : the counter's values [ns], shape (n,); modulus : where it overflows [ns], None if it does not
    restarts : whether a step back can be a restart of the controller. Such a step is replaced by the
        time since the restart where the counter tells it, which is the least that can have passed, and
        by a typical step elsewhere. A small step back that the next value makes good is left as it is.
    """
    if ticks.size < 2:
        return Unrolled(ticks.astype(np.int64), 0, 0, 0)
    plain, forward = np.diff(ticks), _steps(ticks, 1, modulus)
    typical = _typical(forward)
    back = plain < 0
    overflow = back & (forward >= 0) & (forward <= LIKELY_STEPS * typical)
    made_good = np.zeros_like(back)
    made_good[:-1] = (ticks[2:] >= ticks[:-2]) & (-plain[:-1] <= LIKELY_STEPS * typical)
    reset = back & ~overflow & ~made_good if restarts else np.zeros_like(back)
    told = ticks[1:] <= BOOT_NS
    steps = np.where(overflow, forward, plain)
    steps[reset] = np.where(told, np.maximum(ticks[1:], typical), typical)[reset]
    time_ns = np.concatenate((ticks[:1], ticks[0] + np.cumsum(steps)))
    reset_at = tuple((np.flatnonzero(reset) + 1).tolist())
    return Unrolled(time_ns, int(overflow.sum()), int(reset.sum()), int((reset & ~told).sum()), reset_at)


def _steps(ticks: TimesNs, span: int, modulus: int | None) -> TimesNs:
    steps = ticks[span:] - ticks[:-span]
    return steps if modulus is None else steps % modulus


def _typical(steps: TimesNs) -> int:
    ahead = steps[steps > 0]
    return int(np.median(ahead)) if ahead.size else 0
