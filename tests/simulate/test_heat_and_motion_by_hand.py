"""Heat, motion, machine, supply and truths of the simulator in single steps and made courses, by closed form.

A first-order lag, Newton's second law, Millman's theorem, Ohm's law of heat; the sizes are the simulator's own.
"""

from __future__ import annotations

import json
from math import exp, tanh

import numpy as np
import pytest
from drives_by_hand import CIRCUIT, between, made

from logscope.simulate import cooling_truth as cooling_truths
from logscope.simulate import machine as machines
from logscope.simulate.aux_supply import AuxSupply, fading_amps
from logscope.simulate.charge import Charge, Pack, hottest_place, play_charge
from logscope.simulate.console_output import Console
from logscope.simulate.cooling_truth import body_constants, cooling_truth
from logscope.simulate.drive_heat import drive_temperatures
from logscope.simulate.key_cycles import play
from logscope.simulate.link import LinkRows, Supply, advance_link, link_rows
from logscope.simulate.machine import Electrical, Inverter, Machine, _advance_flux, coast, current_loop, retune
from logscope.simulate.motion import Body, Motion, Road, advance_motion
from logscope.simulate.scenarios import KeyCycle, Profile
from logscope.simulate.thermal import (
    Chain,
    Cooling,
    SensorFault,
    Temperatures,
    driving_air,
    exact_step,
    losses,
    with_faults,
)
from logscope.simulate.truth import TruthEvent, truth_to_json


def heat(count: int = 1000, **columns: np.ndarray | float) -> Temperatures:
    at = np.arange(count) * 0.1
    known = dict.fromkeys(("motor", "junction", "inverter", "jacket", "coolant"), 20.0) | columns
    return Temperatures(at, *(np.zeros(count) + value for value in known.values()), np.zeros(count, bool))  # type: ignore[arg-type]


def test_each_sensor_lags_by_its_own_time() -> None:
    """One step after a jump a first-order lag shows 1 − e^(−0.1/τ) of it."""
    step = np.where(np.arange(1000) < 500, 20.0, 120.0)
    shown = heat(motor=step, inverter=step, jacket=step, coolant=step, junction=step).sensed((4.0, 2.0, 6.0))
    for name, lag_s in (("motor", 4.0), ("inverter", 2.0), ("jacket", 6.0), ("coolant", 6.0)):
        value = getattr(shown, name)
        assert value[[0, 499, 500]] == pytest.approx([20.0, 20.0, 20.0 + 100.0 * (1 - exp(-0.1 / lag_s))])
        assert value[599] == pytest.approx(120.0 - 100.0 * exp(-10.0 / lag_s))
    assert shown.junction is not None
    assert shown.junction[500] == 120.0


def test_faulty_sensors_stick_are_off_or_read_another_place() -> None:
    course = 20.0 + np.arange(1000) * 0.01
    made_ = heat(motor=course, inverter=course + 5.0, coolant=course - 3.0)
    stuck = with_faults(made_, [SensorFault("motor", 30.0, stuck=True)])
    assert stuck.motor[[299, 300, 999]] == pytest.approx([22.99, 23.0, 23.0])
    off = with_faults(made_, [SensorFault("inverter", 50.0, offset_K=12.0)])
    assert off.inverter[[499, 500]] == pytest.approx([29.99, 42.0])
    other = with_faults(made_, [SensorFault("coolant", 0.0, reads="inverter", offset_K=1.0)])
    assert other.coolant[0] == pytest.approx(26.0)
    assert with_faults(made_, []).motor.tolist() == course.tolist()


def test_the_pump_turns_flows_and_draws_as_its_spans_say() -> None:
    cooling = Cooling(pump_off=((1.0, 2.0),), pump_dead=((3.0, 4.0),), air_lock=((5.0, 6.0),), air_flow=0.2)
    at = np.array([0.5, 1.5, 3.5, 5.5])
    assert cooling.pump_runs(at).tolist() == [True, False, True, True]
    assert cooling.pump_turns(at).tolist() == [True, False, False, True]
    assert cooling.flow(at).tolist() == pytest.approx([1.0, 0.0, 0.0, 0.2])
    assert cooling.pump_share(at).tolist() == pytest.approx([1.0, 0.0, 0.0, 1 - 0.55 * 0.8])
    assert driving_air(np.array([0.0, 15.0, -60.0, 90.0])).tolist() == pytest.approx([0.35, 0.675, 1.0, 1.0])


def test_losses_and_the_constants_of_the_bodies_are_those_of_ohm_and_newton() -> None:
    copper, switching = losses(np.full(200, 100.0), 1e-3)
    assert (copper.tolist(), switching.tolist()) == (pytest.approx([300.0] * 2), pytest.approx([300.0] * 2))
    chain = Chain()
    found = body_constants(chain)
    assert found["cooling.motor"] == pytest.approx({"time_constant_s": 14e3 / 33.0, "rise_at_100A_K": 300 / 33.0})
    assert found["cooling.inverter"]["rise_at_100A_K"] == pytest.approx(300 / 55.0)
    keep, gain = exact_step(chain._replace(stream_W_per_K=1e9), 1.0, 1.0, 1.0)  # the sink alone, on its coolant
    assert keep[1, 1] < keep[2, 2] < 1.0
    assert gain[0, 0] == pytest.approx(1.0 / 14e3, rel=2e-3)
    slow = 2560.0 / 55.0  # junction and sink nearly as one
    assert found["cooling.inverter"]["time_constant_s"] == pytest.approx(slow, rel=0.02)
    assert body_constants(chain, 200.0)["cooling.motor"]["rise_at_200A_K"] == pytest.approx(1200 / 33.0)


def stated(
    monkeypatch: pytest.MonkeyPatch, shown: Temperatures, cooling: Cooling, **scenario: object
) -> list[TruthEvent]:
    """Truths of a drive of 100 s whose temperatures are given; its contactor closes at 2.6 s and opens at 18 s."""
    monkeypatch.setattr(cooling_truths, "drive_temperatures", lambda drive: shown)
    return list(cooling_truth(made(20.0, cooling=cooling, **scenario)))


def kinds(found: list[TruthEvent]) -> list[str]:
    return [event.kind.removeprefix("cooling.") for event in found]


def test_a_loss_of_flow_is_stated_where_the_sink_shows_it(monkeypatch: pytest.MonkeyPatch) -> None:
    long = {"key_cycles": (KeyCycle(2.0, 98.0),), "duration_s": 100.0}

    def of(cooling: Cooling, excess_K: float = 16.0, motor: float = 60.0) -> list[TruthEvent]:
        shown = heat(inverter=20.0 + excess_K * (np.arange(1000) > 300), motor=np.linspace(20.0, motor, 1000))
        monkeypatch.setattr(cooling_truths, "drive_temperatures", lambda drive: shown)
        return list(cooling_truth(made(cooling=cooling, **long)))  # type: ignore[arg-type]

    (found,) = of(Cooling(pump_off=((30.0, 71.0),)))
    assert (found.kind, found.start_s, found.end_s) == ("cooling.no_flow", 30.0, 71.0)
    assert found.parameters == {"highest_excess_K": pytest.approx(16.0)}
    assert of(Cooling(pump_off=((30.0, 69.0),))) == []  # shorter than 40 s
    assert of(Cooling(pump_off=((30.0, 71.0),)), 14.0) == []
    assert kinds(of(Cooling(pump_off=((30.0, 71.0), (80.0, 85.0))))) == ["air"]
    assert kinds(of(Cooling(pump_off=((0.0, 100.0),)))) == ["no_flow", "pump_off"]
    assert kinds(of(Cooling(pump_off=((0.0, 100.0),)), 16.0, 46.0)) == ["no_flow"]  # nothing is warm
    assert kinds(of(Cooling(pump_dead=((30.0, 80.0),)))) == ["no_flow", "pump_stopped"]
    dead = of(Cooling(pump_dead=((30.0, 80.0),)))[1]
    assert (dead.start_s, dead.end_s, dead.parameters) == (30.0, 80.0, {"lasts_all_along": 0.0, "warm": 1.0})
    assert of(Cooling(pump_dead=((0.0, 100.0),)))[1].parameters["lasts_all_along"] == 1.0
    closed_s, opened_s = made(**long).high_voltage.closed[0]  # type: ignore[arg-type]
    for span, whole in (((closed_s, opened_s), True), ((0.0, opened_s - 1.0), False), ((closed_s + 1.0, 100.0), False)):
        assert ("pump_off" in kinds(of(Cooling(pump_off=(span,))))) == whole
        assert of(Cooling(pump_dead=(span,)))[1].parameters["lasts_all_along"] == float(whole)
    usual_s = 0.3 * (opened_s - closed_s)  # without air, of a drive whose contactor is closed so long
    for since_s, known in ((closed_s + usual_s + 0.5, True), (closed_s + usual_s - 0.5, False)):
        assert ("pump_dry" in kinds(of(Cooling(air_lock=((since_s, opened_s),), air_flow=0.1)))) == known
    assert kinds(of(Cooling(air_lock=((30.0, 71.0),), air_flow=0.04))) == ["no_flow", "pump_dry"]
    assert kinds(of(Cooling(air_lock=((30.0, 71.0),), air_flow=0.06))) == ["pump_dry"]
    assert kinds(of(Cooling(air_lock=((30.0, 71.0),), air_flow=0.41))) == []
    assert kinds(of(Cooling(air_lock=((5.0, 72.0),), air_flow=0.1))) == []  # its usual current is not known


def test_faulty_sensors_and_held_back_torque_are_stated_where_they_show(monkeypatch: pytest.MonkeyPatch) -> None:
    moves = heat(motor=np.linspace(20.0, 49.0, 1000), jacket=np.linspace(20.0, 23.3, 1000))
    still = heat(motor=np.linspace(20.0, 47.0, 1000), jacket=np.linspace(20.0, 23.0, 1000))
    stuck, off = SensorFault("inverter", 0.0, stuck=True), SensorFault("motor", 3.0, offset_K=9.0)
    swapped = SensorFault("jacket", 0.0, reads="coolant"), SensorFault("coolant", 0.0, reads="jacket")
    assert kinds(stated(monkeypatch, moves, Cooling(sensors=(stuck,)))) == ["sensor_stuck"]
    assert kinds(stated(monkeypatch, still, Cooling(sensors=(stuck,)))) == []
    assert kinds(stated(monkeypatch, moves, Cooling(sensors=(SensorFault("motor", 0.0, stuck=True),)))) == []
    (offset,) = stated(monkeypatch, still, Cooling(sensors=(off,)))
    assert (offset.kind, offset.start_s, offset.end_s) == ("cooling.sensor_offset", 3.0, 20.0)
    assert kinds(stated(monkeypatch, moves, Cooling(sensors=swapped))) == ["sensor_swapped"]
    assert kinds(stated(monkeypatch, still, Cooling(sensors=swapped))) == []
    held = Profile(((5.0, 1.0), (6.0, 0.5), (8.0, 0.5), (9.0, 1.0)))
    (found,) = stated(monkeypatch, still, Cooling(), derating=held)
    assert (found.kind, found.start_s, found.end_s) == ("cooling.derating", pytest.approx(5.1), pytest.approx(8.9))
    assert stated(monkeypatch, still, Cooling(sensors=(off,)), key_cycles=()) == []


def test_a_drive_s_coolant_flows_while_its_contactor_is_closed() -> None:
    drive = made(columns={"current_A": between(5.0, 20.0, 200.0)})
    found = drive_temperatures(drive)
    assert found.time_s.size == 200
    assert found.motor[199] > found.motor[50] == pytest.approx(18.0)


BODY = Body()


def test_a_step_of_motion_is_newton_s() -> None:
    """10 m/s, wheels at road speed: rolling, air (½·1.2·0.68·v²), grade and brakes of 0.8 g against 1350 kg."""
    at = Motion(rotor=100.0, wheel=10 / 0.31, twist=0.0, angle=1.0, speed=10.0)
    neutral = advance_motion.py_func(BODY, Road(0.0, 0.0, 0.0, 1.0), at, 5.0, 1e-3)
    assert neutral.rotor == pytest.approx(100.0 + (5.0 - 0.0008 * 100) / 0.05 * 1e-3)
    assert neutral.angle == pytest.approx(1.0 + neutral.rotor * 1e-3)
    rolling, air = 0.012 * 9.81, 0.5 * 1.2 * 0.68 * 100 / 1350
    assert (neutral.speed - 10) / 1e-3 == pytest.approx(-rolling - air)
    hill = advance_motion.py_func(BODY, Road(0.0, 0.25, 0.05, 1.0), at, 0.0, 1e-3)
    assert (hill.speed - 10) / 1e-3 == pytest.approx(-rolling - air - 0.2 * 9.81 - 0.05 * 9.81)
    back = advance_motion.py_func(BODY, Road(0.0, 0.0, 0.0, 1.0), at._replace(speed=-10.0, wheel=-10 / 0.31), 0.0, 1e-3)
    assert (back.speed + 10) / 1e-3 == pytest.approx(rolling + air)
    fast = at._replace(wheel=11 / 0.31)  # 1 m/s of slip: tanh(1/(0.4 + 0.06·10)) of the grip on 55 % of the weight
    pulled = advance_motion.py_func(BODY, Road(0.0, 0.0, 0.0, 0.5), fast, 0.0, 1e-3)
    force = 0.5 * 1350 * 9.81 * 0.55 * tanh(1.0)
    assert (pulled.speed - 10) / 1e-3 == pytest.approx(force / 1350 - rolling - air)
    assert (pulled.wheel - fast.wheel) / 1e-3 == pytest.approx(-force * 0.31 / 1.8)


def test_half_shafts_pull_by_their_twist_and_its_change() -> None:
    at = Motion(rotor=8.0 * 33.0, wheel=32.0, twist=0.01, angle=0.0, speed=32.0 * 0.31)
    found = advance_motion.py_func(BODY, Road(8.0, 0.0, 0.0, 1.0), at, 0.0, 1e-3)
    twist = 0.01 + 1.0 * 1e-3
    shaft = 6000.0 * twist + 34.0 * 1.0
    assert found.twist == pytest.approx(twist)
    assert (found.rotor - at.rotor) / 1e-3 == pytest.approx((-shaft / 8.0 - 0.0008 * at.rotor) / 0.05)
    assert (found.wheel - 32.0) / 1e-3 == pytest.approx(shaft / 1.8)
    rest = Motion(1e-7, 1e-7, 1e-7, 3.0, 1e-7)
    assert advance_motion.py_func(BODY, Road(8.0, 0.0, 0.0, 1.0), rest, 0.0, 1e-4)[:3] == (0.0, 0.0, 0.0)
    assert advance_motion.py_func(BODY, Road(8.0, 0.0, 0.0, 1.0), rest, 1e-3, 1e-4).rotor != 0.0


def test_other_gains_leave_the_voltage_and_the_gates_going_off_let_the_current_die(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(machines, "_advance_flux", _advance_flux.py_func)  # uncompiled
    machine = Machine()
    before, after = current_loop(machine, 150.0, 0.7, 1e-4), current_loop(machine, 40.0, 0.5, 1e-4)
    now = Electrical(50.0, -80.0, 0.01, -0.02, 0.18, 0.01, 0.17)
    other = retune.py_func(before, after, now)
    for one, two, amps in ((now.xd, other.xd, 50.0), (now.xq, other.xq, -80.0)):
        assert after[1] * two - after[0] * amps == pytest.approx(before[1] * one - before[0] * amps)
    assert (other.id, other.iq, other.flux_d, other.flux_estimate) == (50.0, -80.0, 0.18, 0.17)
    state, drawn = coast.py_func(machine, now, 1e-4)
    assert (state.id, state.iq) == pytest.approx((45.0, -72.0))  # a tenth in a tenth of a millisecond
    assert state.flux_estimate == pytest.approx(0.17 * (1 - 1e-4 / 0.13))
    assert drawn.current == pytest.approx((45**2 + 72**2) ** 0.5)
    assert drawn.torque == pytest.approx(3.0 * (state.flux_d * -72.0 - state.flux_q * 45.0))
    assert (drawn.power, drawn.target) == (0.0, 0.0)
    assert coast.py_func(machine, Electrical(1e-7, 0.0, 1.0, 1.0, 1e-10, 0.0, 1.0), 1e-4)[0] == Electrical(*[0.0] * 7)
    assert coast.py_func(machine, now, 2e-3)[0].id == 0.0


def test_the_rotor_flux_follows_the_current_and_turns_back_by_the_slip() -> None:
    """A whole time constant's small step, and a quarter turn of slip: d becomes −q."""
    machine = Machine()
    d, q = _advance_flux.py_func(machine, 0.1, 0.02, 100.0, 20.0, 0.0, 1.3e-3)
    assert (d, q) == pytest.approx((0.1 + 0.01 * (0.15 - 0.1), 0.02 + 0.01 * (0.03 - 0.02)))
    turned = _advance_flux.py_func(machine, 0.15, 0.03, 100.0, 20.0, np.pi / 2 / 1.3e-3, 1.3e-3)
    assert turned == pytest.approx((0.03, -0.15))
    assert Inverter().trip_current_A > Inverter().max_current_A


def test_a_closed_contactor_sags_and_an_open_one_lives_on_what_the_link_holds() -> None:
    def rows(*, closed: bool, dropped: bool) -> LinkRows:
        one = np.ones(1)
        return LinkRows(330.0 * one, 0.5 * one, 40.0 * one, one * closed > 0, one * dropped > 0)

    supply = Supply(0.12, 1e-3, 0.0)
    assert advance_link.py_func(
        supply, rows(closed=True, dropped=False), 0, -5.0, -2.0, 32_500.0, 1e-4
    ) == pytest.approx(-2.0 - 0.12 * 32_500 / 325.0)
    # ½·C·v²: 1 J of 54.45 J taken, then towards half the pack's change with 40 s
    alone = advance_link.py_func(supply, rows(closed=False, dropped=False), 0, 0.0, -2.0, 10e3, 1e-4)
    left = (330.0**2 - 2 * 1.0 / 1e-3) ** 0.5 - 330.0
    assert alone == pytest.approx(-1.0 + (left + 1.0) * exp(-1e-4 / 40.0))
    gone = advance_link.py_func(supply, rows(closed=False, dropped=True), 0, 0.0, -2.0, 0.0, 4.0)
    assert gone == pytest.approx(-330.0 + 330.0 * exp(-0.1))
    assert advance_link.py_func(supply, rows(closed=False, dropped=False), 0, -329.0, 0.0, 1e6, 1e-4) == pytest.approx(
        -330.0, abs=0.01
    )


def test_the_link_is_laid_out_by_what_joins_it_to_the_pack() -> None:
    """Thévenin: a share Rb/(Rb + R) of the pack's change arrives, with (R ∥ Rb)·C; apart none, with Rb·C."""
    story = play(CIRCUIT, (KeyCycle(2.0, 18.0),), 20.0)
    at = np.array([1.0, 2.2, 10.0, 11.0, 19.0])
    found = link_rows(CIRCUIT, story, at, np.array([False, False, False, True, False]))

    def share(ohm: float) -> tuple[float, float]:
        return 47e3 / (47e3 + ohm), 1e-3 * ohm * 47e3 / (ohm + 47e3)

    expected = [(0.0, 47.0), share(150.1), share(0.12), (0.0, 47.0), (0.0, 47.0)]
    assert found.gain == pytest.approx([gain for gain, _ in expected])
    assert found.tau_s == pytest.approx([tau for _, tau in expected])
    assert found.closed.tolist() == [False, False, True, False, False]
    assert found.dropped.tolist() == [False, False, False, True, False]
    assert found.base_V == pytest.approx(story.solution.sample(at).link_V)


def test_the_12_volt_side_is_one_node_of_battery_converter_and_loads() -> None:
    supply = AuxSupply(base_A=5.0, pump_A=3.0, converter_delay_s=2.0, converter_stops_s=8.0, sags_from_s=5.0,
                       sags_V_per_s=0.5, falls_V_per_min=6.0, loose=((6.5, 7.5),), loose_ohm=0.1)  # fmt: skip
    at = np.arange(0.0, 10.0, 1.0)
    linked = at >= 1.0
    side = supply.low_side(at, linked, [], 2.0)
    assert side.converts.tolist() == [False, False, True, True, True, True, True, True, False, False]
    load = 5.0 + 3.0 * linked + 2.0
    off_s = np.array([0, 1, 1, 1, 1, 1, 1, 1, 2, 3])  # how long the battery alone has fed the side
    open_V = 12.6 - 0.1 * off_s
    assert side.volts[[0, 1, 8, 9]] == pytest.approx((open_V - 0.03 * load)[[0, 1, 8, 9]])
    set_V = 13.8 - 0.5 * np.clip(at - 5.0, 0.0, None)
    node = (open_V / 0.25 + set_V / 0.01 - load) / (1 / 0.25 + 1 / 0.01)
    assert side.volts[[2, 5, 6]] == pytest.approx(node[[2, 5, 6]])
    assert side.volts[7] == pytest.approx(node[7] - 0.1 * load[7])
    assert side.battery_A[[5, 9]] == pytest.approx([(open_V[5] - node[5]) / 0.25, load[9]])
    assert side.converter_V[[1, 6]] == pytest.approx([side.volts[1], 13.3])
    assert side.converter_A[[1, 6]] == pytest.approx([0.0, (13.3 - node[6]) / 0.01])
    amps = fading_amps(np.array([0.9, 1.0, 1.5, 2.0]), [(1.0, 2.0)], 4.0, 10.0, 0.5)
    assert amps == pytest.approx([0.0, 10.0, 4.0 + 6.0 * exp(-1.0), 0.0])


def test_a_charge_ramps_ends_by_request_and_listens_for_a_while() -> None:
    pack = Pack(capacity_Ah=40.0)

    ramp = play_charge(Charge(5.0, ramp_A_per_s=4.0), pack, 320.0, 0.1, 60.0)
    assert ramp.time_s[0] == pytest.approx(2.0)
    assert np.interp([4.95, 5.0, 6.0, 9.9, 20.0], ramp.time_s, ramp.current) == pytest.approx(
        [0.2, 0.4, 4.4, 20.0, 20.0], abs=0.05
    )
    assert np.interp([3.4, 4.0, 4.6], ramp.time_s, ramp.output_V) == pytest.approx([0.0, 160.0, 320.0], abs=0.5)
    loaded = play_charge(Charge(5.0, ramp_A_per_s=1e9, load_A=3.0), pack, 320.0, 0.1, 60.0)
    assert (loaded.current[100], loaded.pack_A[100]) == pytest.approx((20.0, 17.0))
    weak = play_charge(Charge(5.0, ramp_A_per_s=1e9, most_W=3200.0), pack, 320.0, 0.1, 60.0)
    assert weak.current[100] * weak.voltage[100] == pytest.approx(3200.0, rel=1e-3)
    shared = play_charge(Charge(5.0, ramp_A_per_s=1e9, current_share=0.8), pack, 320.0, 0.1, 60.0)
    assert (shared.current[100], shared.target_A[100], shared.target_V[100]) == pytest.approx((16.0, 20.0, 333.0))
    stopped = play_charge(Charge(5.0, ramp_A_per_s=1e9, request_ends_s=10.0, after_s=3.0), pack, 320.0, 0.1, 60.0)
    last = stopped.time_s[stopped.charging][-1]
    assert last == pytest.approx(10.2, abs=0.11)  # obeys within 0.3 s
    assert stopped.time_s[-1] == pytest.approx(last + 3.0, abs=0.11)
    assert stopped.target_A[stopped.time_s > 10.05].max() == 0.0
    full = play_charge(Charge(5.0, ramp_A_per_s=1e9, ends_at_V=322.001), pack, 320.0, 0.1, 60.0)
    assert full.time_s[full.charging][-1] == pytest.approx(5.6, abs=0.21)
    hot = play_charge(Charge(5.0, ramp_A_per_s=1e9, ends_at_C=19.01), Pack(heat_J_per_K=4000.0), 320.0, 0.1, 60.0)
    assert hot.time_s[hot.charging][-1] == pytest.approx(6.2, abs=0.3)  # 40 W for 0.87 s over 4 kJ/K, 1.15 times
    dark = play_charge(Charge(5.0, ramp_A_per_s=1e9, supply_lost_s=9.0), pack, 320.0, 0.1, 60.0)
    assert dark.fed[dark.time_s < 8.95].all()
    assert not dark.fed[dark.time_s > 9.05].any()
    assert hottest_place(20.0, 10.0) == pytest.approx(32.5)
    assert Pack(capacity_Ah=40.0).volts_per_coulomb == pytest.approx(35.0 / 144_000)


def test_truths_are_written_in_order_of_time_and_rounded() -> None:
    late, early = TruthEvent("b.b", 2.00000049, 3.0, None, {"x": 1.23456}), TruthEvent("a.a", 1.0, 2.0, "why")
    text = truth_to_json("made", 7, [late, early], {"starts_s": 0.5})
    assert json.loads(text) == {
        "schema": 1, "simulated": True, "drive": "made", "seed": 7, "console_clock": {"starts_s": 0.5},
        "events": [
            {"kind": "a.a", "start_s": 1.0, "end_s": 2.0, "cause": "why", "parameters": {}},
            {"kind": "b.b", "start_s": 2.0, "end_s": 3.0, "cause": None, "parameters": {"x": 1.2346}},
        ],
    }  # fmt: skip
    assert "console_clock" not in json.loads(truth_to_json("made", 7, []))
    assert Console(boots_s=5.0, drift=0.01).shown_s(np.array([15.0])).tolist() == pytest.approx([10.1])
