"""Which way round readings are: what drives, discharges or brakes must do so in every reading of it.

Each sign tie is a product of readings that is positive nearly always where they are sound. A reading that is turned
round makes each of its ties negative, and no other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.plausibility.paired import known_at, mean_period_s
from logscope.plausibility.power import clear_of_noise, mean_powers, window_means, window_of
from logscope.signals import Part, Signals

_SOUND, _TURNED = 0.8, 0.2  # share of positive products: between them, a magnitude or a mixture says nothing
_FEWEST = 5  # products
_STRONG = 0.3  # of the highest
_FORWARD_KMH = 30.0  # nobody reverses faster (practice)
_CHARGING_A = 1.0  # a charger below this may be off
_CHANGES_S, _CHANGE_PERIODS = (1.0, 4.0), 5.0  # long against the lag between messages, short against the charging
_CURRENT_SWING = 0.25  # of the current's whole range: smaller changes vanish in the pack's slow recovery
_STEPS_OF_SAG = 3.0  # of the voltage's step: less is rounding
_AWAKE = 0.5  # of the highest pack voltage
# Quantities that are positive by their nature.
_POSITIVE = (
    "dc_link_voltage", "dc_link_voltage_second", "battery_voltage", "vehicle_speed", "throttle", "throttle_second",
    "aux_voltage", "charger_voltage", "charger_current", "charger_voltage_target", "charger_current_target",
    "converter_voltage", "coolant_pump_speed", "coolant_pump_current", "charger_input_power", "cell_voltage_lowest",
    "cell_voltage_highest", "state_of_charge",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SignTie:
    """Readings whose product is positive where all are the right way round.

    of : the parts; positive : share of the products that are; fact : what it means if it is not, a sentence
    """

    of: frozenset[str]
    positive: float
    fact: str

    @property
    def sound(self) -> bool:
        """Whether all are the right way round."""
        return self.positive >= _SOUND

    @property
    def broken(self) -> bool:
        """Whether an odd number of them is turned."""
        return self.positive <= _TURNED


@dataclass(frozen=True, slots=True)
class Turned:
    """Broken sign ties that hang together, and the parts each of which would explain them alone."""

    ties: tuple[SignTie, ...]
    suspects: tuple[str, ...]


def turned(ties: list[SignTie]) -> list[Turned]:
    """The broken sign ties in groups that share parts, each with its suspects."""
    groups: list[list[SignTie]] = []
    for tie in (tie for tie in ties if tie.broken):
        touching = [group for group in groups if any(tie.of & other.of for other in group)]
        groups = [group for group in groups if group not in touching]
        groups.append([each for group in touching for each in group] + [tie])
    found = []
    for group in groups:
        shared = frozenset.intersection(*(tie.of for tie in group))
        cleared = frozenset(name for tie in ties if tie.sound for name in tie.of)
        found.append(Turned(tuple(group), tuple(sorted(shared - cleared))))
    return found


def sign_ties(signals: Signals) -> Iterator[SignTie]:
    """What the signs of parts demand of each other."""
    for name in _POSITIVE:
        if (part := signals.get(name)) is not None:
            yield from _positive(part)
    yield from _sag(signals)
    yield from _power(signals)
    yield from _acceleration(signals)
    yield from _alike(signals, "torque", "torque_target", "torque and its target have opposite signs")
    yield from _alike(signals, "motor_speed", "motor_speed_second", "two readings of one shaft have opposite signs")
    yield from _forward(signals)
    yield from _charging(signals)


def _tie(of: tuple[str, ...], product: FloatArray, fact: str) -> Iterator[SignTie]:
    product = product[np.isfinite(product) & (product != 0.0)]
    if product.size >= _FEWEST:
        yield SignTie(frozenset(of), float(np.mean(product > 0.0)), fact)


def _positive(part: Part) -> Iterator[SignTie]:
    large = np.abs(part.value) > _STRONG * np.max(np.abs(part.value), initial=0.0)
    yield from _tie((part.name,), part.value[large], "it is negative, which is impossible")


def _sag(signals: Signals) -> Iterator[SignTie]:
    """A pack's voltage falls while more current is drawn from it."""
    volts, current = signals.get("battery_voltage"), signals.get("battery_current")
    if volts is None or current is None or current.value.size < _FEWEST:
        return
    swing = float(np.quantile(current.value, 0.99) - np.quantile(current.value, 0.01))
    periods_s = _CHANGE_PERIODS * max(mean_period_s(current), mean_period_s(volts))
    if not np.isfinite(periods_s) or swing <= _STEPS_OF_SAG * (current.step or 0.0):
        return
    for over_s in _CHANGES_S:
        products = _changes(volts, current, max(over_s, periods_s), swing)
        if products.size >= _FEWEST:
            fact = "the pack's voltage rises under load and falls while charging"
            yield from _tie(("battery_current",), products, fact)
            return


def _changes(volts: Part, current: Part, over_s: float, swing: float) -> FloatArray:
    """Fall of the pack's voltage times rise of its current, for the larger changes; shape (changes,)."""
    at_s = np.arange(current.time_s[0], current.time_s[-1], over_s)
    drawn, level = _means(current, at_s, over_s / 2.0), _means(volts, at_s, over_s / 2.0)
    awake = level > _AWAKE * np.max(volts.value)
    more, rise = np.diff(drawn), np.diff(level)
    use = (np.abs(more) > _CURRENT_SWING * swing) & awake[1:] & awake[:-1]
    use &= np.abs(rise) > _STEPS_OF_SAG * (volts.step or 0.0)
    return -more[use] * rise[use]


def _means(part: Part, from_s: FloatArray, over_s: float) -> FloatArray:
    """The mean of the samples from each moment on, shape (m,); the newest one where there is none."""
    first, after = np.searchsorted(part.time_s, from_s), np.searchsorted(part.time_s, from_s + over_s)
    sums = np.concatenate([[0.0], np.cumsum(part.value)])
    count = after - first
    mean = (sums[after] - sums[first]) / np.maximum(count, 1)
    return np.asarray(np.where(count > 0, mean, known_at(part, from_s)))


def _power(signals: Signals) -> Iterator[SignTie]:
    """Power at the shaft comes from the battery, and goes back to it in braking."""
    powers = mean_powers(signals)
    if powers is None or _unsigned(signals, "torque", "motor_speed"):
        return
    strong = _large(powers.shaft) & _large(powers.battery) & powers.fast & powers.clear
    strong &= np.abs(powers.battery) > powers.spare_range
    fact = "the battery charges while the motor drives, and discharges while it brakes"
    yield from _tie(("battery_current", "torque", "motor_speed"), powers.shaft[strong] * powers.battery[strong], fact)


def _unsigned(signals: Signals, *names: str) -> bool:
    """Whether none of them is ever negative: they may be magnitudes, and a drive downhill then looks turned."""
    return all(bool(np.all(signals[name].value >= 0.0)) for name in names)


def _acceleration(signals: Signals) -> Iterator[SignTie]:
    """Torque turns the shaft its own way."""
    torque, speed = signals.get("torque"), signals.get("motor_speed")
    if torque is None or speed is None or _unsigned(signals, "torque", "motor_speed"):
        return
    window_s = window_of(torque, speed)
    until_s = max(torque.time_s[-1], speed.time_s[-1])
    pull = window_means(torque.time_s, torque.value, window_s, until_s)
    rpm = window_means(speed.time_s, speed.value, window_s, until_s)
    gain = np.full(rpm.size, np.nan)
    gain[1:-1] = rpm[2:] - rpm[:-2]
    use = _large(pull) & _large(gain) & clear_of_noise(torque, pull)
    yield from _tie(("torque", "motor_speed"), pull[use] * gain[use], "the motor slows down under driving torque")


def _alike(signals: Signals, name: str, other: str, fact: str) -> Iterator[SignTie]:
    first, second = signals.get(name), signals.get(other)
    if first is None or second is None:
        return
    window_s = window_of(first, second)
    until_s = max(first.time_s[-1], second.time_s[-1])
    one, two = (window_means(part.time_s, part.value, window_s, until_s) for part in (first, second))
    use = _large(one) & _large(two) & clear_of_noise(first, one) & clear_of_noise(second, two)
    yield from _tie((name, other), one[use] * two[use], fact)


def _forward(signals: Signals) -> Iterator[SignTie]:
    """Faster than anybody reverses, the shaft turns forward, and a pressed pedal asks for torque forward."""
    road = signals.get("vehicle_speed")
    if road is None:
        return
    pedal = signals.get("throttle")
    for name in ("motor_speed", "torque", "torque_target"):
        part = signals.get(name)
        if part is None or (name != "motor_speed" and pedal is None):
            continue
        use: BoolArray = np.abs(known_at(road, part.time_s)) > _FORWARD_KMH
        what = "turns backwards"
        if name != "motor_speed" and pedal is not None:
            pressed = np.abs(known_at(pedal, part.time_s))
            use &= pressed > _STRONG * np.max(np.abs(pedal.value))
            use &= np.abs(part.value) > _STRONG * np.max(np.abs(part.value))
            what = "pulls backwards under a pressed pedal"
        yield from _tie((name,), part.value[use], f"it {what} at more than {_FORWARD_KMH:g} km/h")


def _charging(signals: Signals) -> Iterator[SignTie]:
    """A charger that delivers charges the battery."""
    charger, battery = signals.get("charger_current"), signals.get("battery_current")
    if charger is None or battery is None:
        return
    given = np.abs(known_at(charger, battery.time_s))
    use = (given > _CHARGING_A) & (np.abs(battery.value) > _STRONG * given)
    yield from _tie(("battery_current",), -battery.value[use], "the battery discharges while the charger delivers")


def _large(value: FloatArray) -> BoolArray:
    there = value[np.isfinite(value)]
    return np.asarray(np.abs(value) > _STRONG * np.max(np.abs(there), initial=0.0)) & np.isfinite(value)
