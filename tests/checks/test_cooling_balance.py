"""Inlet and outlet that part by more than the heat explains, on a made loop whose stream is known.

Two bodies warm the coolant in them, a stream carries it to the radiator and back: lumped capacities (any textbook of
heat transfer), integrated in steps of 0.1 s. No part of the check or of the simulator is used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.cooling.check import cooling
from logscope.findings import Finding, Severity
from logscope.signals import Part
from logscope.vehicle import Vehicle

_TICK_S = 0.1
_WATER_J_PER_L_K = 3700.0
_PACK_V = 320.0


@dataclass(frozen=True)
class Stream:
    """Twenty minutes of firm driving, or less.

    litres_per_min : of the stream; stops_s : from then on there is next to none
    wet : how well the bodies are cooled, as a share; bypass : the radiator's sensor stands in coolant that rests
    offset_K : of the outlet's sensor; fan_s : from when a fan halves the radiator's resistance
    """

    litres_per_min: float = 8.0
    stops_s: float = np.inf
    wet: float = 1.0
    bypass: bool = False
    offset_K: float = 0.0
    fan_s: float = np.inf
    step_K: float = 0.5
    ambient_C: float = 25.0
    seed: int = 1
    end_s: float = 1200.0
    hardest_W: float = 60e3

    def parts(self) -> dict[str, Part]:
        """As a logger keeps it: temperatures once a second, powers ten times."""
        rng = np.random.default_rng([self.seed, 77])
        time_s = np.arange(0.0, self.end_s, _TICK_S)
        shaft_W = np.repeat(rng.uniform(0.0, self.hardest_W, time_s.size // 300 + 1), 300)[: time_s.size]
        shaft_W[time_s < 15.0] = 0.0
        loss_W = 0.08 * shaft_W + 50.0
        motor, plate, jacket, radiator = (np.full(time_s.size, self.ambient_C) for _ in range(4))
        carries = np.where(time_s < self.stops_s, self.litres_per_min, 0.1) * _WATER_J_PER_L_K / 60.0
        gives = np.where(time_s < self.fan_s, 150.0, 300.0)
        for k in range(time_s.size - 1):
            from_motor = 40.0 * self.wet * (motor[k] - jacket[k])
            from_plate = 60.0 * self.wet * (plate[k] - jacket[k])
            away = carries[k] * (jacket[k] - radiator[k])
            motor[k + 1] = motor[k] + _TICK_S / 14e3 * (0.6 * loss_W[k] - from_motor)
            plate[k + 1] = plate[k] + _TICK_S / 2.5e3 * (0.4 * loss_W[k] - from_plate)
            jacket[k + 1] = jacket[k] + _TICK_S / 6e3 * (from_motor + from_plate - away)
            radiator[k + 1] = radiator[k] + _TICK_S / 30e3 * (away - gives[k] * (radiator[k] - self.ambient_C))
        cold = np.full(time_s.size, self.ambient_C) if self.bypass else radiator

        def celsius(name: str, value: np.ndarray) -> Part:
            read = np.round(value[5::10] / self.step_K) * self.step_K
            return replace(part(name, time_s[5::10], read), step=self.step_K)

        rpm = np.full(time_s.size, 4000.0)
        return {
            each.name: each
            for each in (
                part("motor_current", time_s, np.sqrt(shaft_W)),
                part("battery_voltage", time_s, np.full(time_s.size, _PACK_V)),
                part("battery_current", time_s, (shaft_W + loss_W) / _PACK_V),
                part("motor_speed", time_s, rpm),
                part("torque", time_s, shaft_W / (rpm * np.pi / 30.0)),
                celsius("motor_temperature", motor),
                celsius("inverter_temperature", plate),
                celsius("coolant_temperature", cold),
                celsius("coolant_temperature_out", jacket + self.offset_K),
            )
        }

    def found(self, **other: Part) -> dict[str, Finding]:
        """What the check says of it."""
        parts = {**self.parts(), **other}
        return {each.kind: each for each in findings_of(cooling, signals(*parts.values()), Vehicle())}


@pytest.mark.parametrize("litres_per_min", [0.5, 1.0])
@pytest.mark.parametrize("step_K", [0.25, 1.0])
def test_hardly_any_flow_is_bounded_from_above_by_the_energy_balance(litres_per_min: float, step_K: float):
    for seed in range(20, 22):
        kinds = Stream(litres_per_min, seed=seed, step_K=step_K).found()
        low = kinds.get("cooling.low_flow") or kinds["cooling.no_flow"]
        assert low.severity is Severity.WARNING
        assert litres_per_min <= low.measured["flow_L_per_min"].high <= 3.0


@pytest.mark.parametrize(
    "sound",
    [
        Stream(), Stream(step_K=1.0), Stream(litres_per_min=5.0, hardest_W=90e3), Stream(fan_s=600.0),
        Stream(offset_K=4.0), Stream(offset_K=-4.0), Stream(offset_K=12.0), Stream(end_s=300.0, step_K=1.0),
    ],
)  # fmt: skip
def test_sound_streams_fans_and_sensors_that_are_off_are_no_low_flow(sound: Stream):
    for seed in range(30, 31):
        assert not {"cooling.low_flow", "cooling.no_flow"} & replace(sound, seed=seed).found().keys()


def test_a_closed_thermostat_is_no_warning():
    """The sensor at the radiator stays cold while the loop flows past it, at outlets below 50 °C."""
    kinds = Stream(bypass=True, hardest_W=25e3, ambient_C=5.0).found()
    assert all(each.severity is not Severity.WARNING for each in kinds.values())


def test_a_sensor_that_stands_still_is_no_warning():
    """In a sound loop that warms up, one sensor keeps its first value."""
    hot = Stream(seed=21, hardest_W=90e3)
    inlet = hot.parts()["coolant_temperature"]
    stuck = replace(inlet, value=np.full(inlet.time_s.size, inlet.value[0]))
    assert all(each.severity is not Severity.WARNING for each in hot.found(coolant_temperature=stuck).values())


def test_a_battery_that_is_charged_meanwhile_explains_any_heat():
    """A charger on the same loop warms it without the battery's power: nothing bounds the heat."""
    parts = Stream(1.0, seed=20).parts()
    charged = replace(parts["battery_current"], value=np.full(parts["battery_current"].time_s.size, -20.0))
    still = replace(parts["torque"], value=np.zeros(parts["torque"].time_s.size))
    assert "cooling.low_flow" not in Stream(1.0, seed=20).found(battery_current=charged, torque=still)
