"""The thermal chain against closed forms, scipy's linear systems, and its own energy balance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from logscope.simulate.thermal import STEP_S, Chain, Cooling, losses, network, temperatures, warm

CHAIN = Chain()


def test_a_step_of_loss_rises_like_one_pole_where_one_capacity_counts():
    # T = P·R·(1 − exp(−t/RC)), any heat-transfer textbook: sink on a coolant that is held
    chain = CHAIN._replace(junction_J_per_K=1e-3, jacket_J_per_K=1e12)
    found = warm(np.zeros(2000), np.full(2000, 500.0), Cooling(chain=chain))
    R, C = 1 / chain.sink_W_per_K, chain.sink_J_per_K
    expected = 500.0 * R * (1 - np.exp(-found.time_s / (R * C)))
    assert found.inverter - 18.0 == pytest.approx(expected, abs=0.01)


def test_the_steady_state_is_ohms_law_of_heat():
    # each element carries all the loss behind it: ΔT = P/G, added up along the chain
    found = warm(np.full(60_000, 1500.0), np.full(60_000, 700.0), Cooling(start_C=60.0))
    coolant = 18.0 + 2200.0 / CHAIN.radiator_W_per_K
    assert found.coolant[-1] == pytest.approx(coolant, abs=0.02)
    coolant += 2200.0 / (CHAIN.stream_W_per_K + CHAIN.still_W_per_K)
    assert found.jacket[-1] == pytest.approx(coolant, abs=0.05)
    assert found.motor[-1] == pytest.approx(coolant + 1500.0 / CHAIN.winding_W_per_K, abs=0.05)
    sink = coolant + 700.0 / CHAIN.sink_W_per_K
    assert found.inverter[-1] == pytest.approx(sink, abs=0.05)
    assert found.junction[-1] == pytest.approx(sink + 700.0 / CHAIN.junction_W_per_K, abs=0.05)


@pytest.mark.parametrize("flow", [1.0, 0.3, 0.0])
def test_the_whole_chain_answers_a_step_as_scipys_linear_system(flow):
    # scipy.signal.lsim on the same network, which a ladder of conductances defines
    system = signal.StateSpace(*network(CHAIN, flow), np.eye(5), np.zeros((5, 2)))
    time_s = np.arange(5000) * STEP_S
    losses = np.tile([900.0, 600.0], (time_s.size, 1))
    _, expected, _ = signal.lsim(system, losses, time_s)
    cooling = Cooling(air_lock=((0.0, 1e9),), air_flow=flow)
    found = warm(losses[:, 0], losses[:, 1], cooling)
    ours = np.column_stack((found.motor, found.junction, found.inverter, found.jacket, found.coolant)) - 18.0
    assert ours == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("cooling", [Cooling(), Cooling(pump_off=((60.0, 200.0),)), Cooling(start_C=70.0)])
def test_heat_closes_to_a_thousandth(cooling):
    # what the losses gave = what the capacities hold more + what the radiator gave away
    rng = np.random.default_rng(4)
    motor_W, inverter_W = (np.repeat(rng.uniform(0, 3000, 60), 100) for _ in range(2))
    found = warm(motor_W, inverter_W, cooling)
    nodes = np.column_stack((found.motor, found.junction, found.inverter, found.jacket, found.coolant))
    stored_J = float(((nodes[-1] - nodes[0]) * np.array(CHAIN[:5])).sum())
    wet = CHAIN.still_share + (1 - CHAIN.still_share) * cooling.flow(found.time_s) ** 0.8
    radiated_W = wet * CHAIN.radiator_W_per_K * (found.coolant - cooling.ambient_C)
    between = radiated_W[:-1] + np.diff(found.coolant) * wet[:-1] * CHAIN.radiator_W_per_K / 2
    given_J = float((motor_W + inverter_W)[:-1].sum()) * STEP_S
    assert stored_J + float(between.sum()) * STEP_S == pytest.approx(given_J, rel=1e-3)


def test_without_flow_the_sink_runs_away_from_the_coolant():
    losses = np.full(3000, 800.0)
    sound = warm(losses, losses, Cooling())
    still = warm(losses, losses, Cooling(pump_off=((0.0, 1e9),)))
    locked = warm(losses, losses, Cooling(air_lock=((0.0, 1e9),)))
    assert still.jacket[-1] - still.coolant[-1] > 2 * (sound.jacket[-1] - sound.coolant[-1])
    assert still.inverter[-1] - still.coolant[-1] > 4 * (sound.inverter[-1] - sound.coolant[-1])
    assert locked.inverter == pytest.approx(still.inverter)
    assert not Cooling(pump_off=((0.0, 9.0),)).pump_runs(np.array([5.0])).any()
    assert Cooling(air_lock=((0.0, 9.0),)).pump_runs(np.array([5.0])).all()


def test_losses_come_from_the_current():
    # copper 1.5·R·I² of amplitudes: 300 A at 20 mΩ are 2.7 kW, which lift the winding by 82 K in the end
    found = temperatures(np.full(4_000_000, 300.0), 1e-3)
    assert found.motor[-1] - found.jacket[-1] == pytest.approx(2700.0 / CHAIN.winding_W_per_K, rel=0.02)


def test_a_pulsed_current_warms_copper_by_its_rms_and_switches_by_its_mean():
    # pulses of half the time have an RMS of 1/√2 of their height, a sawtooth 1/√3 (any textbook on circuits); copper
    # takes 1.5·R·I²(RMS) at 20 mΩ, the switches 3 W for each ampere of the mean
    pulses = np.tile([240.0, 0.0], 500)
    sawtooth = np.tile((np.arange(50) + 0.5) / 50 * 240.0, 20)
    for current_A, rms_A in ((pulses, 240.0 / 2**0.5), (sawtooth, 240.0 / 3**0.5)):
        copper_W, switching_W = losses(current_A, 1e-3)
        assert copper_W == pytest.approx(np.full(10, 1.5 * 0.02 * rms_A**2), rel=1e-3)
        assert switching_W == pytest.approx(np.full(10, 3.0 * 120.0))


def test_the_fan_comes_on_when_the_coolant_is_hot_and_stops_below():
    losses = np.full(30_000, 3000.0)
    found = warm(losses, losses, Cooling(), speed_kmh=np.zeros(losses.size))
    starts = np.flatnonzero(np.diff(found.fan.astype(int)) == 1)
    assert starts.size
    assert found.coolant[starts[0]] == pytest.approx(48.0, abs=0.1)
    stops = np.flatnonzero(np.diff(found.fan.astype(int)) == -1)
    assert all(found.coolant[at] == pytest.approx(42.0, abs=0.1) for at in stops)


def test_a_sensor_lags_as_one_pole():
    # 63.2 % of a step after one time constant, any textbook on sensors; on a ramp it is late by that constant
    found = warm(np.full(6000, 2000.0), np.full(6000, 2000.0), Cooling())
    late = found.sensed((10.0, 1.0, 5.0))
    assert late.motor[3000] == pytest.approx(np.interp(290.0, found.time_s, found.motor), abs=0.3)
    assert late.inverter[-1] == pytest.approx(np.interp(found.time_s[-1] - 1.0, found.time_s, found.inverter), abs=0.1)
