"""The phases of one charge, from its current and its voltage."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import FloatArray
from logscope.signals import Part
from logscope.statistics.robust import NORMAL_95, noise_floor
from logscope.statistics.rounding import largest_rounding_bias
from logscope.statistics.sampling import between_samples, typical_period_s

_SMOOTH_S, _SMOOTH_ROWS = 2.0, (3, 41)  # a median over this long, in rows at least and at most
_RISEN = 0.95  # of the level: where the rise ends
_TOP, _TOP_S = 0.95, 10.0  # quantile of the current that counts as its level, or what is passed for this long only:
# above it stand overshoot and noise
_FALLS = 0.01  # of the level by which the current must have fallen for the taper to have begun
_NOISES = 3.0
_SAME_VOLTS = 1e-3  # of the voltage: a regulated output moves by less (common practice, no published source)
_STEPS = 1.5
_TAPERS_TO = 0.97  # of the level: a current that has not fallen below shows no taper
_TAPERS_WITHOUT_VOLTS = 0.8  # the same where no voltage is logged: a charger at its power limit falls by less
# Of the current two seconds before: below, it is being switched off; no taper falls as fast (practice), and over the
# time between two readings that come more seldom none falls faster than that.
_COLLAPSE = 0.93
_GOES_ON = 0.8  # of the fall before: a last reading above that belongs to the taper
_LEAST_ROWS = 3
_END_SHARE = 0.2  # of the readings at the end, from which the held voltage is taken…
_END_ROWS = (5, 200)  # …at least and at most so many


class Step(StrEnum):
    """What is held."""

    RISE = "rise"
    CURRENT = "constant current"
    VOLTAGE = "constant voltage"


@dataclass(frozen=True, slots=True)
class Level:
    """A mean with 95 % limits, which carry noise and rounding."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase: from, until [s]; current [A] and voltage [V] over it, None where not logged.

    start_a, end_a : current at its beginning and end [A]
    """

    step: Step
    start_s: float
    end_s: float
    current: Level
    voltage: Level | None
    start_a: float
    end_a: float

    @property
    def lasted_s(self) -> float:
        """How long it lasted [s]."""
        return self.end_s - self.start_s


def find_phases(time_s: FloatArray, amps: FloatArray, noise_a: float, voltage: Part | None) -> tuple[Phase, ...]:
    """Rise, constant current and constant voltage of a charge, those of them that the log shows.

    time_s, amps : readings of the charging current, shape (n,); noise_a : of one of them
    voltage : that is regulated; None where not logged
    """
    smooth = smoothed(time_s, amps)
    stop = _switched_off(time_s, smooth)
    level = _top(time_s[: stop + 1], smooth[: stop + 1])
    risen = int(np.argmax(smooth >= _RISEN * level))
    volts = None if voltage is None else between_samples(voltage.time_s, voltage.value, time_s)
    taper = _taper_begins(time_s, smooth, noise_a, risen, stop, None if voltage is None else (volts, voltage))
    bounds = [(Step.RISE, 0, risen), (Step.CURRENT, risen, stop if taper is None else taper)]
    bounds += [] if taper is None else [(Step.VOLTAGE, taper, stop)]
    found = []
    for step, begin, end in bounds:
        if end - begin + 1 < (2 if step is Step.RISE else _LEAST_ROWS):
            continue
        rows = slice(begin, end + 1)
        held = None
        if volts is not None and voltage is not None and np.isfinite(volts[rows]).sum() >= _LEAST_ROWS:
            held = level_of(volts[rows][np.isfinite(volts[rows])], voltage.step or 0.0)
        found.append(
            Phase(
                step,
                float(time_s[begin]),
                float(time_s[end]),
                level_of(amps[rows], 0.0),
                held,
                float(smooth[begin]),
                _level_at(time_s, amps, begin, end),
            )
        )
    return tuple(found)


def smoothed(time_s: FloatArray, value: FloatArray) -> FloatArray:
    """The running median over two seconds, at least three readings, shape (n,)."""
    period_s = typical_period_s(time_s)
    rows = round(_SMOOTH_S / period_s) if period_s > 0 else 1
    rows = int(np.clip(rows, *_SMOOTH_ROWS)) | 1
    return np.asarray(median_filter(value, rows, mode="nearest"))


def level_of(value: FloatArray, step: float) -> Level:
    """The mean of readings with limits for their scatter, by means of blocks, and for their rounding."""
    mean, noise = float(value.mean()), float(np.nan_to_num(noise_floor(value, quantum=step)))
    reach = NORMAL_95 * noise / float(np.sqrt(value.size)) + largest_rounding_bias(noise, step)
    return Level(mean, mean - reach, mean + reach)


def _level_at(time_s: FloatArray, amps: FloatArray, begin: int, end: int) -> float:
    """The current at the end of a phase: the median over the last two seconds of it, without the very last reading.

    Where readings come seldom, it is the last one that falls on as those before, and is not switched off meanwhile.
    """
    since = max(int(np.searchsorted(time_s, time_s[end] - _SMOOTH_S)), begin)
    if end - since >= _LEAST_ROWS:
        return float(np.median(amps[since:end]))
    earlier, before, last = (float(amps[max(row, begin)]) for row in (end - 2, end - 1, end))
    return last if last * earlier >= _GOES_ON * before * before else before


def _top(time_s: FloatArray, smooth: FloatArray) -> float:
    """The highest current but for what lasts too short to be a level."""
    lasted_s = float(time_s[-1] - time_s[0])
    return float(np.quantile(smooth, max(_TOP, 1.0 - _TOP_S / max(lasted_s, 1e-9))))


def _switched_off(time_s: FloatArray, smooth: FloatArray) -> int:
    """The last row before the current is switched off: a taper falls slowly, a switch at once."""
    period_s = typical_period_s(time_s)
    back = max(round(_SMOOTH_S / period_s), 1) if period_s > 0 else 1
    ends = smooth.size - 1
    if ends < 2 * back:
        return ends
    before = float(np.median(smooth[ends - 2 * back : ends - back + 1]))
    collapse = _COLLAPSE ** max(back * period_s / _SMOOTH_S, 1.0)
    falls = np.flatnonzero(smooth[ends - back :] < collapse * before)
    return ends - back + int(falls[0]) - 1 if falls.size else ends


def _taper_begins(
    time_s: FloatArray,
    smooth: FloatArray,
    noise_a: float,
    risen: int,
    stop: int,
    held: tuple[FloatArray | None, Part] | None,
) -> int | None:
    """The row from which the current falls while the voltage stands; None where it does not."""
    begin, least = risen, _TAPERS_WITHOUT_VOLTS
    if held is not None and held[0] is not None:
        volts, part = held
        assert volts is not None
        known = np.isfinite(volts)
        if known[: stop + 1].sum() < _LEAST_ROWS:
            return None
        rows = np.flatnonzero(known[: stop + 1])
        own = volts[rows]
        # a short taper: the voltage stands while the current falls, and no longer
        full = np.flatnonzero(smooth[: stop + 1] >= _TAPERS_TO * _top(time_s[: stop + 1], smooth[: stop + 1]))
        fallen = max(stop - int(full[-1]), _END_ROWS[0])
        count = min(int(np.clip(_END_SHARE * rows.size, *_END_ROWS)), fallen)
        level = float(np.median(own[-count:]))
        noise = float(np.nan_to_num(noise_floor(own, quantum=part.step or 0.0)))
        band = max(_NOISES * noise + _STEPS * (part.step or 0.0), _SAME_VOLTS * level)
        wide = min(int(np.clip(count, *_SMOOTH_ROWS)) | 1, max(rows.size // 2 * 2 - 1, 1))
        off = np.abs(np.asarray(median_filter(own, wide, mode="nearest")) - level) > band
        off[off.size - wide // 2 - 1 :] = False  # the current is switched off between two readings of the voltage
        begin = max(int(rows[np.flatnonzero(off)[-1]]) + 1 if off.any() else 0, risen)
        least = _TAPERS_TO
    if stop - begin < _LEAST_ROWS:
        return None
    top = _top(time_s[begin : stop + 1], smooth[begin : stop + 1])
    # the median over the smoothing rows leaves less than the noise of a single reading
    high = np.flatnonzero(smooth[begin : stop + 1] >= top - max(_FALLS * top, noise_a))
    first = begin + int(high[-1])
    if stop - first < _LEAST_ROWS or smooth[stop] > min(least * top, top - _NOISES * noise_a):
        return None
    return first
