"""Coolant that does not flow, or not always, and what looks the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cooling_loops import Loop, found, logged, played, state
from motor_traces import part

from logscope.findings import Severity


def test_no_flow_is_named_and_a_pump_that_runs_without_effect():
    loop = Loop(seed=36, flow=((0.0, 1e9, 0.05),), hardest_A=250.0)
    kinds = found(logged(loop, coolant_pump=state("coolant_pump", loop.end_s, True)))
    assert "without effect" in kinds["cooling.no_flow"].explanation
    assert "cooling.inverter" not in kinds
    off = found(logged(loop, coolant_pump=state("coolant_pump", loop.end_s, False)))
    assert {"cooling.no_flow", "cooling.pump_off"} <= off.keys()
    assert off["cooling.no_flow"].cause == "pump"


def test_flow_that_is_lost_and_flow_that_comes_and_goes():
    lost = found(logged(Loop(seed=37, flow=((300.0, 1e9, 0.03),)), step_K=0.5))["cooling.no_flow"]
    assert lost.start_s == pytest.approx(300.0, abs=25.0)
    spans = ((150.0, 220.0, 0.03), (320.0, 390.0, 0.03), (480.0, 550.0, 0.03))
    air = found(logged(Loop(seed=38, flow=spans), step_K=0.5))["cooling.air"]
    assert [event.start_s for event in air.events] == pytest.approx([150.0, 320.0, 480.0], abs=25.0)


def test_a_flat_coolant_behind_a_closed_thermostat_is_no_lost_flow():
    # the radiator's side stays cold, but the plate answers its load as quickly as ever
    made = played(Loop(seed=39))
    flat = replace(
        part("coolant_temperature", made["time_s"][::10], np.full(made["time_s"][::10].size, 18.0)), step=1.0
    )
    kinds = found(logged(Loop(seed=39), coolant_temperature=flat))
    assert not {"cooling.no_flow", "cooling.air"} & kinds.keys()


def test_a_steady_cruise_shows_no_flow_to_be_gone():
    """A plate that stands 25 K above its coolant, give or take, is in balance whatever flows: by hand, h = λ·25 K."""
    time_s = np.arange(0.0, 600.0)
    for seed in range(6):
        drifts_K = np.random.default_rng(seed).normal(3.0 * time_s / 600.0, 0.3)
        kinds = found([
            part("motor_current", time_s, np.full(time_s.size, 150.0)),
            replace(part("inverter_temperature", time_s, np.round(2.0 * (60.0 + drifts_K)) / 2.0), step=0.5),
            replace(part("coolant_temperature", time_s, np.full(time_s.size, 35.0)), step=0.5),
        ])  # fmt: skip
        assert kinds.keys() == {"cooling.undetermined"}


@pytest.mark.parametrize(
    ("seed", "period_s", "step_K"), [(45, 5.0, 0.5), (46, 5.0, 0.5), (52, 1.0, 1.0), (54, 1.0, 1.0)]
)
def test_flow_that_comes_and_goes_in_a_long_log(seed: int, period_s: float, step_K: float):
    loop = Loop(seed=seed, end_s=1900.0, flow=((376.0, 751.0, 0.03), (1127.0, 1503.0, 0.03)), hardest_A=250.0)
    air = found(logged(loop, period_s, step_K))["cooling.air"]
    assert [event.start_s for event in air.events] == pytest.approx([376.0, 1127.0], abs=40.0)


@pytest.mark.parametrize("seed", [71, 82, 83, 84, 87])
def test_flow_that_comes_and_goes_within_windows_of_a_coarse_log(seed: int):
    loop = Loop(seed=seed, end_s=480.0, flow=((97.0, 183.0, 0.03), (291.0, 377.0, 0.03)), hardest_A=400.0)
    air = found(logged(loop))["cooling.air"]
    assert [event.start_s for event in air.events] == pytest.approx([97.0, 291.0], abs=25.0)


@pytest.mark.parametrize(
    ("amps", "pump", "severity"),
    [
        (150.0, None, Severity.INFO),  # up to 40 °C: a pump that starts by temperature is still off
        (150.0, False, Severity.INFO),
        (150.0, True, Severity.WARNING),
        (350.0, None, Severity.WARNING),
    ],
)
def test_no_flow_is_no_fault_where_a_pump_may_be_off_by_temperature(amps: float, pump: bool | None, severity: Severity):
    loop = Loop(seed=36, flow=((0.0, 1e9, 0.05),), hardest_A=amps)
    own = {} if pump is None else {"coolant_pump": state("coolant_pump", loop.end_s, pump)}
    flow = found(logged(loop, **own))["cooling.no_flow"]
    assert flow.severity is severity
    assert ("starts by temperature" in flow.explanation) is (severity is Severity.INFO)
    assert len(flow.explanation.split()) <= 60


def test_a_flow_that_is_lost_where_it_is_hottest_is_no_pump_switched_by_temperature():
    """Below 50 °C throughout: a controller that let the pump run at 25 °C does not stop it at 35 °C."""
    lost = found(logged(Loop(seed=37, flow=((300.0, 1e9, 0.03),), hardest_A=250.0), step_K=0.5))["cooling.no_flow"]
    assert lost.severity is Severity.WARNING
    cool = Loop(seed=37, flow=((0.0, 300.0, 0.03),), hardest_A=170.0, ambient_C=27.0)  # off up to 40 °C, then on
    assert found(logged(cool, step_K=0.5))["cooling.no_flow"].severity is Severity.INFO


def test_a_winding_shows_no_lost_flow_beside_a_heat_sink_of_its_loop_that_would():
    """One coolant runs through both: what the winding alone shows is heat of another kind."""
    hot = Loop(seed=36, end_s=1200.0, hardest_A=500.0)
    lost = {each.name: each for each in logged(replace(hot, flow=((500.0, 1e9, 0.03),)), step_K=0.5)}
    parts = {each.name: each for each in logged(hot, step_K=0.5)} | {"motor_temperature": lost["motor_temperature"]}
    assert not {"cooling.no_flow", "cooling.air"} & found([*parts.values()]).keys()
    alone = [each for name, each in parts.items() if name != "inverter_temperature"]
    assert found(alone)["cooling.no_flow"].parts[0] == "motor_temperature"


def test_a_device_beside_coolant_of_its_temperature_shows_no_flow_that_a_pump_lets_through():
    """What the log begins with, cold as it is, says nothing of when the pump runs: it may start by temperature."""
    cold = Loop(seed=36, flow=((0.0, 1e9, 0.05),), hardest_A=150.0, ambient_C=8.0)
    parts = {each.name: each for each in logged(cold)}
    plate = parts["inverter_temperature"]
    asleep = replace(plate, value=np.where(plate.time_s < 15.0, -30.0, plate.value))  # a default until it is awake
    for each in (plate, asleep):
        flow = found([*(parts | {"inverter_temperature": each}).values()])["cooling.no_flow"]
        assert flow.severity is Severity.INFO


def test_a_gentle_flow_that_a_pump_is_slowed_down_to_is_some_flow():
    """A third of the flow through a small plate, by hand: 20 W/K into 12 L of coolant, which then warms a radiator."""
    time_s = np.arange(0.0, 3600.0)
    amps = np.where(time_s % 60.0 < 30.0, 60.0, 0.0)
    plate, water = np.full(time_s.size, 5.0), np.full(time_s.size, 5.0)
    for k in range(time_s.size - 1):
        into_W = 20.0 * (plate[k] - water[k])
        plate[k + 1] = plate[k] + (6.0 * amps[k] * (1.0 + (time_s[k] > 1800.0)) - into_W) / 4000.0
        water[k + 1] = water[k] + (into_W - 100.0 * (water[k] - 5.0)) / 45e3
    current = part("coolant_pump_current", time_s[::5], np.full(time_s[::5].size, 1.2))
    kinds = found([
        part("motor_current", time_s, amps * (1.0 + (time_s > 1800.0))), current,
        *(replace(part(name, time_s, np.round(value)), step=1.0)
          for name, value in (("inverter_temperature", plate), ("coolant_temperature", water))),
    ])  # fmt: skip
    assert "cooling.no_flow" not in kinds


@pytest.mark.parametrize(
    ("plate_J_per_K", "cools_K", "speed_rpm", "said"),
    [
        (3600.0, 0.0, None, None), (6000.0, 0.0, None, Severity.INFO), (20000.0, 0.0, None, Severity.WARNING),
        (20000.0, 20.0, None, None), (6000.0, 0.0, 2400.0, Severity.INFO), (6000.0, 0.0, 0.0, Severity.WARNING),
    ],
)  # fmt: skip
def test_a_heavy_heat_sink_may_be_on_little_flow(
    plate_J_per_K: float, cools_K: float, speed_rpm: float | None, said: Severity | None
):
    """6 kJ/K over 30 W/K, 200 s: as heavy as a heat sink comes, on a pump's least flow; 667 s is none, 120 s is flow.

    Unless the coolant cools down from the last drive, and may take up unseen what is heat of another kind. A pump that
    is on and stands leaves no little flow.
    """
    time_s = np.arange(0.0, 3600.0)
    amps = np.where(time_s % 400.0 < 200.0, 90.0, 10.0)
    water = 20.0 + cools_K * np.exp(-time_s / 300.0)
    plate, heat_W = water.copy(), 6.0 * amps * (1.0 + plate_J_per_K / 6000.0)
    for k in range(time_s.size - 1):
        plate[k + 1] = plate[k] + (heat_W[k] - 30.0 * (plate[k] - water[k])) / plate_J_per_K
    flow = found([
        part("motor_current", time_s, amps), state("coolant_pump", 3600.0, True),
        replace(part("inverter_temperature", time_s, np.round(2.0 * plate) / 2.0), step=0.5),
        replace(part("coolant_temperature", time_s, np.round(2.0 * water) / 2.0), step=0.5),
        *([] if speed_rpm is None else [part("coolant_pump_speed", time_s, np.full(3600, speed_rpm))]),
    ]).get("cooling.no_flow")  # fmt: skip
    assert (flow.severity if flow else None) is said
    assert ("heavy heat sink on little flow" in (flow.explanation if flow else "")) is (said is Severity.INFO)
    assert len((flow.explanation if flow else "").split()) <= 60
