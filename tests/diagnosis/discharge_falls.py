"""Falls of a link voltage of known truth, as real loggers keep them.

Each is a log of one key cycle: in half of them with its precharge, the link joined to the pack, an opening told by a
state at 10 Hz, and a fall that the log shows for 1 to 20 s: so few volts of some, nearly all of others. What discharges
the link is drawn (`FALLS`), the sensing in front of the logger as well (`logging_dirt.sensing`); how it is logged is
one of `WAYS`. The curves are integrated here on a fine grid and share no code with the check.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from logging_dirt.sensing import draw_sensing

from logscope.findings import FloatArray
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

_FINE_S = 1e-3  # of the integration: half the shortest lag of the sensing
_CLOCK_PPM = 100.0  # between a controller's clock and the logger's
_SAFE_V = 60.0  # voltage class B above (ISO 6469-3)
_LONGEST_S = 4000.0  # of an integration towards 60 V: longer is no discharge


class Way(NamedTuple):
    """How a link voltage is logged, times [s]: periods of sensor and message, grid of the stamps, their scatter as a
    share of the message's period, and how many messages come at once."""

    sensor_s: float
    message_s: float
    grid_s: float
    scatter: float = 0.05
    together: int = 1


WAYS = {
    "even 5 ms": Way(0.005, 0.005, 0.0),
    "even 20 ms": Way(0.001, 0.02, 0.0),
    "even 100 ms": Way(0.1, 0.1, 0.0),
    "even 200 ms": Way(0.001, 0.2, 0.001),
    "grid 10 ms": Way(0.01, 0.01, 0.01, 0.0),
    "grid 10/5 ms": Way(0.005, 0.005, 0.01),  # two messages on one stamp
    "grid 50/20 ms": Way(0.02, 0.02, 0.05),
    "grid 50 ms": Way(0.05, 0.05, 0.05, 0.0),
    "stale": Way(0.059, 0.05, 0.05, 0.0),  # a sensor slower than its message, on a grid as coarse
    "stale late": Way(0.059, 0.05, 0.0, 0.3),
    "held": Way(0.1, 0.02, 0.001),
    "repeated": Way(0.059, 0.1, 0.05),  # sent again at 10 Hz
    "bursts": Way(0.0208, 0.0208, 0.0, 0.0, 3),
}
# The bleeder alone; too large a one; one that warms up; a load that stops on the way; a converter that runs on down to
# where it cuts out; a motor that brakes into the link for a moment; a second source or nothing that discharges.
FALLS = ("bleeder", "slow", "warming", "load stops", "converter", "held up")


@dataclass(frozen=True, slots=True, eq=False)
class DischargeCurve:
    """One logged fall and its truth.

    opened_s : when the contactor opened; constant_s : R·C, None where the fall is no exponential
    time_to_60_s : from the opening, infinite where it never comes; kind : of the finding that is true of it
    """

    signals: Signals
    vehicle: Vehicle
    opened_s: float
    constant_s: float | None
    time_to_60_s: float
    kind: str
    sensing: str
    step_v: float


def draw_fall(seed: int, way: str, fall: str) -> DischargeCurve:
    """One fall, all that is not told drawn at random."""
    rng = np.random.default_rng([seed, 4021, FALLS.index(fall), list(WAYS).index(way)])
    volts, constant_s = rng.uniform(100.0, 420.0), float(np.exp(rng.uniform(np.log(3.0), np.log(60.0))))
    after_v, true_constant_s = _discharged(rng, fall, volts, constant_s)
    below = np.flatnonzero(after_v <= _SAFE_V)
    time_to_60_s = float(below[0] * _FINE_S) if below.size else np.inf
    seen_s = float(np.exp(rng.uniform(0.0, np.log(20.0))))
    opened_s = rng.uniform(4.5, 6.0)
    t = np.arange(0.0, opened_s + seen_s, _FINE_S)
    fallen = after_v[np.minimum(np.maximum((t - opened_s) / _FINE_S, 0.0).astype(int), after_v.size - 1)]
    begin_s = rng.uniform(1.0, 2.0) if rng.random() < 0.5 else -np.inf
    charged = volts * -np.expm1(-np.maximum(t - begin_s, 0.0) / 0.15)
    link = np.where(t < opened_s, charged, fallen)
    sensing = draw_sensing(rng)
    step_v, noise_v = float(rng.choice([0.1, 1.0])), float(np.exp(rng.uniform(np.log(0.03), np.log(0.6))))
    time_s, read = _logged(rng, t, sensing.reading(link, _FINE_S), WAYS[way], step_v, noise_v)
    slow_s = np.arange(rng.uniform(0, 0.1), t[-1], 0.1)
    pack = np.round((volts + rng.normal(0, noise_v, slow_s.size)) / 0.1) * 0.1
    lag_s = rng.uniform(0.0, 0.05)
    closed = (slow_s - lag_s > begin_s + 1.2) & (slow_s - lag_s < opened_s)
    parts = {
        "dc_link_voltage": Part("dc_link_voltage", time_s, read, "V", "Link.Voltage", step_v),
        "battery_voltage": Part("battery_voltage", slow_s, pack, "V", "Pack.Voltage", 0.1),
        "main_contactor": Part("main_contactor", slow_s, closed.astype(float), "", "Box.Main", 1.0, on=closed),
    }
    limit_s, kind = _limit(rng, fall, time_to_60_s)
    told = constant_s * rng.uniform(0.92, 1.08) if rng.random() < 0.5 and fall in ("bleeder", "warming") else None
    vehicle = Vehicle(
        precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
        dc_link=DcLink(bleeder_ohm=told / 1e-3 if told else None, discharge_limit_s=limit_s),
    )
    return DischargeCurve(
        Signals(parts, 0.0, float(t[-1])), vehicle, opened_s, true_constant_s, time_to_60_s, kind, sensing.what, step_v
    )


def _limit(rng: np.random.Generator, fall: str, time_to_60_s: float) -> tuple[float, str]:
    """The time allowed [s], clear of the true one by a factor of 1.5 to 4, and what is then true of the fall."""
    if not np.isfinite(time_to_60_s):
        return rng.uniform(60.0, 300.0), "stays_live"
    clear = rng.uniform(1.5, 4.0)
    return (time_to_60_s / clear, "slow_discharge") if fall == "slow" else (time_to_60_s * clear, "discharged")


def _discharged(
    rng: np.random.Generator, fall: str, volts: float, constant_s: float
) -> tuple[FloatArray, float | None]:
    """The link from the opening on, every `_FINE_S` [V], and its time constant where it has one."""
    t = np.arange(0.0, min(_LONGEST_S, 2.5 * constant_s + 30.0), _FINE_S)
    if fall in ("bleeder", "slow"):
        return volts * np.exp(-t / constant_s), constant_s
    if fall == "held up":
        rest = volts if rng.random() < 0.5 else volts * rng.uniform(0.7, 0.98)
        rest = max(rest, 75.0)
        return rest + (volts - rest) * np.exp(-t / rng.uniform(0.1, 1.0)), None
    if fall == "warming":
        change, settles_s = rng.uniform(-0.25, 0.25), rng.uniform(5.0, 40.0)
        rate = 1.0 / (constant_s * (1.0 + change * -np.expm1(-t / settles_s)))
    elif fall == "load stops":
        stops_s = float(np.exp(rng.uniform(np.log(0.3), np.log(8.0))))
        rate = np.where(t < stops_s, rng.uniform(1.5, 8.0), 1.0) / constant_s
    else:  # C·V·dV/dt = −P − V²/R, exact for V² from step to step
        power = rng.uniform(0.3, 3.0) * volts**2 / constant_s  # P/C [V²/s]
        return _converter(t, volts, constant_s, power, volts * rng.uniform(0.2, 0.95)), None
    return volts * np.exp(-np.concatenate(([0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 * _FINE_S)))), None


def _converter(t: FloatArray, volts: float, constant_s: float, power: float, cut_out_v: float) -> FloatArray:
    """A constant power beside the bleeder until a voltage is reached, the bleeder alone from there."""
    square = (volts**2 + power * constant_s) * np.exp(-2 * t / constant_s) - power * constant_s
    running = np.sqrt(np.maximum(square, 0.0))
    stopped = int(np.searchsorted(-running, -cut_out_v))
    return np.concatenate((running[:stopped], cut_out_v * np.exp(-(t[stopped:] - t[stopped]) / constant_s)))


def _logged(
    rng: np.random.Generator, t: FloatArray, volts: FloatArray, way: Way, step_v: float, noise_v: float
) -> tuple[FloatArray, FloatArray]:
    """Stamps and readings: each message carries the sensor's newest reading, rounded."""
    runs = 1 + 1e-6 * rng.uniform(-_CLOCK_PPM, _CLOCK_PPM)  # sensor and message are timed by one controller
    sensor_s, message_s = way.sensor_s * runs, way.message_s * runs
    taken_s = np.arange(rng.uniform(0, sensor_s), t[-1], sensor_s)
    read = np.interp(taken_s, t, volts) + rng.normal(0, noise_v, taken_s.size)
    read = np.round(np.maximum(read, 0.0) / step_v) * step_v
    sent_s = np.arange(taken_s[0] + rng.uniform(0, message_s), t[-1], message_s)
    sent_s = np.sort(sent_s + rng.uniform(0, way.scatter * message_s, sent_s.size))
    carried = read[np.searchsorted(taken_s, sent_s, side="right") - 1]
    if way.together > 1:
        last = np.minimum(np.arange(sent_s.size) // way.together * way.together + way.together - 1, sent_s.size - 1)
        sent_s = sent_s[last] + 3e-4 * (np.arange(sent_s.size) % way.together)
    return (np.ceil(sent_s / way.grid_s) * way.grid_s if way.grid_s else sent_s), carried
