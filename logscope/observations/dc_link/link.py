"""The link voltage with what is known of its readings, and the pack's voltage beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.robust import NORMAL_95, noise_floor

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
    defined = part.step or 0.0
    if levels.size < _LEVELS_FOR_STEP:
        return defined
    least = float(np.diff(levels).min())
    multiples = (levels - levels[0]) / least
    keeps = bool(np.all(np.abs(multiples - np.round(multiples)) < 1e-3)) if least > 0 else False
    return max(defined, least) if keeps else defined


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
