"""What a signal does in the log, as points for and against a part, each with its reason."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import FloatArray
from logscope.draft import switching
from logscope.draft.behaviour import goes_with, slopes, tracks, voltage_shape
from logscope.draft.logged import Logged
from logscope.draft.surroundings import Evidence, Surroundings
from logscope.parts import PARTS

# What a part can have at all, with room: beyond it the scale in the definition is wrong, or the signal another.
_POSSIBLE = {
    "V": (-50.0, 1500.0),  # voltage class B ends at 1500 V DC (ISO 6469-3)
    "A": (-3000.0, 3000.0),
    "rpm": (-30000.0, 30000.0),
    "Nm": (-3000.0, 3000.0),
    "km/h": (-100.0, 400.0),
    "%": (-10.0, 110.0),
    "°C": (-50.0, 250.0),
}
_MOSTLY = 0.95
_CELL_V = (0.5, 5.0)  # of cells that can be charged (common practice, no published source)
_AUX_V = (9.0, 16.0)  # a 12 V system in use (common practice, no published source)
_FASTEST_K_PER_S = 10.0  # power modules heat by some K/s; anything faster is no temperature
_SAME_LEVEL = 0.10
_REST_BEFORE_S, _AT_START_S = 1.0, 0.3  # the pack's rest before the rise, which may begin before it is seen
_CLEARLY = 5.0  # standard errors
_LEAST_MOTOR_RPM_PER_KMH = 15.0  # a wheel of 0.3 m radius turns at 8.8 rpm per km/h; a motor is geared down


def behaviour(part: str, signal: Logged, around: Surroundings) -> list[Evidence]:
    """The evidence in the samples of a signal that may play a part."""
    values = signal.as_part(part)
    if values is None or not values.size:
        return []
    found = [*_possible(part, values), *_LOOKS.get(part, _nothing)(signal, values, around)]
    if np.ptp(values) == 0:
        found.append(Evidence(0.0, "it never changes in this log"))
    return found


def _nothing(signal: Logged, values: FloatArray, around: Surroundings) -> list[Evidence]:
    return []


def _possible(part: str, values: FloatArray) -> list[Evidence]:
    low, high = _POSSIBLE.get(PARTS[part].unit, (-np.inf, np.inf))
    if np.mean((values >= low) & (values <= high)) >= _MOSTLY:
        return []
    return [Evidence(-2.0, f"reads up to {np.max(np.abs(values)):.0f} {PARTS[part].unit}, which is impossible")]


def _link(signal: Logged, volts: FloatArray, around: Surroundings) -> list[Evidence]:
    shape = voltage_shape(signal.time_s, volts)
    if shape is None:
        return [_low_voltage(volts)]
    if shape.rise is not None and shape.gradual:
        reason = f"rises to {shape.level_V:.0f} V at {shape.rise.start_s:.2f} s, through values in between, and stays"
        return [Evidence(2.0, reason)]
    if shape.gradual:
        return [Evidence(1.0, f"falls gradually from {shape.level_V:.0f} V")]
    if shape.sinks:
        return [Evidence(0.0, f"steps to {shape.level_V:.0f} V")]
    return [Evidence(0.0, f"at {shape.level_V:.0f} V throughout, as a battery is")]


def _pack(signal: Logged, volts: FloatArray, around: Surroundings) -> list[Evidence]:
    shape = voltage_shape(signal.time_s, volts)
    if shape is None:
        return [_low_voltage(volts)]
    if shape.gradual:
        return [Evidence(-1.0, "rises or falls as a link does")]
    when = "whenever it is awake" if shape.sinks else "throughout"
    found = [Evidence(1.0, f"at {shape.level_V:.0f} V {when}")]
    level = around.pack_level
    if level is not None and abs(shape.level_V / level - 1) <= _SAME_LEVEL:
        found.append(Evidence(1.0, f"the level that {around.rise_of} rises to"))
    return found


def _low_voltage(volts: FloatArray) -> Evidence:
    if _in_aux_band(volts):
        return Evidence(-1.5, "at the level of a 12 V supply")
    return Evidence(0.0, f"never above {max(float(np.max(volts)), 0.0):.0f} V for long")


def _aux(signal: Logged, volts: FloatArray, around: Surroundings) -> list[Evidence]:
    if _in_aux_band(volts):
        return [Evidence(2.0, f"between {np.min(volts):.1f} and {np.max(volts):.1f} V")]
    return [Evidence(-2.0, "not at the level of a 12 V supply")]


def _in_aux_band(volts: FloatArray) -> bool:
    return bool(np.mean((volts >= _AUX_V[0]) & (volts <= _AUX_V[1])) >= _MOSTLY)


def _pack_current(signal: Logged, amps: FloatArray, around: Surroundings) -> list[Evidence]:
    found = []
    if min(np.max(amps), -np.min(amps)) > 0.02 * np.max(np.abs(amps)):
        found.append(Evidence(0.5, "both signs"))
    if pack_direction(signal, amps, around):
        found.append(Evidence(0.5, "the pack's voltage moves with it"))
    return found


def pack_direction(signal: Logged, amps: FloatArray, around: Surroundings) -> int:
    """1 where the current counts positive while the pack discharges, −1 where negative; 0 if this log does not show it.

    While the link rises the pack feeds it. Else a voltage at pack level sags while the pack discharges.
    """
    if fed := _direction_in_rise(signal, amps, around):
        return fed
    votes = 0
    for other in around.signals:
        if other.reference in around.packs:
            volts = other.as_part("battery_voltage")
            assert volts is not None  # it is in packs for its unit
            up = volts > 0.5 * around.packs[other.reference]  # not the rise, nor a monitor asleep
            votes -= goes_with(signal.time_s, amps, other.time_s[up], volts[up])
    return int(np.sign(votes))


def _direction_in_rise(signal: Logged, amps: FloatArray, around: Surroundings) -> int:
    if around.rise is None:
        return 0
    time_s, start, end = signal.time_s, around.rise.start_s, around.rise.end_s
    step = signal.spec.step or 0.0
    during = amps[(time_s > start) & (time_s < end)]
    before = amps[(time_s > start - _REST_BEFORE_S) & (time_s < start - _AT_START_S)]
    if during.size < 2 or before.size < 3:
        return 0
    change = float(np.mean(during) - np.mean(before))
    noise = float(np.std(before)) * np.sqrt(1 / during.size + 1 / before.size)
    return int(np.sign(change)) if abs(change) > max(_CLEARLY * noise, 2 * step) else 0


def _motor_speed(signal: Logged, rpm: FloatArray, around: Surroundings) -> list[Evidence]:
    found = _moves_with(signal, rpm, around, "vehicle_speed")
    if found is None:
        return []
    reference, ratio = found
    if abs(ratio) < _LEAST_MOTOR_RPM_PER_KMH:
        return [Evidence(1.0, f"in step with {reference}, but as slow as a wheel")]
    return [Evidence(2.0, f"zero at rest, and {abs(ratio):.3g} rpm for each km/h of {reference}")]


def _vehicle_speed(signal: Logged, kmh: FloatArray, around: Surroundings) -> list[Evidence]:
    found = _moves_with(signal, kmh, around, "motor_speed")
    return [Evidence(2.0, f"zero at rest, and in step with {found[0]}")] if found else []


def _moves_with(signal: Logged, values: FloatArray, around: Surroundings, other: str) -> tuple[str, float] | None:
    """The first signal that can be the other speed and keeps a ratio with this one; its reference, and the ratio."""
    for beside in around.signals:
        series = beside.as_part(other) if beside.unit else None
        if series is not None and (ratio := tracks(signal.time_s, values, beside.time_s, series)):
            return beside.reference, ratio
    return None


def _throttle(signal: Logged, percent: FloatArray, around: Surroundings) -> list[Evidence]:
    low, high = float(np.quantile(percent, 1 - _MOSTLY)), float(np.quantile(percent, _MOSTLY))
    if low < _POSSIBLE["%"][0]:
        return [Evidence(-1.5, f"down to {np.min(percent):.0f} %: not a pedal")]
    if low > 10:
        return [Evidence(-1.5, f"never below {low:.0f} %: not a released pedal")]
    if high - low >= 10:
        return [Evidence(1.0, f"from {low:.0f} to {np.max(percent):.0f} %")]
    return []


def _temperature(signal: Logged, celsius: FloatArray, around: Surroundings) -> list[Evidence]:
    rates = np.abs(slopes(signal.time_s, celsius))
    if not rates.size or np.ptp(celsius) == 0:
        return []
    if np.mean(rates <= _FASTEST_K_PER_S) >= _MOSTLY:
        return [Evidence(0.5, f"changes slowly, {np.min(celsius):.0f} to {np.max(celsius):.0f} °C")]
    return [Evidence(-2.0, "jumps, unlike a temperature")]


def _cell(signal: Logged, volts: FloatArray, around: Surroundings) -> list[Evidence]:
    if np.mean((volts >= _CELL_V[0]) & (volts <= _CELL_V[1])) < _MOSTLY:
        return [Evidence(-2.0, "not at the level of a cell")]
    return _extreme(volts)


def _pack_temperature(signal: Logged, celsius: FloatArray, around: Surroundings) -> list[Evidence]:
    return [*_temperature(signal, celsius, around), *_extreme(celsius)]


def _extreme(values: FloatArray) -> list[Evidence]:
    """The highest of all cells and the highest that is allowed may have one name, but a limit never changes."""
    return [Evidence(-0.75, "it may be a limit")] if np.ptp(values) == 0 else []


_LOOKS: dict[str, Callable[[Logged, FloatArray, Surroundings], list[Evidence]]] = {
    "dc_link_voltage": _link,
    "battery_voltage": _pack,
    "aux_voltage": _aux,
    "battery_current": _pack_current,
    "motor_speed": _motor_speed,
    "vehicle_speed": _vehicle_speed,
    "throttle": _throttle,
    "motor_temperature": _temperature,
    "inverter_temperature": _temperature,
    "coolant_temperature": _temperature,
    "coolant_temperature_out": _temperature,
    "battery_temperature_lowest": _pack_temperature,
    "battery_temperature_highest": _pack_temperature,
    "cell_voltage_lowest": _cell,
    "cell_voltage_highest": _cell,
    "converter_voltage": _aux,
    "precharge_relay": switching.relay,
    "main_contactor": switching.contactor,
    "negative_contactor": switching.negative,
    "brake": switching.brake,
    "coolant_pump": switching.pump,
    "fault": switching.fault,
    "inverter_state": switching.state,
    "charger_state": switching.state,
    "converter_state": switching.state,
    "coolant_fan": switching.pump,
    "charge_plug": switching.pump,
    "charge_lock": switching.pump,
}
