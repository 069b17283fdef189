"""The loaded precharge circuit against textbooks, numerical integration and a circuit simulator."""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from logscope.physics.resistor import pulse_energy_loaded_j
from logscope.sizing.circuit import Circuit, link_curve, rest_v, resting_voltages, rise

HEAVY = Circuit(400.0, 50.0, 2e-3, load_ohm=2000.0, load_w=300.0, cut_in_v=150.0)


def integrate(circuit: Circuit, to_v: float, from_v: float = 0.0) -> tuple[float, float] | None:
    """Time and heat by scipy.integrate.solve_ivp, stage by stage; None where the voltage is not reached."""
    time, heat, volts = 0.0, 0.0, from_v
    for end, watts in ((min(to_v, circuit.cut_in_v), 0.0), (to_v, circuit.load_w)):
        if end <= volts:
            continue

        def change(_: float, s: np.ndarray, watts: float = watts) -> list[float]:
            through = (circuit.source_v - s[0]) / circuit.resistance_ohm
            load = s[0] / circuit.load_ohm + (watts / s[0] if watts else 0.0)
            return [(through - load) / circuit.capacitance_f, through * (circuit.source_v - s[0])]

        def there(_: float, s: np.ndarray, end: float = end) -> float:
            return float(s[0] - end)

        def fell(_: float, s: np.ndarray, start: float = volts) -> float:
            return float(s[0] - 0.98 * start + 1e-3)  # a link pulled back would end in the load's pole at 0 V

        there.terminal = fell.terminal = True  # type: ignore[attr-defined]
        longest = 60 * circuit.resistance_ohm * circuit.capacitance_f
        solved = solve_ivp(change, (0, longest), [volts, 0.0], "LSODA", events=(there, fell), rtol=1e-9, atol=1e-9)
        if not solved.t_events[0].size:
            return None
        time, heat, volts = time + solved.t_events[0][0], heat + solved.y_events[0][0][1], end
    return time, heat


def test_handbook_table_of_a_charge() -> None:
    """63.2, 86.5, 95.0, 98.2, 99.3 % after one to five constants: the table of every electronics handbook."""
    circuit = Circuit(100.0, 10.0, 1e-3)
    for constants, percent in ((1, 63.2121), (2, 86.4665), (3, 95.0213), (4, 98.1684), (5, 99.3262)):
        assert rise(circuit, percent)[0] / 0.01 == pytest.approx(constants, abs=1e-4)


def test_bleeder_example_of_a_textbook() -> None:
    """Alexander & Sadiku, Fundamentals of Electric Circuits, example 7.11 (from memory).

    30 V, 10 ohm, 20 ohm across 1/4 F, from 10 V: v = 20 − 10·exp(−0.6·t).
    """
    circuit = Circuit(30.0, 10.0, 0.25, load_ohm=20.0)
    assert rest_v(circuit) == pytest.approx(20.0)
    for seconds in (0.5, 1.0, 4.0):
        assert rise(circuit, 20 - 10 * math.exp(-0.6 * seconds), 10.0)[0] == pytest.approx(seconds)
    assert rise(circuit, 20.0, 10.0)[0] == math.inf


def test_roots_of_a_constant_power_load() -> None:
    """400 V, 50 ohm, 300 W: 358.113883 V and 41.886117 V; at most 800 W. Against numpy.roots; no published example."""
    circuit = Circuit(400.0, 50.0, 2e-3, load_w=300.0)
    assert resting_voltages(circuit) == pytest.approx(sorted(np.roots([1, -400.0, 300.0 * 50.0])))
    assert resting_voltages(circuit) == pytest.approx((41.886117, 358.113883))
    assert circuit.max_load_w == pytest.approx(800.0)
    assert resting_voltages(Circuit(400.0, 50.0, 2e-3, load_w=800.1)) is None


def test_a_load_that_starts_below_the_lower_root_pulls_the_link_back() -> None:
    """scipy.integrate.solve_ivp from just above and just below the root: up to 358.1 V, and down."""
    for start, rises in ((41.9, True), (41.8, False)):
        circuit = Circuit(400.0, 50.0, 2e-3, load_w=300.0, cut_in_v=start)
        slope = ((400 - start) / 50 - 300 / start) / 2e-3
        assert (slope > 0) is rises
        assert math.isfinite(rise(circuit, 350.0)[0]) is rises
        assert (rest_v(circuit) is not None) is rises
        assert (integrate(circuit, 350.0) is not None) is rises


@given(
    source=st.floats(50, 900), ohm=st.floats(2, 500), farad=st.floats(1e-4, 5e-3), load=st.floats(5, 500),
    power=st.floats(0, 0.95), cut_in=st.floats(0.05, 0.95), fraction=st.floats(0.1, 0.98), start=st.floats(0, 0.5),
)  # fmt: skip
def test_time_and_heat_follow_the_differential_equation(
    source: float, ohm: float, farad: float, load: float, power: float, cut_in: float, fraction: float, start: float
) -> None:
    bare = Circuit(source, ohm, farad, load * ohm)
    circuit = Circuit(source, ohm, farad, load * ohm, power * bare.max_load_w, cut_in * source)
    roots = resting_voltages(circuit)
    assert roots is not None
    assume(abs(circuit.cut_in_v - roots[0]) > 1e-3 * source)
    assume(abs(fraction * source - roots[1]) > 1e-3 * source)
    assume(abs(fraction * source - circuit.open_v) > 1e-3 * source)
    assume(circuit.cut_in_v > roots[0] or start * source < circuit.cut_in_v)
    expected = integrate(circuit, fraction * source, start * source)
    got = rise(circuit, fraction * source, start * source)
    if expected is None:
        assert got == (math.inf, math.inf)
    else:
        assert got == pytest.approx(expected, rel=1e-5, abs=1e-8)


def test_heat_agrees_with_the_plain_exponential() -> None:
    time, heat = rise(Circuit(400.0, 80.0, 1e-3, load_ohm=3000.0), 350.0)
    circuit = Circuit(400.0, 80.0, 1e-3, load_ohm=3000.0)
    assert heat == pytest.approx(
        pulse_energy_loaded_j(time, 0.0, circuit.open_v, 400.0, 80.0, circuit.time_constant_s), rel=1e-9
    )


def test_the_drawn_curve_follows_the_differential_equation() -> None:
    t = np.linspace(0, 1.5, 200)

    def change(_: float, s: np.ndarray) -> list[float]:
        watts = HEAVY.load_w / s[0] if s[0] >= HEAVY.cut_in_v else 0.0
        return [((HEAVY.source_v - s[0]) / HEAVY.resistance_ohm - s[0] / HEAVY.load_ohm - watts) / HEAVY.capacitance_f]

    solved = solve_ivp(change, (0, 1.5), [0.0], t_eval=t, rtol=1e-8, atol=1e-8, max_step=1e-3)
    assert link_curve(HEAVY, t) == pytest.approx(solved.y[0], abs=0.1)


def test_a_link_that_hunts_is_drawn_at_the_cut_in_voltage() -> None:
    hunting = Circuit(400.0, 100.0, 1e-3, load_w=900.0, cut_in_v=200.0)
    assert rest_v(hunting) is None
    assert link_curve(hunting, np.array([0.0, 10.0])) == pytest.approx([0.0, 200.0])


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="no ngspice is installed")
def test_a_circuit_simulator_agrees(tmp_path: Path) -> None:
    """ngspice on the same circuit: 400 V, 50 ohm, 2 mF, 2 kohm and 300 W from 150 V on; time to 320 V, heat until then.

    300 W there: with 2 kohm the resting point is 346.5 V, so 80 % is reached. The switch of the load is a behavioural
    source; the heat is integrated on a second capacitor.
    """
    netlist = tmp_path / "precharge.cir"
    netlist.write_text(
        "* precharge with loads\n"
        "V1 pack 0 400\nR1 pack link 50\nC1 link 0 2m ic=0\nR2 link 0 2000\n"
        "B1 link 0 I = V(link) > 150 ? 300/V(link) : 0\n"
        "B2 0 heat I = (400-V(link))*(400-V(link))/50\nC2 heat 0 1 ic=0\n"
        ".tran 20u 1 0 20u uic\n"
        ".meas tran closed WHEN V(link)=320 RISE=1\n"
        ".meas tran joule FIND V(heat) WHEN V(link)=320 RISE=1\n"
        ".end\n",
        encoding="ascii",
    )
    ran = subprocess.run(["ngspice", "-b", str(netlist)], capture_output=True, text=True, timeout=60, check=False)
    lines = [line.split("=") for line in ran.stdout.splitlines() if line.startswith(("closed ", "joule "))]
    found = {parts[0].strip(): float(parts[1].split()[0]) for parts in lines}
    assert rise(HEAVY, 320.0) == pytest.approx((found["closed"], found["joule"]), rel=1e-3)
