"""The pack during a drive and its charge: terminal voltage, current and level."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.sampling import at_rows


class PackState(NamedTuple):
    """Terminal voltage [V], current [A], positive while discharging, and charge level, 0 to 1."""

    volts: FloatArray
    amps: FloatArray
    level: FloatArray


def pack_state(drive: Drive, t: FloatArray) -> PackState:
    """The true state of the pack at each time."""
    scenario = drive.scenario
    trace = drive.high_voltage.solution.sample(t)
    drift_V = at_rows(drive.column("drift_V"), ROW_S, t)
    motor_A = at_rows(drive.column("pack_A"), ROW_S, t)
    charge_A = np.zeros(t.size)
    if drive.charge is not None and drive.charge.time_s.size:
        session = drive.charge
        charge_A = np.interp(t, session.time_s, session.pack_A, left=0.0, right=0.0)
        charged_As = np.interp(t, session.time_s, session.charged_As, left=0.0)
        drift_V = drift_V + scenario.pack.volts_per_coulomb * charged_As
    volts = trace.terminal_V + drift_V - (motor_A - charge_A) * scenario.circuit.pack_ohm
    level = scenario.pack.level + drift_V / scenario.pack.volts_per_level
    return PackState(volts, trace.pack_A + motor_A - charge_A, level)
