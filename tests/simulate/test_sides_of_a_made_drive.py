"""The 12 V side, the pack, the pumps and the states of a drive made by hand, as the simulator states and sends them.

Closed forms: Millman's theorem for two sources, ∫I²·R/C for a loss, first-order lags; all else is arithmetic.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drives_by_hand import CHARGE, between, made

from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import Pack
from logscope.simulate.drive import Drive, _powered, torque_wish
from logscope.simulate.hazel_bus import _coils, _joined, _other_payload, _switch_positions
from logscope.simulate.hazel_rest import (
    _cells,
    _lock_spans,
    brake_pump_amps,
    brake_pump_spans,
    input_watts,
    pack_temperatures,
    plug_spans,
    steering_amps,
    steering_spans,
)
from logscope.simulate.layouts import AS_DEFINED, LAYOUTS, SAMPLINGS_S, Layout
from logscope.simulate.low_voltage_truth import low_voltage_truth
from logscope.simulate.machine import Inverter
from logscope.simulate.pack_state import pack_state
from logscope.simulate.scenarios import KeyCycle, Profile


def low(drive: Drive) -> list[tuple[str, str | None, float, float]]:
    return [(e.kind, e.cause, round(e.start_s, 2), round(e.end_s, 2)) for e in low_voltage_truth(drive)]


def test_the_12_volt_side_is_stated_by_what_its_scenario_has() -> None:
    closes = made().high_voltage.closed[0][0]
    long = {"key_cycles": (KeyCycle(2.0, 38.0),), "duration_s": 40.0}

    def aux(**of: object) -> list[tuple[str, str | None, float, float]]:
        return low(made(**long, aux=AuxSupply(**of)))  # type: ignore[arg-type]

    shut = round(closes, 2)
    assert aux() == []
    assert aux(battery_V=11.67) == [("aux.supply", "empty_battery", 0.0, shut)]  # 0.18 V less at rest
    assert aux(battery_V=11.69) == []
    assert aux(converter_delay_s=10.1) == [("aux.supply", "never_ran", shut, round(closes + 10.1, 2))]
    assert aux(converter_delay_s=9.9) == []
    assert aux(converter_stops_s=27.9) == [("aux.supply", "stopped", 27.9, 38.0)]
    assert aux(converter_stops_s=28.1) == []
    assert aux(converter_V=14.4) == [("aux.supply", "over_voltage", shut, 38.0)]
    assert aux(converter_V=14.2) == []
    assert aux(sags_from_s=10.0, sags_V_per_s=0.1) == [("aux.supply", "sagging", 15.0, 38.0)]
    assert aux(sags_from_s=28.0, sags_V_per_s=0.1) == []  # below it for less than six seconds
    assert aux(loose=((5.0, 7.0),)) == [("aux.dip", "loose_connection", 5.0, 7.0)]


def test_a_source_with_resistance_is_stated_where_a_pump_starts_on_it_alone() -> None:
    closes = made().high_voltage.closed[0][0]
    weak = made(aux=AuxSupply(battery_ohm=0.12, converter_delay_s=1.6))  # the steering's pump starts after 1.5 s
    (found,) = low_voltage_truth(weak)
    assert (found.kind, found.cause, found.start_s, found.end_s) == ("aux.dip", "source_resistance", closes, 18.0)
    assert found.parameters == {"low_voltage_battery_ohm": 0.12}
    assert low(made(aux=AuxSupply(battery_ohm=0.12, converter_delay_s=1.4))) == []
    assert low(made(aux=AuxSupply(battery_ohm=0.09, converter_delay_s=1.6))) == []
    (bad,) = low_voltage_truth(made(aux=AuxSupply(converter_ohm=0.12)))
    assert bad.parameters == pytest.approx(
        {"converter_resistance_ohm": 0.12, "source_resistance_ohm": 0.12 * 0.25 / 0.37}
    )
    assert low(made(aux=AuxSupply(converter_ohm=0.12, converter_delay_s=1.6))) == []
    fed = made(
        aux=AuxSupply(brake_pump_fed_by_steering=0.5), brake=Profile(((8.0, 0.0), (8.1, 0.3), (9.0, 0.3), (9.1, 0.0)))
    )
    spans = [(round(e.start_s, 1), round(e.end_s, 1)) for e in low_voltage_truth(fed) if e.kind == "aux.backfeed"]
    assert spans == [(round(closes + 1.5, 1), 8.5), (11.0, 18.0)]


def test_pumps_run_while_the_contactor_is_closed_and_after_a_press() -> None:
    brake = Profile(((8.0, 0.0), (8.1, 0.3), (9.0, 0.3), (9.1, 0.0), (17.0, 0.0), (17.1, 0.3)))
    drive = made(brake=brake, aux=AuxSupply(brake_pump_runs_on_s=1.0))
    closes = drive.high_voltage.closed[0][0]
    assert steering_spans(drive) == [(pytest.approx(closes + 1.5), 18.0)]
    assert [(round(a, 2), round(b, 2)) for a, b in brake_pump_spans(drive)] == [(8.5, 11.0), (17.5, 18.0)]
    at = np.array([8.4, 8.5, 10.9, 11.9, 12.1])
    own = brake_pump_amps(drive, at)
    assert own == pytest.approx([0.0, 33.0, 11.0, 11.0, 0.0], abs=1e-6)  # three times as much when it starts
    assert steering_amps(drive, np.array([closes + 1.4, closes + 1.5, closes + 1.6, 10.0])) == pytest.approx(
        [0.0, 27.0, 9.0 + 18.0 / np.e, 9.0], abs=1e-6
    )
    through = replace(drive, scenario=replace(drive.scenario, aux=AuxSupply(brake_pump_fed_by_steering=0.5)))
    assert brake_pump_amps(through, np.array([16.0]))[0] == pytest.approx(5.5)


def test_the_pack_sags_by_its_current_and_gains_by_what_it_gets() -> None:
    drive = made(columns={"pack_A": between(6.0, 8.0, 100.0), "drift_V": -2.0})
    state = pack_state(drive, np.array([1.0, 7.0]))
    assert state.volts == pytest.approx([328.0, 318.0], abs=1e-3)  # 330 V less 2 V, and 0.1 Ω · 100 A
    assert state.amps == pytest.approx([0.0, 100.0], abs=0.01)
    assert state.level == pytest.approx([0.71 - 2 / 35] * 2)
    charged = made(60.0, charge=CHARGE, pack=Pack(capacity_Ah=0.4))
    session = charged.charge
    assert session is not None
    mid = pack_state(charged, np.array([4.5]))
    assert mid.amps[0] == pytest.approx(-20.0, abs=0.01)  # less the bleeder's 7 mA
    gained = np.interp(4.5, session.time_s, session.charged_As) * 35 / (0.4 * 3600)
    assert mid.volts[0] == pytest.approx(330.0 + gained + 2.0, abs=0.02)
    assert mid.level[0] == pytest.approx(0.71 + gained / 35, abs=1e-4)


def test_a_pack_warms_by_its_loss_and_its_cells_sag_alike() -> None:
    """0.1 Ω · (100 A)² for 100 s over 10 kJ/K are 10 K, less what is lost in four hours' time constant."""
    drive = made(120.0, columns={"pack_A": between(0.0, 100.0, 100.0, 120.0)}, pack=Pack(heat_J_per_K=10e3))
    time_s, coldest, hottest = pack_temperatures(drive)
    after = 10.0 * np.exp(-110.0 / 14_400)
    at = int(np.searchsorted(time_s, 110.0 - 1e-9))
    assert coldest[at] == pytest.approx(18.0 + 0.85 * after, abs=0.01)
    assert hottest[at] == pytest.approx(19.0 + 1.15 * after, abs=0.01)
    charged = made(60.0, charge=CHARGE, pack=Pack(capacity_Ah=40.0, heat_J_per_K=100.0))
    session = charged.charge
    assert session is not None
    time_s, coldest, _ = pack_temperatures(charged)
    assert coldest[time_s < 4.0].tolist() == [18.0] * int((time_s < 4.0).sum())
    # 20 A in 0.1 Ω are 40 W: 10 s over 100 J/K are 4 K
    assert np.interp(14.0, time_s, coldest) == pytest.approx(18.0 + 0.85 * 4.0, abs=0.06)
    cells = _cells(drive, np.array([0.5, 50.0]))
    assert cells["LowestVoltage"].tolist() == pytest.approx([0.0, 320 / 82 - 0.006 - 0.08 * 10 / 82], abs=1e-4)
    assert cells["HighestVoltage"].tolist() == pytest.approx([0.0, 320 / 82 + 0.004], abs=1e-4)


def test_plug_lock_and_mains_follow_the_charge() -> None:
    drive = made(60.0, charge=replace(CHARGE, supply_lost_s=8.0), pack=Pack(capacity_Ah=4.0))
    session = drive.charge
    assert session is not None
    assert (float(session.time_s[0]), plug_spans(drive)[0]) == (1.0, (1.0, pytest.approx(session.time_s[-1] + 3.0)))
    assert _lock_spans(session) == [(2.0, pytest.approx(session.time_s[-1] + 2.0))]
    pulled = made(60.0, charge=replace(CHARGE, unplugged_s=6.0), pack=Pack(capacity_Ah=4.0))
    assert plug_spans(pulled) == [(1.0, 6.0)]
    assert plug_spans(made()) == _lock_spans(None) == []
    at = int(np.searchsorted(session.time_s, 6.0))
    assert input_watts(session)[at] == pytest.approx(session.current[at] * session.voltage[at] / 0.93 + 15.0)
    assert input_watts(session)[-1] == 0.0


def test_states_are_those_that_were_commanded() -> None:
    drive = made(key_cycles=(KeyCycle(2.0, 18.0, welded=True),))
    closes = drive.high_voltage.closed[0][0]
    at = np.array([1.9, 2.1, closes + 0.1, closes + 0.4, 17.9, 18.1])
    found = _switch_positions(drive, at)
    assert found["PrechargeRelay"].tolist() == [0, 1, 1, 0, 0, 0]
    assert found["MainContactor"].tolist() == [0, 0, 1, 1, 1, 0]
    assert found["NegativeContactor"].tolist() == [0, 1, 1, 1, 1, 0]
    assert _coils(drive) == [(2.0, pytest.approx(closes + 0.3)), (pytest.approx(closes), 18.0)]
    assert _joined([(3.0, 4.0), (1.0, 2.0), (2.0, 2.5)]) == [(1.0, 2.5), (3.0, 4.0)]


def test_other_controllers_send_a_counter_something_slow_and_constants() -> None:
    payload = _other_payload(np.random.default_rng(1), 300, 4).astype(int)
    assert payload[:, 0].tolist() == [k % 256 for k in range(300)]
    steps = (np.diff(payload[:, 1]) + 128) % 256 - 128
    assert set(steps.tolist()) == {-1, 0, 1}
    assert np.ptp(payload[:, 2:], axis=0).tolist() == [0, 0]


def test_the_inverter_is_powered_half_a_second_after_the_contactor_closed() -> None:
    drive = made()
    closes = drive.high_voltage.closed[0][0]
    at = np.array([closes + 0.49, closes + 0.51, 17.99, 18.01, 18.03])
    assert _powered(drive.scenario, drive.high_voltage, at).tolist() == [False, True, True, False, False]
    late = made(key_cycles=(KeyCycle(2.0, 18.0, under_load=True),))
    assert _powered(late.scenario, late.high_voltage, at).tolist() == [False, True, True, True, False]


@pytest.mark.parametrize(
    ("throttle", "rpm", "torque"),
    [(1.0, 0.0, 160.0), (0.5, 1000.0, 80.0), (1.0, 9000.0, 65e3 / (9000 * np.pi / 30)), (0.021, 0.0, 3.36),
     (0.02, 5000.0, -28.0), (0.0, 1000.0, -28.0), (0.0, 650.0, -14.0), (0.0, 300.0, 0.0), (0.0, 100.0, 0.0)],
)  # fmt: skip
def test_a_pedal_asks_for_torque_within_power_and_for_braking_when_it_is_up(
    throttle: float, rpm: float, torque: float
) -> None:
    assert torque_wish.py_func(Inverter(), throttle, rpm) == pytest.approx(torque)


def test_layouts_leave_out_or_delay_one_thing_each() -> None:
    assert SAMPLINGS_S == (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
    slow = Layout(period_s=0.05)
    assert [AS_DEFINED.period_of("InverterHv", 0.01), slow.period_of("InverterHv", 0.01)] == [0.01, 0.05]
    assert [slow.period_of("Temperatures", 0.1), slow.period_of("Temperatures", 0.02)] == [0.1, 0.05]
    assert all(
        slow.period_of(name, 0.1) == 0.05 for name in ("InverterMotion", "InverterCurrent", "Inverter", "Pedals")
    )
    unmapped = {layout.name: layout.unmapped for layout in LAYOUTS}
    assert unmapped["no states"] == {"precharge_relay", "main_contactor", "negative_contactor", "inverter_state"}
    assert unmapped["no pack"] == {"battery_voltage", "battery_current"}
    assert unmapped["no fault"] == {"fault", "inverter_state"}
    assert unmapped["all parts"] == unmapped["one controller"] == AS_DEFINED.unmapped == frozenset()
    assert [(layout.together, layout.holds_peak, layout.flag_lag_s) for layout in LAYOUTS[-2:]] == [
        (True, True, 0.03), (False, False, 0.08),
    ]  # fmt: skip
