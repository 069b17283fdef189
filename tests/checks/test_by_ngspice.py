"""Contactors, discharge and the rotor judged against circuits that ngspice solves from tables of events."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from motor_traces import HAZEL as HAZELS_MOTOR
from one_check import findings_of
from spice import NEEDS_NGSPICE, solve, stairs

from logscope.arrays import FloatArray
from logscope.checks.contactors.check import contactors
from logscope.checks.discharge.check import discharge
from logscope.checks.encoder.check import encoder
from logscope.checks.precharge.check import precharge
from logscope.findings import Severity
from logscope.physics.motion import free_spin_slew
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

pytestmark = NEEDS_NGSPICE
HAZEL = Vehicle(precharge=Precharge(resistance_ohm=150, capacitance_uF=1000), dc_link=DcLink(bleeder_ohm=9000))
END_S, STEP_S = 30.0, 2e-3
PARTS = {"relay": "precharge_relay", "main": "main_contactor", "negative": "negative_contactor"}
Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Events:
    """When relay and contactors are closed, and when their states say so where they say otherwise."""

    relay: Spans = ((2.0, 3.4),)
    main: Spans = ((3.2, 15.0),)
    negative: Spans = ((1.5, 15.1),)
    said: dict[str, Spans] = field(default_factory=dict)


def switched(name: str, spans: Spans) -> str:
    changes = [(0.0, 0.0)] + [each for begin_s, end_s in spans for each in ((begin_s, 1.0), (end_s, 0.0))]
    return f"V{name} c_{name} 0 {stairs(changes)}"


def link_of(folder: Path, events: Events) -> FloatArray:
    """Time, link, pack and pack current of 350 V on 1 mF through 150 Ω, with a bleeder of 9 kΩ.

    A load draws 120 A from 5 to 12 s, and stops below 120 V, as an inverter does.
    """
    elements = "\n".join(
        (
            "Vcells cells 0 350", "Rcells cells pack 0.05", "Vmeter pack bus 0",
            "Smain bus plus c_main 0 contact", "Srelay bus middle c_relay 0 contact", "Rpre middle plus 150",
            "Clink plus minus 1m ic=0", "Rbleeder plus minus 9k", "Sneg minus 0 c_negative 0 contact",
            "Rleak minus 0 100meg", ".model contact SW(Vt=0.5 Vh=0 Ron=2m Roff=1e9)",
            *(switched(name, getattr(events, name)) for name in PARTS),
            "Vload asked 0 PWL(0 0 5 0 5.2 120 12 120 12.05 0)",
            "Bload plus minus I=V(asked)*0.5*(1+tanh((V(plus,minus)-120)/5))",
        )
    )  # fmt: skip
    return solve(folder, elements, END_S, STEP_S, ("v(plus,minus)", "v(pack)", "i(vmeter)"))


def logged(solved: FloatArray, events: Events, *, states: bool = True, seed: int = 1) -> Signals:
    """As controllers send it: link every 20 ms, pack and current every 100 ms, states every 50 ms."""
    rng = np.random.default_rng(seed)
    parts = {}
    for column, (name, unit, period_s, noise, step) in enumerate(
        (
            ("dc_link_voltage", "V", 0.02, 0.2, 0.1),
            ("battery_voltage", "V", 0.1, 0.1, 0.1),
            ("battery_current", "A", 0.1, 0.3, 0.1),
        ),
        1,
    ):
        at = np.arange(rng.uniform(0, period_s), END_S, period_s)
        read = np.interp(at, solved[:, 0], solved[:, column]) + rng.normal(0, noise, at.size)
        parts[name] = Part(name, at, np.round(read / step) * step, unit, f"Made.{name}", step)
    for name, part in PARTS.items() if states else ():
        at = np.arange(rng.uniform(0, 0.05), END_S, 0.05)
        spans = events.said.get(name, getattr(events, name))
        on = np.any([(at >= begin) & (at < end) for begin, end in [*spans, (99.0, 99.0)]], axis=0)
        parts[part] = Part(part, at, on.astype(float), "", f"{name}.State", 1.0, on=on)
    return Signals(parts, 0.0, END_S)


TABLE: dict[str, tuple[Events, set[str]]] = {
    "negative, relay, main": (Events(), {"sound"}),
    "relay, negative, main": (Events(negative=((2.3, 15.1),)), {"sound"}),
    "main without the relay": (Events(relay=()), {"order"}),
    "main before the relay": (Events(relay=((4.2, 4.8),)), {"order"}),
    "negative last, onto an empty link": (Events(negative=((4.0, 15.1),)), {"order"}),
    "main drops out for 0.3 s under load": (Events(main=((3.2, 8.0), (8.3, 15.0))), {"dropout"}),
    "main drops out for 0.1 s under load, its state misses it": (
        Events(main=((3.2, 8.0), (8.1, 15.0)), said={"main": ((3.2, 15.0),)}), {"dropout"},
    ),
    "main opens under load": (Events(main=((3.2, 8.0),), negative=((1.5, 8.1),)), {"opened_under_load"}),
    "main and negative are welded": (
        Events(main=((3.2, 40.0),), negative=((1.5, 40.0),), said={"main": ((3.2, 15.0),), "negative": ((1.5, 15.1),)}),
        {"welded"},
    ),
    "main is welded, the negative opens later": (
        Events(main=((3.2, 40.0),), negative=((1.5, 21.0),), said={"main": ((3.2, 15.0),)}), {"welded"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLE)
def test_a_table_of_switching_gives_the_verdict_that_its_circuit_bears_out(name: str, tmp_path: Path) -> None:
    events, expected = TABLE[name]
    found = findings_of(contactors, logged(link_of(tmp_path, events), events), HAZEL)
    assert {each.kind.removeprefix("contactor.") for each in found} == expected
    if expected == {"dropout"}:
        assert found[0].start_s == pytest.approx(8.0, abs=0.06)
        assert found[0].measured["current_A"].value == pytest.approx(120.0, abs=3.0)


@pytest.mark.parametrize("states", [True, False])
def test_a_closing_is_measured_as_the_circuit_does_it(states: bool, tmp_path: Path) -> None:
    """The contactor closes after 0.35 s of 150 ms: by ngspice the link then stands at 90 %."""
    events = Events(main=((2.35, 15.0),))
    solved = link_of(tmp_path, events)
    (found,) = findings_of(precharge, logged(solved, events, states=states), HAZEL)
    true = np.interp(2.3499, solved[:, 0], solved[:, 1]) / 350.0
    assert true == pytest.approx(0.90, abs=0.01)
    share = found.measured["fraction_at_close"]
    assert share.low is not None
    assert share.high is not None
    assert share.low <= true <= share.high
    assert share.high - share.low < 0.12
    assert found.measured["time_constant_s"].value == pytest.approx(0.150, rel=0.05)


@pytest.mark.parametrize("states", [True, False])
def test_the_time_to_60_v_is_that_of_the_circuit(states: bool, tmp_path: Path) -> None:
    """9 kΩ · 1 mF · ln(350/60) = 15.9 s, of which the log shows 15 s: the rest is extrapolated."""
    solved = link_of(tmp_path, Events())
    after = solved[:, 0] > 15.0
    slope = np.polyfit(solved[after, 0], np.log(solved[after, 1]), 1)
    true_s = (np.log(60.0) - slope[1]) / slope[0] - 15.0
    assert true_s == pytest.approx(15.87, abs=0.05)
    (found,) = findings_of(discharge, logged(solved, Events(), states=states), HAZEL)
    passes = found.measured["time_to_60V_s"]
    assert passes.low is not None
    assert passes.high is not None
    assert passes.low <= true_s <= passes.high
    assert passes.high - passes.low < 0.06 * true_s
    assert found.measured["time_constant_s"].value == pytest.approx(9.0, rel=0.01)


def rotor(folder: Path, torque_nm: float) -> FloatArray:
    """Time and speed [rpm] of a free rotor: torque as a current, 0.05 kg·m² as a capacitor, losses as a resistor."""
    throws = [(0.0, 0.0)]
    for k in range(8):
        throws += [(1.0 + k, torque_nm), (1.22 + k, 0.0), (1.3 + k, -torque_nm), (1.52 + k, 0.0)]
    elements = f"Itorque 0 turns {stairs(throws)}\nCinertia turns 0 0.05 ic=0\nRlosses turns 0 50"
    solved = solve(folder, elements, 10.0, 1e-3, ("v(turns)",))
    return np.column_stack([solved[:, 0], solved[:, 1] * 30 / np.pi])


@pytest.mark.parametrize(("share", "period_s"), [(1.0, 0.01), (1.0, 0.02), (0.5, 0.01)])
def test_no_throw_of_a_free_rotor_is_a_disturbance_and_a_reading_off_the_envelope_is(
    share: float, period_s: float, tmp_path: Path
) -> None:
    """By ngspice the rotor of 160 Nm changes by 30,558 rpm/s at most; 20 % are left to nameplates and stamps."""
    turned = rotor(tmp_path, share * 160.0)
    every_ms = np.interp(np.arange(0.0, 10.0, 1e-3), turned[:, 0], turned[:, 1])
    steepest = np.abs(np.diff(every_ms)).max() / 1e-3
    assert 0.99 <= steepest / (share * free_spin_slew(160, 0.05)) < 1.2  # its losses help it to slow down
    at = np.arange(0.0, 9.9, period_s)
    speed = np.round(np.interp(at, turned[:, 0], turned[:, 1]) + np.random.default_rng(5).normal(0, 2, at.size))

    def disturbed(value: FloatArray) -> list[str]:
        made = Part("motor_speed", at, value, "rpm", "Made.Speed", 1.0)
        found = findings_of(encoder, Signals({"motor_speed": made}, 0.0, 10.0), HAZELS_MOTOR)
        return [each.kind for each in found if each.severity.rank >= Severity.WARNING.rank]

    assert disturbed(speed) == []
    wrong = speed.copy()
    wrong[at.size // 2] += 2.5 * 30_558 * period_s
    assert disturbed(wrong) == ["encoder.spike"]
