"""Charge, energy, efficiency and warming of a charge, each with limits that carry sampling and resolution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.observations.charging.sessions import Session
from logscope.signals import Signals
from logscope.statistics.distributions import student_quantile
from logscope.statistics.integral import Integral, integrate
from logscope.statistics.robust import noise_floor
from logscope.statistics.rounding import largest_rounding_bias
from logscope.statistics.sampling import between_samples, missing_s

_S_PER_H = 3600.0
_LEAST_COVERED = 0.95  # of a charge that the input power must cover, or no efficiency is given
_LEAST_READINGS = 5
_MEAN_BLOCKS = 20
_OF_UNIFORM = 0.95  # of the half width of a uniform value, which holds 95 % of it


@dataclass(frozen=True, slots=True)
class Amounts:
    """What a charge moved; None where not logged.

    charge, energy : at the charger's output [Ah, Wh], or into the battery where only that is logged
    supplied : from the mains [Wh]; efficiency [%]; warmer : rise of the hottest place of the battery [K]
    load : what did not reach the battery, mean [A]
    """

    charge: Measured
    energy: Measured | None
    supplied: Measured | None
    efficiency: Measured | None
    warmer: Measured | None
    load: Measured | None


def find_amounts(session: Session, signals: Signals) -> Amounts:
    """The sums over one session, each at its own samples."""
    part = session.current.part
    missing_h = session.missing_s / _S_PER_H
    # with the readings just outside, between which it begins and ends
    around = slice(max(session.first - 1, 0), session.last + 2)
    time_s, amps = part.time_s[around], part.value[around]
    charge = _switched(session, _summed(time_s, amps, part.step), time_s, amps).scaled(1 / _S_PER_H)
    # what flowed in a hole is between nothing and the highest current
    most_a = float(session.amps.max())
    ah = Measured(charge.value, "Ah", max(charge.low, 0.0), charge.high + missing_h * most_a)
    energy = _energy(session, time_s, amps)
    wh = None
    if energy is not None and session.voltage is not None:
        most_w = most_a * float(np.max(session.voltage.value))
        wh = Measured(energy.value, "Wh", max(energy.low, 0.0), energy.high + missing_h * most_w)
    supplied = _supplied(session, signals)
    efficiency = None
    if not missing_h and not (session.starts_cut or session.ends_cut):
        efficiency = _efficiency(session, signals)
    into = None if supplied is None else Measured(supplied.value, "Wh", max(supplied.low, 0.0), supplied.high)
    return Amounts(ah, wh, into, efficiency, _warmer(session, signals), find_load(session, signals))


def _summed(time_s: FloatArray, value: FloatArray, step: float | None) -> Integral:
    """The integral; its limits also hold what the rounding of a steady level can hide."""
    total = integrate(time_s, value)
    noise = float(np.nan_to_num(noise_floor(value, quantum=step or 0.0)))
    hidden = largest_rounding_bias(noise, step or 0.0) * total.covered_s
    reach = float(np.hypot(total.high - total.value, hidden))
    return Integral(total.value, total.value - reach, total.value + reach, total.covered_s)


def _switched(session: Session, total: Integral, time_s: FloatArray, value: FloatArray) -> Integral:
    """The same, whose limits hold that it was switched on and off at any moment between two readings.

    Of all changes in a session these are the two that are sure to be steps: the limits of the rule spread what a step
    leaves over all readings, as if it could be anywhere.
    """
    reach = 0.0
    for outside, inside in ((session.start_s, 1), (session.end_s, -1)):
        at = int(np.searchsorted(time_s, outside))
        beside = at - inside
        if 0 <= beside < time_s.size and at < time_s.size:
            unsure = abs(float((value[at] - value[beside]) * (time_s[at] - time_s[beside]))) / 2.0
            reach = float(np.hypot(reach, _OF_UNIFORM * unsure))
    half = max(total.high - total.value, reach)
    return Integral(total.value, total.value - half, total.value + half, total.covered_s)


def _energy(session: Session, time_s: FloatArray, amps: FloatArray) -> Integral | None:
    voltage = session.voltage
    if voltage is None or voltage.time_s.size < _LEAST_READINGS:
        return None
    volts = between_samples(voltage.time_s, voltage.value, time_s)
    known = np.isfinite(volts)
    inside = (time_s >= session.start_s) & (time_s <= session.end_s)
    if known[inside].sum() < _LEAST_COVERED * inside.sum():
        return None
    watts = volts[known] * amps[known]
    energy = _switched(session, _summed(time_s[known], watts, None), time_s[known], watts)
    share = _hidden_share(session, volts[known])
    reach = float(np.hypot(energy.high - energy.value, share * energy.value))
    total = Integral(energy.value, energy.value - reach, energy.value + reach, energy.covered_s)
    return total.scaled(1 / _S_PER_H)


def _supplied(session: Session, signals: Signals) -> Integral | None:
    """Energy from the mains [Wh], while current flows."""
    power = _input_power(session, signals)
    if power is None:
        return None
    time_s, watts = power
    total = _summed(time_s, watts, signals["charger_input_power"].step)
    # before the first reading it rises, and after the last it goes on until the current ends
    start_s, end_s, unsure_s = _edges(session)
    rise_s, rest_s = float(time_s[0]) - start_s, end_s - float(time_s[-1])
    value = total.value + rise_s * float(watts[0]) + rest_s * float(watts[-1])
    reach = float(np.hypot(total.high - total.value, np.hypot(rise_s, unsure_s) * float(watts[-1])))
    return Integral(value, value - reach, value + reach, total.covered_s).scaled(1 / _S_PER_H)


def _input_power(session: Session, signals: Signals) -> tuple[FloatArray, FloatArray] | None:
    """The readings of the input power in a session; None where they do not cover it."""
    power = signals.get("charger_input_power")
    if power is None or power.time_s.size < _LEAST_READINGS:
        return None
    lasted_s = session.end_s - session.start_s
    rows = power.between(session.start_s, session.end_s)
    time_s, watts = power.time_s[rows], power.value[rows]
    if time_s.size < _LEAST_READINGS:
        return None
    lost_s = missing_s(power.time_s, session.start_s, session.end_s)
    covered_s = float(time_s[-1] - time_s[0]) - lost_s
    return (time_s, watts) if covered_s >= _LEAST_COVERED * lasted_s else None


def _edges(session: Session) -> tuple[float, float, float]:
    """When the current begins and ends: half-way to the readings without it; and how far both may be off together."""
    part, last = session.current.part, session.last
    before_s = float(part.time_s[session.first - 1]) if session.first else session.start_s
    after_s = float(part.time_s[last + 1]) if last + 1 < part.time_s.size else session.end_s
    unsure_s = float(np.hypot(session.start_s - before_s, after_s - session.end_s)) / 2
    return (before_s + session.start_s) / 2, (session.end_s + after_s) / 2, unsure_s


def _efficiency(session: Session, signals: Signals) -> Measured | None:
    """Output over input between the first and the last reading of the input power: the same time for both."""
    power, voltage = _input_power(session, signals), session.voltage
    if power is None or voltage is None:
        return None
    time_s, watts = power
    out_s = session.time_s[(session.time_s > time_s[0]) & (session.time_s < time_s[-1])]
    out_s = np.concatenate(([time_s[0]], out_s, [time_s[-1]]))
    amps = between_samples(session.time_s, session.amps, out_s)
    volts = between_samples(voltage.time_s, voltage.value, out_s)
    if not (np.isfinite(amps) & np.isfinite(volts)).all():
        return None
    supplied = _summed(time_s, watts, signals["charger_input_power"].step)
    given = _summed(out_s, amps * volts, None)
    if supplied.low <= 0.0 or given.low <= 0.0:
        return None
    hidden = _hidden_share(session, volts)
    spread = float(np.linalg.norm([
        given.high / given.value - 1.0, supplied.high / supplied.value - 1.0, hidden
    ]))  # fmt: skip
    value = 100.0 * given.value / supplied.value
    return Measured(value, "%", value * (1 - spread), value * (1 + spread))


def _hidden_share(session: Session, volts: FloatArray) -> float:
    """What the rounding of a steady current and voltage can hide of the energy, as a share."""
    part, voltage = session.current.part, session.voltage
    assert voltage is not None
    volt_noise = float(np.nan_to_num(noise_floor(voltage.value, quantum=voltage.step or 0.0)))
    amps_share = largest_rounding_bias(session.current.noise_a, part.step or 0.0) / float(np.median(session.amps))
    volts_share = largest_rounding_bias(volt_noise, voltage.step or 0.0) / max(float(np.median(volts)), 1e-9)
    return float(np.hypot(amps_share, volts_share))


def _warmer(session: Session, signals: Signals) -> Measured | None:
    """From the first to the last reading in the session: each may be off by half a step."""
    part = signals.get("battery_temperature_highest")
    if part is None:
        return None
    own = part.value[part.between(session.start_s, session.end_s)]
    if own.size < _LEAST_READINGS:
        return None
    rise, step = float(own[-1] - own[0]), part.step or 0.0
    return Measured(rise, "K", rise - step, rise + step)


def find_load(session: Session, signals: Signals) -> Measured | None:
    """Charger current less what flows into the battery, mean [A]: a converter, a heater, or two meters apart.

    None where one of them is not logged, or the battery's current does not point inwards.
    """
    battery = signals.get("battery_current")
    if battery is None or not session.current.of_charger:
        return None
    rows = battery.between(session.start_s, session.end_s)
    time_s, inward = battery.time_s[rows], -battery.value[rows]
    charger = between_samples(session.current.part.time_s, session.current.part.value, time_s)
    known = np.isfinite(charger)
    if known.sum() < _LEAST_READINGS or float(np.median(inward[known])) <= 0.0:
        return None
    apart = charger[known] - inward[known]
    middle = slice(apart.size // 10, apart.size - apart.size // 10)  # without the rise and the switching off
    return mean_of(apart[middle])


def mean_of(value: FloatArray) -> Measured:
    """The mean with Student's limits from the scatter of blocks, so that repeated readings do not count twice [A]."""
    blocks = min(_MEAN_BLOCKS, value.size)
    means = np.array([block.mean() for block in np.array_split(value, blocks)])
    reach = student_quantile(0.975, blocks - 1) * float(means.std(ddof=1)) / float(np.sqrt(blocks))
    mean = float(value.mean())
    return Measured(mean, "A", mean - reach, mean + reach)
