"""The current that shows charging: the charger's, or else what flows into a battery that is known to be charged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray
from logscope.signals import MissingPart, Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import zero_order_hold

# What a charge is judged by; the fast messages of a drive are none of them.
PARTS = (
    "charger_current", "charger_voltage", "charger_current_target", "charger_voltage_target", "charger_input_power",
    "charger_state", "charger_fault", "charge_plug", "charge_lock", "battery_current", "battery_voltage",
    "cell_voltage_highest", "cell_voltage_lowest", "battery_temperature_highest", "battery_temperature_lowest",
)  # fmt: skip
_HELD_PERIODS = 3.0  # for how long a state message holds
_ROLLS_KMH, _TURNS_RPM, _BRAKES_S = 2.0, 60.0, 3.0  # and so long after, currents and speeds lag (practice)


@dataclass(frozen=True, slots=True, eq=False)
class ChargingCurrent:
    """The charging current, positive while it charges [A]; its noise [A]; whether it is the charger's own reading."""

    part: Part
    noise_a: float
    of_charger: bool


def spread_in_time(signals: Signals) -> Signals:
    """The same with the stamps of the parts of a charge spread over their bursts; the other parts stay as they are."""
    spread = replace(signals, parts={name: part for name, part in signals.parts.items() if name in PARTS}, loads=())
    return replace(signals, parts={**signals.parts, **spread.unbunched().parts})


def charging_current(signals: Signals) -> ChargingCurrent:
    """The charger's current where it is logged, else the battery's while plug or charger say that it is charged.

    What flows into a battery may be regeneration: without a charger's current, plug or state, the two look alike.
    Raises MissingPart where neither is there.
    """
    charger = signals.get("charger_current")
    if charger is not None:
        return ChargingCurrent(charger, _noise(charger), of_charger=True)
    battery = signals.get("battery_current")
    if battery is None:
        raise MissingPart("charger_current")
    charging = _said_to_charge(signals, battery)
    if charging is None:
        raise MissingPart("charger_current")
    inward = replace(battery, value=np.where(charging, np.maximum(-battery.value, 0.0), 0.0))
    return ChargingCurrent(inward, _noise(battery), of_charger=False)


def _said_to_charge(signals: Signals, battery: Part) -> BoolArray | None:
    """Whether plug or charger say so at each reading of the battery's current; None where neither is logged."""
    for name in ("charger_state", "charge_plug"):
        state = signals.get(name)
        if state is not None and state.on is not None:
            longest_s = _HELD_PERIODS * max(state.spacing_s, 1.0)
            held = zero_order_hold(state.time_s, state.on.astype(np.float64), battery.time_s, longest_s)
            return np.asarray((held == 1.0) & ~_moves(signals, battery))
    return None


def _moves(signals: Signals, battery: Part) -> BoolArray:
    """Whether the vehicle moves at each reading, or did so seconds before: then what flows in comes from braking."""
    moves = np.zeros(battery.time_s.size, np.bool_)
    for name, least in (("vehicle_speed", _ROLLS_KMH), ("motor_speed", _TURNS_RPM)):
        speed = signals.get(name)
        if speed is not None and speed.time_s.size > 1:
            fast = speed.time_s[np.abs(speed.value) > least]
            near = np.searchsorted(fast, battery.time_s + _BRAKES_S) - np.searchsorted(fast, battery.time_s - _BRAKES_S)
            moves |= near > 1  # a lone reading is a disturbance
    return moves


def _noise(part: Part) -> float:
    floor = float(np.nan_to_num(noise_floor(part.value, quantum=part.step or 0.0)))
    return max(floor, (part.step or 0.0) / float(np.sqrt(12.0)), 1e-6)
