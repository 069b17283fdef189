"""What a precharge resistor has to turn into heat: in one pulse, while stalled, and over several tries.

Sources: Joule's law and the first-order circuit as in Alexander & Sadiku, Fundamentals of Electric Circuits,
chapter 7. Heat that is left from earlier pulses is treated as one thermal pole (Newton's law of cooling);
the pole itself, tens of seconds to minutes, is common practice without a published source.
"""

from __future__ import annotations

import math

import numpy as np

from logscope.arrays import FloatArray


def resistor_power_w(difference_v: float, resistance_ohm: float) -> float:
    """Heat that a resistor gives off at a voltage across it: ΔV²/R [W]. At the start of a precharge from zero,
    and for as long as the link is shorted, ΔV is the whole pack voltage; when stalled, pack minus link voltage.

    difference_v : voltage across the resistor [V]
    resistance_ohm : R [ohm], above 0
    """
    return difference_v * difference_v / resistance_ohm


def pulse_energy_j(
    start_v: float,
    end_v: float,
    source_v: float,
    resistance_ohm: float,
    capacitance_f: float,
    stalled_s: float = 0.0,
) -> float:
    """Heat in the resistor while an unloaded link rises from one voltage to another, and stays there [J].

    E = ½·C·((Vs − V0)² − (Vs − V1)²) + t·(Vs − V1)²/R: the rise costs the same whatever R is.

    start_v, end_v : link voltage before and after [V]
    source_v : pack voltage [V]
    resistance_ohm : R [ohm], above 0
    capacitance_f : link capacitance [F]
    stalled_s : how long the relay stays in once the link rises no more [s]

    >>> pulse_energy_j(0.0, 400.0, 400.0, 100.0, 1e-3)
    80.0
    """
    rise = 0.5 * capacitance_f * ((source_v - start_v) ** 2 - (source_v - end_v) ** 2)
    return rise + stalled_s * resistor_power_w(source_v - end_v, resistance_ohm)


def pulse_energy_loaded_j(
    elapsed_s: float, start_v: float, end_v: float, source_v: float, resistance_ohm: float, time_constant_s: float
) -> float:
    """Heat in the resistor some time after the relay closed, the link rising exponentially to a resting voltage [J].

    With a = Vs − V∞ and b = V∞ − V0 the resistor sees a + b·exp(−t/τ); squared, over R and integrated:
    E = (a²·t + 2·a·b·τ·(1 − exp(−t/τ)) + ½·b²·τ·(1 − exp(−2t/τ)))/R. It holds for a parallel resistor, where
    τ = (R∥Rp)·C and V∞ = Vs·Rp/(R + Rp), and without one, where a = 0.

    elapsed_s : time since the relay closed [s]
    start_v, end_v : link voltage at the start, and where it rests [V]
    source_v : pack voltage [V]
    resistance_ohm : R [ohm], above 0
    time_constant_s : τ [s], above 0
    """
    a, b, x = source_v - end_v, end_v - start_v, elapsed_s / time_constant_s
    rest = a * a * elapsed_s
    rise = time_constant_s * (-2 * a * b * math.expm1(-x) - 0.5 * b * b * math.expm1(-2 * x))
    return (rest + rise) / resistance_ohm


def let_through_a2s(pulse_j: float, resistance_ohm: float) -> float:
    """∫i²dt of a pulse, which everything in series with the resistor carries too: E/R [A²s].

    pulse_j : heat in the resistor [J]
    resistance_ohm : R [ohm], above 0

    For a whole charge from zero, E = ½·C·Vs² and thus ∫i²dt = Vs²·C/(2·R).
    """
    return pulse_j / resistance_ohm


def accumulated_after_retries_j(energies_j: FloatArray, times_s: FloatArray, cooling_time_s: float) -> FloatArray:
    """Heat in the resistor just after each of several pulses, what is left of the earlier ones included [J].

    H[k] = H[k−1]·exp(−(t[k] − t[k−1])/τc) + E[k]; pulses short against the cooling time. Heat is counted above
    the resistor's temperature before the first pulse.

    energies_j : energy of each pulse [J], shape (n,)
    times_s : when each ended [s], shape (n,), ascending
    cooling_time_s : τc, the resistor's thermal time constant [s], above 0

    >>> accumulated_after_retries_j(np.array([80.0, 80.0]), np.array([0.0, 1e9]), 60.0).tolist()
    [80.0, 80.0]
    """
    held = np.empty(len(energies_j))
    heat, before = 0.0, 0.0
    for k, (energy, time) in enumerate(zip(energies_j.tolist(), times_s.tolist(), strict=True)):
        heat = heat * math.exp(-max(time - before, 0.0) / cooling_time_s) + energy
        held[k], before = heat, time
    return held


def least_interval_s(pulse_j: float, limit_j: float, cooling_time_s: float) -> float:
    """Spacing at which equal pulses may go on for ever without more than a limit of heat in the resistor [s].

    The series H = E/(1 − exp(−T/τc)) solved for T; infinite where one pulse alone reaches the limit.

    pulse_j : energy of each pulse [J]
    limit_j : what the resistor may hold [J]
    cooling_time_s : τc [s], above 0
    """
    return -cooling_time_s * math.log1p(-pulse_j / limit_j) if pulse_j < limit_j else math.inf


def interval_for_mean_power_s(pulse_j: float, rated_power_w: float) -> float:
    """Spacing of pulses whose mean power is the resistor's rating: E/P [s]. Common practice.

    pulse_j : energy of each pulse [J]
    rated_power_w : continuous rating [W], above 0
    """
    return pulse_j / rated_power_w


def stall_time_s(limit_j: float, spent_j: float, stalled_power_w: float) -> float:
    """How long a stalled resistor takes to reach an energy limit, no heat given off meanwhile [s].

    limit_j : what the resistor may take [J]
    spent_j : what the rise before the stall has put into it [J]
    stalled_power_w : (Vs − V)²/R [W]; infinite time where it is 0
    """
    return max(limit_j - spent_j, 0.0) / stalled_power_w if stalled_power_w > 0 else math.inf
