"""What Hazel's controllers send of a drive made by hand: each signal from its own column, with its own noise.

The noise of a sensor is a standard deviation; it is judged within the limits of so many draws (χ², 99.9 %).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drives_by_hand import CHARGE, between, made

from logscope.simulate import hazel_bus
from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import Pack
from logscope.simulate.console_output import Console, console_text
from logscope.simulate.drive import Drive
from logscope.simulate.drive_heat import sensed_temperatures
from logscope.simulate.hazel_bus import _requests, _values, _while_charging, other_traffic, sent_messages, stream_of
from logscope.simulate.layouts import AS_DEFINED, Layout
from logscope.simulate.scenarios import Profile
from logscope.simulate.thermal import Cooling

AT = np.arange(5.0, 15.0, 0.002)  # 5,000 readings: a deviation is known to 3.3 %
PRESS = Profile(((8.0, 0.0), (8.1, 0.3), (9.0, 0.3), (9.1, 0.0)))


def drive(**scenario: object) -> Drive:
    columns: dict[str, np.ndarray | float] = {
        "reading_rpm": 2000.0, "torque_Nm": 50.0, "torque_target_Nm": 60.0,
        "current_A": 100.0 + between(8.0, 8.05, 70.0),
        "target_A": 110.0, "pack_A": 40.0, "link_shift_V": -4.0, "fault": between(12.0, 13.0, 3.0),
        "enabled": between(4.0, 12.0), "throttle": between(6.0, 9.0, 0.4), "speed_kmh": 30.0,
    }  # fmt: skip
    return made(columns=columns, **scenario)


def sent(
    message: str, of: Drive | None = None, layout: Layout = AS_DEFINED, at: np.ndarray = AT, period_s: float = 0.01
) -> dict[str, np.ndarray]:
    of = drive() if of is None else of
    return _values(message, of, sensed_temperatures(of), at, np.random.default_rng(1), layout, period_s)


@pytest.mark.parametrize(
    ("message", "signal", "level", "noise"),
    [
        ("InverterMotion", "MotorSpeed", 2000.0, 0.0), ("InverterMotion", "Torque", 50.0, 0.2),
        ("InverterMotion", "TorqueTarget", 60.0, 0.0), ("InverterCurrent", "MotorCurrentTarget", 110.0, 0.0),
        ("InverterCurrent", "LinkCurrent", 40.0, 0.6), ("InverterHv", "DcLinkVoltage", 326.0, 0.15),
        ("Pack", "Voltage", 326.0, 0.15), ("Pack", "Current", 40.0, 0.6), ("Pack", "ChargeLevel", 71.0, 0.0),
        ("Road", "VehicleSpeed", 30.0, 0.0), ("Converter", "LowVoltageBatteryCurrent", None, 0.2),
    ],
)  # fmt: skip
def test_a_signal_is_its_column_with_its_sensor_s_noise(
    message: str, signal: str, level: float | None, noise: float
) -> None:
    value = sent(message)[signal]
    if level is not None:
        assert value.mean() == pytest.approx(level, abs=0.05)
    still = value[AT > 10.0] if message == "Converter" else value
    assert still.std() == pytest.approx(noise, rel=0.05, abs=1e-6)


def test_the_motor_s_current_is_the_largest_since_the_message_before_or_that_of_the_moment() -> None:
    at = np.array([7.99, 8.02, 8.06, 8.12])
    held = sent("InverterCurrent", at=at, period_s=0.05)["MotorCurrent"]
    assert held == pytest.approx([100.0, 170.0, 170.0, 100.0], abs=3.0)
    moment = sent("InverterCurrent", at=at, period_s=0.05, layout=Layout(holds_peak=False))["MotorCurrent"]
    assert moment == pytest.approx([100.0, 170.0, 100.0, 100.0], abs=3.0)


def test_states_pedals_and_switches_follow_the_drive() -> None:
    at = np.array([3.0, 5.0, 7.0, 12.5])
    assert sent("Inverter", at=at)["State"].tolist() == [0.0, 1.0, 2.0, 3.0]  # off, ready, driving, faulted
    assert sent("Inverter", at=at)["Fault"].tolist() == [0.0, 0.0, 0.0, 3.0]
    pedals = sent("Pedals", drive(brake=PRESS, derating=Profile(((0.0, 0.5),))), at=at)
    assert pedals["Throttle"] == pytest.approx(
        [0.0, 0.0, 80.0, 0.0], abs=0.3
    )  # what the driver does, not what is granted
    assert pedals["ThrottleSecond"] - pedals["Throttle"] == pytest.approx([0.3] * 4, abs=0.3)
    assert sent("Pedals", drive(brake=PRESS), at=np.array([7.9, 8.5]))["Brake"].tolist() == [0.0, 1.0]
    lagging = sent("Junction", layout=Layout(flag_lag_s=0.5), at=np.array([2.4, 2.6, 18.4, 18.6]))
    assert lagging["NegativeContactor"].tolist() == [0.0, 1.0, 1.0, 0.0]


def test_slower_controllers_are_silent_or_old_until_they_are_awake() -> None:
    asleep = drive(awake_s=9.0, brake=PRESS)
    at = np.array([8.9, 9.1, 9.5, 9.7])
    assert sent("Pack", asleep, at=at)["Voltage"] == pytest.approx([0.0, 326.0, 326.0, 326.0], abs=1.0)
    converter = sent("Converter", asleep, at=at)
    assert converter["Voltage"] == pytest.approx([0.0, 13.8, 13.8, 13.8], abs=0.01)
    assert converter["State"].tolist() == [2.0] * 4
    assert converter["Current"][0] == 0.0
    assert converter["Current"][3] > 5.0
    loop = sent("CoolantLoop", asleep, at=at)
    assert loop["PumpSpeed"] == pytest.approx([0.0, 0.0, 0.0, 4200.0], abs=60.0)
    assert loop["PumpCurrent"] == pytest.approx([0.0, 0.0, 0.0, 4.0], abs=0.2)
    assert loop["OutletTemperature"][0] == loop["OutletTemperature"][2] != loop["OutletTemperature"][3]
    off = sent("Converter", drive(awake_s=1.0, aux=AuxSupply(converter_stops_s=8.0)), at=np.array([0.5, 1.5, 7.0, 9.0]))
    assert off["State"].tolist() == [0.0, 1.0, 2.0, 1.0]
    loads = sent("LowVoltageLoads", asleep, at=np.array([4.0, 5.0, 8.6, 11.1]))
    assert (loads["SteeringPump"].tolist(), loads["BrakePump"].tolist()) == ([0, 1, 1, 1], [0, 0, 1, 0])
    assert loads["BrakePumpCurrent"][[0, 3]].tolist() == [0.0, 0.0]
    aux = sent("Auxiliary", asleep)["Voltage"]
    assert np.diff(aux[AT > 12.0]).std() == pytest.approx(0.01 * 2**0.5, rel=0.06)


def test_temperatures_take_turns_and_the_pump_s_state_is_that_of_its_supply() -> None:
    made_ = drive(cooling=Cooling(pump_off=((10.0, 11.0),)))
    found = sent("Temperatures", made_, at=np.array([1.0, 5.0, 10.5, 12.0]))
    assert found["Page"].tolist() == [0.0, 1.0, 2.0, 0.0]
    assert found["CoolantPump"].tolist() == [0.0, 1.0, 0.0, 1.0]
    heat = sensed_temperatures(made_)
    for name, course in (("Motor", heat.motor), ("Inverter", heat.inverter), ("Coolant", heat.coolant)):
        assert found[f"{name}Temperature"][3] == pytest.approx(np.interp(12.0, heat.time_s, course))


def test_a_charger_sends_what_its_own_meter_shows_and_is_asked_while_the_monitor_lives() -> None:
    charge = replace(CHARGE, voltage_error=0.01, fault_s=9.0, request_silent_s=8.0)
    of = made(20.0, charge=charge, pack=Pack(capacity_Ah=4.0))
    at = np.array([5.0, 7.0, 9.5])
    charger = sent("Charger", of, at=at)
    session = of.charge
    assert session is not None
    true = np.interp(at, session.time_s, session.output_V)
    assert charger["Voltage"] == pytest.approx(true / 1.01, abs=0.8)
    assert charger["Current"] == pytest.approx(np.interp(at, session.time_s, session.current), abs=0.5)
    assert (charger["State"].tolist(), charger["Fault"].tolist()) == ([1.0, 1.0, 4.0], [0.0, 0.0, 1.0])
    asked = sent("ChargeRequest", of, at=at)
    assert (asked["CurrentTarget"][0], asked["VoltageTarget"][0]) == (20.0, 333.0)
    watts = sent("ChargerInput", of, at=at)["InputPower"]
    assert watts[0] == pytest.approx(20.0 * np.interp(5.0, session.time_s, session.voltage) / 0.93 + 15.0, abs=25.0)
    dark = made(20.0, charge=replace(CHARGE, supply_lost_s=8.0), pack=Pack(capacity_Ah=4.0))
    power = sent("ChargerInput", dark, at=np.arange(4.5, 9.9, 0.005))["InputPower"]
    assert power[-300:].tolist() == [0.0] * 300  # the mains are gone
    assert np.diff(power[:600]).std() == pytest.approx(5.0 * 2**0.5, rel=0.12)
    port = sent("ChargePort", of, at=np.array([0.9, 1.5, 2.5]))
    assert (port["ChargePlug"].tolist(), port["ChargeLock"].tolist()) == ([0, 1, 1], [0, 0, 1])
    every = np.arange(0.0, 20.0, 0.5)
    during = _while_charging(of, every)
    assert (during[0], during[-1]) == (1.0, np.floor(2 * session.time_s[-1]) / 2)
    assert _requests(of, every)[-1] == 7.5
    assert _while_charging(made(), every).size == 0
    with pytest.raises(ValueError, match="no controller sends Nothing"):
        sent("Nothing")


def test_messages_are_sent_at_their_periods_together_or_by_themselves_and_count(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    periods_ms = {"InverterMotion": 10, "InverterHv": 10, "Road": 50, "Charger": 100, "ChargeRequest": 100}
    defined = [SimpleNamespace(name=name, cycle_time=each) for name, each in periods_ms.items()]
    monkeypatch.setattr(hazel_bus, "definitions", lambda: SimpleNamespace(messages=defined))
    of = made(5.0)
    messages = {each.message.name: each for each in sent_messages(of, 3)}
    assert list(messages) == ["InverterMotion", "InverterHv", "Road"]  # nothing charges
    motion, link = messages["InverterMotion"], messages["InverterHv"]
    assert motion.values["AliveCounter"][:18].tolist() == [*range(16), 0, 1]
    assert "AliveCounter" not in link.values
    assert np.diff(motion.ready_s).mean() == pytest.approx(0.01, rel=2e-3)
    assert not np.array_equal(motion.ready_s, link.ready_s)
    together = {each.message.name: each for each in sent_messages(of, 3, Layout(together=True, period_s=0.02))}
    assert np.array_equal(together["InverterMotion"].ready_s, together["InverterHv"].ready_s)
    assert np.diff(together["InverterHv"].ready_s).mean() == pytest.approx(0.02, rel=2e-3)
    asked: list[np.ndarray] = []

    def measured(at_s: np.ndarray) -> np.ndarray:
        asked.append(at_s)
        return np.floor(at_s)

    late = {each.message.name: each for each in sent_messages(of, 3, measured={"InverterHv": measured})}["InverterHv"]
    assert np.array_equal(asked[0], late.ready_s)
    read = late.values["DcLinkVoltage"]
    assert all(np.ptp(read[np.floor(late.ready_s) == second]) == 0.0 for second in range(5))  # one reading a second


def test_road_speed_is_on_the_second_bus_and_a_request_ends_with_its_monitor(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("Road", "InverterHv", "Charger", "ChargeRequest")
    defined = [SimpleNamespace(name=name, cycle_time=100, frame_id=7, is_extended_frame=True) for name in names]
    monkeypatch.setattr(hazel_bus, "definitions", lambda: SimpleNamespace(messages=defined))
    monkeypatch.setattr(hazel_bus, "pack", lambda message, values: np.zeros((len(next(iter(values.values()))), 8)))
    of = made(20.0, charge=replace(CHARGE, request_silent_s=8.0), pack=Pack(capacity_Ah=4.0))
    messages = {each.message.name: each for each in sent_messages(of, 3)}
    assert messages["ChargeRequest"].ready_s[-1] == pytest.approx(7.95, abs=0.06)
    assert messages["Charger"].ready_s[-1] > 9.9  # it waits for two seconds more, and listens
    assert messages["InverterHv"].ready_s[-1] > 19.8
    streams = {name: stream_of(each) for name, each in messages.items()}
    assert {name: each.bus for name, each in streams.items()} == {
        "Road": "can1", "InverterHv": "can0", "Charger": "can0", "ChargeRequest": "can0",
    }  # fmt: skip
    road = streams["Road"]
    assert (road.identifier, road.extended, road.payload.shape) == (7, True, (messages["Road"].ready_s.size, 8))


def test_frames_of_other_controllers_come_at_their_own_periods() -> None:
    of = made(10.0)
    others = {(each.bus, each.identifier): each for each in other_traffic(of, 3)}
    expected = {("can0", 0x3B0): (8, 0.1), ("can0", 0x51A): (4, 0.2), ("can1", 0x1B5): (8, 0.1),
                ("can1", 0x281): (8, 0.02), ("can1", 0x35C): (6, 0.05), ("can1", 0x4F0): (2, 0.5)}  # fmt: skip
    assert {
        key: (each.payload.shape[1], pytest.approx(np.diff(each.ready_s).mean(), rel=0.01))
        for key, each in others.items()
    } == expected
    assert not any(each.extended for each in others.values())


def test_a_console_prints_what_the_inverter_has_in_its_own_milliseconds() -> None:
    lines = (
        console_text(drive(logged_speed_scale=2.0), 5, Console(period_s=0.5, boots_s=1.0)).decode("ascii").split("\r\n")
    )
    assert lines[:2] == ["boot: console 3, build 41", "t,rpm,amps,volts,heatsink,state,fault"]
    rows = [line.split(",") for line in lines[2:-1]]
    assert [int(row[0]) for row in rows[:2]] == pytest.approx([400, 900], abs=3)
    by_time = {round(int(row[0]) / 500 + 0.2): row for row in rows}
    assert {row[1] for row in rows} == {"4000"}
    assert [row[5] for row in (rows[0], rows[10], rows[22])] == ["Precharge", "Run", "Tripped"]
    assert float(rows[10][2]) == pytest.approx(100.0, abs=3.0)
    assert float(rows[10][3]) == pytest.approx(326.0, abs=1.0)
    assert [row[6] for row in (rows[10], rows[22])] == ["0", "3"]
    assert max(float(row[2]) for row in rows) == pytest.approx(170.0, abs=3.0)
    assert len(by_time) == len(rows)
