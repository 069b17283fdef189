"""The link voltage with what is known of its readings, and the pack's voltage beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.curves.timestamps import Timestamps, counted_times, timestamps_of
from logscope.signals import Part, Signals
from logscope.statistics.robust import NORMAL_95, noise_floor
from logscope.statistics.sampling import gap_threshold_s

# With the pack voltage known, connected terminals read alike; 5 % covers two sensors and a sag between their samples.
PACK_MISMATCH = 0.05
AWAKE_SHARE = 0.3  # a pack voltage below this share of its own maximum is that of a controller not yet awake
_LEVELS_FOR_STEP = 10  # fewer levels lie apart because the voltage jumped, not because the reading is coarse
LOWEST_FULL_V = 20.0  # below this nothing that deserves the name high voltage was ever on the link
# No braking lifts a pack by so much: at 100 A, 15 % of 350 V would be half an ohm within. A link alone, braked into by
# as much, rises by that in a millisecond or two.
LIFT_SHARE = 0.15
PACK_STALE_S = 0.15  # by which a pack reading may be late, beyond its period (10 Hz messages, common practice)
_PACK_PERIODS = 1.5  # and older than the link's by this many of its periods


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """The link voltage with what is known of its readings.

    step_v : rounding step; noise_v : standard deviation of a reading, rounding included
    random_v : the same before rounding; jitter_s : standard deviation of a stamp about the grid of the period
    full_v : the pack's voltage as far as the log tells, None if it never does
    floor_v : 0 where the readings end there, as of a number without sign; else minus infinity
    """

    part: Part
    step_v: float
    noise_v: float
    random_v: float
    jitter_s: float
    full_v: float | None
    floor_v: float


def describe_link(signals: Signals, battery_min_v: float | None) -> Link:
    """Step, noise and full voltage of the logged link voltage."""
    part = signals["dc_link_voltage"]
    step = observed_step(part)
    noise = random = jitter = 0.0
    if part.value.size > 2:
        noise, random = noise_floor(part.value), noise_floor(part.value, quantum=step)
        jitter = noise_floor(part.time_s)
    noise = max(noise, step / np.sqrt(12), 1e-6)
    full = pack_voltage(signals, -np.inf, np.inf)
    if full is None and part.value.size:
        top = float(np.quantile(part.value, 0.995))
        full = top if top >= LOWEST_FULL_V else battery_min_v
    floor = 0.0 if part.value.size and float(part.value.min()) == 0.0 else -np.inf
    return Link(part, step, noise, random, jitter, full, floor)


def observed_step(part: Part) -> float:
    """The rounding step of the readings: the definition's, or a coarser one that all readings keep to."""
    levels = np.unique(part.value)
    told = part.step or 0.0
    if levels.size < _LEVELS_FOR_STEP:
        return told
    least = float(np.diff(levels).min())
    multiples = (levels - levels[0]) / least
    keeps = bool(np.all(np.abs(multiples - np.round(multiples)) < 1e-3)) if least > 0 else False
    return max(told, least) if keeps else told


class PackLevel(NamedTuple):
    """The pack's voltage over some time [V], and how far off it may be: half the width of its 95 % limits [V]."""

    volts: float
    within_v: float


def pack_level(signals: Signals, start_s: float, end_s: float) -> PackLevel | None:
    """Median of the awake pack voltage between two times; None where it is not known there.

    Its error is that of a median of normal noise, √(π/2) of the mean's, and what rounding alike for all leaves.
    """
    pack = signals.get("battery_voltage")
    if pack is None or not pack.value.size:
        return None
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    inside = awake & (pack.time_s >= start_s) & (pack.time_s <= end_s)
    if not inside.any() or pack.value.max() < LOWEST_FULL_V:
        return None
    scatter = noise_floor(pack.value) if pack.value.size > 2 else 0.0
    error = np.sqrt(np.pi / 2) * scatter / np.sqrt(np.count_nonzero(inside))
    return PackLevel(float(np.median(pack.value[inside])), float(NORMAL_95 * error + observed_step(pack) / 2))


def pack_highest(signals: Signals, at_s: FloatArray) -> FloatArray | None:
    """At each time, shape (n,), the highest awake pack voltage about it [V], late readings included.

    Infinite where there is none; None where the log never shows the pack.
    """
    return _pack_about(signals, at_s, np.maximum)


def pack_highest_at(signals: Signals, at_s: float) -> float | None:
    """The same about one moment; None where the pack is not logged there."""
    highest = pack_highest(signals, np.array([at_s]))
    return None if highest is None or not np.isfinite(highest[0]) else float(highest[0])


def pack_lowest(signals: Signals, at_s: FloatArray) -> FloatArray | None:
    """The lowest, likewise."""
    return _pack_about(signals, at_s, np.minimum)


def _pack_about(signals: Signals, at_s: FloatArray, most: np.ufunc) -> FloatArray | None:
    pack = _awake_pack(signals)
    if pack is None:
        return None
    time_s, volts, reach_s = pack
    first = np.searchsorted(time_s, at_s - reach_s)
    last = np.searchsorted(time_s, at_s + reach_s, side="right")
    padded = np.append(volts, np.nan)
    edges = np.minimum(np.column_stack([first, np.maximum(last, first + 1)]).ravel(), volts.size)
    return np.asarray(np.where(last > first, most.reduceat(padded, edges)[::2], np.inf))


def _awake_pack(signals: Signals) -> tuple[FloatArray, FloatArray, float] | None:
    """Times [s] and voltages [V] of the awake pack, and how far off in time they may be [s]."""
    pack = signals.get("battery_voltage")
    if pack is None or not pack.value.size or pack.value.max() < LOWEST_FULL_V:
        return None
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    period_s = pack.period_s if pack.has_period else 0.0
    return pack.time_s[awake], pack.value[awake], _PACK_PERIODS * period_s + PACK_STALE_S


def pack_voltage(signals: Signals, start_s: float, end_s: float) -> float | None:
    """The same, the voltage alone [V]."""
    level = pack_level(signals, start_s, end_s)
    return level.volts if level else None


def link_full(link: Link) -> float:
    """The full voltage [V], which is known wherever attempts are looked for."""
    assert link.full_v is not None
    return link.full_v


_MOVING_NOISES = 6.0  # a change this much larger than the noise of a reading is the curve's
_MOVING_STEPS = 8.0  # and so many steps: half of that again would not look like none
_MOST_REPEATS = 2  # without a log full of them: more in a row may be a relay that dropped out for a moment
_AT_ONCE = 0.2  # of the typical period: what comes sooner after the last message was sent, or stamped, together with it
_ONE_READING = 0.9  # of the sensor's period: what comes later is a reading of its own, equal or not


def without_repeats(link: Link) -> tuple[Link, bool]:
    """The link with each reading once, at the stamp of its first message; and whether any is seen to repeat."""
    kept, repeated = _own(link)
    if kept.all():
        return link, repeated
    part = link.part
    return replace(link, part=replace(part, time_s=part.time_s[kept], value=part.value[kept])), repeated


class Stretch(NamedTuple):
    """The readings of a stretch of the log, each once.

    time_s : the best time known for each [s], shape (n,); volts : shape (n,)
    stamps : how far these times are from when the reading was taken
    scale_error : by which share, at most, they may tell a wrong length
    """

    time_s: FloatArray
    volts: FloatArray
    stamps: Timestamps
    scale_error: float


def readings_between(link: Link, start_s: float, end_s: float) -> Stretch:
    """The readings between two times; stamps on a coarse grid give way to the count of messages where that holds."""
    part = link.part
    inside = part.between(start_s, end_s)
    kept, repeated = _own(link)
    kept, time_s, volts = kept[inside], part.time_s[inside], part.value[inside]
    stamps = timestamps_of(part.time_s, part.spacing_s, repeated)
    counted = counted_times(part.time_s[_since_gap(part.time_s, inside.start) : inside.stop])
    if counted is None:
        return Stretch(time_s[kept], volts[kept], stamps, 0.0)
    time_s = counted.time_s[counted.time_s.size - time_s.size :]
    stamps = timestamps_of(counted.time_s, part.spacing_s, repeated)
    return Stretch(time_s[kept], volts[kept], stamps, counted.scale_error)


def _since_gap(time_s: FloatArray, index: int) -> int:
    """The first sample from which on the log has no gap until one of them."""
    gaps = np.flatnonzero(np.diff(time_s[: index + 1]) > gap_threshold_s(time_s))
    return int(gaps[-1]) + 1 if gaps.size else 0


def _own(link: Link) -> tuple[BoolArray, bool]:
    """Whether each sample is a reading of its own, shape (n,), and whether any repeats one."""
    part = link.part
    if part.value.size < 3:
        return np.ones(part.value.size, np.bool_), False
    if part.period_s > part.spacing_s:
        return _new_readings(part.time_s, part.value, part.period_s), True
    own = ~_repeats(link)
    return own, not bool(own.all())


def last_of_bursts(link: Link) -> Link:
    """The link with the last reading of each burst, or of each stamp that several bear: the earlier ones are stale."""
    part = link.part
    if part.time_s.size < 3:
        return link
    kept = np.append(np.diff(part.time_s) >= _AT_ONCE * part.spacing_s, True)
    if kept.all():
        return link
    time_s, value = part.time_s[kept], part.value[kept]
    jitter_s = noise_floor(time_s) if time_s.size > 2 else link.jitter_s
    return replace(link, part=replace(part, time_s=time_s, value=value), jitter_s=jitter_s)


def _new_readings(time_s: FloatArray, volts: FloatArray, sensor_s: float) -> BoolArray:
    """Whether each sample is a reading of its own, where a sensor is known to read once in `sensor_s`."""
    kept = np.ones(volts.size, np.bool_)
    last_s, last_v = float(time_s[0]), float(volts[0])
    for k in range(1, volts.size):
        if volts[k] == last_v and time_s[k] - last_s < _ONE_READING * sensor_s:
            kept[k] = False
        else:
            last_s, last_v = float(time_s[k]), float(volts[k])
    return kept


def _repeats(link: Link) -> BoolArray:
    """Samples that repeat the one before although the voltage moves on either side, shape (n,)."""
    change = np.diff(link.part.value)
    least = max(_MOVING_NOISES * link.noise_v, _MOVING_STEPS * link.step_v)
    repeated = np.zeros(link.part.value.size, np.bool_)
    moves = np.flatnonzero(change)
    if moves.size < 2:
        return repeated
    size = change[moves]
    runs = np.diff(moves)
    between = (np.minimum(size[:-1], size[1:]) >= least) & (runs > 1) & (runs <= 1 + _MOST_REPEATS)
    for k in np.flatnonzero(between):
        repeated[moves[k] + 2 : moves[k + 1] + 1] = True
    return repeated
