"""Disturbances in gear, down to the tyres' limit: distinguished from true motion by being over too soon.

In gear the tyres hold the shaft to some 25 rpm in 10 ms, yet a driveline also rings on its springs and a
wheel breaks away, both faster than that. Either takes its time: half a swing of the fastest driveline, or
some 50 ms. And a motor that swings its own rotor shows it in the torque. What is left was never motion.
"""

from __future__ import annotations

from math import pi

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.observations.motor_speed.driveline_state import in_gear_at
from logscope.observations.motor_speed.envelope import QUANTA_ALLOWED, QUANTA_FROM_LEVEL
from logscope.observations.motor_speed.model import BRIEF_ALONE_S, BRIEF_S, SpeedModel
from logscope.physics.motion import free_spin_slew
from logscope.signals import Part
from logscope.statistics.departures import (
    Runs,
    Sampling,
    back_at,
    beside,
    from_rest,
    off_level,
    on_both,
    opposite,
    over_too_soon,
    pairs,
    runs_of_steps,
)
from logscope.statistics.excursions import is_lost
from logscope.vehicle import Vehicle

_NEIGHBOURS_S = 0.100  # a driveline that rings does it again within this: one swing at 10 Hz (practice)
_AS_FAR = 0.5  # of the larger of two steps: what leads back does so to this at least
_LARGE = 2.0  # times the limit: no ringing so fast is so large, where three samples or more show each half swing
_SAMPLES_A_HALF_SWING = 3.0
_QUANTA_LESS = 0.5  # a step may be this much smaller than the departure: its start is rounded, too
_STAMPS = 1.05  # stamps and clocks are good to 5 % (practice)
_TORQUE_BEFORE_S = 0.150  # the steady torque is the median over this before: a wrong speed upsets it afterwards
_TORQUE_LAG_S = 0.010  # between torque and speed: the counting window (practice)
_FLICKERS_BELOW = 2.0  # times the least reading: where a sensor is cut, readings just above it come and go
_IMPULSE_MARGIN = 1.6  # 20 % on the inertia; four samples a swing catch two thirds of it (own arithmetic: 2/π)
_TORQUE_SAMPLES = 64  # to each side at most


def brief_steps(
    speed: Part,
    model: SpeedModel,
    vehicle: Vehicle,
    torque: Part | None,
    road: Part | None,
    *,
    zero: float,
    lost_s: float,
) -> IndexArray:
    """Index of each sample that a step leads to which in gear belongs to no true motion.

    torque, road : motor torque and vehicle speed, where they are logged
    zero : what counts as zero [rpm]; lost_s : how long a reading may be lost [s]
    """
    if not model.tells_brief:
        return np.empty(0, np.intp)
    smaller = model.in_gear.limit - _QUANTA_LESS * model.quantum_rpm
    steps = np.flatnonzero(np.abs(np.diff(speed.value)) > smaller) + 1
    steps = steps[~_cut_at_standstill(speed.value, steps, model, zero)]
    if steps.size < 2:
        return steps[:0]
    how = Sampling(model.repeat, model.update_s, model.quantum_rpm)
    runs = runs_of_steps(speed.time_s, speed.value, steps, how, _updates(BRIEF_ALONE_S, model))
    limit = model.in_gear.limit[steps[runs.first] - 1]
    away = off_level(speed.value, runs, how) > limit[:-1]
    away |= pairs(np.abs(runs.move) > limit + (QUANTA_ALLOWED - QUANTA_FROM_LEVEL) * model.quantum_rpm)
    alone = from_rest(speed.value, runs, how, _updates(_NEIGHBOURS_S, model))
    if _SAMPLES_A_HALF_SWING * model.update_s <= BRIEF_S * _STAMPS:
        alone |= pairs(np.abs(runs.move) > _LARGE * limit)
    back_s = back_at(speed.time_s, speed.value, runs, how)
    swung = np.zeros(runs.move.size, dtype=bool)
    if torque is not None and vehicle.motor.rotor_inertia_kgm2:
        swung = _swung_by_torque(runs, limit, torque, vehicle.motor.rotor_inertia_kgm2)
        away &= ~_swings_back(runs, swung)
    soon = over_too_soon(runs, away, alone, back_s, BRIEF_S, BRIEF_ALONE_S)
    soon &= ~swung | beside(~swung & soon)
    impossible = np.abs(speed.value[steps] - speed.value[steps - 1]) > model.reach.limit[steps - 1]
    beyond = np.logical_or.reduceat(impossible, runs.first)
    wrong = soon | _lost(speed, model, runs, zero, lost_s) | _one_impossible(runs, away, beyond, back_s)
    calm = in_gear_at(speed, model, road, runs.before, runs.after, one_side=torque is not None)
    return steps[(wrong & calm)[runs.of_step]]


def _updates(seconds: float, model: SpeedModel) -> int:
    """How many new values a time holds, one at least."""
    return max(1, int(np.ceil(seconds / model.update_s)))


def _cut_at_standstill(value: FloatArray, steps: IndexArray, model: SpeedModel, zero: float) -> BoolArray:
    """Steps between zero and a speed below which the sensor itself reads zero, or may."""
    there, here = np.abs(value[steps - 1]), np.abs(value[steps])
    return (np.minimum(there, here) <= zero) & (np.maximum(there, here) <= _FLICKERS_BELOW * model.cut_rpm)


def _one_impossible(runs: Runs, away: BoolArray, beyond: BoolArray, back_s: FloatArray) -> BoolArray:
    """Runs away and back, one of them with a step beyond any rotor: the reading is wrong, however long it was away.

    A gear that is forced in drags the rotor as fast, but not back.
    """
    near = back_s - runs.start_s[:-1] <= _NEIGHBOURS_S
    return on_both(away & near & opposite(runs, _AS_FAR) & (beyond[1:] | beyond[:-1]))


def _lost(speed: Part, model: SpeedModel, runs: Runs, zero: float, lost_s: float) -> BoolArray:
    """Runs into a lost reading and out of it, one of them faster than any rotor: no wheel that locks."""
    value = speed.value
    free = np.abs(runs.move) > model.slew_rpm_per_s * runs.lasts_s + model.reach.slack
    into = is_lost(value[runs.after[:-1]], value[runs.before[:-1]], zero)
    out = is_lost(value[runs.before[1:]], value[runs.after[1:]], zero)
    sudden = runs.lasts_s <= BRIEF_S
    pair = into & out & pairs(sudden) & (free[1:] | free[:-1])
    pair &= runs.start_s[1:] - runs.end_s[:-1] <= lost_s
    return on_both(pair)


def _swings_back(runs: Runs, swung: BoolArray) -> BoolArray:
    """Whether the torque swung the rotor away and the driveline may have swung it back; shape (runs − 1,).

    A torque that ends as suddenly as it came, as at a trip, leaves the way back to the driveline's spring, which is no
    steeper than the steepest part of its swing.
    """
    steepest = pi / BRIEF_S * np.abs(runs.move[:-1])
    return np.asarray(swung[:-1] & (np.abs(runs.move[1:]) <= steepest * runs.lasts_s[1:]), dtype=bool)


def _swung_by_torque(runs: Runs, limit: FloatArray, torque: Part, inertia_kgm2: float) -> BoolArray:
    """Whether what the torque departs from its steady value may have turned the rotor that way, that far."""
    reach = int(min(np.ceil(_TORQUE_BEFORE_S / torque.period_s), _TORQUE_SAMPLES)) if torque.period_s > 0 else 1
    middle = np.searchsorted(torque.time_s, (runs.start_s + runs.end_s) / 2.0)
    around = np.clip(middle[:, np.newaxis] + np.arange(-reach, reach + 1), 0, torque.time_s.size - 1)
    value, time = torque.value[around], torque.time_s[around]
    before = np.where(time <= (runs.start_s - _TORQUE_LAG_S)[:, np.newaxis], value, np.nan)
    before[:, 0] = value[:, 0]
    extra = (value - np.nanmedian(before, axis=1)[:, np.newaxis]) * np.sign(runs.move)[:, np.newaxis]
    extra = np.maximum(extra, 0.0)
    acts = (time[:, 1:] > (runs.start_s - _TORQUE_LAG_S)[:, np.newaxis]) & (
        time[:, :-1] < (runs.end_s - torque.period_s / 2.0)[:, np.newaxis]
    )
    impulse = np.sum((extra[:, 1:] + extra[:, :-1]) / 2.0 * np.diff(time, axis=1), axis=1, where=acts)
    turned = _IMPULSE_MARGIN * free_spin_slew(1.0, inertia_kgm2) * impulse
    return np.asarray(np.abs(runs.move) <= limit + turned, dtype=bool)
