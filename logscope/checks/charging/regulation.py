"""What the charger gave against what was requested: level, overshoot, delay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.observations.charging.phases import Step, smoothed
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals
from logscope.statistics.robust import NORMAL_95, noise_floor
from logscope.statistics.rounding import largest_rounding_bias
from logscope.statistics.sampling import between_samples, zero_order_hold
from logscope.vehicle import Vehicle

# On-board chargers hold their current to some percent and their voltage to half a percent of the request, each by a
# meter of its own (common practice, no published source). Beyond these it is off.
_AMPS_SHARE, _LEAST_AMPS = 0.05, 1.0
_VOLTS_SHARE = 0.01
_NO_REGULATION = 5.0  # times the tolerance of a voltage
_HELD_PERIODS = 3.0  # a request that was not renewed for so long is stale
_LEAST_READINGS = 5
_NOISES = 3.0
_POWER_ROOM = 0.5  # of the rise of the voltage, that the fall of the current may differ by: it is a power all the same
_SETTLES_S = 5.0  # overshoot is what comes after the rise within this…
_OVERSHOOT_NOISES = 4.0  # …and stands out of the noise


@dataclass(frozen=True, slots=True)
class Error:
    """Measured less requested with 95 % limits, in `unit`; the request itself, and by which part it was measured.

    limited : the request is what the charger can give, or more; then `asked` is what it can give
    off : whether it is beyond what chargers and their meters differ by; tolerance : that, in `unit`
    """

    value: float
    low: float
    high: float
    unit: str
    asked: float
    part: str
    tolerance: float
    start_s: float
    end_s: float
    limited: bool

    @property
    def off(self) -> bool:
        """Whether all of the interval is beyond the tolerance; more than the file states and less than asked is not."""
        return (self.low > self.tolerance and not self.limited) or self.high < -self.tolerance

    @property
    def beyond_regulation(self) -> bool:
        """Whether it is a voltage so far off that no regulation explains it."""
        return self.unit == "V" and abs(self.value) > _NO_REGULATION * self.tolerance

    @property
    def above(self) -> bool:
        """Whether more was given than requested."""
        return self.value > 0


@dataclass(frozen=True, slots=True)
class Regulation:
    """Errors of current and voltage; overshoot of the current [A] and delay of its start [s], None where not seen.

    constant_power : the current falls as the voltage rises, so that the power stays: a charger at its power limit
    """

    current: Error | None
    voltage: Error | None
    overshoot_a: float | None
    delay_s: tuple[float, float] | None
    constant_power: bool


def judge_regulation(session: Session, signals: Signals, vehicle: Vehicle) -> Regulation:
    """Compare the held phases with the requests of the same moments."""
    current_target, voltage_target = (signals.get(f"charger_{name}_target") for name in ("current", "voltage"))
    most_a = vehicle.charging.charger_max_current_A
    current = voltage = None
    held = session.phase(Step.CURRENT)
    if current_target is not None and held is not None and session.current.of_charger:
        part = session.current.part
        most = _most_given(session, part.time_s, most_a, vehicle.charging.charger_max_power_W)
        current = _error(part, current_target, held.start_s, held.end_s, "A", most)
        if current is not None and not current.above and session.voltage is None:
            current = None  # the voltage may hold it back
        elif current is not None and not current.above:
            free = _not_held_by_voltage(session, signals)
            most = _most_given(session, free.time_s, most_a, vehicle.charging.charger_max_power_W)
            current = _error(free, current_target, held.start_s, held.end_s, "A", most)
    flat = session.phase(Step.VOLTAGE)
    charger = signals.get("charger_voltage")
    if voltage_target is not None and flat is not None and charger is not None:
        voltage = _error(charger, voltage_target, flat.start_s, flat.end_s, "V", None)
    power = held is not None and _holds_power(session, held.start_s, held.end_s)
    return Regulation(current, voltage, _overshoot(session), _delay(session, current_target), power)


def _most_given(session: Session, at_s: FloatArray, most_a: float | None, most_w: float | None) -> FloatArray | None:
    """The most that the charger can give at each moment [A], by what the vehicle file states of it; None if nothing."""
    if most_a is None and most_w is None:
        return None
    most = np.full(at_s.size, np.inf if most_a is None else most_a)
    if most_w is not None and session.voltage is not None:
        volts = between_samples(session.voltage.time_s, session.voltage.value, at_s)
        known = np.isfinite(volts) & (volts > 0.0)
        most[known] = np.minimum(most[known], most_w / volts[known])
    return most


def _holds_power(session: Session, start_s: float, end_s: float) -> bool:
    """Whether the current falls by the share by which the voltage rises, both clearly."""
    if session.voltage is None:
        return False
    inside = (session.time_s >= start_s) & (session.time_s <= end_s)
    volts = between_samples(session.voltage.time_s, session.voltage.value, session.time_s[inside])
    amps = session.amps[inside][np.isfinite(volts)]
    volts = volts[np.isfinite(volts)]
    third = volts.size // 3
    if third < _LEAST_READINGS:
        return False
    rise = float(np.log(volts[-third:].mean() / volts[:third].mean()))
    fall = float(np.log(amps[:third].mean() / amps[-third:].mean()))
    unsure = 2.0 * session.current.noise_a / float(amps.mean()) / float(np.sqrt(third / 2.0))
    return fall > 2.0 * unsure and abs(fall - rise) < max(2.0 * unsure, _POWER_ROOM * rise)


def _not_held_by_voltage(session: Session, signals: Signals) -> Part:
    """The current without the readings at which the voltage is as high as it may be: there it has to be lower."""
    part, voltage = session.current.part, session.voltage
    flat, target = session.phase(Step.VOLTAGE), signals.get("charger_voltage_target")
    if voltage is None:
        return part
    volts = between_samples(voltage.time_s, voltage.value, part.time_s)
    most_v = np.full(volts.size, flat.voltage.value if flat is not None and flat.voltage is not None else np.inf)
    if target is not None and voltage.name == "charger_voltage":
        asked = requested(target, part.time_s)
        most_v = np.minimum(most_v, np.where(asked > 0.0, asked, np.inf))
    noise = float(np.nan_to_num(noise_floor(voltage.value, quantum=voltage.step or 0.0)))
    room_v = _NOISES * noise + 1.5 * (voltage.step or 0.0)
    return part.where(~(volts >= most_v - room_v))


def _error(part: Part, target: Part, start_s: float, end_s: float, unit: str, most: FloatArray | None) -> Error | None:
    """Measured less requested over a stretch; `most` is what can be given at each reading of the part, shape (n,)."""
    rows = part.between(start_s, end_s)
    time_s, value = part.time_s[rows], part.value[rows]
    asked = requested(target, time_s)
    # a request that has just changed is followed later
    known = np.isfinite(asked) & (asked > 0.0)
    if known.sum() < _LEAST_READINGS:
        return None
    request = float(np.median(asked[known]))
    known &= asked == request
    if known.sum() < max(_LEAST_READINGS, 0.5 * time_s.size):
        return None
    due, limited = np.full(time_s.size, request), False
    if most is not None and float(value[known].mean()) <= request:  # what is above the request is judged by it
        due = np.minimum(request, most[rows])
        limited = bool(np.median(most[rows][known]) <= request)
    level = float(np.median(due[known]))
    tolerance = max(_AMPS_SHARE * level, _LEAST_AMPS) if unit == "A" else _VOLTS_SHARE * level
    known &= time_s >= _arrived_s(time_s[known], value[known], tolerance)
    if known.sum() < _LEAST_READINGS or float(np.ptp(time_s[known])) < _SETTLES_S:
        return None  # it never stood still: a charge that ends while its current still rises
    apart = (value - due)[known]
    noise = float(np.nan_to_num(noise_floor(value, quantum=part.step or 0.0)))
    reach = NORMAL_95 * noise / float(np.sqrt(known.sum())) + largest_rounding_bias(noise, part.step or 0.0)
    reach += (target.step or 0.0) / 2.0
    mean = float(apart.mean())
    return Error(mean, mean - reach, mean + reach, unit, level, part.name, tolerance, start_s, end_s, limited)


def _arrived_s(time_s: FloatArray, value: FloatArray, tolerance: float) -> float:
    """From when a value is as high as it is in its last third [s]: before that it rises to what it then holds."""
    final = float(np.median(value[-max(value.size // 3, 1) :]))
    return float(time_s[int(np.argmax(value >= final - tolerance))])


def requested(target: Part, at_s: FloatArray) -> FloatArray:
    """The request in force at each moment; NaN where it is stale, shape (n,)."""
    longest_s = _HELD_PERIODS * max(float(np.nan_to_num(target.spacing_s)), 1.0)
    return zero_order_hold(target.time_s, target.value, at_s, longest_s)


def _overshoot(session: Session) -> float | None:
    """The highest current just after the rise above the level that is held; None where no level is."""
    held = session.phase(Step.CURRENT)
    if held is None or session.starts_cut or held.lasted_s < 2 * _SETTLES_S:
        return None
    time_s, smooth = session.time_s, smoothed(session.time_s, session.amps)
    early = (time_s >= held.start_s) & (time_s <= held.start_s + _SETTLES_S)
    later = (time_s > held.start_s + _SETTLES_S) & (time_s <= held.end_s)
    if not early.any() or not later.any():
        return None
    over = float(smooth[early].max() - np.median(smooth[later]))
    return max(over, 0.0) if over > _OVERSHOOT_NOISES * session.current.noise_a else 0.0


def _delay(session: Session, target: Part | None) -> tuple[float, float] | None:
    """Between which limits the time lies from the request to the first current [s]."""
    if target is None or session.starts_cut:
        return None
    before = target.value[: int(np.searchsorted(target.time_s, session.start_s, side="right"))]
    if before.size < 2 or before[-1] <= 0.0 or not (before <= 0.0).any():
        return None
    last = int(np.flatnonzero(before <= 0.0)[-1])
    earliest, latest = float(target.time_s[last]), float(target.time_s[last + 1])
    part = session.current.part
    since = float(part.time_s[session.first - 1]) if session.first else session.start_s
    return max(since - latest, 0.0), session.start_s - earliest
