"""What a logged motor speed can truly do: its quantum, its noise, and the fastest change of the shaft.

Told by the vehicle file where it can be, learnt from the log where not; `slew_origin` says which.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.ndimage import maximum_filter1d

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.envelope import QUANTA_ALLOWED, QUANTA_FROM_LEVEL, free_slew, in_gear_slew
from logscope.physics.motion import count_quantum
from logscope.signals import Part
from logscope.statistics.episodes import runs_of_equal
from logscope.statistics.excursions import RateLimit
from logscope.statistics.robust import level_spacing, noise_floor
from logscope.vehicle import Vehicle

NOISE_Z = 6.0  # standard deviations: by noise alone 2·10⁻⁹ a step, one in some 58 days at 100 samples/s
_COUNTING_VARIANCE = 20.0 / 72.0  # quanta²: what counting, a difference of two roundings, adds to the noise
_COUNTING_KNOWN_TO = 1.25  # measures up to 15 % larger, being no normal noise; more if disturbed (own simulation)
BRIEF_S = 1.0 / 30.0  # away and back in gear takes half a swing of the driveline, 15 Hz at most (practice)
BRIEF_ALONE_S = 0.045  # from rest it takes three quarters of a swing, and a wheel to break away as long: 50 ms
_LOW_SPEED_COUNTS = 4.0  # below so many counts a window, single edges make the reading jump
_LASTING_S = 1.0  # a zero that lasts this long is standstill, a speed that lasts this long is a drive
_GAP_S = 0.5  # a longer time between samples is a gap in the log, and counts as no driving time
CUT_AT_MOST_RPM = 300.0  # no sensor is blind above this (practice); a last reading above it was lost
_FEW_MOVES = 20  # changes that show how often a signal is renewed
_FEW_READINGS = 20  # disturbances may hold some readings that the sensor by itself never gives
_JUDGED_AT_MOST = 500_000  # intervals judged for a median or quantile: more take time and add nothing
_FEW = 100  # samples that make an estimate worth having
_ZERO_Z = 4.0  # standard deviations: a reading of zero scatters this far (1 in 16,000 beyond, normal)
_ZERO_FRACTION = 1e-3  # of the top speed: what still counts as zero where no quantum is known


@dataclass(frozen=True, slots=True, eq=False)
class SpeedModel:
    """Limits of one logged speed. Speeds in rpm, times in s.

    repeat : log samples for each new value; update_s : time between new values
    noise_rpm : standard deviation of one reading; quantum_rpm : its least step
    count_rpm : what one encoder count is worth in a new value; zero where not configured
    standstill_rpm : below it the reading is, or may be, cut to zero; zero_rpm : what counts as zero
    cut_rpm : below it, and above zero, the log holds next to no reading
    slew_rpm_per_s : fastest true change whatever the shaft turns; slew_origin : where that is known from, in words
    in_gear_rpm_per_s, in_gear_origin : the same with the tyres on the road
    running : whether the shaft turns at each sample, shape (n,); exposure_s : the time each stands for
    reach : how far the speed can come between samples, whatever the shaft turns
    in_gear : how far it can come in gear from the level around
    """

    repeat: int
    update_s: float
    quantum_rpm: float
    count_rpm: float
    noise_rpm: float
    zero_rpm: float
    standstill_rpm: float
    cut_rpm: float
    slew_rpm_per_s: float
    slew_origin: str
    in_gear_rpm_per_s: float
    in_gear_origin: str
    running: BoolArray
    exposure_s: FloatArray
    reach: RateLimit
    in_gear: RateLimit

    @property
    def running_s(self) -> float:
        """How long the shaft turned [s]; zero if never for a second, since noise may pass for running."""
        running_s = float(np.sum(self.exposure_s, where=self.running))
        return running_s if running_s >= _LASTING_S else 0.0

    @property
    def tells_brief(self) -> bool:
        """Whether the sampling shows that a reading was away for less time than a driveline can be."""
        return 2.0 * self.update_s <= BRIEF_ALONE_S

    @property
    def smallest_seen_free_rpm(self) -> float:
        """The least disturbance of a steady speed that stands out whatever the shaft turns."""
        return self.slew_rpm_per_s * self.update_s + self.reach.slack

    @property
    def smallest_seen_rpm(self) -> float:
        """The same in gear, where the sampling is fine enough to use the tyres' limit."""
        if not self.tells_brief:
            return self.smallest_seen_free_rpm
        return self.in_gear_rpm_per_s * self.update_s + self.in_gear.slack

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
    time, value, size = speed.time_s, speed.value, np.abs(speed.value)
    elapsed = np.diff(time)
    quantum = max(speed.step or 0.0, level_spacing(value) or 0.0)
    repeat = _samples_per_update(value, quantum)
    period = float(np.median(elapsed[:: elapsed.size // _JUDGED_AT_MOST + 1]))
    update = repeat * (period or float(np.mean(elapsed)))
    zero = max(QUANTA_ALLOWED * quantum, _ZERO_FRACTION * float(np.max(size)))
    noise = _noise(value[::repeat], size[::repeat] > zero, quantum)
    zero = max(zero, _ZERO_Z * noise)
    standstill = _standstill_speed(time, size, zero)
    pulses = vehicle.motor.encoder_pulses_per_rev
    count = count_quantum(pulses, update) if pulses and update > 0 else 0.0
    beyond_rounding = sqrt(max(noise**2 - _COUNTING_KNOWN_TO**2 * _COUNTING_VARIANCE * quantum**2, 0.0))
    slack = float(QUANTA_ALLOWED * quantum + NOISE_Z * sqrt(2.0) * beyond_rounding)
    step_s = _time_for_each_step(elapsed, repeat, period)
    slew, origin = free_slew(vehicle, value[::repeat], step_s[::repeat], update, quantum)
    few_counts = _few_counts(size, count)
    coupled, coupled_origin = in_gear_slew(vehicle)
    coupled, near = min(coupled, slew), slack - (QUANTA_ALLOWED - QUANTA_FROM_LEVEL) * quantum
    return SpeedModel(
        repeat=repeat,
        update_s=update,
        quantum_rpm=quantum,
        count_rpm=count,
        noise_rpm=noise,
        zero_rpm=zero,
        standstill_rpm=standstill,
        cut_rpm=min(standstill or CUT_AT_MOST_RPM, _least_reading(size)),
        slew_rpm_per_s=slew,
        slew_origin=origin,
        in_gear_rpm_per_s=coupled,
        in_gear_origin=coupled_origin,
        running=size > zero,
        exposure_s=np.minimum(np.append(elapsed, period), max(3.0 * update, _GAP_S)),
        reach=RateLimit(slew, slack, step_s, slew * step_s + slack + few_counts),
        in_gear=RateLimit(coupled, near, step_s, coupled * step_s + near + few_counts),
    )


def _samples_per_update(value: FloatArray, quantum: float) -> int:
    """Log samples between new values: 2 for a 10 ms signal logged every 5 ms.

    Judged where the signal moves by more than its quantum; a slow signal may rest by itself.
    """
    moves = np.flatnonzero(np.abs(np.diff(value)) > QUANTA_ALLOWED * quantum)
    if moves.size < _FEW_MOVES:
        return 1
    apart = np.diff(moves)
    return max(1, int(np.quantile(apart[:: apart.size // _JUDGED_AT_MOST + 1], 0.1)))


def _few_counts(size: FloatArray, count: float) -> FloatArray | float:
    """What single counts may add to each step at low speed [rpm], shape (n − 1,), or 0 where that is not known."""
    if not count:
        return 0.0
    low = size < _LOW_SPEED_COUNTS * count
    return np.where(low[1:] & low[:-1], QUANTA_ALLOWED * count, 0.0)


def _time_for_each_step(elapsed: FloatArray, repeat: int, period: float) -> FloatArray:
    """Time each step may have had [s], shape (n − 1,).

    Timestamps bunch on a busy bus, so a short time borrows from its neighbours. A long neighbour is a gap in
    the log rather than jitter, and lends no more than two periods.
    """
    nearby = np.minimum(maximum_filter1d(elapsed, 3), 2.0 * period) if elapsed.size else elapsed
    return np.maximum(elapsed, repeat * nearby)


def _noise(value: FloatArray, running: BoolArray, quantum: float) -> float:
    if value.size < 3:  # a signal renewed twice in the whole log: its noise is unknown
        return 0.0
    return noise_floor(value, running if np.count_nonzero(running[1:-1]) >= _FEW else None, quantum)


def _least_reading(size: FloatArray) -> float:
    """The least magnitudes above zero that the log shows more than a few times [rpm]."""
    there = size[(size > 0) & (size <= CUT_AT_MOST_RPM)]
    if there.size <= _FEW_READINGS:  # nothing is read below the most that a sensor may cut
        there = size[size > 0]
    return float(np.partition(there, _FEW_READINGS)[_FEW_READINGS]) if there.size > _FEW_READINGS else 0.0


def _standstill_speed(time: FloatArray, size: FloatArray, zero: float) -> float:
    """Below this the reading is cut to zero, or may be [rpm]; 0 if the log holds no standstill.

    Twice the lower quartile of the last readings before the speed goes to zero and stays there: where
    it is cut, all of them stand above the cut. Only stops from a drive count, no return from a spike at rest.
    """
    first, last = runs_of_equal(size <= zero)
    lasting = time[last] - time[first] >= _LASTING_S
    stops = np.flatnonzero((size[first[1:]] <= zero) & lasting[1:] & lasting[:-1]) + 1
    if not stops.size:
        return 0.0
    return 2.0 * min(CUT_AT_MOST_RPM, float(np.quantile(size[first[stops] - 1], 0.25)))
