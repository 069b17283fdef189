"""The DC link while the motor draws on it: sag, a contactor that opens under load, and its return.

The circuit of the key cycles is solved beforehand, without the motor; here runs the difference that the
motor and the pack's charge level make. With the contactor closed the link's own time constant (about
0.1 ms) is far under a step's worth of change, and the difference is −R·P/V. With it open the link lives
on what it holds: d(½C·v²)/dt = −P.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

import numpy as np
from numba import njit

from logscope.arrays import BoolArray, FloatArray
from logscope.simulate.circuits import HighVoltage, Stage, resting_point
from logscope.simulate.key_cycles import HighVoltageStory

_LEAST_V = 1.0  # under this a link gives no power


class Supply(NamedTuple):
    """Constants of the pack's side: resistance to the link, capacitance, and the pack's rise with charge."""

    source_ohm: float
    capacitance_F: float
    volts_per_coulomb: float


class LinkRows(NamedTuple):
    """The link without the motor, by row.

    base_V : its voltage; gain : how much of a change of the pack's voltage arrives in the end, and with
    which time constant tau_s; closed : whether the contactor is; dropped : whether it opened by itself
    """

    base_V: FloatArray
    gain: FloatArray
    tau_s: FloatArray
    closed: BoolArray
    dropped: BoolArray


def link_rows(circuit: HighVoltage, story: HighVoltageStory, time_s: FloatArray, dropped: BoolArray) -> LinkRows:
    """Lay the story out by rows; in a dropout the link has nothing but the bleeder."""
    base_V = story.solution.sample(time_s).link_V
    index = np.searchsorted([stage.start_s for stage in story.stages], time_s, side="right") - 1
    points = [resting_point(circuit, stage) for stage in story.stages]
    gain = np.array([rest / circuit.open_circuit_V for rest, _ in points])[index]
    tau_s = np.array([tau for _, tau in points])[index]
    closed = np.array([stage.contactor for stage in story.stages])[index] & ~dropped
    gain[dropped], tau_s[dropped] = resting_point(circuit, Stage(0.0))
    return LinkRows(base_V, gain, tau_s, closed, dropped)


@njit(cache=False)
def advance_link(
    supply: Supply, link: LinkRows, row: int, shift_V: float, drift_V: float, power_W: float, step_s: float
) -> float:
    """The link's difference from its base after a step [V]; drift_V is that of the pack's own voltage."""
    base = link.base_V[row]
    before = base + shift_V
    if link.closed[row]:
        return float(drift_V - supply.source_ohm * power_W / max(before, _LEAST_V))
    left = before * before - 2.0 * power_W * step_s / supply.capacitance_F
    shift_V = max(left, 0.0) ** 0.5 - base
    rest = -base if link.dropped[row] else link.gain[row] * drift_V
    return float(rest + (shift_V - rest) * exp(-step_s / link.tau_s[row]))
