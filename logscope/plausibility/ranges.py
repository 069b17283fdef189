"""Ties of one part alone: the range that the vehicle file, the supply or the nature of the quantity leaves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logscope.plausibility.paired import known_at
from logscope.plausibility.ties import Tie
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

NO_MINIMUM = 1e-6  # of a range that has only an upper end
_NEARLY_ALWAYS = 0.98  # of the samples: surges and disturbances apart
_TORQUE, _CURRENT, _SPEED = 1.5, 1.6, 1.4  # times what the vehicle file states as the highest (practice)
_CELL, _MOST_CELL_V = 1.4, 4.5  # a charged cell; ruined by a seventh more, never found 1.4 times as high (practice)
_MOST_KMH = 300.0  # of a road vehicle; a wheel that spins on ice shows more for a moment (practice)
_MOST_PERCENT = 125.0  # a pedal that is calibrated carelessly (practice)
# Of a 12 V supply, engine-cranking dips apart, and of a 24 V one: the lowest and highest that controllers run at.
_SUPPLIES = ((8.0, 16.5), (16.5, 33.0))
_OF_LOWEST = (0.75, 1.5)  # the supply over the lowest voltage that the vehicle file allows
_PEDAL_PRESSED, _PEDAL_OVER_TORQUE = 0.5, 0.12  # of its own highest; lowest share of pedal over share of torque


def range_ties(signals: Signals, vehicle: Vehicle) -> Iterator[Tie]:
    """What each part must keep to by itself."""
    motor, limits = vehicle.motor, vehicle.limits
    yield from _below(signals, "torque", motor.max_torque_Nm, _TORQUE, "Nm")
    yield from _below(signals, "torque_target", motor.max_torque_Nm, _TORQUE, "Nm")
    yield from _below(signals, "motor_current", limits.motor_current_A, _CURRENT, "A")
    yield from _below(signals, "motor_current_target", limits.motor_current_A, _CURRENT, "A")
    yield from _below(signals, "motor_speed", motor.max_speed_rpm, _SPEED, "rpm")
    yield from _below(signals, "motor_speed_second", motor.max_speed_rpm, _SPEED, "rpm")
    yield from _below(signals, "vehicle_speed", _MOST_KMH, 1.0, "km/h")
    yield from _below(signals, "throttle", 100.0, _MOST_PERCENT / 100.0, "%")
    yield from _below(signals, "throttle_second", 100.0, _MOST_PERCENT / 100.0, "%")
    for cell in ("cell_voltage_lowest", "cell_voltage_highest"):
        yield from _below(signals, cell, limits.cell_max_V or _MOST_CELL_V, _CELL, "V")
    yield from _below(signals, "state_of_charge", 100.0, _MOST_PERCENT / 100.0, "%")
    yield from _supply(signals.get("aux_voltage"), limits.aux_min_V)
    yield from _pedal(signals, motor.max_torque_Nm)


def _below(signals: Signals, name: str, highest: float | None, allowed: float, unit: str) -> Iterator[Tie]:
    part = signals.get(name)
    if part is None or not highest or part.value.size == 0:
        return
    top = float(np.quantile(np.abs(part.value), _NEARLY_ALWAYS))
    if top > 0.0:
        fact = f"reaches {top:,.4g} {unit}, above the maximum of {highest:,.4g} {unit}"
        yield _alone(part, top / highest, NO_MINIMUM, allowed, fact)


def _supply(aux: Part | None, lowest: float | None) -> Iterator[Tie]:
    """A supply of 12 V or 24 V; only the vehicle file states which."""
    live = aux.value[aux.value != 0.0] if aux is not None else np.empty(0)
    if aux is None or live.size == 0:
        return
    level = float(np.median(np.abs(live)))
    if lowest is not None:
        fact = f"at {level:.3g} V, but the vehicle file states a minimum of {lowest:g} V"
        yield _alone(aux, level / lowest, *_OF_LOWEST, fact)
        return
    low, high = _SUPPLIES[0][0], _SUPPLIES[-1][1]
    middle = (low * high) ** 0.5
    fact = f"at {level:.3g} V, but supplies are 12 V or 24 V"
    yield _alone(aux, level / middle, low / middle, high / middle, fact)


def _pedal(signals: Signals, max_torque: float | None) -> Iterator[Tie]:
    """A pressed pedal that hardly moves and yet asks for much torque is in another unit."""
    pedal, asked = signals.get("throttle"), signals.get("torque_target") or signals.get("torque")
    if pedal is None or asked is None or not max_torque:
        return
    pressed = np.abs(pedal.value) > _PEDAL_PRESSED * float(np.max(np.abs(pedal.value), initial=0.0))
    torque = np.abs(known_at(asked, pedal.time_s[pressed])) / max_torque
    if np.isfinite(torque).any() and (share := float(np.nanmedian(torque))) > 0.0:
        level = float(np.median(np.abs(pedal.value[pressed]))) / 100.0
        fact = f"{100 * level:.3g} % pedal requests {100 * share:.3g} % of the maximum torque"
        of = {"throttle": 1, asked.name: -1}
        span = float(pedal.time_s[0]), float(pedal.time_s[-1])
        yield Tie(of, level / share, level / share, level / share, _PEDAL_OVER_TORQUE, 1e3, fact, *span)


def _alone(part: Part, ratio: float, lowest: float, highest: float, fact: str) -> Tie:
    return Tie(
        {part.name: 1}, ratio, ratio, ratio, lowest, highest, fact, float(part.time_s[0]), float(part.time_s[-1])
    )
