"""Measure one opening: the curve of the fall, and when it passed or will pass 60 V."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from logscope.arrays import FloatArray
from logscope.curves.discharge import DischargeFit, Readings, Shape, fit_discharge
from logscope.curves.estimate import Estimate
from logscope.observations.dc_link.link import Link, pack_voltage
from logscope.observations.dc_link.openings import Opening
from logscope.observations.dc_link.readings import readings_between
from logscope.physics.discharge import SAFE_V
from logscope.signals import Signals
from logscope.statistics.sampling import missing_s

# The fit ends at a tenth of the start: below it a sensor's offset weighs more than the curve (common practice).
_FIT_DOWN_TO = 0.1
_BESIDE_RESTART = 2  # samples left out before the link is charged again, for its onset is known to a sample or two
_THROWN_UP_S = 1.0  # the longest that a motor still brakes into a link after its contactor has opened (common practice)
# A link that begins to fall is read behind a lag, of some 10 to 100 ms (common practice), that settles within a few
# times as long; a short fall is fitted sooner, for it needs its readings.
_SENSING_SETTLES_S, _SETTLES_WITHIN = 0.3, 0.05
_SENSED_LATE_S = 0.065  # by which a low-pass shows a slow fall late, as that of a production plug-in hybrid does
_CLEAR_RISE = 6.0  # times the noise of a reading
_LEAST_STRETCH = 20  # samples: fewer show no curve beyond a straight line
# A link with a smaller constant is discharged on purpose: from 400 V in 5 s, as LV 123 asks of that (from memory).
_PASSIVE_S = 3.0
# An active discharge draws this many times what the bleeder does (common practice: a hundred and more).
ACTIVE_FACTOR = 5.0
_CLEAR_OF_NOISE = 3.0  # standard deviations by which a reading is surely on one side of 60 V


@dataclass(frozen=True, slots=True, eq=False)
class DischargeCurve:
    """What is known of the link after one opening.

    opening : with its bracket narrowed where the curve, carried back to the level before, does that
    level_v : just before the opening, or the first level that the log shows; end_v : last level; pack_v : pack by then
    fit : of the whole fall; late : of what is extrapolated from, its last stretch where one curve does not fit all
    settled : whether a link that heads for a level of its own has come to rest there; true of one that heads for 0 V
    stopped : where a fast fall gave way to a slow one, after an active discharge; None where none did
    differs : by which factor the constants of this link's falls differ, or those within this one; 1 where they do not
    time_to_safe : from the opening to 60 V [s]; None where the samples are too few
    crossed : whether the log shows the crossing, so that nothing is extrapolated
    length_s : how long the log shows the link apart
    still : whether no reading differs from another
    missing_s : how much of that lies in gaps of the log
    """

    opening: Opening
    level_v: float
    end_v: float
    pack_v: float | None
    fit: DischargeFit | None
    late: DischargeFit | None
    time_to_safe: Estimate | None
    crossed: bool
    length_s: float
    still: bool
    settled: bool = True
    stopped: Stop | None = None
    differs: float = 1.0
    missing_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Stop:
    """The end of an active discharge that stops on the way: when, from the opening [s], and at which level [V]."""

    after_s: float
    level_v: float


def measure_discharge(signals: Signals, link: Link, opening: Opening) -> DischargeCurve | None:
    """Cut the fall out of the log, fit it, and time it; None where no sample shows the link apart."""
    found = readings_between(link, opening.start_s, opening.end_s)
    last = found.volts.size - (_BESIDE_RESTART if opening.restarted else 0)
    time_s, volts = found.time_s[: max(last, 0)], found.volts[: max(last, 0)]
    if not volts.size:
        return None
    readings = Readings(link.step_v, link.noise_v, link.random_v, found.stamps, found.scale_error)
    top = _highest(link, time_s, volts)
    time_s, volts = time_s[top:], volts[top:]
    first_v = float(np.median(volts[:3]))
    low = np.flatnonzero(volts < _FIT_DOWN_TO * first_v)
    kept = slice(_settled(time_s, volts), int(low[0]) if low.size else volts.size)
    fit = fit_discharge(time_s[kept], volts[kept], readings)
    level_v = opening.level_v if opening.level_v is not None else (fit.start.value if fit else first_v)
    opening = _narrowed(opening, link, fit)
    late, stopped, differs = fit, None, 1.0
    settled = fit is None or fit.misfit or _at_rest(fit, time_s[kept], link.noise_v)
    if fit is not None and (fit.misfit or not settled or (fit.rest and fit.rest.value > SAFE_V)):
        late = _last_stretch(link, readings, time_s[kept], volts[kept], fit) or fit
        settled = settled and _at_rest(late, time_s[kept], link.noise_v)
        stopped = _stop(link, time_s[kept], volts[kept], late, opening) if late is not fit else None
        if fit.misfit and late is not fit and stopped is None:
            differs = _change_within(readings, time_s[kept], volts[kept], late)
    crossing = _seen_crossing(time_s, volts, link.noise_v + link.step_v / 2)
    fall = DischargeCurve(
        opening=opening,
        level_v=level_v,
        end_v=float(np.median(volts[-5:])),
        pack_v=pack_voltage(signals, opening.start_s, opening.end_s) or pack_voltage(signals, -np.inf, np.inf),
        fit=fit,
        late=late,
        time_to_safe=_time_to_safe(opening, fit, late, crossing, first_v, found.stamps.range_s + _SENSED_LATE_S),
        crossed=crossing is not None,
        length_s=float(time_s[-1] - opening.low_s),
        still=volts.size > 1 and float(np.ptp(volts)) == 0.0,
        settled=settled,
        stopped=stopped,
        missing_s=missing_s(link.part.time_s, opening.high_s, float(time_s[-1])),
    )
    return allowing_for(fall, differs)


def allowing_for(fall: DischargeCurve, differs: float) -> DischargeCurve:
    """The fall, with what is extrapolated of it as much faster or slower as this link is seen to fall elsewhere."""
    time = fall.time_to_safe
    if differs <= fall.differs or time is None or fall.crossed or time.high == 0.0:
        return fall
    seen_s, more = fall.length_s, differs / fall.differs
    low, claim_low = (min(t, seen_s + (t - seen_s) / more) for t in (time.low, time.claim_low))
    high, claim_high = (t + max(t - seen_s, 0.0) * (more - 1) for t in (time.high, time.claim_high))
    return replace(fall, differs=differs, time_to_safe=Estimate(time.value, low, high, claim_low, claim_high))


def constants_differ(falls: Sequence[DischargeCurve]) -> float:
    """By which factor the constants of a link's falls differ, where that is beyond their limits; else 1.

    Falls towards 0 V alone are compared: an active discharge is another path, and so is what comes to rest on its way.
    """
    constants = [
        fall.late.time_constant
        for fall in falls
        if fall.late is not None and fall.late.shape is Shape.RESISTOR and not fall.late.misfit
        if fall.late.time_constant is not None and fall.late.time_constant.value > _PASSIVE_S
    ]
    apart = [slow.value / fast.value for slow in constants for fast in constants if slow.claim_low > fast.claim_high]
    return max(apart, default=1.0)


def _settled(time_s: FloatArray, volts: FloatArray) -> int:
    """The first sample from which on the sensing lag has settled: of a fall slow enough to wait for it, else the first.

    What falls faster is discharged on purpose, and may have stopped by then.
    """
    waits_s = min(_SENSING_SETTLES_S, _SETTLES_WITHIN * float(time_s[-1] - time_s[0]))
    first = int(np.searchsorted(time_s, time_s[0] + waits_s))
    return first if volts[first] > volts[0] * (1 - waits_s / _PASSIVE_S) else 0


def _highest(link: Link, time_s: FloatArray, volts: FloatArray) -> int:
    """Where the fall begins: a link that is braked into goes on rising after its contactor has opened."""
    soon = volts[: int(np.searchsorted(time_s, time_s[0] + _THROWN_UP_S, side="right"))]
    top = int(np.argmax(soon))
    return top if soon[top] > soon[0] + _CLEAR_RISE * link.noise_v + link.step_v else 0


def _last_stretch(
    link: Link, readings: Readings, time_s: FloatArray, volts: FloatArray, whole: DischargeFit
) -> DischargeFit | None:
    """The fit of the longest last stretch that one curve towards 0 V fits; of the longest tried if none does.

    Tried are the samples at rest, where the link comes to rest, and the last half, quarter and eighth.
    """
    begins = [volts.size - volts.size // part for part in (2, 4, 8)]
    if whole.rest is not None and not whole.misfit:
        left_v = whole.voltage(time_s) - whole.rest.value
        begins.insert(0, int(np.searchsorted(-left_v, -link.noise_v / 4)))
    first = None
    for begin in begins:
        if volts.size - begin < _LEAST_STRETCH and first is not None:
            break
        fit = fit_discharge(time_s[begin:], volts[begin:], readings)
        first = first or fit
        if fit is not None and not fit.misfit and fit.rest is None:
            return fit
    return first


def _stop(link: Link, time_s: FloatArray, volts: FloatArray, late: DischargeFit, opening: Opening) -> Stop | None:
    """Where a fast fall gave way to the last stretch, whose curve is carried back to where the readings leave it."""
    if late.misfit:
        return None
    away = np.abs(volts - late.voltage(time_s)) > _CLEAR_RISE * link.noise_v + link.step_v
    if not away.any():
        return None
    at = int(np.flatnonzero(away)[-1]) + 1
    if at >= volts.size or at < 2:
        return None
    lost, lasted_s = (volts[0] - volts[at]) / volts[0], time_s[at] - time_s[0]
    before = float(lost / lasted_s) if lasted_s > 0 else 0.0
    if before < ACTIVE_FACTOR * max(late.rate.high, 0.0) or before < 1 / _PASSIVE_S:
        return None
    return Stop(float(time_s[at] - (opening.low_s + opening.high_s) / 2), float(volts[at]))


def _change_within(readings: Readings, time_s: FloatArray, volts: FloatArray, late: DischargeFit) -> float:
    """By which factor the constants of the first half and of the last stretch differ; 1 where either is not known."""
    half = slice(0, volts.size // 2)
    early = fit_discharge(time_s[half], volts[half], readings)
    if early is None or early.time_constant is None or late.time_constant is None:
        return 1.0
    ratio = early.time_constant.value / late.time_constant.value
    return max(ratio, 1 / ratio)


def _at_rest(fit: DischargeFit, time_s: FloatArray, noise_v: float) -> bool:
    """Whether a link that heads for a level of its own is long seen at rest there; true of one that heads for 0 V.

    As long as the noise does not hide what is left, the last stretch still falls towards that level, and nothing of its
    rate tells of a way to 0 V; and a few readings at the level do not show whether it goes on falling from there.
    """
    if fit.rest is None:
        return True
    resting = fit.voltage(time_s) - fit.rest.value <= noise_v
    return int(np.count_nonzero(resting)) >= _LEAST_STRETCH


def _narrowed(opening: Opening, link: Link, fit: DischargeFit | None) -> Opening:
    """An opening that no state tells happened where the curve, carried back, meets the level before."""
    if opening.shown_by != "dc_link_voltage" or fit is None or not fit.falls or opening.level_v is None:
        return opening
    at = fit.opening(opening.level_v, opening.level_spread_v + 3 * link.noise_v + link.step_v)
    low_s, high_s = (float(np.clip(t, opening.low_s, opening.high_s)) for t in (at.low, at.high))
    return replace(opening, low_s=low_s, high_s=high_s)


def _seen_crossing(time_s: FloatArray, volts: FloatArray, noise_v: float) -> tuple[float, float] | None:
    """The last time surely above 60 V and the first surely at or below it, for good; None where the log shows none."""
    clear = _CLEAR_OF_NOISE * noise_v
    if volts[0] <= SAFE_V:
        return None
    above = np.flatnonzero(volts >= SAFE_V + clear)
    last = int(above[-1]) if above.size else 0
    below = np.flatnonzero(volts[last:] <= SAFE_V - clear)
    return (float(time_s[last]), float(time_s[last + below[0]])) if below.size else None


def _time_to_safe(
    opening: Opening,
    fit: DischargeFit | None,
    late: DischargeFit | None,
    crossing: tuple[float, float] | None,
    first_v: float,
    late_s: float,
) -> Estimate | None:
    """From the opening to 60 V. late_s : by how much readings may be later than the link itself [s]"""
    if crossing is not None:
        if fit is not None and not fit.misfit and fit.falls and fit.shape is not Shape.RESTING:
            return fit.crossing_from(opening.low_s, opening.high_s, late_s)
        low, high = max(crossing[0] - late_s - opening.high_s, 0.0), crossing[1] - opening.low_s
        return Estimate((low + high) / 2, low, high, low, high)
    if max(opening.level_v or 0.0, first_v) <= SAFE_V:
        return Estimate(0.0, 0.0, 0.0, 0.0, 0.0)
    if late is None:
        return None
    at = late.crossing_from(opening.low_s, opening.high_s, late_s)
    # A load that draws as much, or more, at less voltage is a converter, which cuts out on the way.
    return replace(at, high=inf, claim_high=inf) if late.shape in (Shape.CURRENT, Shape.POWER) else at
