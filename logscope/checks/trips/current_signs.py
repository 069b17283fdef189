"""Signs of the motor current itself before an overcurrent trip: swings, a level, how fast and how far it rose."""

from __future__ import annotations

from math import sqrt

import numpy as np
from scipy.ndimage import minimum_filter1d

from logscope.checks.trips.order import Moment
from logscope.checks.trips.sign import FINE_S, Sign
from logscope.observations.trips.surge import Surge
from logscope.parts import part_name
from logscope.signals import Part
from logscope.statistics.robust import noise_floor
from logscope.statistics.swings import reversals

_SWINGS_S = 0.6  # a loop that loses its damping grows within some tenths of a second (practice)
_SWING_SHARE = 0.10  # of the largest current: less is noise, ripple, and what a driveline's judder asks for
_LAST_SWING_S = 0.2  # an oscillation that leads to a trip goes on until then
_GROWS_BY_LESS = 3.0  # from one swing to the next: what rises by more was not only the swing's growth (own arithmetic)
_SWINGS_NEEDED = 4  # there and back, twice
# There and back, then into the trip: an oscillation that grows fast trips so soon; a driver who lifts does it, too.
_SWINGS_LEFT_OPEN = 2
_STEADY_S = 0.10  # how long the current must have been level before the trip
_AT_LIMIT = 0.03  # of the stated limit: current sensors and a regulator's ripple (practice)
_LEVEL_SHARE = 0.05  # of itself: a level current moves no more than this
_HIGH_SHARE = 0.85  # of the highest level of the log, or of the stated limit
# A level that no other pull passes, well below the stated limit, may be the pedal's, unless that is fully down. Kept up
# for longer than a pull, it is what a timed overload trips on (practice).
_TIMED_S = 5.0
_FULL_PEDAL = 95.0  # % of travel: pedals end short of their full reading (practice)
# What trips takes the current away within some 10 ms; a message of the fault comes up to 0.1 s later, rarely earlier.
_BEFORE_S, _TAKES_EFFECT_S, _GOES_ON_S = 0.15, 0.1, 1.0
_WORTH, _GONE = 0.1, 0.2  # of the log's highest, and of the value before: a bridge that is off has less
_GOES_ON_SAMPLED_S = 0.2
_SLOW_S = 0.015  # a fault in the power circuit fills a leakage inductance within a few ms (own arithmetic)
_BLOCKED_S = 0.002  # a bridge is blocked so soon after its limit is passed (practice)
# Of the limit: a machine's inductance and the regulator let the current pass by less before the bridge is blocked; it
# takes a short circuit, or a bridge that blocks late, to pass by more (practice).
_FAR_PAST_LIMIT = 1.5
_ASIDE_S, _USUAL = 0.5, 0.99  # what the current reaches apart from the trip; a few other surges leave it as it is
_NOISE_Z = 6.0  # standard deviations of noise, which no difference of two samples reaches


def swings(current: Part | None, event: Moment, until_s: float) -> Sign:
    """Whether the current swings, ever wider or as wide as it can, until the event."""
    if current is None:
        return Sign("swings", None, "no motor current is logged")
    if current.period_s > FINE_S:
        return Sign(
            "swings", None, f"a current sampled every {current.period_s * 1e3:.3g} ms cannot show an oscillation"
        )
    window = current.between(event.sound_s - _SWINGS_S, until_s)
    time, amps = current.time_s[window], np.abs(current.value[window])
    least = max(_SWING_SHARE * float(np.max(np.abs(current.value))), _scatter(current, event))
    turns = reversals(amps, least)
    going_on = bool(turns) and until_s - float(time[turns[-1]]) <= _LAST_SWING_S
    sizes = np.abs(np.diff(amps[turns]))
    if len(turns) < _SWINGS_LEFT_OPEN or not going_on:
        return Sign("swings", False, "no oscillation of the current before it")
    if abs(amps[-1] - amps[turns[-1]]) > _GROWS_BY_LESS * float(np.max(sizes)):
        return Sign("swings", False, "no oscillation of the current that grows into it")
    if len(turns) < _SWINGS_NEEDED:
        words = (
            f"the current swings once by {np.max(sizes):.0f} A, too little for an oscillation, too much to rule one out"
        )
        return Sign("swings", None, words)
    first = max(turns[0], 1)
    moment = Moment(float(time[first - 1]), float(time[first]))
    words = f"the current swings {len(turns)} times by up to {np.max(sizes):.0f} A"
    return Sign("swings", True, words, moment)


def _scatter(current: Part, event: Moment) -> float:
    """What noise and rounding alone may add to a difference of two samples [A]."""
    quiet = current.value[current.between(event.sound_s - 3.0, event.sound_s - _SWINGS_S)]
    noise = float(np.nan_to_num(noise_floor(quiet))) if quiet.size else 0.0
    return _NOISE_Z * sqrt(2.0) * noise + 2.0 * (current.step or 0.0)


def level(
    current: Part | None, surge: Surge | None, event: Moment, limit_A: float | None, pedal: Part | None = None
) -> Sign:
    """Whether the current was level and high until the trip, with no surge."""
    if current is None:
        return Sign("level", None, "no motor current is logged")
    if surge is not None:
        return Sign("level", False, "the current surged")
    if current.period_s > FINE_S:
        apart = f"{current.period_s * 1e3:.3g} ms"
        return Sign("level", None, f"a current sampled every {apart} may have surged in between")
    amps = np.abs(current.value[current.between(event.sound_s - _STEADY_S, event.sound_s)])
    amps = amps[:-1] if amps.size and amps[-1] < np.min(amps[:-1], initial=np.inf) else amps  # half way down
    if amps.size < 3:
        return Sign("level", None, "the current was not sampled before it")
    middle, highest = float(np.median(amps)), _highest_level(current)
    scatter = max(_LEVEL_SHARE * middle, _scatter(current, event))
    at_limit = limit_A is not None and abs(middle - limit_A) <= _AT_LIMIT * limit_A
    if float(np.ptp(amps)) > scatter or not (at_limit or float(np.min(amps)) >= _HIGH_SHARE * highest):
        return Sign("level", False, "the current was not level at its highest")
    stood_s = _stood_s(current, middle - scatter, event)
    words = f"the current stood level at {middle:.0f} A for {stood_s:.2g} s"
    full = _fully_down(pedal, event)
    if at_limit or limit_A is None or middle >= _HIGH_SHARE * limit_A or stood_s >= _TIMED_S or full:
        where = f"its limit of {limit_A:g} A" if at_limit else "as high as it ever is"
        return Sign("level", True, f"{words}, {where}{', with the pedal fully down' * full}")
    return Sign("level", None, f"{words}, as high as it ever is but below its limit of {limit_A:g} A")


def _fully_down(pedal: Part | None, event: Moment) -> bool:
    """Whether the pedal was fully down while the current stood level: then it is the inverter that held it there."""
    if pedal is None:
        return False
    travel = pedal.value[pedal.between(event.sound_s - max(_STEADY_S, 2.0 * pedal.spacing_s), event.sound_s)]
    return bool(travel.size) and float(np.min(travel)) >= _FULL_PEDAL


def _highest_level(current: Part) -> float:
    """The highest |current| that was kept up for as long as a level stands [A], so that no surge counts."""
    samples = max(1, round(_STEADY_S / current.period_s))
    return float(np.max(minimum_filter1d(np.abs(current.value), samples)))


def _stood_s(current: Part, least_A: float, event: Moment) -> float:
    """How long the current had not been below a value when an event came [s]."""
    window = current.between(current.time_s[0], event.sound_s)
    below = np.flatnonzero(np.abs(current.value[window]) < least_A)
    before = below[below < window.stop - window.start - 1]  # the last sample may be half way down
    since_s = float(current.time_s[window][before[-1]]) if before.size else float(current.time_s[0])
    return event.sound_s - since_s


def goes_on(current: Part | None, torque: Part | None, trip_s: float) -> Sign:
    """Whether current, and torque where it is logged, go on after the fault as if there had been none."""
    logged = [part for part in (current, torque) if part is not None]
    if current is None or current.period_s > _GOES_ON_SAMPLED_S:
        return Sign("goes_on", None, "whether the current continued after the fault was not sampled")
    for part in logged:
        size = np.abs(part.value)
        before = size[part.between(trip_s - _BEFORE_S, trip_s)]
        behind = size[part.between(trip_s + _TAKES_EFFECT_S, trip_s + _GOES_ON_S)]
        if behind.size < 3 or not before.size or np.median(before) < _WORTH * float(size.max()):
            return Sign("goes_on", None, "whether the current continued after the fault was not sampled")
        if float(np.min(behind)) < _GONE * float(np.median(before)) or np.median(behind) < np.median(before) / 2.0:
            return Sign("goes_on", False, "the current ended with the fault")
    what = " and ".join(part_name(part.name) for part in logged)
    return Sign("goes_on", True, f"{what} continued after the fault")


def slow(current: Part | None, surge: Surge | None) -> Sign:
    """Whether the surge took some tens of ms, as what a regulator does; a short circuit takes a few."""
    if surge is None or current is None:
        return Sign("slow", None, "no surge was sampled")
    rise_s = surge.peak_s - surge.sound_s
    if rise_s >= _SLOW_S + current.period_s:
        return Sign("slow", True, f"the current took {rise_s * 1e3:.0f} ms to its peak")
    if current.period_s > _SLOW_S:
        return Sign("slow", None, "how fast the current rose between its samples")
    return Sign("slow", False, "the current did not rise slowly")


def far(current: Part | None, surge: Surge | None, event: Moment, stated_A: float | None) -> Sign:
    """Whether the current shot far past its limit before the bridge was blocked; a lower peak may be unsampled.

    A stated limit that the rest of the log passes is no limit on this current, perhaps another measure of it: then
    the highest of the rest counts.
    """
    if surge is None or current is None or stated_A is None:
        return Sign("far", None, "how far the current passed its limit was not sampled")
    aside = np.abs(current.time_s - event.seen_s) > _ASIDE_S
    usual = float(np.quantile(np.abs(current.value[aside]), _USUAL)) if aside.any() else 0.0
    limit_A = max(stated_A, usual)
    if surge.peak > _FAR_PAST_LIMIT * limit_A:
        words = f"the current reached {surge.peak:.0f} A, {surge.peak / limit_A:.1f} times its limit of {limit_A:.0f} A"
        return Sign("far", True, words)
    if current.period_s > _BLOCKED_S:
        return Sign("far", None, "how far the current passed its limit between its samples")
    return Sign("far", False, "the current did not shoot far past its limit")
