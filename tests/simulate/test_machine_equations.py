"""One short step of the simulated machine against its equations in complex vectors.

Source: the induction machine in rotor-flux coordinates (Leonhard, Control of Electrical Drives, chapter 10; from
memory), all rotor quantities seen from the stator, leakage on the stator's side:

    L·di/dt = v − Rs·i − jωf·L·i − e,   e = (Lm·i − ψ)/Tr + jpω·ψ,   dψ/dt = (Lm·i − ψ)/Tr − j(ωf − pω)·ψ
    torque = 3/2·p·Im(ψ̄·i),   power = 3/2·Re(v·ī)

The steps run as plain Python here: nothing has to be compiled.
"""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from logscope.simulate import machine as made
from logscope.simulate.machine import Electrical, Inverter, Machine, current_loop, retune

MACHINE, INVERTER = Machine(), Inverter()
STEP_S = 1e-7  # so short that a difference is a slope
LOOP = current_loop(MACHINE, 150.0, 0.7, STEP_S)
KP, KI = LOOP[0], LOOP[1]


@pytest.fixture(autouse=True)
def plain_python(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(made, "_advance_flux", made._advance_flux.py_func)


def step(now: Electrical, target_Nm: float, measured: float, rotor: float, link_V: float):  # type: ignore[no-untyped-def]
    return made.advance_machine.py_func(MACHINE, INVERTER, LOOP, now, target_Nm, measured, rotor, link_V, STEP_S)


def vectors(state: Electrical) -> tuple[complex, complex, complex]:
    return complex(state.id, state.iq), complex(state.xd, state.xq), complex(state.flux_d, state.flux_q)


# link voltage, measured and true shaft speed [rad/s], torque target [Nm]
CASES = {
    "at rest": (330.0, 0.0, 0.0, 40.0),
    "turning": (330.0, 150.0, 150.0, 90.0),
    "turning backwards": (330.0, -120.0, -120.0, -60.0),
    "a reading that is off": (330.0, 180.0, 150.0, 90.0),
    "out of voltage": (60.0, 350.0, 340.0, 90.0),
    "field weakened": (330.0, 900.0, 895.0, 20.0),
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", CASES)
def test_a_short_step_follows_the_equations_of_the_machine(name: str, seed: int) -> None:
    link_V, measured, rotor, target_Nm = CASES[name]
    rng = np.random.default_rng([17, seed])
    field = 0.3 if name == "field weakened" else 1.0
    now = Electrical(
        field * rng.uniform(80, 140), field * rng.uniform(-150, 150), rng.uniform(-0.01, 0.01),
        rng.uniform(-0.05, 0.05), field * rng.uniform(0.12, 0.2), rng.uniform(-0.03, 0.03),
        field * rng.uniform(0.19, 0.21),
    )  # fmt: skip
    after, drawn = step(now, target_Nm, measured, rotor, link_V)
    current, held, flux = vectors(now)
    current_after, held_after, flux_after = vectors(after)
    p, leakage, main, decay_s = 2.0, 0.15e-3, 1.5e-3, 0.13

    most_V = link_V / sqrt(3)
    weak = min(1.0, 0.8 * most_V / (0.18 * max(abs(p * measured), 1.0)))
    target = complex(0.18 * weak / main, target_Nm / (1.5 * p * now.flux_estimate))
    frame = p * measured + main * target.imag / (decay_s * now.flux_estimate)
    volts = KI * held - KP * current + 1j * frame * leakage * current + 1j * p * measured * now.flux_estimate
    short = abs(volts) > most_V
    assert short == (name == "out of voltage")
    if short:
        volts *= most_V / abs(volts)
    back = (main * current - flux) / decay_s + 1j * p * rotor * flux
    slope = (volts - 0.02 * current - 1j * frame * leakage * current - back) / leakage
    assert (current_after - current) / STEP_S == pytest.approx(slope, rel=2e-3, abs=1e-3 * abs(slope))
    flux_slope = (main * current - flux) / decay_s - 1j * (frame - p * rotor) * flux
    assert (flux_after - flux) / STEP_S == pytest.approx(flux_slope, rel=2e-3, abs=2e-3 * abs(flux_slope))
    estimate = (after.flux_estimate - now.flux_estimate) / STEP_S
    assert estimate == pytest.approx((main * now.id - now.flux_estimate) / decay_s, rel=2e-3, abs=1e-3)
    if short:  # the integrators go to what the shortened vector asks of them
        asked = KI * held_after - KP * current + 1j * frame * leakage * current + 1j * p * measured * now.flux_estimate
        assert asked == pytest.approx(volts + KI * (target - current) * STEP_S, rel=1e-6)
    else:
        assert (held_after - held) / STEP_S == pytest.approx(target - current, rel=2e-3, abs=0.2)
    assert drawn.torque == pytest.approx(1.5 * p * (flux.conjugate() * current).imag, rel=2e-3, abs=0.05)
    assert drawn.power == pytest.approx(1.5 * (volts * current.conjugate()).real, rel=2e-3, abs=5.0)
    assert drawn.current == pytest.approx(abs(current), rel=1e-3)
    assert drawn.target == pytest.approx(abs(target), rel=1e-6)


NOW = Electrical(110.0, 60.0, 0.0, 0.0, 0.17, 0.0, 0.17)


def test_the_target_current_stays_within_the_inverters_limit() -> None:
    """Of 340 A in all, the magnetising current comes first: √(340² − 120²) is left for the torque."""
    for target_Nm in (1000.0, -1000.0):
        _, drawn = step(NOW, target_Nm, 0.0, 0.0, 330.0)
        assert drawn.target == pytest.approx(340.0)
    _, drawn = step(NOW, 1.5 * 2.0 * 0.17 * sqrt(300.0**2 - 120.0**2), 0.0, 0.0, 330.0)
    assert drawn.target == pytest.approx(300.0)


def test_torque_waits_until_there_is_flux() -> None:
    """Without flux the estimate counts as 0.3 of nominal: 10 Nm then take 10/(1.5·2·0.054) A, no endless current."""
    _, drawn = step(Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), 10.0, 0.0, 0.0, 330.0)
    assert drawn.target == pytest.approx(sqrt(120.0**2 + (10.0 / 0.162) ** 2))


def test_other_gains_leave_the_voltage_where_it_is() -> None:
    before, after = LOOP, current_loop(MACHINE, 40.0, 0.3, STEP_S)
    now = Electrical(110.0, -60.0, 0.02, -0.03, 0.17, 0.01, 0.16)
    new = retune.py_func(before, after, now)
    for current, held, held_after in ((now.id, now.xd, new.xd), (now.iq, now.xq, new.xq)):
        assert after[1] * held_after - after[0] * current == pytest.approx(before[1] * held - before[0] * current)
    assert (new.id, new.iq, *new[4:]) == (now.id, now.iq, *now[4:])


def test_with_the_gates_off_the_current_dies_in_a_millisecond_and_the_flux_with_the_rotor() -> None:
    now = Electrical(100.0, 50.0, 0.01, 0.02, 0.17, -0.02, 0.18)
    after, drawn = made.coast.py_func(MACHINE, now, 0.25e-3)
    assert (after.id, after.iq, after.xd, after.xq) == pytest.approx((75.0, 37.5, 0.0, 0.0))
    share = 0.25e-3 / 0.13
    assert after.flux_d == pytest.approx(0.17 + (1.5e-3 * 75.0 - 0.17) * share)
    assert after.flux_q == pytest.approx(-0.02 + (1.5e-3 * 37.5 + 0.02) * share)
    assert after.flux_estimate == pytest.approx(0.18 * (1 - share))
    assert drawn.torque == pytest.approx(3.0 * (after.flux_d * after.iq - after.flux_q * after.id))
    assert (drawn.power, drawn.current, drawn.target) == pytest.approx((0.0, sqrt(75.0**2 + 37.5**2), 0.0))
    gone, _ = made.coast.py_func(MACHINE, now, 2e-3)
    assert (gone.id, gone.iq) == (0.0, 0.0)
    faint = Electrical(4e-7, 4e-7, 0.0, 0.0, 4e-10, 4e-10, 1e-9)
    assert made.coast.py_func(MACHINE, faint, 1e-4)[0] == Electrical(*[0.0] * 7)
    for kept in (faint._replace(id=2e-6), faint._replace(flux_q=2e-9)):
        assert made.coast.py_func(MACHINE, kept, 1e-4)[0] != Electrical(*[0.0] * 7)


def test_a_frame_that_slips_turns_the_flux_back() -> None:
    """Without decay (the time constant is long) the vector keeps its length: by 0.3 rad in 10 ms at 30 rad/s."""
    lasting = MACHINE._replace(rotor_time_constant_s=1e9)
    d, q = made._advance_flux(lasting, 0.1, 0.0, 0.0, 0.0, 30.0, 0.01)
    assert complex(d, q) == pytest.approx(0.1 * np.exp(-0.3j), rel=1e-6)


def test_gains_place_the_poles_with_the_transient_resistance() -> None:
    """Kp = 2ζωₙL − R and Ki = ωₙ²L with R = Rs + Lm/Tr (pole placement, Ogata; from memory)."""
    natural = 2 * pi * 60.0
    loop = current_loop(MACHINE, 60.0, 0.5, 1e-4)
    assert loop[0] == pytest.approx(natural * 0.15e-3 - (0.02 + 1.5e-3 / 0.13))
    assert loop[1] == pytest.approx(natural**2 * 0.15e-3)
    # from rest a held target and disturbance act first by i ≈ d·T/L and x ≈ i*·T
    assert loop[7] == pytest.approx(1e-4 / 0.15e-3, rel=0.03)
    assert loop[8] == pytest.approx(1e-4, rel=0.01)
