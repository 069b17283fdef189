"""Disturbances of the logged motor speed: readings no shaft can have followed.

A reading is disturbed if it steps away and back and each step is beyond what the shaft can do
(`slew` times the time between samples), plus two quanta, which hold all of the rounding, plus six standard
deviations of the noise beyond it. By noise alone, with the shaft at its limit all the while, that happens at no more
than 2·10⁻⁹ a sample. Gear changes, wheel slip, free revving and a standstill cut to zero pass.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.observations.motor_speed.brief import brief_steps
from logscope.observations.motor_speed.driveline_state import in_gear_at
from logscope.observations.motor_speed.model import SpeedModel, speed_model
from logscope.signals import Part
from logscope.statistics.episodes import runs_of_equal
from logscope.statistics.excursions import Excursions, excursions, impossible_steps, is_lost
from logscope.statistics.sampling import spread_error_s, unbunched_s
from logscope.vehicle import Vehicle

LEAST_SAMPLES = 10  # fewer show neither period nor noise
JOIN_S = 0.100  # disturbances nearer than this are one episode
_JOIN_UPDATES = 2  # where sampling is coarse: away with one new value, back with the next or the one after
_UNDONE_S = 0.6  # two gear changes, which may turn a rotor faster than its motor, are further apart (practice)
_LOST_S = 1.0  # a reading lost for longer looks like one switched off
_DEEP = 0.5  # of the farthest reading: what is less far away may be what the disturbance did to the rotor
_BURST_STEPS = 3  # more than away and back…
_SPIKE_S, _SPIKE_UPDATES = 0.035, 1.5  # …in longer than one spike takes: three counting windows of 10 ms (practice)
_HOLD_UPDATES = 5  # new values missed before a reading counts as frozen
_NEARBY_RUNS = np.arange(1, 4)  # runs of equal readings on either side: how often the reading changes, and by what
_HOLD_S = 0.1  # a shorter pause is the bus's or the logger's, not the encoder's
_GAP_UPDATES = 3.0  # samples further apart are a gap in the log, which holds no reading
_SLOPE_S = 0.2  # speed is extrapolated over a hold from this long before and after it
_STEP_AFTER_HOLD = 0.5  # of the jump: it makes up for five steps, so the next one is far smaller
_BEYOND_TYRES = 2.0  # times the tyres' limit that a lone jump needs: no kerb or pothole does that (practice)
_HOLD_AGREEMENT = 2.0  # the jump after a hold matches the trends before and after within this factor


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One episode; indices into the samples of the speed.

    kind : 'spike', 'dropout', 'reversal', 'burst' or 'hold'
    before : last sound sample; first, last : the disturbed ones; after : first sound sample again
    deviation_rpm : farthest from the line between the sound samples on both sides
    """

    kind: str
    before: int
    first: int
    last: int
    after: int
    deviation_rpm: float


@dataclass(frozen=True, slots=True, eq=False)
class SpeedAnalysis:
    """A motor speed, its model, its disturbances in order of time, and every impossible step.

    `lost` are steps to zero, or to the opposite sign, with no way back within a second. Stamps of messages in bursts
    are spread, and may be wrong by `stamps_off_s`.
    """

    speed: Part
    model: SpeedModel
    disturbances: tuple[Disturbance, ...]
    steps: IndexArray
    lost: IndexArray
    stamps_off_s: float = 0.0


def analyse_speed(
    speed: Part, vehicle: Vehicle, torque: Part | None = None, road: Part | None = None
) -> SpeedAnalysis | None:
    """Find the disturbances of a motor speed; None where too few samples show anything.

    torque, road : motor torque and vehicle speed, where they are logged
    """
    if speed.time_s.size < LEAST_SAMPLES or speed.time_s[-1] <= speed.time_s[0]:
        return None
    stamps_off_s = spread_error_s(speed.time_s)
    speed = replace(speed, time_s=unbunched_s(speed.time_s))
    model = speed_model(speed, vehicle)
    free = impossible_steps(speed.value, model.reach)
    in_gear = brief_steps(speed, model, vehicle, torque, road, zero=_zero(model), lost_s=_LOST_S)
    steps = np.union1d(free, in_gear)
    found = excursions(
        speed.time_s,
        speed.value,
        model.reach,
        steps=steps,
        zero=_zero(model),
        join_s=JOIN_S,
        join_samples=_JOIN_UPDATES * model.repeat,
        undone_s=_UNDONE_S,
        lost_s=_LOST_S,
    )
    fast = _as_disturbances(speed, model, found)
    clear = [hold for hold in _holds(speed, model, road) if not any(_overlap(hold, each) for each in fast)]
    inside = _inside(steps, found)
    lone = np.intersect1d(steps[~inside], free)
    lost = lone[is_lost(speed.value[lone], speed.value[lone - 1], _zero(model))]
    ordered = tuple(sorted(fast + clear, key=lambda each: each.first))
    return SpeedAnalysis(speed, model, ordered, steps[inside], lost, stamps_off_s)


def _overlap(one: Disturbance, other: Disturbance) -> bool:
    return one.before <= other.last and other.first <= one.after


def _zero(model: SpeedModel) -> float:
    return max(model.zero_rpm, model.standstill_rpm / 2.0)


def _inside(steps: IndexArray, found: Excursions) -> BoolArray:
    """Whether each step belongs to an episode."""
    nearest = np.searchsorted(found.first, steps, side="right") - 1
    inside = nearest >= 0
    inside[inside] = steps[inside] <= found.after[nearest[inside]]
    return inside


def _as_disturbances(speed: Part, model: SpeedModel, found: Excursions) -> list[Disturbance]:
    columns = zip(found.before, found.first, found.last, found.after, found.steps, strict=True)
    named = []
    for before, first, last, after, steps in ((*map(int, row),) for row in columns):
        reading, line = speed.value[first : last + 1], _line(speed, before, first, last, after)
        kind = _kind(reading, line, steps, _lasts(speed, first, after), model.update_s, _zero(model))
        sound = min(abs(speed.value[before]), abs(speed.value[after]))
        if kind == "dropout" and sound <= model.standstill_rpm:
            continue  # near standstill the sensor itself cuts the reading to zero
        named.append(Disturbance(kind, before, first, last, after, float(np.max(np.abs(reading - line)))))
    return named


def _line(speed: Part, before: int, first: int, last: int, after: int) -> FloatArray:
    """The line between the sound samples on both sides, at the disturbed ones [rpm]."""
    ends = [speed.time_s[before], speed.time_s[after]]
    levels = [speed.value[before], speed.value[after]]
    return np.asarray(np.interp(speed.time_s[first : last + 1], ends, levels), dtype=np.float64)


def _lasts(speed: Part, first: int, after: int) -> float:
    return float(speed.time_s[after] - speed.time_s[first])


def _kind(reading: FloatArray, line: FloatArray, steps: int, lasts_s: float, update_s: float, zero: float) -> str:
    """The kind of an episode with so many impossible steps, by how long it lasts and what it reads."""
    away = np.abs(reading - line)
    deep = away >= _DEEP * np.max(away)
    at = np.flatnonzero(deep)
    whole = at[-1] - at[0] + 1 == at.size
    if whole and np.all(np.abs(reading[deep]) <= zero):
        return "dropout"
    if whole and np.all(is_lost(reading[deep], line[deep], zero)):
        return "reversal"
    return "burst" if steps >= _BURST_STEPS and lasts_s > max(_SPIKE_S, _SPIKE_UPDATES * update_s) else "spike"


def _holds(speed: Part, model: SpeedModel, road: Part | None) -> list[Disturbance]:
    """Readings frozen while the speed goes on changing: they jump at the end to where it has got meanwhile.

    Two witnesses that it did: the trends before and after lead there; or in gear the jump is beyond what tyres allow,
    and what follows it is not, so that no wheel broke away.
    """
    time, value = speed.time_s, speed.value
    starts, ends = runs_of_equal(value)
    held = time[np.minimum(ends + 1, value.size - 1)] - time[starts]
    at = np.flatnonzero(held[:-1] >= max(_HOLD_S, _HOLD_UPDATES * model.update_s))  # no jump follows the last run
    first, last, held = starts[at], ends[at], held[at]
    usual, quantum = _usual_around(value, starts, ends, at)
    long = last + 1 - first >= _HOLD_UPDATES * np.maximum(model.repeat, usual)
    jump = value[last + 1] - value[first]
    each_missed = _HOLD_UPDATES * np.maximum(model.quantum_rpm, quantum)  # each value missed would show
    trended = np.abs(jump) > np.maximum(model.reach.slack, each_missed)
    beyond = np.abs(jump) > _BEYOND_TYRES * model.in_gear.limit[last] if model.tells_brief else np.zeros(at.size, bool)
    beyond &= in_gear_at(speed, model, road, first, last + 1, one_side=True)  # a free rotor leaps as it likes
    long &= (trended | beyond) & (np.abs(value[first]) > _zero(model))
    long &= np.abs(jump) / np.where(held > 0, held, np.inf) <= model.slew_rpm_per_s
    return [
        Disturbance("hold", start, start + 1, end, end + 1, float(abs(value[end + 1] - value[start])))
        for start, end, led, leapt in zip(
            *(each[long].tolist() for each in (first, last, trended, beyond)), strict=True
        )
        if _frozen(speed, model, start, end, led=led, leapt=leapt)
    ]


def _usual_around(
    value: FloatArray, starts: IndexArray, ends: IndexArray, at: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """How long runs of equal readings last around some of them [samples], and the least step between them [rpm].

    The slower side counts: a reading that slows down, or comes to its standstill, changes ever more seldom.
    """
    lengths = (ends - starts + 1).astype(np.float64)
    ended_by = np.abs(np.diff(value[starts]))  # the step that ends each run but the last
    before, behind = at[:, np.newaxis] - _NEARBY_RUNS, at[:, np.newaxis] + _NEARBY_RUNS
    usual = [np.median(lengths[np.clip(side, 0, lengths.size - 1)], axis=1) for side in (before, behind)]
    steps = ended_by[np.clip(np.concatenate([before, behind], axis=1), 0, ended_by.size - 1)]
    return np.maximum(*usual), np.min(steps, axis=1)


def _frozen(speed: Part, model: SpeedModel, start: int, end: int, *, led: bool, leapt: bool) -> bool:
    """Whether one run of equal readings was frozen; led, leapt : which witness its jump is large enough for."""
    time, value = speed.time_s, speed.value
    reach = max(3 * model.repeat, round(_SLOPE_S / model.update_s) * model.repeat)
    earlier, later = max(0, start - reach), min(value.size - 1, end + 1 + reach)
    gap = np.diff(time[start : end + 2]).max() > _GAP_UPDATES * model.update_s
    if gap or earlier == start or later == end + 1:
        return False
    step, seconds = value[end + 1] - value[start], time[end + 1] - time[start]
    follow = min(end + 1 + model.repeat, value.size - 1)
    if abs(value[follow] - value[end + 1]) > _STEP_AFTER_HOLD * abs(step):
        return False
    trend = (
        (value[start] - value[earlier]) / max(time[start] - time[earlier], 1e-9),
        (value[later] - value[end + 1]) / max(time[later] - time[end + 1], 1e-9),
    )
    share = [slope * seconds / step for slope in trend]  # what either trend makes of the jump, 1 if all
    agree = min(share) >= 1.0 / _HOLD_AGREEMENT and max(share) <= _HOLD_AGREEMENT
    calm = abs(value[follow] - value[end + 1]) <= model.in_gear.limit[end + 1 if follow > end + 1 else end]
    return bool((led and agree) or (leapt and calm))
