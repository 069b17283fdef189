"""The 12 V side as logged: its voltage, whether the converter ran, and whether the DC link could feed it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.aux_supply.at_work import AtWork, at_work, standing
from logscope.checks.aux_supply.stale import stale_rows
from logscope.findings import NothingToCheck
from logscope.physics.lead_acid import FULL_AT_REST_V
from logscope.quantities import counted
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import gap_threshold_s, stretches, typical_period_s, zero_order_hold

LEAST_ROWS = 5
# A controller that measures less than this was not fed by it: it has not woken, or restarts (practice).
DEAD_V = 3.0
_SYSTEM_V = (8.0, 18.0)  # the usual level of a 12 V side; others are another system or a slip of the mapping
# Above every battery at rest: lithium iron phosphate, the highest, rests at 13.4 V (practice).
CHARGED_V = 13.6
BATTERY_V = FULL_AT_REST_V + 0.2  # below this nothing charges; the rest of a surface charge, and the meter (practice)
RISES_V = 0.4  # by which the level stands higher with the link on than before, where the converter's set-point is low
_SMOOTH_S = 2.0  # of a level by itself: dips of coils and pumps are shorter
_LEAST_AMPS, _NOISES, _STEPS = 1.0, 5.0, 2.0  # a converter gives more than these, or nothing that can be seen
SETTLES_S = 1.0  # after the converter starts or stops, beyond two periods of the slowest message
_LIVE_V = 60.0  # voltage class B begins above it (ISO 6469-3); a converter needs more
_DRIVES_A = 8.0  # more than a precharge resistor passes at its end, and more than an offset of the sensor (practice)
# Without current for so long the link still counts as on: a converter that stops for no longer is not judged.
PAUSES_S = 8.0
_LIVE_SHARE = 0.8  # of the highest link voltage: less is a link that discharges


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """The 12 V side, one row a reading of its voltage once it is awake, shape (n,).

    step_V : resolution, 0 where unknown; noise_V : of single readings, rounding included
    running : 1 where the converter runs, 0 where not, NaN where unknown; judged_by : what shows it, in words
    linked : the same for a DC link that could feed it
    at_work : whether the drive was at work, which stands for the link where that is unknown
    settled : rows away from any start or stop of the converter
    stale : stretches without rows, in which its reading was repeated while currents or the converter changed [s]
    contradicted : the state says that the converter does not run, and its current that it does
    """

    time_s: FloatArray
    volts: FloatArray
    step_V: float
    noise_V: float
    period_s: float
    running: FloatArray
    judged_by: str
    linked: FloatArray
    at_work: AtWork
    settled: BoolArray
    stale: tuple[tuple[float, float], ...]
    contradicted: bool

    def state(self, running: bool) -> BoolArray:
        """The settled rows with the converter running, or stopped, shape (n,)."""
        return np.asarray(self.settled & (self.running == float(running)))


def awake(voltage: Part) -> tuple[FloatArray, FloatArray]:
    """Times and readings without the dead ones: of a controller before it wakes, or while it restarts."""
    alive = voltage.value > DEAD_V
    return voltage.time_s[alive], voltage.value[alive]


def describe_side(signals: Signals) -> Side:
    """Gather what is logged of the 12 V side.

    Raises MissingPart without `aux_voltage`, NothingToCheck where it holds too few readings or no 12 V level.
    """
    voltage = signals["aux_voltage"]
    time_s, volts = awake(voltage)
    if time_s.size < LEAST_ROWS:
        readings = counted(time_s.size, "reading")
        raise NothingToCheck(f"12 V supply voltage: {readings}, at least {LEAST_ROWS} are needed")
    level = float(np.median(volts))
    if not _SYSTEM_V[0] <= level <= _SYSTEM_V[1]:
        raise NothingToCheck(
            f"12 V supply voltage: the usual level, {level:.3g} V, is not that of a 12 V side; check scale and mapping"
        )
    step, period_s = voltage.step or 0.0, typical_period_s(time_s)
    old = stale_rows(time_s, volts, step, signals)
    stale = tuple(spans_of(old, time_s, gap_threshold_s(time_s)))
    time_s, volts = time_s[~old], volts[~old]
    if time_s.size < LEAST_ROWS:
        raise NothingToCheck("12 V supply voltage: it repeats one reading while the 12 V currents change")
    noise = max(float(np.nan_to_num(noise_floor(volts))), step / float(np.sqrt(12.0)), 1e-3)
    linked = _linked(signals, time_s)
    smooth = _level(time_s, volts, period_s)
    state, (current, standing) = _state(signals, time_s), _delivers(signals, time_s)
    # a current that is repeated beside a battery's level is none
    current = np.where(standing & (current == 1) & (smooth < BATTERY_V), np.nan, current)
    running, judged_by = _running(smooth, state, current, linked)
    periods = [period_s, *(p.period_s for name in _SHOWN_BY if (p := signals.get(name)) and p.has_period)]
    both = np.isfinite(state) & np.isfinite(current)
    return Side(
        time_s,
        volts,
        step,
        noise,
        period_s,
        running,
        judged_by,
        linked,
        at_work(signals, time_s),
        _settled(time_s, running, SETTLES_S + 2.0 * max(periods)),
        stale,
        bool(both.any() and np.mean((state == 0) & (current == 1) & both) > np.mean((state == 1) & both)),
    )


_SHOWN_BY = ("converter_state", "converter_current", "main_contactor")


def _held(part: Part, value: BoolArray, at_s: FloatArray) -> FloatArray:
    """A yes or no of a part at each moment; NaN outside its samples and in gaps."""
    if part.time_s.size < 2:
        return np.full(at_s.size, np.nan)
    return zero_order_hold(part.time_s, value.astype(np.float64), at_s, gap_threshold_s(part.time_s))


def _state(signals: Signals, at_s: FloatArray) -> FloatArray:
    part = signals.get("converter_state")
    return np.full(at_s.size, np.nan) if part is None or part.on is None else _held(part, part.on, at_s)


def _delivers(signals: Signals, at_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Whether the converter gives current at each moment, and whether that reading may be an old one."""
    part = signals.get("converter_current")
    if part is None or part.time_s.size < LEAST_ROWS:
        return np.full(at_s.size, np.nan), np.zeros(at_s.size, np.bool_)
    noise = float(np.nan_to_num(noise_floor(part.value)))
    least = max(_LEAST_AMPS, _NOISES * noise, _STEPS * (part.step or 0.0))
    gives = _held(part, np.asarray(part.value > least), at_s)
    return gives, _held(part, standing(part), at_s) == 1.0


def _linked(signals: Signals, at_s: FloatArray) -> FloatArray:
    """Whether the link is on: the contactor is closed and, where it is logged, the link at its voltage.

    A link at its voltage may be one that discharges slowly, or a precharge that has stalled. So where no contactor is
    logged it is on while the pack delivers current, and unknown beside: the key may be off between two drives.
    """
    closed = np.full(at_s.size, np.nan)
    contactor, link = signals.get("main_contactor"), signals.get("dc_link_voltage")
    # a state that is on from end to end may be a request, or a byte that never changes: the current decides
    if contactor is not None and contactor.on is not None and (link is None or not contactor.on.all()):
        closed = _held(contactor, contactor.on, at_s)
    if link is None or link.time_s.size < 2:
        return closed
    live = _held(link, np.asarray(link.value > max(_LIVE_V, _LIVE_SHARE * float(link.value.max()))), at_s)
    if np.isfinite(closed).any():
        return np.where(np.isnan(live), closed, closed * live)
    linked = np.where(live == 0, 0.0, np.nan)
    drawn = _held_current(signals, at_s) > _DRIVES_A
    for since_s, until_s in spans_of(np.asarray((live == 1) & drawn), at_s, max(PAUSES_S, gap_threshold_s(at_s))):
        linked[(at_s >= since_s) & (at_s <= until_s) & (live == 1)] = 1.0
    return linked


def _held_current(signals: Signals, at_s: FloatArray) -> FloatArray:
    """What the pack gives to the link at each moment, braking too [A]; 0 where it is not known.

    A charger feeds the pack beside the link: without its current, only what the pack delivers shows a link that is on.
    """
    part, charger = signals.get("battery_current"), signals.get("charger_current")
    if part is None or part.time_s.size < LEAST_ROWS:
        return np.zeros(at_s.size)
    amps = np.nan_to_num(part.held_at(at_s, gap_threshold_s(part.time_s)))
    if charger is None or charger.time_s.size < LEAST_ROWS:
        return np.asarray(amps)
    return np.abs(amps + np.nan_to_num(charger.held_at(at_s, gap_threshold_s(charger.time_s))))


def _level(time_s: FloatArray, volts: FloatArray, period_s: float) -> FloatArray:
    if not period_s > 0:
        return volts
    rows = max(round(_SMOOTH_S / period_s), 1)
    return np.asarray(median_filter(volts, min(rows + 1 - rows % 2, 2 * (volts.size // 2) + 1), mode="nearest"))


def _running(level: FloatArray, state: FloatArray, current: FloatArray, linked: FloatArray) -> tuple[FloatArray, str]:
    """Where the converter runs, and what shows it."""
    believed = np.where((state == 1) & (level < BATTERY_V), np.nan, state)  # reported, but the level is a battery's
    if np.isfinite(current).any():
        running = current.copy()
        # a full battery and nothing on: next to no current
        running[(current == 0) & (state == 1) & (level >= BATTERY_V)] = 1.0
        bare = np.isnan(current)
        running[bare] = believed[bare]
        return running, "its current"
    if np.isfinite(state).any():
        return believed, "its state"
    running = np.where(level > CHARGED_V, 1.0, np.where(level < BATTERY_V, 0.0, np.nan))
    off = level[linked == 0]
    if off.size >= LEAST_ROWS:
        # a meter far from the battery reads low, but it reads both levels low
        running[(linked == 1) & (level > float(np.median(off)) + RISES_V)] = 1.0
    return running, "the level alone"


def _settled(time_s: FloatArray, running: FloatArray, guard_s: float) -> BoolArray:
    """Rows further than the guard from any change, or from where it is unknown."""
    known = np.isfinite(running)
    code = np.where(known, running, -1.0)
    at = np.flatnonzero(code[1:] != code[:-1])
    settled = known.copy()
    for k in at:
        since, until = np.searchsorted(time_s, [time_s[k] - guard_s, time_s[k + 1] + guard_s])
        settled[since:until] = False
    return np.asarray(settled)


def spans_of(where: BoolArray, time_s: FloatArray, apart_s: float) -> Sequence[tuple[float, float]]:
    """The stretches of rows in question as (from, until) [s]."""
    first, last = stretches(where, time_s, apart_s)
    return [(float(time_s[a]), float(time_s[b])) for a, b in zip(first, last, strict=True)]
