"""What a logged motor speed can truly do: its quantum, its noise, and the fastest change of the shaft.

Told by the vehicle file where it can be, learnt from the log where not; `slew_origin` says which.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from logscope.findings import BoolArray, FloatArray
from logscope.physics.motion import count_quantum, free_spin_slew, tyre_limited_slew
from logscope.signals import Part
from logscope.statistics.episodes import runs_of_equal
from logscope.statistics.excursions import Reach
from logscope.statistics.robust import level_spacing, noise_floor
from logscope.vehicle import Vehicle

ENVELOPE_MARGIN = 1.2  # nameplate torque and inertia, and stamps, are good to some 20 % (practice)
SLIP_MARGIN = 4.0  # a slipping wheel frees the rotor from the tyre's limit (practice)
COUPLED_SLEW = 10_000.0  # rpm/s: a car in gear at 1 g, some 2,500 rpm/s, times the margin for slip
LIGHT_ROTOR_SLEW = 30_000.0  # rpm/s: 200 Nm on 0.064 kg·m², a lively traction rotor (own arithmetic)
LEARNT_MARGIN = 2.0  # the log need not hold the harshest thing this drive can do
_SUSTAINED_S = 0.040  # a true change lasts this long at least: tyres and clutches need some 50 ms (practice)
_SHORTEST_SLIP_S = 0.050  # sampled more coarsely than this allows, a slip may hide between samples
NOISE_Z = 6.0  # standard deviations: by noise alone 2·10⁻⁹ a step, one in some 58 days at 100 samples/s
QUANTA_ALLOWED = 2.0  # a count more on one side and one less on the other is no disturbance
_COUNTING_VARIANCE = 20.0 / 72.0  # quanta²: what counting, a difference of two roundings, adds to the noise
_LOW_SPEED_COUNTS = 4.0  # below so many counts a window, single edges make the reading jump
_LASTING_S = 1.0  # a zero that lasts this long is standstill, a speed that lasts this long is a drive
_GAP_S = 0.5  # a longer time between samples is a gap in the log, and counts as no driving time
_PRACTICE = "common practice, no published source"
_NOT_TOLD = "the vehicle file gives no motor.max_torque_Nm and motor.rotor_inertia_kgm2"
_CUT_AT_MOST_RPM = 300.0  # no sensor is blind above this (practice); a last reading above it was lost
_FEW_MOVES = 20  # changes that show how often a signal is renewed
_FEW = 100  # samples that make an estimate worth having
_ZERO_Z = 4.0  # standard deviations: a reading of zero scatters this far (1 in 16,000 beyond, normal)
_ZERO_FRACTION = 1e-3  # of the top speed: what still counts as zero where no quantum is known


@dataclass(frozen=True, slots=True, eq=False)
class SpeedModel:
    """Limits of one logged speed. Speeds in rpm, times in s.

    repeat : log samples for each new value; update_s : time between new values
    noise_rpm : standard deviation of one reading; quantum_rpm : its least step
    count_rpm : what one encoder count is worth in a new value; zero where not told
    standstill_rpm : below it the reading is, or may be, cut to zero; zero_rpm : what counts as zero
    slew_rpm_per_s : fastest true change; slew_origin : where that is known from, in words
    running : whether the shaft turns at each sample, shape (n,); exposure_s : the time each stands for
    """

    repeat: int
    update_s: float
    quantum_rpm: float
    count_rpm: float
    noise_rpm: float
    zero_rpm: float
    standstill_rpm: float
    slew_rpm_per_s: float
    slew_origin: str
    running: BoolArray
    exposure_s: FloatArray
    reach: Reach

    @property
    def running_s(self) -> float:
        """How long the shaft turned [s]; zero if never for a second, since noise may pass for running."""
        running_s = float(np.sum(self.exposure_s, where=self.running))
        return running_s if running_s >= _LASTING_S else 0.0

    @property
    def smallest_seen_rpm(self) -> float:
        """The least disturbance of a steady speed that stands out at the usual sampling."""
        return self.slew_rpm_per_s * self.update_s + self.reach.slack

    @property
    def low_speed_rpm(self) -> float:
        """Below this a new value rests on a few encoder counts, and single ones make it jump."""
        return _LOW_SPEED_COUNTS * self.count_rpm

    @property
    def smallest_seen_slow_rpm(self) -> float:
        """The least disturbance that stands out below `low_speed_rpm`."""
        return self.smallest_seen_rpm + QUANTA_ALLOWED * self.count_rpm


def speed_model(speed: Part, vehicle: Vehicle) -> SpeedModel:
    """Learn the limits of a speed signal of at least ten samples from the log and the vehicle file."""
    time, value = speed.time_s, speed.value
    elapsed = np.diff(time)
    quantum = max(speed.step or 0.0, level_spacing(value) or 0.0)
    repeat = _samples_per_update(value, quantum)
    period = float(np.median(elapsed))
    update = repeat * (period or float(np.mean(elapsed)))
    top = float(np.max(np.abs(value)))
    zero = max(QUANTA_ALLOWED * quantum, _ZERO_FRACTION * top)
    noise = _noise(value[::repeat], np.abs(value[::repeat]) > zero, quantum)
    zero = max(zero, _ZERO_Z * noise)
    standstill = _standstill_speed(time, value, zero)
    running = np.abs(value) > zero
    told = vehicle.motor.encoder_pulses_per_rev
    count = count_quantum(told, update) if told and update > 0 else 0.0
    beyond_rounding = sqrt(max(noise**2 - _COUNTING_VARIANCE * quantum**2, 0.0))
    slack = float(QUANTA_ALLOWED * quantum + NOISE_Z * sqrt(2.0) * beyond_rounding)
    step_s = _time_for_each_step(elapsed, repeat, period)
    slew, origin = _slew(vehicle, value[::repeat], step_s[::repeat], update, quantum)
    low = np.maximum(np.abs(value[1:]), np.abs(value[:-1])) < _LOW_SPEED_COUNTS * count
    limit = slew * step_s + slack + np.where(low, QUANTA_ALLOWED * count, 0.0)
    return SpeedModel(
        repeat=repeat,
        update_s=update,
        quantum_rpm=quantum,
        count_rpm=count,
        noise_rpm=noise,
        zero_rpm=zero,
        standstill_rpm=standstill,
        slew_rpm_per_s=slew,
        slew_origin=origin,
        running=running,
        exposure_s=np.minimum(np.append(elapsed, period), max(3.0 * update, _GAP_S)),
        reach=Reach(slew, slack, step_s, limit),
    )


def _samples_per_update(value: FloatArray, quantum: float) -> int:
    """Log samples between new values: 2 for a 10 ms signal logged every 5 ms.

    Judged where the signal moves by more than its quantum; a slow signal may rest by itself.
    """
    moves = np.flatnonzero(np.abs(np.diff(value)) > QUANTA_ALLOWED * quantum)
    if moves.size < _FEW_MOVES:
        return 1
    return max(1, int(np.quantile(np.diff(moves), 0.1)))


def _time_for_each_step(elapsed: FloatArray, repeat: int, period: float) -> FloatArray:
    """Time each step may have had [s], shape (n − 1,).

    Stamps bunch on a busy bus, so a short time borrows from its neighbours. A long neighbour is a gap in
    the log rather than jitter, and lends no more than two periods.
    """
    nearby = np.minimum(maximum_filter1d(elapsed, 3), 2.0 * period) if elapsed.size else elapsed
    return np.maximum(elapsed, repeat * nearby)


def _noise(value: FloatArray, running: BoolArray, quantum: float) -> float:
    if value.size < 3:  # a signal renewed twice in the whole log: its noise cannot be told
        return 0.0
    return noise_floor(value, running if np.count_nonzero(running[1:-1]) >= _FEW else None, quantum)


def _standstill_speed(time: FloatArray, value: FloatArray, zero: float) -> float:
    """Below this the reading is cut to zero, or may be [rpm]; 0 if the log holds no standstill.

    Twice the lower quartile of the last readings before the speed goes to zero and stays there: where
    it is cut, all of them stand above the cut. Only stops from a drive count, no return from a spike at rest.
    """
    first, last = runs_of_equal((np.abs(value) <= zero).astype(np.float64))
    lasting = time[last] - time[first] >= _LASTING_S
    stops = np.flatnonzero((np.abs(value[first[1:]]) <= zero) & lasting[1:] & lasting[:-1]) + 1
    if not stops.size:
        return 0.0
    return 2.0 * min(_CUT_AT_MOST_RPM, float(np.quantile(np.abs(value[first[stops] - 1]), 0.25)))


def _slew(vehicle: Vehicle, value: FloatArray, step_s: FloatArray, update: float, quantum: float) -> tuple[float, str]:
    """Fastest true change [rpm/s], and where it is known from."""
    torque, inertia = vehicle.motor.max_torque_Nm, vehicle.motor.rotor_inertia_kgm2
    if torque and inertia:
        bare = free_spin_slew(torque, inertia)
        return (
            ENVELOPE_MARGIN * bare,
            f"the free rotor's limit, {torque:g} Nm on {inertia:g} kg·m² or {bare:,.0f} rpm/s, plus 20 %",
        )
    learnt = LEARNT_MARGIN * _sustained_slew(value, step_s, update, quantum)
    if _sustained_steps(update) * update > _SHORTEST_SLIP_S:
        floor, why = LIGHT_ROTOR_SLEW, f"a light traction rotor at full torque, {_PRACTICE}"
    elif vehicle.driveline.ratio and vehicle.driveline.wheel_radius_m:
        tyre = tyre_limited_slew(vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m)
        floor, why = SLIP_MARGIN * tyre, f"{SLIP_MARGIN:g} times the tyres' limit in gear, {tyre:,.0f} rpm/s"
    else:
        floor, why = COUPLED_SLEW, f"a car in gear with a margin for wheel slip, {_PRACTICE}"
    if learnt > floor:
        return learnt, f"twice the fastest change this log sustains; {_NOT_TOLD}"
    return floor, f"{why}; {_NOT_TOLD}"


def _sustained_steps(update: float) -> int:
    return int(np.clip(np.ceil(_SUSTAINED_S / update), 3, 50)) if update > 0 else 3


def _sustained_slew(value: FloatArray, step_s: FloatArray, update: float, quantum: float) -> float:
    """The fastest change kept up over several steps the same way, the largest of them left out [rpm/s].

    A true change keeps its direction; the edge of a disturbance is one large step among small ones.
    """
    span = _sustained_steps(update)
    if value.size <= span:
        return 0.0
    steps = np.diff(value)
    inside = slice(span // 2, steps.size - (span - 1) // 2)
    one_way = (minimum_filter1d(steps, span)[inside] >= 0) | (maximum_filter1d(steps, span)[inside] <= 0)
    largest = maximum_filter1d(np.abs(steps), span)[inside]
    moved = np.maximum(np.abs(value[span:] - value[:-span]) - largest - QUANTA_ALLOWED * quantum, 0.0)
    taken = np.cumsum(np.concatenate(([0.0], step_s[: steps.size])))
    taken_s = np.maximum(taken[span:] - taken[:-span], 1e-9) * (span - 1) / span
    return float(np.max(moved / taken_s, initial=0.0, where=one_way))
