"""The circuit against closed forms, a circuit simulator (ngspice) and its own energy balance."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from math import e, exp, sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from logscope.simulate.circuits import HighVoltage, Stage, resting_point, solve

IDEAL = HighVoltage(400.0, 150.0, 1e-3, pack_ohm=0.0)


def volts(solution, *times):
    return solution.sample(np.array(times)).link_V


def test_charging_passes_the_textbook_fractions():
    # 63.2, 86.5, 95.0, 98.2, 99.3 % after 1…5 time constants: any circuits textbook
    solution = solve(IDEAL, (Stage(0.0, relay=True),), 1.0)
    assert volts(solution, 0.15, 0.3, 0.45, 0.6, 0.75) / 400 == pytest.approx(
        [0.632121, 0.864665, 0.950213, 0.981684, 0.993262], abs=1e-6
    )


def test_charging_from_a_start_voltage_as_in_alexander_and_sadiku():
    # Fundamentals of Electric Circuits, example 7.10: 20.9 V after 1 s, 27.97 V after 4 s (from memory)
    circuit = HighVoltage(30.0, 4e3, 0.5e-3, pack_ohm=0.0)
    solution = solve(circuit, (Stage(0.0, relay=True),), 10.0, start_V=15.0)
    assert volts(solution, 1.0, 4.0) == pytest.approx([20.902, 27.970], abs=1e-3)


def test_parallel_load_as_in_alexander_and_sadiku():
    # the same book, example 7.11 (from memory): 30 V, 10 Ω, 20 Ω across 1/4 F, v = 20 − 10·exp(−0.6t)
    circuit = HighVoltage(30.0, 10.0, 0.25, pack_ohm=0.0)
    stage = Stage(0.0, relay=True, parallel_ohm=20.0)
    times = np.linspace(0, 8, 30)
    found = solve(circuit, (stage,), 10.0, start_V=10.0).sample(times).link_V
    assert found == pytest.approx(20 - 10 * np.exp(-0.6 * times), abs=1e-9)


def test_constant_power_load_rests_at_the_upper_root():
    # V² − Vs·V + P·R = 0; 400 V, 50 Ω, 300 W rests at 358.113883 V (closed form)
    circuit = HighVoltage(400.0, 50.0, 1e-3, pack_ohm=0.0)
    load = Stage(0.0, relay=True, power_W=300.0, cut_in_V=200.0, cut_out_V=50.0)
    rests = volts(solve(circuit, (load,), 2.0), 2.0)[0]
    assert rests == pytest.approx(200 + sqrt(200**2 - 300 * 50), abs=1e-4)


def test_a_resistor_beside_a_constant_power_takes_its_share():
    # Thevenin: 400 V over 50 Ω with 200 Ω across is 320 V over 40 Ω; V² − Vt·V + P·Rt = 0 (closed form)
    circuit = HighVoltage(400.0, 50.0, 1e-3, pack_ohm=0.0)
    load = Stage(0.0, relay=True, power_W=300.0, cut_in_V=200.0, cut_out_V=50.0, parallel_ohm=200.0)
    rests = volts(solve(circuit, (load,), 2.0), 2.0)[0]
    assert rests == pytest.approx(160 + sqrt(160**2 - 300 * 40), abs=1e-4)


def test_constant_power_load_above_the_greatest_deliverable_hunts_around_its_cut_in():
    # above Vs²/4R = 800 W there is no resting point: the link swings between cut-in and cut-out
    circuit = HighVoltage(400.0, 50.0, 1e-3, pack_ohm=0.0)
    load = Stage(0.0, relay=True, power_W=1000.0, cut_in_V=300.0, cut_out_V=250.0)
    late = solve(circuit, (load,), 3.0).sample(np.linspace(1.0, 3.0, 2000)).link_V
    assert late.min() == pytest.approx(250.0, abs=0.5)
    assert late.max() == pytest.approx(300.0, abs=0.5)


def test_inrush_through_the_loop_is_the_series_rlc_peak():
    # closed form of the underdamped series circuit: 20 V, 10 mΩ, 1 µH, 1 mF: 504.469 A after 45.22 µs
    circuit = HighVoltage(20.0, 100.0, 1e-3, pack_ohm=0.0, loop_ohm=0.01, loop_H=1e-6)
    times = np.linspace(0.0, 2e-4, 20001)
    current = solve(circuit, (Stage(0.0, contactor=True),), 1e-3).sample(times).pack_A
    assert current.max() == pytest.approx(504.469, rel=1e-4)
    assert times[current.argmax()] == pytest.approx(45.22e-6, abs=2e-8)


@settings(max_examples=20)
@given(lag=st.floats(1e-3, 0.5), start=st.floats(0, 300))
def test_exact_pieces_agree_with_integration(lag, start):
    # the same stage as an exact piece, and integrated because of a load too small to matter
    circuit = replace(IDEAL, lag_s=lag, bleeder_ohm=47e3)
    exact = solve(circuit, (Stage(0.0, relay=True),), 1.0, start_V=start, sensed_V=0.0)
    tiny = Stage(0.0, relay=True, power_W=1e-9, cut_in_V=1e-3, cut_out_V=1e-4)
    integrated = solve(circuit, (tiny,), 1.0, start_V=start, sensed_V=0.0)
    times = np.linspace(0.0, 1.0, 50)
    assert exact.sample(times).sensed_V == pytest.approx(integrated.sample(times).sensed_V, abs=1e-4)
    assert exact.sample(times).link_V == pytest.approx(integrated.sample(times).link_V, abs=1e-4)


def test_equal_time_constants_of_link_and_sensing_have_their_limit():
    # two equal poles: 1 − (1 + t/τ)·exp(−t/τ); at t = τ that is 1 − 2/e
    circuit = replace(IDEAL, lag_s=0.15)
    trace = solve(circuit, (Stage(0.0, relay=True),), 1.0).sample(np.array([0.15]))
    assert trace.sensed_V[0] == pytest.approx(400 * (1 - 2 / e), rel=1e-6)


@pytest.mark.parametrize(
    "stage",
    [
        Stage(0.0, relay=True),
        Stage(0.0, relay=True, parallel_ohm=600.0),
        Stage(0.0, relay=True, power_W=60.0, cut_in_V=180.0, cut_out_V=100.0),
    ],
)
def test_energy_closes_to_a_thousandth(stage):
    # what the pack gives = what the capacitor stores + what resistor, pack and loads take
    circuit = replace(IDEAL, pack_ohm=0.1, bleeder_ohm=47e3)
    solution = solve(circuit, (stage,), 0.6)
    cuts = [piece.start_s for piece in solution.pieces[1:]]

    def total(power):
        return quad(lambda t: power(t), 0.0, 0.6, points=cuts or None, limit=200)[0]

    def at(t):
        trace = solution.sample(np.array([t]))
        return float(trace.link_V[0]), float(trace.pack_A[0])

    given_J = total(lambda t: 400.0 * at(t)[1])
    burnt_J = total(lambda t: at(t)[1] ** 2 * 150.1)
    leaked_J = total(lambda t: at(t)[0] ** 2 * (1 / 47e3 + 1 / stage.parallel_ohm))
    running = next((p.start_s for p in solution.pieces[1:]), 0.6)
    used_J = stage.power_W * (0.6 - running) if stage.power_W else 0.0
    stored_J = 0.5e-3 * volts(solution, 0.6)[0] ** 2
    assert burnt_J + leaked_J + used_J + stored_J == pytest.approx(given_J, rel=1e-3)


def test_resistor_takes_as_much_as_the_capacitor_stores():
    # ½CV², whatever the resistance
    solution = solve(IDEAL, (Stage(0.0, relay=True),), 5.0)
    burnt = quad(lambda t: float(solution.sample(np.array([t])).pack_A[0]) ** 2 * 150, 0, 5, limit=200)[0]
    assert burnt == pytest.approx(0.5e-3 * 400**2, rel=1e-3)


def test_bleeder_discharges_from_the_moment_the_contactor_opens():
    circuit = replace(IDEAL, bleeder_ohm=47e3)
    solution = solve(circuit, (Stage(0.0, contactor=True), Stage(1.0)), 100.0, start_V=400.0)
    assert volts(solution, 48.0)[0] == pytest.approx(volts(solution, 1.0)[0] * exp(-1), rel=1e-6)


def test_crossing_is_the_logarithm():
    solution = solve(IDEAL, (Stage(0.5, relay=True),), 2.0)
    assert solution.crossing(380.0) == pytest.approx(0.5 + 0.15 * np.log(20), abs=2e-6)
    assert solution.crossing(401.0) is None


def test_load_without_hysteresis_is_refused():
    with pytest.raises(ValueError, match="cut_out_V < cut_in_V"):
        Stage(0.0, power_W=100.0, cut_in_V=10.0, cut_out_V=10.0)


def _ngspice(netlist: str, folder: Path) -> np.ndarray:
    """Time and link voltage that ngspice finds, shape (n, 2)."""
    deck, out = folder / "deck.cir", folder / "out.txt"
    deck.write_text(netlist.replace("OUT", str(out)), encoding="utf-8")
    subprocess.run(["ngspice", "-b", str(deck)], cwd=folder, check=True, capture_output=True, timeout=60)
    return np.loadtxt(out)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize(
    ("load", "stage"),
    [
        ("", Stage(0.0, relay=True)),
        ("Rp link 0 900", Stage(0.0, relay=True, parallel_ohm=900.0)),
        (
            "Bp link 0 I = V(link) > 150 ? 60 / V(link) : 0",
            Stage(0.0, relay=True, power_W=60.0, cut_in_V=150.0, cut_out_V=100.0),
        ),
    ],
    ids=["no load", "parallel load", "constant power"],
)
def test_precharge_agrees_with_ngspice_to_half_a_percent(tmp_path, load, stage):
    circuit = replace(IDEAL, pack_ohm=0.1, bleeder_ohm=47e3, lag_s=0.02)
    netlist = f"""precharge
Vs pack 0 400
Rs pack link 150.1
Cl link 0 1m IC=20
Rb link 0 47k
{load}
Ef follow 0 link 0 1
Rf follow sense 1k
Cf sense 0 20u IC=20
.options reltol=1e-5
.tran 0.5m 1 0 0.5m UIC
.control
set wr_singlescale
run
wrdata OUT v(link) v(sense)
quit
.endc
.end
"""
    spice = _ngspice(netlist, tmp_path)
    later = spice[spice[:, 0] > 0.01]
    ours = solve(circuit, (stage,), 1.0, start_V=20.0).sample(later[:, 0])
    assert ours.link_V == pytest.approx(later[:, 1], rel=5e-3)
    assert ours.sensed_V == pytest.approx(later[:, 2], rel=5e-3)


def test_resting_point_of_an_open_circuit_never_moves():
    assert resting_point(IDEAL, Stage(0.0))[1] == float("inf")
