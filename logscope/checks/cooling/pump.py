"""The coolant pump by itself: never on, on without turning, or drawing less than it did."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import DEVICES, IDLE_A, ThermalLog
from logscope.signals import Part, Signals
from logscope.statistics.sampling import stretches

_WARM_K, _WARM_S = 10.0, 60.0  # a device that warms by so much over so long should have its pump running (practice)
_WARM_C = 45.0  # a controller that starts its pump by temperature has started it here (practice)
_LEAST_S, _LEAST_SAMPLES = 5.0, 4  # of an episode: longer than any start
_AFTER_START_S = 3.0
_WAKES_S = 10.0  # of a part's own beginning, in which zeros may be those of a controller that wakes (practice)
_DRY_SHARE = 0.65  # of its own usual current: a pump without coolant takes about half (practice)
_SAME_SPEED = 0.9  # of its usual speed: slower, it takes less by itself
_NOTHING_RPM = 50.0  # what an idle pump's electronics or a sensor's offset may read


class Trouble(StrEnum):
    """What a pump does."""

    OFF = "off"
    STOPPED = "stopped"
    DRY = "dry"


@dataclass(frozen=True, slots=True)
class PumpTrouble:
    """One trouble over its spans (from, until) [s].

    part : that shows it; device, warmed_K : of a pump that is off, which device warmed most, by how much
    usual_A, seen_A : of a pump that runs dry; speed_known : whether its speed shows that it was not slowed down
    """

    what: Trouble
    part: str
    spans: tuple[tuple[float, float], ...]
    device: str | None = None
    warmed_K: float | None = None
    usual_A: float | None = None
    seen_A: float | None = None
    speed_known: bool = False


def find_pump_trouble(signals: Signals, log: ThermalLog) -> list[PumpTrouble]:
    """Every trouble of the pump that the log shows by the pump's own signals."""
    found = [_never_on(signals, log), _stopped(signals, log), _dry(signals)]
    return [each for each in found if each is not None]


def _never_on(signals: Signals, log: ThermalLog) -> PumpTrouble | None:
    """Off, or without any speed or current, in all the log, while a device warms."""
    name = next((n for n in ("coolant_pump", "coolant_pump_speed", "coolant_pump_current") if n in signals), None)
    if name is None or _runs(signals[name]).any():
        return None
    others = [signals[n] for n in ("coolant_pump_speed", "coolant_pump_current") if n in signals and n != name]
    if any(_runs(other).any() for other in others):
        return None  # the state is not the pump's, or not on where it says so
    warmed = _warmed(log)
    if warmed is None:
        return None
    span = (float(log.time_s[0]), float(log.time_s[-1]))
    return PumpTrouble(Trouble.OFF, name, (span,), *warmed)


def _warmed(log: ThermalLog) -> tuple[str, float] | None:
    """The device that warmed most, and by how much [K]; None where none did so that its pump should have run."""
    warmed = {}
    for device in DEVICES:
        value = log.temperatures.get(device)
        if value is None or not np.isfinite(value).any():
            continue
        rise, steps = _largest_rise(value)
        if steps * log.step_s >= _WARM_S and float(np.nanmax(value)) >= _WARM_C:
            warmed[device] = rise
    if not warmed or max(warmed.values()) < _WARM_K:
        return None
    device = max(warmed, key=warmed.__getitem__)
    return device, warmed[device]


def _largest_rise(value: FloatArray) -> tuple[float, int]:
    """The largest rise, and the steps that it took."""
    filled = np.where(np.isfinite(value), value, np.inf)
    lowest = np.minimum.accumulate(filled)
    rise = np.where(np.isfinite(value), value, -np.inf) - lowest
    top = int(np.argmax(rise))
    return float(rise[top]), top - int(np.argmin(filled[: top + 1]))


def _stopped(signals: Signals, log: ThermalLog) -> PumpTrouble | None:
    """On by its state, while its speed and its current, as far as they are logged, are nothing.

    What never shows anything may be a sensor that is not fitted, or another signal: then a device has to warm as well.
    A controller that wakes sends zeros for some seconds.
    """
    state = signals.get("coolant_pump")
    shown = [signals[n] for n in ("coolant_pump_speed", "coolant_pump_current") if n in signals]
    if state is None or state.on is None or not shown:
        return None
    if not any(_runs(other).any() for other in shown) and _warmed(log) is None:
        return None
    part = shown[0]
    on = _on_for(state, part.time_s)
    idle = on & np.logical_and.reduce([~_held(other, _runs(other), part.time_s) for other in shown])
    wakes_s = float(part.time_s[0]) + _WAKES_S
    spans = tuple(span for span in _episodes(part, idle) if span[1] > wakes_s)
    return PumpTrouble(Trouble.STOPPED, part.name, spans) if spans else None


def _dry(signals: Signals) -> PumpTrouble | None:
    """Less current than usual, at the usual speed where that is logged."""
    current = signals.get("coolant_pump_current")
    if current is None:
        return None
    state, speed = signals.get("coolant_pump"), signals.get("coolant_pump_speed")
    runs = _runs(current)
    if state is not None and state.on is not None:
        runs = runs & _on_for(state, current.time_s)
    if np.count_nonzero(runs) < 2 * _LEAST_SAMPLES:
        return None
    usual = float(np.quantile(current.value[runs], 0.75))
    low = runs & (current.value < _DRY_SHARE * usual - (current.step or 0.0))
    if speed is not None and np.any(speed.value > 0.0):
        usual_rpm = float(np.quantile(speed.value[speed.value > 0.0], 0.75, method="lower"))
        low = low & (speed.held_at(current.time_s) >= _SAME_SPEED * usual_rpm)
    spans = _episodes(current, low)
    if not spans:
        return None
    inside = np.zeros(current.time_s.size, np.bool_)
    for since_s, until_s in spans:
        inside |= (current.time_s >= since_s) & (current.time_s <= until_s)
    seen = float(np.median(current.value[inside]))
    return PumpTrouble(Trouble.DRY, current.name, spans, usual_A=usual, seen_A=seen, speed_known=speed is not None)


def _runs(part: Part) -> BoolArray:
    if part.on is not None:
        return part.on
    return np.asarray(np.abs(part.value) > (_NOTHING_RPM if part.unit == "rpm" else IDLE_A))


def _held(part: Part, of: BoolArray, at_s: FloatArray) -> BoolArray:
    """A truth about a part's samples at other moments; true before its first."""
    newest = np.searchsorted(part.time_s, at_s, side="right") - 1
    return np.asarray(np.where(newest < 0, True, of[np.maximum(newest, 0)]))


def _on_for(state: Part, at_s: FloatArray) -> BoolArray:
    """Whether a state has been on for some seconds, so that a pump has had the time to start, and stays so."""
    assert state.on is not None
    around = [_held(state, state.on, at_s + shift_s) for shift_s in (-_AFTER_START_S, 0.0, _AFTER_START_S)]
    return np.asarray(np.logical_and.reduce(around) & (at_s - _AFTER_START_S >= state.time_s[0]))


def _episodes(part: Part, where: BoolArray) -> tuple[tuple[float, float], ...]:
    apart_s = max(2.5 * part.spacing_s, 1.0) if np.isfinite(part.spacing_s) else 1.0
    first, last = stretches(where, part.time_s, apart_s)
    return tuple(
        (float(part.time_s[a]), float(part.time_s[b]))
        for a, b in zip(first, last, strict=True)
        if part.time_s[b] - part.time_s[a] >= _LEAST_S and np.count_nonzero(where[a : b + 1]) >= _LEAST_SAMPLES
    )
