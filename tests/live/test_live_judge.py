"""What the live view keeps of each look, by made signals: true by construction."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.live.judge import Judge, _charged
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

T = np.arange(0.0, 20.0, 0.05)
LIMITED = Vehicle(limits=Limits(motor_current_A=350.0, battery_min_V=240.0, motor_temperature_C=140.0))


def quantity(name: str, unit: str, value: FloatArray | float) -> Part:
    return Part(name, T, np.broadcast_to(np.asarray(value, float), T.shape), unit, f"Made.{name}", 0.5)


def state(name: str, on: FloatArray) -> Part:
    return Part(name, T, on.astype(float), "", f"Made.{name}", 1.0, on=on.astype(bool))


def made(*parts: Part) -> Signals:
    return Signals({part.name: part for part in parts}, 0.0, float(T[-1]))


def look(amps: float, volts: float, celsius: float) -> Signals:
    return made(
        quantity("motor_current", "A", amps),
        quantity("battery_voltage", "V", volts),
        quantity("motor_temperature", "°C", celsius),
    )


@pytest.mark.parametrize("looks", [[0, 1, 2], [2, 1, 0], [1, 0, 2], [1, 2, 0]])
def test_each_margin_is_the_smallest_of_all_looks_in_whatever_order_they_came(looks: list[int]) -> None:
    """Smallest by hand: 350 − 300 A, 250 − 240 V, 140 − 90 °C, each in another look."""
    seen = [look(300.0, 320.0, 60.0), look(100.0, 250.0, 70.0), look(50.0, 330.0, 90.0)]
    judge = Judge(LIMITED)
    for number in looks:
        judge._take_margins(seen[number], LIMITED)
    left = {what: margin.left for what, margin in judge.margins.items()}
    assert left["motor_current"] == pytest.approx(50.0)
    assert left["battery_min"] == pytest.approx(10.0)
    assert left["motor_temperature"] == pytest.approx(50.0)


RELAY_ON = (T >= 2.0) & (T < 3.4)
CHARGING = {
    "nothing": (made(state("precharge_relay", T < 0.0), quantity("dc_link_voltage", "V", 5.0)), 10.0, False),
    "the relay is closed": (made(state("precharge_relay", RELAY_ON)), 2.0, True),
    "the relay was closed before": (made(state("precharge_relay", RELAY_ON)), 5.0, False),
    "the relay stays closed with the contactor": (
        made(state("precharge_relay", T >= 2.0), state("main_contactor", T >= 3.0)), 10.0, False,
    ),
    "the relay is closed, the contactor open": (
        made(state("precharge_relay", T >= 2.0), state("main_contactor", T < 0.0)), 10.0, True,
    ),
    "the link rises": (
        made(quantity("dc_link_voltage", "V", 330.0 * -np.expm1(-np.maximum(T - 10.0, 0.0) / 0.5))), 10.0, True,
    ),
    "the link rises in one step between two looks": (
        made(quantity("dc_link_voltage", "V", np.where(T >= 10.5, 330.0, 5.0))), 10.0, True,
    ),
    "the link falls": (made(quantity("dc_link_voltage", "V", 330.0 * np.exp(-T / 20.0))), 10.0, False),
    "the link falls fast": (
        made(quantity("dc_link_voltage", "V", 330.0 * np.exp(-np.maximum(T - 10.0, 0.0) / 0.5))), 10.0, False,
    ),
    "the link falls, and rises again": (
        made(quantity("dc_link_voltage", "V", np.where((T >= 10.2) & (T < 10.6), 200.0, 330.0))), 10.0, True,
    ),
    "the link rises by 9 V": (made(quantity("dc_link_voltage", "V", np.where(T >= 10.5, 14.0, 5.0))), 10.0, False),
    "the link rises by 11 V": (made(quantity("dc_link_voltage", "V", np.where(T >= 10.5, 16.0, 5.0))), 10.0, True),
    "a high link rises by 11 V": (
        made(quantity("dc_link_voltage", "V", np.where(T >= 10.5, 331.0, 320.0))), 10.0, False,
    ),
    "the link swings by a little": (made(quantity("dc_link_voltage", "V", 320.0 + 4.0 * np.sin(5 * T))), 10.0, False),
}  # fmt: skip


@pytest.mark.parametrize("name", CHARGING)
def test_a_link_is_being_charged_between_two_looks_by_relay_or_rise(name: str) -> None:
    signals, since_s, charges = CHARGING[name]
    seen = {n: part.where(part.time_s <= since_s + 1.0) for n, part in signals.parts.items()}
    assert _charged(Signals(seen, 0.0, since_s + 1.0), since_s, since_s + 1.0) is charges
