"""Charging and the 12 V supply against closed forms."""

from __future__ import annotations

from math import exp, inf

import numpy as np
import pytest

from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import DONE, STEP_S, STOPPED, Charge, Pack, play_charge

PACK = Pack(capacity_Ah=40.0, level=0.7, volts_per_level=35.0)


def charged(charge, open_circuit_V=331.0, pack_ohm=0.09, end_s=3000.0):
    return play_charge(charge, PACK, open_circuit_V, pack_ohm, end_s)


def test_constant_current_holds_until_the_voltage_is_reached():
    # OCV + I·R rises by I·t/C with C = Q/ΔV; from 331 + 1.8 V at 20 A that is 333 V after 0.2 V·4114 F/20 A = 41.1 s
    session = charged(Charge(0.0, ramp_A_per_s=1e9))
    change = int(np.argmax(session.state == 2.0))
    capacity_F = 40.0 * 3600 / 35.0
    assert session.current[:change] == pytest.approx(np.full(change, 20.0))
    assert session.time_s[change] == pytest.approx(0.2 * capacity_F / 20.0, abs=0.2)


def test_the_taper_is_the_exponential_of_resistance_and_pack_capacitance():
    # CV onto a capacitor behind a resistor: I = I₀·exp(−t/RC), any circuits textbook
    session = charged(Charge(0.0, ramp_A_per_s=1e9, end_A=5.0))
    taper = (session.state == 2.0).nonzero()[0]
    since = (session.time_s[taper[-1]] - session.time_s[taper[0]]) / (0.09 * 40.0 * 3600 / 35.0)
    assert session.current[taper[-1]] / session.current[taper[0]] == pytest.approx(exp(-since), rel=2e-3)
    assert session.voltage[taper] == pytest.approx(np.full(taper.size, 333.0), abs=1e-9)
    assert session.state[-1] == DONE


def test_charge_and_voltage_agree_with_each_other():
    session = charged(Charge(0.0))
    assert session.charged_As[-1] == pytest.approx(session.current.sum() * STEP_S, rel=1e-9)
    assert session.voltage[-1] == pytest.approx(331.0 + session.charged_As[-1] * PACK.volts_per_coulomb)


def test_a_meter_that_reads_low_charges_too_high():
    session = charged(Charge(0.0, voltage_error=0.01))
    assert session.voltage.max() == pytest.approx(333.0 * 1.01)


def test_a_charge_can_stop_by_itself():
    session = charged(Charge(0.0, stops_s=20.0))
    assert session.state[-1] == STOPPED
    assert session.current[session.time_s >= 20.0].max() == 0.0


def test_12_volts_follow_ohms_law_and_the_coils():
    # V = V₀ − R·I; a coil of 8 A pulls a 50 mΩ battery down by 0.4 V, and its saver leaves 1 A of it
    supply = AuxSupply(battery_ohm=0.05, base_A=0.0, pump_A=0.0)
    time_s = np.array([0.9, 1.0, 3.0, 5.0])
    off = np.zeros(4, dtype=bool)
    volts = supply.low_side(time_s, off, [(1.0, 4.0)]).volts
    assert volts == pytest.approx([12.6, 12.2, 12.55, 12.6], abs=1e-6)
    stopped = AuxSupply(converter_stops_s=2.0).low_side(time_s, ~off, []).volts
    assert stopped[0] > 13.0 > stopped[2]


def test_two_sources_share_a_load_as_millman_says():
    # Millman's theorem, any circuits textbook: V = (ΣU/R − I)/Σ(1/R); what both give is what the load takes
    supply = AuxSupply(battery_V=12.6, charge_ohm=0.25, converter_V=13.8, converter_ohm=0.01, base_A=20.0, pump_A=0.0)
    side = supply.low_side(np.array([1.0]), np.array([True]), [], 5.0)
    volts = (12.6 / 0.25 + 13.8 / 0.01 - 25.0) / (1 / 0.25 + 1 / 0.01)
    assert side.volts[0] == pytest.approx(volts)
    assert side.battery_A[0] == pytest.approx((12.6 - volts) / 0.25)  # below zero: it is charged
    assert side.battery_A[0] + side.converter_A[0] == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("charge", "withdrawn_s", "ends_s"),
    [
        (Charge(0.0), inf, inf),
        (Charge(0.0), 50.0, 50.3),  # follows a request 0.3 s later
        (Charge(0.0, obeys_s=inf), 50.0, inf),
        (Charge(0.0, request_silent_s=50.0), inf, 52.0),  # misses the request after 2 s
        (Charge(0.0, request_silent_s=50.0, hears_s=0.5), inf, 50.5),
        (Charge(0.0, fault_s=50.0), inf, 50.3),
        (Charge(0.0, stops_s=50.0), inf, 50.0),
        (Charge(0.0, supply_lost_s=50.0), inf, 50.0),
        (Charge(0.0, unplugged_s=50.0), inf, 51.5),  # an arc lasts 1.5 s
        (Charge(0.0, unplugged_s=50.0, supply_lost_s=51.0), 50.5, 50.8),  # what comes first
    ],
)
def test_a_charger_stops_as_late_as_its_scenario_says(charge, withdrawn_s, ends_s):
    assert charge.ends_s(withdrawn_s) == pytest.approx(ends_s)
