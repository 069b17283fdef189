"""Heat on its way out: junction – sink – coolant – radiator, and the winding beside the inverter.

    inverter loss ─► junction ── sink ──┐
                                        ├── coolant ── radiator ─► ambient
    motor loss ────► winding ───────────┘

Four heat capacities joined by conductances; between two changes of the flow the network is linear, and
each step is exact for a loss that stays the same over it: dT/dt = A·T + B·P with P held.

The conductances into and out of the coolant follow its flow to the power 0.8, as heat transfer in
turbulent pipe flow does (Dittus and Boelter, any heat-transfer textbook), down to what standing water
carries by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from logscope.arrays import FloatArray

STEP_S = 0.1
_FLOW_EXPONENT = 0.8
_WINDING_OHM = 0.02
_SWITCHING_W_PER_A = 3.0


class Chain(NamedTuple):
    """Capacities [J/K] and conductances [W/K]: the size of a small liquid-cooled drive.

    Common practice, no published source. `still_share` is what is left of a conductance to water that
    does not flow.
    """

    winding_J_per_K: float = 14e3
    junction_J_per_K: float = 60.0
    sink_J_per_K: float = 2.5e3
    coolant_J_per_K: float = 43e3
    winding_W_per_K: float = 33.0
    junction_W_per_K: float = 33.0
    sink_W_per_K: float = 55.0
    radiator_W_per_K: float = 165.0
    still_share: float = 0.08


@dataclass(frozen=True, slots=True)
class Cooling:
    """What the coolant does. Spans are (from, until) [s].

    pump_off : the pump stands; air_lock : the pump runs, but air in the loop leaves `air_flow` of the flow
    start_C : coolant and metal at the beginning, ambient where not given
    """

    ambient_C: float = 18.0
    start_C: float | None = None
    pump_off: tuple[tuple[float, float], ...] = ()
    air_lock: tuple[tuple[float, float], ...] = ()
    air_flow: float = 0.0
    chain: Chain = field(default_factory=Chain)

    def pump_runs(self, time_s: FloatArray) -> NDArray[np.bool_]:
        """Whether the pump runs at each time, as far as the cooling is concerned."""
        return ~_within(self.pump_off, time_s)

    def flow(self, time_s: FloatArray) -> FloatArray:
        """Coolant flow at each time, as a share of the pump's."""
        locked = np.where(_within(self.air_lock, time_s), self.air_flow, 1.0)
        return np.where(self.pump_runs(time_s), locked, 0.0)


class Temperatures(NamedTuple):
    """Times [s] and temperatures [°C], a value each 0.1 s."""

    time_s: FloatArray
    motor: FloatArray
    junction: FloatArray
    inverter: FloatArray
    coolant: FloatArray


def losses(current_A: FloatArray, row_s: float) -> tuple[FloatArray, FloatArray]:
    """Loss of motor and inverter [W] over each step, from the current's amplitude in rows of `row_s`."""
    every = max(round(STEP_S / row_s), 1)
    usable = current_A[: current_A.size // every * every].reshape(-1, every)
    copper_W = 1.5 * _WINDING_OHM * (usable**2).mean(axis=1)
    return copper_W, _SWITCHING_W_PER_A * usable.mean(axis=1)


def temperatures(current_A: FloatArray, row_s: float, cooling: Cooling = Cooling()) -> Temperatures:
    """Temperatures under a motor current (amplitude, one value each `row_s`)."""
    return warm(*losses(current_A, row_s), cooling)


def warm(motor_W: FloatArray, inverter_W: FloatArray, cooling: Cooling) -> Temperatures:
    """Temperatures at the beginning of each step under losses held over the step."""
    time_s: FloatArray = np.arange(motor_W.size, dtype=np.float64) * STEP_S
    flow = cooling.flow(time_s)
    steps = {float(share): exact_step(cooling.chain, float(share), STEP_S) for share in np.unique(flow)}
    start_C = cooling.ambient_C if cooling.start_C is None else cooling.start_C
    above = np.full(4, start_C - cooling.ambient_C)
    history = np.empty((time_s.size, 4))
    for row in range(time_s.size):
        history[row] = above
        keep, gain = steps[float(flow[row])]
        above = keep @ above + gain @ (motor_W[row], inverter_W[row])
    winding, junction, sink, coolant = (history + cooling.ambient_C).T
    return Temperatures(time_s, winding, junction, sink, coolant)


def network(chain: Chain, flow: float) -> tuple[FloatArray, FloatArray]:
    """A (4 × 4) and B (4 × 2) of dT/dt = A·T + B·P; T: winding, junction, sink, coolant above ambient.

    P : loss of motor and inverter [W]
    """
    wet = chain.still_share + (1.0 - chain.still_share) * flow**_FLOW_EXPONENT
    winding, sink, radiator = (wet * g for g in (chain.winding_W_per_K, chain.sink_W_per_K, chain.radiator_W_per_K))
    junction = chain.junction_W_per_K
    capacity = np.array(chain[:4])
    conductance = np.array(
        [
            [winding, 0.0, 0.0, -winding],
            [0.0, junction, -junction, 0.0],
            [0.0, -junction, junction + sink, -sink],
            [-winding, 0.0, -sink, winding + sink + radiator],
        ]
    )
    entry = np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0], [0.0, 0.0]])
    return -conductance / capacity[:, None], entry / capacity[:, None]


def exact_step(chain: Chain, flow: float, step_s: float) -> tuple[FloatArray, FloatArray]:
    """What a step keeps of the temperatures (4 × 4), and what a loss held over it adds (4 × 2) [K/W]."""
    system, entry = network(chain, flow)
    block = np.zeros((6, 6))
    block[:4, :4], block[:4, 4:] = system, entry
    phi = expm(block * step_s)
    return phi[:4, :4], phi[:4, 4:]


def _within(spans: tuple[tuple[float, float], ...], time_s: FloatArray) -> NDArray[np.bool_]:
    inside = np.zeros(time_s.size, dtype=np.bool_)
    for begin_s, end_s in spans:
        inside |= (time_s >= begin_s) & (time_s < end_s)
    return inside
