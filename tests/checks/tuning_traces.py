"""Made driving for the tests of the tuning checks: currents, voltages and loops with known constants.

Own invention, numpy only; every quantity is made each millisecond and sampled as two controllers would: each message
with a phase and a delay of its own, with noise and rounding.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals

TICK_S = 1e-3
KMH_PER_RPM = 2 * np.pi * 0.31 / 8.2 / 60 * 3.6  # ratio 8.2, wheels of 0.31 m
LAUNCHES_S = (3.0, 7.0, 11.0)


def pedal_current(rng: np.random.Generator, seconds: float) -> FloatArray:
    """Battery current of a lively drive [A], regeneration included, with a ripple of its own."""
    t = np.arange(0, seconds, TICK_S)
    times, amps, now = [0.0], [0.0], 0.5
    while now < seconds:
        up, hold = rng.uniform(0.05, 0.5), rng.uniform(0.1, 2.0)
        level = rng.uniform(-80, 300)
        times += [now, now + up, now + up + hold]
        amps += [amps[-1], level, level]
        now += up + hold + rng.uniform(0, 0.5)
    return np.interp(t, times, amps) + 5 * np.sin(2 * np.pi * rng.uniform(2, 9) * t)


def logged(
    rng: np.random.Generator,
    name: str,
    value: FloatArray,
    period_s: float,
    noise: float,
    step: float,
    delay_s: float = 0.0,
) -> Part:
    """A quantity as its message carries it."""
    at = np.arange(rng.uniform(0, period_s), value.size * TICK_S - 2 * TICK_S, period_s)
    read = value[(at / TICK_S).astype(int)] + rng.normal(0, noise, at.size)
    stamps = np.maximum.accumulate(at + delay_s + rng.uniform(0, min(0.1 * period_s, 1e-3), at.size))
    rounded = np.round(read / step) * step if step else read
    return Part(name, stamps, rounded, "", f"Made.{name}", step or None)


def signals(*parts: Part) -> Signals:
    """Parts on one clock."""
    return Signals({each.name: each for each in parts}, 0.0, max(float(each.time_s[-1]) for each in parts))


def loaded_battery(rng: np.random.Generator, ohm: float, period_s: float, seconds: float = 120.0) -> Signals:
    """A pack of 330 V that falls a little, behind a resistance."""
    amps = pedal_current(rng, seconds)
    volts = 330 - 0.03 * np.arange(amps.size) * TICK_S - ohm * amps
    delays = rng.uniform(0, period_s, 2)
    return signals(
        logged(rng, "battery_voltage", volts, period_s, 0.15, 0.1, delays[0]),
        logged(rng, "battery_current", amps, period_s, 0.6, 0.1, delays[1]),
    )


def launches(
    rng: np.random.Generator,
    frequency_hz: float = 5.0,
    damping: float = 0.08,
    rpm: float = 40.0,
    period_s: float = 0.01,
    extra: FloatArray | float = 0.0,
) -> Signals:
    """Three presses of the pedal, each followed by a ring."""
    t = np.arange(0, 15, TICK_S)
    torque = sum(80.0 * ((t > at) & (t < at + 2)) for at in LAUNCHES_S)
    base = np.cumsum(np.asarray(torque)) * TICK_S * 8
    decay = 2 * np.pi * frequency_hz * damping / np.sqrt(1 - damping**2)
    swing = np.zeros(t.size)
    for at in LAUNCHES_S:
        since = np.maximum(t - at, 0)
        swing += rpm * (t > at) * np.exp(-decay * since) * np.sin(2 * np.pi * frequency_hz * since)
    speed = base + swing + extra
    return signals(
        logged(rng, "motor_speed", speed, period_s, 2.0, 1.0),
        logged(rng, "torque", np.asarray(torque, float), period_s, 0.3, 0.1),
        logged(rng, "vehicle_speed", base * KMH_PER_RPM, 0.02, 0.02, 0.01),
    )
