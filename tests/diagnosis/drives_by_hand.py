"""Drives of the simulator whose rows are made by hand: nothing is stepped, only the circuit is solved."""

from __future__ import annotations

import numpy as np

from logscope.simulate.charge import Charge, play_charge
from logscope.simulate.circuits import HighVoltage
from logscope.simulate.drive import COLUMNS, ROW_S, Drive
from logscope.simulate.key_cycles import play
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario

CIRCUIT = HighVoltage(330.0, 150.0, 1e-3, pack_ohm=0.1, loop_ohm=0.02, bleeder_ohm=47e3)
CHARGE = Charge(4.0, ramp_A_per_s=1e9, after_s=2.0)
NOTHING = Profile(((0.0, 0.0),))


def made(duration_s: float = 20.0, columns: dict[str, np.ndarray | float] | None = None, **scenario: object) -> Drive:
    """A drive whose contactor closes at about 2.6 s and opens at 18 s, with columns by hand."""
    known: dict[str, object] = {"key_cycles": (KeyCycle(2.0, 18.0),), "throttle": NOTHING, "circuit": CIRCUIT}
    of = Scenario(name="made", duration_s=duration_s, **(known | scenario))  # type: ignore[arg-type]
    rows = np.zeros((round(duration_s / ROW_S), len(COLUMNS)), np.float32)
    for name, value in (columns or {}).items():
        rows[:, COLUMNS.index(name)] = value
    charge = None
    if of.charge is not None:
        charge = play_charge(of.charge, of.pack, of.circuit.open_circuit_V, of.circuit.pack_ohm, duration_s)
    return Drive(of, play(of.circuit, of.key_cycles, duration_s), rows, charge)


def between(since_s: float, until_s: float, level: float = 1.0, duration_s: float = 20.0) -> np.ndarray:
    at = np.arange(round(duration_s / ROW_S)) * ROW_S
    return np.where((at > since_s - 1e-6) & (at < until_s - 1e-6), level, 0.0)
