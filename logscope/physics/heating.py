"""How a body warms that gives its heat to surroundings through one resistance.

C·dT/dt = P − (T − T₀)/R, with the time constant τ = R·C: after a step of heat the rise above the surroundings is
θ(t) = θ_∞·(1 − exp(−t/τ)), θ_∞ = R·P. Any textbook of heat transfer (lumped capacity); for electrical machines
IEC 60034-1, which classes insulation by the rise it bears.
"""

from __future__ import annotations

from math import exp, inf, log


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
