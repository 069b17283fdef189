"""The cooling check on made temperatures: bodies of known constants, and what goes wrong with flow, pump and sensors.

The bodies are lumped capacities (any textbook of heat transfer), integrated in steps of 0.1 s; no part of the check or
of the simulator is used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.cooling.check import cooling
from logscope.checks.cooling.response import Warming
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.signals import MissingPart, Part
from logscope.statistics.first_order import Branch, Response
from logscope.vehicle import Cooling, Limits, Vehicle

HAZEL = Vehicle(
    limits=Limits(motor_temperature_C=140, inverter_temperature_C=85),
    cooling=Cooling(continuous_current_A=150),
)
_TICK_S = 0.1
_PLATE_S, _WINDING_S = 45.0, 400.0
_PLATE_K_PER_A, _WINDING_K_PER_A2 = 0.06, 0.0009


@dataclass(frozen=True)
class Loop:
    """A drive of `end_s` with presses drawn by `seed`; flow by its stretches (from, until, share), else 1."""

    end_s: float = 600.0
    seed: int = 1
    flow: tuple[tuple[float, float, float], ...] = ()
    hardest_A: float = 320.0
    ambient_C: float = 18.0


def played(loop: Loop) -> dict[str, np.ndarray]:
    """Current [A] and temperatures [°C] every 0.1 s."""
    rng = np.random.default_rng(loop.seed)
    time_s = np.arange(0.0, loop.end_s, _TICK_S)
    amps = np.zeros(time_s.size)
    at_s = 20.0
    while at_s < loop.end_s:
        until_s = at_s + rng.uniform(10.0, 50.0)
        amps[(time_s >= at_s) & (time_s < until_s)] = rng.uniform(0.2, 1.0) * loop.hardest_A
        at_s = until_s + rng.uniform(5.0, 40.0)
    wet = np.ones(time_s.size)
    for since_s, until_s, share in loop.flow:
        wet[(time_s >= since_s) & (time_s < until_s)] = share
    plate, winding, warm = (np.full(time_s.size, loop.ambient_C) for _ in range(3))
    for row in range(1, time_s.size):
        k = row - 1
        to_plate, to_winding = plate[k] - warm[k], winding[k] - warm[k]
        plate[row] = plate[k] + _TICK_S / _PLATE_S * (_PLATE_K_PER_A * amps[k] - wet[k] * to_plate)
        winding[row] = winding[k] + _TICK_S / _WINDING_S * (_WINDING_K_PER_A2 * amps[k] ** 2 - wet[k] * to_winding)
        taken_up = wet[k] * (1.3e-3 * to_plate + 0.8e-3 * to_winding)
        warm[row] = warm[k] + _TICK_S * (taken_up - 4e-3 * wet[k] * (warm[k] - loop.ambient_C))
    return {"time_s": time_s, "amps": amps, "plate": plate, "winding": winding, "coolant": warm}


def logged(loop: Loop = Loop(), period_s: float = 1.0, step_K: float = 1.0, **more: Part) -> list[Part]:
    """The parts as a logger keeps them: temperatures at `period_s` in steps of `step_K`."""
    made = played(loop)
    every = round(period_s / _TICK_S)
    rows = slice(3, None, every)

    def celsius(name: str, of: str) -> Part:
        value = np.round(made[of][rows] / step_K) * step_K
        return replace(part(name, made["time_s"][rows], value), step=step_K)

    parts = {
        "motor_current": part("motor_current", made["time_s"], made["amps"]),
        "motor_temperature": celsius("motor_temperature", "winding"),
        "inverter_temperature": celsius("inverter_temperature", "plate"),
        "coolant_temperature": celsius("coolant_temperature", "coolant"),
    }
    return list({**parts, **more}.values())


def found(parts: list[Part], vehicle: Vehicle = HAZEL) -> dict[str, Finding]:
    return {finding.kind: finding for finding in findings_of(cooling, signals(*parts), vehicle)}


def state(name: str, end_s: float, on: bool) -> Part:
    time_s = np.arange(0.0, end_s, 0.5)
    value = np.full(time_s.size, float(on))
    return replace(part(name, time_s, value), on=value > 0)


@pytest.mark.parametrize(("period_s", "step_K"), [(0.3, 0.25), (1.0, 1.0), (5.0, 0.5)])
def test_constants_and_rises_are_found_with_their_limits(period_s, step_K):
    for seed in (31, 32, 33):
        kinds = found(logged(Loop(seed=seed), period_s, step_K))
        for kind, constant_s, rise_K in (("cooling.motor", _WINDING_S, 9.0), ("cooling.inverter", _PLATE_S, 6.0)):
            assert kind in kinds
            measured = kinds[kind].measured
            assert measured["time_constant_s"].low < constant_s < measured["time_constant_s"].high
            assert measured["rise_at_100A_K"].low < rise_K < measured["rise_at_100A_K"].high
            assert kinds[kind].severity is Severity.GOOD
        assert kinds.keys() == {"cooling.motor", "cooling.inverter"}


def test_an_end_above_the_limit_is_a_warning_with_the_time_left():
    parts = logged(Loop(seed=34, hardest_A=400.0), step_K=0.5)
    hot = HAZEL.model_copy(update={"limits": Limits(inverter_temperature_C=25.0, motor_temperature_C=30.0)})
    motor = found(parts, hot)["cooling.motor"]
    assert motor.severity is Severity.WARNING
    assert motor.measured["continuous_end_temperature_C"].low > 30.0
    assert motor.measured["time_left_s"].value == 0.0


def test_without_coolant_the_surroundings_stand_for_it():
    parts = [each for each in logged(Loop(seed=35), step_K=0.25) if each.name != "coolant_temperature"]
    kinds = found(parts)
    assert kinds.keys() <= {"cooling.motor", "cooling.inverter", "cooling.undetermined"}


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


def test_a_sensor_that_is_off_when_cold_is_seen_in_a_log_of_hours():
    begun = {each.name: each.where(each.time_s > 12.0) for each in logged(Loop(seed=45, end_s=9000.0))}  # load at 20 s
    motor = begun["motor_temperature"]
    begun["motor_temperature"] = replace(motor, value=motor.value - 7.0)
    begun["coolant_temperature_out"] = replace(begun["coolant_temperature"], name="coolant_temperature_out")
    assert found(list(begun.values()))["cooling.sensor_offset"].measured["offset_K"].value == pytest.approx(
        -7.0, abs=1.0
    )


@pytest.mark.parametrize(("mark_C", "period_s"), [(215.0, 1.0), (255.0, 1.0), (0.0, 1.0), (0.0, 5.0)])
def test_marks_and_old_values_are_no_temperatures(mark_C: float, period_s: float):
    """Readings of 0xFF less its offset, or zeros, among the others; and the last drive's value until it wakes."""
    loop = Loop(seed=46, hardest_A=30.0)
    parts = {each.name: each for each in logged(loop, period_s)}
    rng = np.random.default_rng(46)
    for name in ("motor_temperature", "inverter_temperature", "coolant_temperature"):
        value = parts[name].value.copy()
        value[rng.random(value.size) < 0.03] = mark_C
        value[parts[name].time_s < 9.0] = 58.0
        parts[name] = replace(parts[name], value=value)
    parts["coolant_pump"] = state("coolant_pump", loop.end_s, False)
    assert not {kind for kind in found(list(parts.values())) if "pump" in kind or "sensor" in kind or "flow" in kind}


def test_a_pump_that_is_on_but_draws_nothing_or_less_than_it_did():
    end_s = 600.0
    time_s = np.arange(0.0, end_s, 1.0)
    on = state("coolant_pump", end_s, True)
    stops = part("coolant_pump_current", time_s, np.where(time_s > 400.0, 0.0, 4.0))
    assert "cooling.pump_stopped" in found(logged(coolant_pump=on, coolant_pump_current=stops))
    wakes = part("coolant_pump_current", time_s, np.where(time_s < 8.0, 0.0, 4.0))
    assert "cooling.pump_stopped" not in found(logged(coolant_pump=on, coolant_pump_current=wakes))
    never = part(
        "coolant_pump_current", time_s, np.zeros(time_s.size)
    )  # not fitted: nothing warms, so the coolant flows
    assert "cooling.pump_stopped" not in found(
        logged(Loop(hardest_A=40.0), coolant_pump=on, coolant_pump_current=never)
    )
    less = part("coolant_pump_current", time_s, np.where(time_s > 400.0, 1.8, 4.0))
    dry = found(logged(coolant_pump=on, coolant_pump_current=less))["cooling.pump_dry"]
    assert "would look the same" in dry.explanation
    assert dry.severity is Severity.INFO
    assert dry.start_s == pytest.approx(401.0, abs=2.0)
    slower = part("coolant_pump_speed", time_s, np.where(time_s > 400.0, 2500.0, 4200.0))
    slowed = found(logged(coolant_pump=on, coolant_pump_current=less, coolant_pump_speed=slower))
    assert "cooling.pump_dry" not in slowed


def test_sensors_that_are_stuck_or_off_when_cold():
    parts = {each.name: each for each in logged(Loop(seed=40, hardest_A=500.0), step_K=0.5)}
    plate, winding = parts["inverter_temperature"], parts["motor_temperature"]
    still = replace(plate, value=np.where(plate.time_s > 60.0, plate.value[60], plate.value))
    assert found([*(parts | {"inverter_temperature": still}).values()])["cooling.sensor_stuck"].parts[0] == plate.name
    low = replace(winding, value=winding.value - 6.0)
    offset = found([*(parts | {"motor_temperature": low}).values()])["cooling.sensor_offset"]
    assert offset.measured["offset_K"].low < -6.0 < offset.measured["offset_K"].high
    warm = replace(winding, value=winding.value + 6.0)  # from the last drive
    assert "cooling.sensor_offset" not in found([*(parts | {"motor_temperature": warm}).values()])


def test_a_default_that_lasts_into_the_first_load_is_no_offset():
    """A controller that wakes 12 s after the current begins to flow; a sensor that is off stays off."""
    parts = {each.name: each for each in logged(Loop(seed=40, hardest_A=500.0), step_K=0.5)}
    current, plate = parts["motor_current"], parts["inverter_temperature"]
    load_s = float(current.time_s[np.abs(current.value) > 3.0][0])
    asleep = replace(plate, value=np.where(plate.time_s < load_s + 12.0, plate.value - 7.0, plate.value))
    assert "cooling.sensor_offset" not in found([*(parts | {"inverter_temperature": asleep}).values()])
    off = replace(plate, value=plate.value - 7.0)
    assert "cooling.sensor_offset" in found([*(parts | {"inverter_temperature": off}).values()])


def test_a_heavy_motor_that_keeps_its_degree_for_minutes_is_not_stuck():
    parts = {each.name: each for each in logged(Loop(seed=42, end_s=1200.0, hardest_A=800.0))}
    motor = parts["motor_temperature"]
    degrees = np.interp(motor.time_s, [0.0, 500.0, 750.0, 1200.0], [18.0, 29.0, 29.0, 35.0])
    steady = replace(motor, value=np.round(degrees))
    assert "cooling.sensor_stuck" not in found([*(parts | {"motor_temperature": steady}).values()])
    stays = replace(motor, value=np.round(np.minimum(degrees, 29.0)))  # for more than half of the log
    assert "cooling.sensor_stuck" in found([*(parts | {"motor_temperature": stays}).values()])


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
    ("plate_J_per_K", "cools_K", "said"),
    [(3600.0, 0.0, None), (6000.0, 0.0, Severity.INFO), (20000.0, 0.0, Severity.WARNING), (20000.0, 20.0, None)],
)
def test_a_heavy_heat_sink_may_be_on_little_flow(plate_J_per_K: float, cools_K: float, said: Severity | None):
    """6 kJ/K over 30 W/K, 200 s: as heavy as a heat sink comes, on a pump's least flow; 667 s is none, 120 s is flow.

    Unless the coolant cools down from the last drive, and may take up unseen what is heat of another kind.
    """
    time_s = np.arange(0.0, 3600.0)
    amps = np.where(time_s % 400.0 < 200.0, 90.0, 10.0)
    water = 15.0 + cools_K * np.exp(-time_s / 300.0)
    plate, heat_W = water.copy(), 6.0 * amps * (1.0 + plate_J_per_K / 6000.0)
    for k in range(time_s.size - 1):
        plate[k + 1] = plate[k] + (heat_W[k] - 30.0 * (plate[k] - water[k])) / plate_J_per_K
    flow = found([
        part("motor_current", time_s, amps), state("coolant_pump", 3600.0, True),
        replace(part("inverter_temperature", time_s, np.round(2.0 * plate) / 2.0), step=0.5),
        replace(part("coolant_temperature", time_s, np.round(2.0 * water) / 2.0), step=0.5),
    ]).get("cooling.no_flow")  # fmt: skip
    assert (flow.severity if flow else None) is said
    assert ("heavy heat sink on little flow" in (flow.explanation if flow else "")) is (said is Severity.INFO)
    assert len((flow.explanation if flow else "").split()) <= 60


@pytest.mark.parametrize(
    ("off_K", "severity"),  # by part, beside 18 °C
    [
        # the others are 2.4 K apart, as sound sensors may be after a night
        ({"motor_temperature": -6.0, "inverter_temperature": 1.2, "coolant_temperature": -1.2}, Severity.WARNING),
        ({"inverter_temperature": -6.0, "motor_temperature": 1.2, "coolant_temperature": -1.2}, Severity.WARNING),
        ({"coolant_temperature": 6.0, "motor_temperature": 1.0, "inverter_temperature": -1.0}, Severity.WARNING),
        # a motor that lags behind a warm morning, a heat sink less; what is warm from the last drive
        ({"motor_temperature": -3.0, "inverter_temperature": -1.5, "coolant_temperature": 1.0}, None),
        ({"motor_temperature": 14.0, "inverter_temperature": 8.0, "coolant_temperature": 4.0}, None),
        # of two alone it cannot be said which, and a warm heat sink beside a cold motor is none
        ({"motor_temperature": -6.5, "coolant_temperature": 0.5}, Severity.INFO),
        ({"motor_temperature": -4.0, "coolant_temperature": 0.5}, None),
        ({"motor_temperature": 6.5, "coolant_temperature": -0.5}, None),
        ({"motor_temperature": -6.5, "inverter_temperature": 0.5}, None),
    ],
)  # fmt: skip
def test_one_sensor_is_off_where_the_others_agree_as_far_as_a_night_allows(off_K, severity):
    parts = [
        replace(each, value=each.value + off_K.get(each.name, 0.0))
        for each in logged(Loop(seed=40), step_K=0.5)
        if each.name in off_K or each.name == "motor_current"
    ]
    offset = found(parts).get("cooling.sensor_offset")
    assert (None if offset is None else offset.severity) is severity
    if offset is not None:
        assert len(offset.explanation.split()) <= 60
        assert ("cannot be determined" in offset.explanation) is (severity is Severity.INFO)


def test_inlet_and_outlet_the_wrong_way_round():
    made = played(Loop(seed=41))
    rows = slice(0, None, 10)
    warmer = made["coolant"] + 0.02 * np.convolve(made["amps"], np.ones(80) / 80.0, mode="full")[: made["amps"].size]
    inlet, outlet = (
        replace(part(name, made["time_s"][rows], np.round(value[rows] * 2) / 2), step=0.5)
        for name, value in (("coolant_temperature", made["coolant"]), ("coolant_temperature_out", warmer))
    )
    right = found(logged(Loop(seed=41), coolant_temperature=inlet, coolant_temperature_out=outlet))
    assert "cooling.sensor_swapped" not in right
    wrong = found(
        logged(
            Loop(seed=41),
            coolant_temperature=replace(outlet, name="coolant_temperature"),
            coolant_temperature_out=replace(inlet, name="coolant_temperature_out"),
        )
    )
    assert wrong["cooling.sensor_swapped"].measured["difference_K"].high < 0.0


def test_torque_held_back_near_the_limit():
    made = played(Loop(seed=42))
    time_s = made["time_s"][::5]
    celsius = np.interp(time_s, [0.0, 250.0, 350.0, 600.0], [80.0, 75.0, 50.0, 45.0])
    pedal = np.where((time_s % 40.0) < 25.0, 60.0, 0.0)
    speed = 1000.0 + 50.0 * (time_s % 40.0)
    torque = pedal * np.where(celsius > 70.0, 0.9, 1.6)
    parts = [
        part("throttle", time_s, pedal),
        part("motor_speed", time_s, speed),
        part("torque_target", time_s, torque),
        replace(part("inverter_temperature", time_s[::2], np.round(celsius[::2])), step=1.0),
    ]
    held = found(parts)["cooling.derating"].measured["torque_share_percent"]
    assert held.low < 100.0 * 0.9 / 1.6 < held.high
    free = [each if each.name != "torque_target" else replace(each, value=1.6 * pedal) for each in parts]
    assert "cooling.derating" not in found(free)
    gentle = np.where(celsius > 70.0, pedal / 2.0, pedal)  # a pedal that gives less than in proportion when it is eased
    eased = {"throttle": gentle, "torque_target": 1.6 * gentle**1.7 / 60.0**0.7}
    assert "cooling.derating" not in found([replace(p, value=eased.get(p.name, p.value)) for p in parts])


@pytest.mark.parametrize("period_s", [5.0, 20.0])
def test_short_and_sparse_logs_are_left_open(period_s):
    kinds = found(logged(Loop(seed=43, end_s=50.0), period_s=period_s)) if period_s < 20.0 else {}
    assert kinds.keys() <= {"cooling.undetermined"}
    few = logged(Loop(seed=43, end_s=50.0), period_s=20.0)
    with pytest.raises(NothingToCheck, match="no temperature has ten readings"):
        found(few)


def test_what_is_missing_is_named():
    with pytest.raises(MissingPart, match="motor_temperature"):
        found([part("motor_current", np.arange(100.0), np.zeros(100))])
    (alone,) = findings_of(cooling, signals(logged(Loop(seed=44))[1]), HAZEL)
    assert alone.kind == "cooling.undetermined"
    assert "neither motor current nor battery power is logged" in alone.explanation


def test_texts_keep_to_sixty_words():
    loops = (Loop(seed=45), Loop(seed=46, flow=((300.0, 1e9, 0.03),)))
    for loop in loops:
        for finding in found(logged(loop, step_K=0.5)).values():
            assert len(finding.explanation.split()) <= 60
            assert finding.caution == ""


def test_the_time_left_lasts_from_the_hottest_and_fastest_to_the_coolest_and_slowest():
    """By hand, θ(t) = θ∞ − (θ∞ − θ0)·exp(−t/τ): τ·ln((end − now)/(end − limit)), at the limits of both."""
    parts = logged(Loop(seed=36, end_s=240.0), step_K=0.25)
    first = found(parts)["cooling.motor"].measured
    now = next(each for each in parts if each.name == "motor_temperature").value[-1]
    limit_C = float(now + 0.3 * (first["end_temperature_C"].value - now))
    assert limit_C > now + 1.0
    hot = HAZEL.model_copy(update={"limits": Limits(motor_temperature_C=limit_C)})
    measured = found(parts, hot)["cooling.motor"].measured
    end, constant, left = (measured[name] for name in ("end_temperature_C", "time_constant_s", "time_left_s"))

    def passes_s(end_C: float, constant_s: float) -> float:
        return constant_s * float(np.log((end_C - now) / (end_C - limit_C)))

    known = 0.04  # "now" is the mean over the last row of the check, a little cooler than the last reading
    assert constant.high > 1.1 * constant.low
    assert left.value == pytest.approx(passes_s(end.value, constant.value), rel=known)
    assert left.low == pytest.approx(passes_s(end.high, constant.low), rel=known)
    assert left.high is None or left.high == pytest.approx(passes_s(end.low, constant.high), rel=known)


def branch(which: int, time_constant_s: float, low_s: float, high_s: float) -> Branch:
    return Branch(which, time_constant_s, low_s, high_s, np.array([5.0]), 0.0, np.diag([1e-4, 1e-4]), 2.0)


def test_shares_of_the_square_and_steps_leave_open_a_time_constant_and_a_rise():
    """By hand: 5 K at 100 A are 2.5 K at 50 A where heat goes with the current, and 1.25 K where with its square."""
    fit = Response((branch(0, 100.0, 90.0, 110.0), branch(4, 105.0, 80.0, 115.0)), np.zeros(0), 0.1)
    warming = Warming("motor_temperature", None, np.ones(3, dtype=bool), 20.0, "current", fit)
    value_s, low_s, high_s = warming.time_constant_s
    assert (value_s, low_s, high_s) == pytest.approx((100.0, 100.0 - 500.0**0.5, 100.0 + 325.0**0.5))
    assert warming.squared == 0.0
    rise_K, low_K, high_K = warming.at(50.0).rise
    assert rise_K == pytest.approx(2.5)
    assert low_K == pytest.approx(1.25 - 2.0 * 0.01 * 0.25)
    assert high_K == pytest.approx(2.5 + 2.0 * 0.01 * 0.5)
    squared = replace(warming, fit=replace(fit, branches=fit.branches[1:]))
    assert squared.at(50.0).rise[0] == pytest.approx(1.25)
