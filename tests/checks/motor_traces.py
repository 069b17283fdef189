"""Made motor-speed traces for the tests: true motion with all its harshness, then the sensor and the logger.

Own invention, numpy only. Motion is made every millisecond, in rpm, and sampled as a logger would.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals
from logscope.vehicle import Driveline, Limits, Motor, Vehicle

TICK_S = 0.001
FREE_SPIN = 30_558.0  # rpm/s, 160 Nm on 0.05 kg·m²
_BREAKS_AWAY_S = 0.050  # a tyre does not let go sooner (practice)
_IS_CAUGHT_S = 1 / 30  # half a swing of the stiffest half shafts, 15 Hz (practice)
HAZEL = Vehicle(
    motor=Motor(encoder_pulses_per_rev=60, max_speed_rpm=9000, max_torque_Nm=160, rotor_inertia_kgm2=0.05),
    driveline=Driveline(ratio=8.2, wheel_radius_m=0.31, mass_kg=1350),
    limits=Limits(motor_current_A=350),
)
UNTOLD = Vehicle()


@dataclass(frozen=True)
class Logging:
    """How the motion is logged: one sample each `period_s`, a new value each `repeat` samples."""

    period_s: float = 0.010
    repeat: int = 1
    step_rpm: float | None = 1.0
    noise_rpm: float = 2.0
    count_pulses: float | None = None  # count method: quantum 60/(N·T)
    jitter: float = 0.0  # of a stamp, as a fraction of the period
    cut_rpm: float = 0.0  # below it the reading is zero
    gaps: int = 0


def drive(rng: np.random.Generator, seconds: float) -> FloatArray:
    """True speed every millisecond: ramps, cruises, standstill, gear changes, slip, free revving, judder."""
    pieces: list[FloatArray] = []
    now, made = 0.0, 0
    while made < seconds / TICK_S:
        piece = _piece(rng, now)
        pieces.append(piece)
        now, made = float(piece[-1]), made + piece.size
    return np.concatenate(pieces)[: int(seconds / TICK_S)]


def _piece(rng: np.random.Generator, now: float) -> FloatArray:
    what = rng.choice(["ramp", "ramp", "cruise", "stop", "gear", "slip", "free", "judder", "creep"])
    if what == "ramp":
        return _towards(now, rng.uniform(-800, 8500), rng.uniform(300, 2600))
    if what == "stop":
        return np.concatenate([_towards(now, 0.0, rng.uniform(800, 2600)), np.zeros(int(rng.integers(500, 4000)))])
    if what == "gear":  # the synchroniser may turn the rotor faster than its own motor can
        end = now * (rng.choice([0.6, 1.4]) if now * 1.4 < 9000 else 0.6)
        return np.concatenate([np.full(300, now), _towards(now, end, rng.uniform(5e3, 6e4)), np.full(300, end)])
    if what == "free":
        up = _towards(now, rng.uniform(3000, 8800), rng.uniform(0.5, 1.0) * FREE_SPIN)
        return np.concatenate([up, _towards(float(up[-1]), 0.0, rng.uniform(0.5, 1.0) * FREE_SPIN)])
    if what == "slip":  # a wheel breaks away on gravel, and the ground catches it
        return np.concatenate([_slip(rng, now) for _ in range(int(rng.integers(1, 6)))])
    if what == "judder":
        t = np.arange(1500) * TICK_S
        return now + rng.uniform(20, 80) * np.exp(-t * 3) * np.sin(2 * np.pi * rng.uniform(2, 15) * t)
    if what == "creep":
        t = np.arange(3000) * TICK_S
        return np.concatenate([_towards(now, 0.0, 2000.0), 60 * np.abs(np.sin(2 * np.pi * 1.3 * t))])
    return np.full(int(rng.integers(1000, 8000)), now)


def _towards(start: float, end: float, slew: float) -> FloatArray:
    return np.linspace(start, end, max(2, int(abs(end - start) / slew / TICK_S)))


def _slip(rng: np.random.Generator, now: float) -> FloatArray:
    by = rng.uniform(200, 1500)
    up = _towards(now, now + by, min(rng.uniform(5e3, 1.9e4), by / _BREAKS_AWAY_S))  # wheel and rotor together
    spin = np.full(int(rng.integers(1, 200)), now + by)
    caught = _towards(now + by, now, min(rng.uniform(5e3, 4.5e4), by / _IS_CAUGHT_S))
    return np.concatenate([up, spin, caught, np.full(100, now)])


def log_speed(rng: np.random.Generator, truth: FloatArray, how: Logging) -> tuple[FloatArray, FloatArray]:
    """Timestamps [s] and readings [rpm] of a true speed."""
    every = how.period_s * how.repeat
    at = np.arange(0.0, truth.size * TICK_S - every, every)
    index = np.rint(at / TICK_S).astype(int)
    value = truth[index] + rng.normal(0, how.noise_rpm, at.size)
    if how.count_pulses:
        turned = np.concatenate([[0.0], np.cumsum(truth) * TICK_S / 60 * how.count_pulses])
        value = np.diff(np.floor(turned[index]), prepend=0.0) * 60 / (how.count_pulses * every)
    value = np.where(np.abs(value) < how.cut_rpm, 0.0, value)
    value, stamps = np.repeat(value, how.repeat), np.arange(at.size * how.repeat) * how.period_s
    if how.step_rpm:
        value = np.round(value / how.step_rpm) * how.step_rpm
    late = rng.uniform(0, how.jitter * how.period_s, stamps.size)
    keep = np.ones(stamps.size, dtype=bool)
    for start in rng.uniform(0, stamps[-1], how.gaps):
        keep &= ~((stamps > start) & (stamps < start + rng.uniform(0.05, 5.0)))
    return np.maximum.accumulate(stamps + late)[keep], value[keep]


def part(name: str, time: FloatArray, value: FloatArray, step: float | None = None, **more: object) -> Part:
    """A part with samples, its unit left out where the checks do not ask for it."""
    return Part(name, np.asarray(time, float), np.asarray(value, float), "", f"Made.{name}", step=step, **more)


def signals(*parts: Part) -> Signals:
    """Parts on one clock."""
    end = max((float(each.time_s[-1]) for each in parts if each.time_s.size), default=0.0)
    return Signals({each.name: each for each in parts}, 0.0, end)


@dataclass(frozen=True)
class TripLogging:
    """Periods of the logged parts around a made trip [s], and what leads to it."""

    speed_s: float = 0.010
    current_s: float = 0.010
    fault_s: float = 0.050
    glitch_lead_s: float | None = 0.004  # of the speed disturbance before the surge; None for no disturbance
    glitch_s: float = 0.012
    glitch_rpm: float = 1500.0
    surge_s: float = 0.040  # from its start to the trip
    stays_lost: bool = False


def trip_drive(rng: np.random.Generator, how: TripLogging, trip_s: float = 10.0) -> dict[str, Part]:
    """A pull-away that trips at `trip_s` and coasts down: every part as a logger would hold it."""
    t = np.arange(0.0, trip_s + 5.0, TICK_S)
    speed = np.interp(t, [0, 2, trip_s, trip_s + 5], [0, 0, 4000, 3000])
    torque = np.interp(t, [0, 2, 2.5], [0, 0, 110]) * (t < trip_s + 0.003)
    current = 20 + 1.6 * torque
    surge_at = trip_s - how.surge_s
    current += 260 * np.clip((t - surge_at) / min(0.015, how.surge_s), 0, 1)
    current *= t < trip_s + 0.003
    read = speed.copy()
    if how.glitch_lead_s is not None:
        at = surge_at - how.glitch_lead_s
        wrong = (t >= at) & ((t < at + how.glitch_s) | how.stays_lost)
        read[wrong] = 0.0 if how.stays_lost else read[wrong] + how.glitch_rpm
    fault = np.where(t >= trip_s + 0.002, 3.0, 0.0)
    throttle = np.interp(t, [0, 2, 2.3, trip_s + 0.4, trip_s + 0.6], [0, 0, 60, 60, 0])

    def logged(values: FloatArray, period_s: float, noise: float, step: float) -> tuple[FloatArray, FloatArray]:
        at = np.arange(rng.uniform(0, period_s), t[-1], period_s)
        taken = values[np.rint(at / TICK_S).astype(int)] + rng.normal(0, noise, at.size)
        return at, np.round(taken / step) * step

    parts = {
        "motor_speed": part("motor_speed", *logged(read, how.speed_s, 2, 1), step=1.0),
        "motor_current": part("motor_current", *logged(current, how.current_s, 2, 0.5), step=0.5),
        "torque": part("torque", *logged(torque, how.current_s, 1, 0.5), step=0.5),
        "throttle": part("throttle", *logged(throttle, 0.02, 0, 0.5), step=0.5),
    }
    at, code = logged(fault, how.fault_s, 0, 1)
    labels = {0.0: "None", 3.0: "Overcurrent", 5.0: "Overtemperature"}
    parts["fault"] = part("fault", at, code, overcurrent=code == 3, healthy=code == 0, labels=labels)
    return parts
