"""When the motor brakes, how hard, into which voltage, and at which speed it lets go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.signals import MissingPart, Part, Signals
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import between_samples, stretches

_NOISES = 8.0  # below zero, from which on a value is braking and no noise
_SHARE = 0.02  # of the largest magnitude
_LEAST_S, _APART_S = 0.2, 0.3
_FADE_SHARES = (0.9, 0.5, 0.1)  # of the plateau torque: full, half and nearly gone
_FADES_NEEDED = 2
_STAND_RPM = 30.0  # below it a motor stands, as far as an encoder tells


@dataclass(frozen=True, slots=True, eq=False)
class Braking:
    """Episodes of braking (from, until) [s], by which part; the largest torque or current there."""

    part: Part
    spans: tuple[tuple[float, float], ...]
    largest: float


@dataclass(frozen=True, slots=True)
class Fade:
    """Speed at which the braking torque has fallen to half when slowing down [rpm], over how many stops.

    reverse_s : time in which the motor still braked when it stood or had turned round [s]
    """

    half: Measured
    count: int
    reverse_s: float


def find_braking(signals: Signals) -> Braking | None:
    """Stretches of negative torque, else of negative battery current, while the motor turns; None where there are none.

    Raises MissingPart where neither is logged, or no speed.
    """
    speed = signals["motor_speed"]
    part = signals.get("torque") or signals.get("battery_current")
    if part is None:
        raise MissingPart("torque")
    noise = max(float(np.nan_to_num(noise_floor(part.value))), (part.step or 0.0) / 12**0.5)
    least = max(_NOISES * noise, _SHARE * float(np.max(np.abs(part.value))))
    rpm = np.nan_to_num(between_samples(speed.time_s, speed.value, part.time_s))
    on = (part.value < -least) & (rpm > _STAND_RPM)
    first, last = stretches(on, part.time_s, _APART_S)
    spans = tuple((float(part.time_s[a]), float(part.time_s[b])) for a, b in zip(first, last, strict=True))
    spans = tuple(span for span in spans if span[1] - span[0] >= _LEAST_S)
    if not spans:
        return None
    inside = np.concatenate([part.value[part.between(*span)] for span in spans])
    return Braking(part, spans, float(-inside.min()))


def most_while(part: Part, spans: tuple[tuple[float, float], ...]) -> tuple[float, float] | None:
    """The largest value of a part during the episodes, and when; None where it has no sample there."""
    best: tuple[float, float] | None = None
    for span in spans:
        rows = part.between(*span)
        if rows.stop > rows.start:
            at = rows.start + int(np.argmax(part.value[rows]))
            if best is None or part.value[at] > best[0]:
                best = float(part.value[at]), float(part.time_s[at])
    return best


def find_fade(braking: Braking, speed: Part) -> Fade | None:
    """Where braking torque lets go towards standstill; None with fewer than two stops that show it."""
    if braking.part.name != "torque":
        return None
    halves, reverse_s, period_s = [], 0.0, braking.part.period_s
    whole_rpm = between_samples(speed.time_s, speed.value, braking.part.time_s)
    for since, until in braking.spans:
        rows = braking.part.between(since, until + _APART_S)
        torque = -braking.part.value[rows]
        rpm = whole_rpm[rows]
        half = _half_speed(torque, rpm, braking.largest)
        if half is not None:
            halves.append(half)
        still = (rpm < -_STAND_RPM) & (torque > _FADE_SHARES[2] * braking.largest)
        reverse_s += float(np.sum(still)) * period_s
    if len(halves) < _FADES_NEEDED:
        return None
    value = np.array(halves)
    reach = student_quantile(0.975, value.size - 1) * float(value.std(ddof=1)) / np.sqrt(value.size)
    mean = float(value.mean())
    return Fade(Measured(mean, "rpm", max(mean - reach, 0.0), mean + reach), int(value.size), reverse_s)


def _half_speed(torque: FloatArray, rpm: FloatArray, largest: float) -> float | None:
    """The speed at which torque falls through half of its plateau while the motor slows; None where it does not."""
    full = np.flatnonzero(torque >= _FADE_SHARES[0] * np.quantile(torque, 0.9))
    if not full.size or torque.max() < _FADE_SHARES[1] * largest:
        return None
    plateau = float(np.median(torque[full]))
    after = np.flatnonzero(torque[full[-1] :] <= _FADE_SHARES[1] * plateau)
    if not after.size:
        return None
    at = int(full[-1] + after[0])
    slowing = np.isfinite(rpm[at]) and rpm[at] < rpm[full[0]] - _STAND_RPM
    gradual = at - full[-1] >= 2  # torque that ends at once was let go by the driver, not by the speed
    return float(rpm[at]) if slowing and gradual else None
