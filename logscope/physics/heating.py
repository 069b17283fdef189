"""How a body warms that gives its heat to surroundings through one resistance.

C·dT/dt = P − (T − T₀)/R, with the time constant τ = R·C: after a step of heat the rise above the surroundings is
θ(t) = θ_∞·(1 − exp(−t/τ)), θ_∞ = R·P. Any textbook of heat transfer (lumped capacity); for electrical machines
IEC 60034-1, which classes insulation by the rise it bears.

A stream of coolant takes up Q = ρ·V̇·c·(T_out − T_in): the steady-flow energy balance of any textbook.
"""

from __future__ import annotations

from math import exp, inf, log

# ρ·c of water with ethylene glycol, half and half at 40 °C: 1,060 kg/m³ and 3.4 kJ/(kg·K) (ASHRAE Handbook,
# Fundamentals, secondary coolants; value from memory). Water takes up more for each kelvin, so that less of it flows.
COOLANT_J_PER_L_K = 3600.0
_S_PER_MIN = 60.0


def stream_litres_per_min(heat_W_per_K: float, heat_J_per_L_K: float = COOLANT_J_PER_L_K) -> float:
    """The flow that takes up so much heat for each kelvin between inlet and outlet [L/min]."""
    return heat_W_per_K / heat_J_per_L_K * _S_PER_MIN


def rise_after(seconds: float, end_K: float, time_constant_s: float, start_K: float = 0.0) -> float:
    """The rise [K] after a time under constant heat; end_K : the rise in the end, start_K : at the beginning."""
    return end_K + (start_K - end_K) * exp(-seconds / time_constant_s)


def seconds_to(limit_C: float, now_C: float, end_C: float, time_constant_s: float) -> float:
    """Time until a temperature passes a limit on its way to `end_C` [s]; 0 beyond it, infinite where it never does."""
    if now_C >= limit_C:
        return 0.0
    if end_C <= limit_C:
        return inf
    return time_constant_s * log((end_C - now_C) / (end_C - limit_C))
