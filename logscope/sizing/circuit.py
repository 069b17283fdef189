"""The precharge circuit with what hangs on the link: where it rests, how long it takes, what the resistor takes.

Pack Vs, resistor R, link capacitance C, and on the link a resistor Rp and a constant-power load P that starts
at its cut-in voltage. Seen from the link, pack, R and Rp are a source Vth = Vs·Rp/(R + Rp) behind
Rth = R∥Rp (Thévenin), so that C·dV/dt = (Vth − V)/Rth − P/V. It rests where V² − Vth·V + P·Rth = 0, at the
upper root Va; from below the lower root Vb it falls back. With τ = Rth·C,

    dt = τ · V / ((Va − V)·(V − Vb)) dV,

which integrates in partial fractions, and so does the heat (Vs − V)²/R · dt. Without P, Vb is 0 and the same
formulas give the plain exponential. Own derivation; the equation is that of Emadi et al., Constant power loads
and negative impedance instability in automotive systems, IEEE Trans. Veh. Technol. 55(4), 2006 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.physics.rc import parallel_ohm


@dataclass(frozen=True, slots=True)
class Circuit:
    """source_v : pack voltage [V]; resistance_ohm, capacitance_f : R [ohm] and C [F]
    load_ohm : resistor across the link [ohm], infinite where there is none
    load_w, cut_in_v : constant-power load [W], 0 where there is none, and the link voltage at which it starts and
        below which it stops [V]
    """

    source_v: float
    resistance_ohm: float
    capacitance_f: float
    load_ohm: float = math.inf
    load_w: float = 0.0
    cut_in_v: float = 0.0

    @property
    def open_v(self) -> float:
        """Vth, where the link would rest without the constant-power load [V]."""
        return self.source_v / (1 + self.resistance_ohm / self.load_ohm)

    @property
    def inner_ohm(self) -> float:
        """Rth [ohm]."""
        if math.isinf(self.load_ohm):
            return self.resistance_ohm
        return parallel_ohm(self.resistance_ohm, self.load_ohm)

    @property
    def time_constant_s(self) -> float:
        """τ = Rth·C [s]."""
        return self.inner_ohm * self.capacitance_f

    @property
    def max_load_w(self) -> float:
        """The greatest constant power that the resistor can pass: Vth²/(4·Rth) [W]."""
        return self.open_v**2 / (4 * self.inner_ohm)


def resting_voltages(circuit: Circuit) -> tuple[float, float] | None:
    """Lower and upper root of V² − Vth·V + P·Rth = 0 [V]; None where the load takes more than can be passed.

    >>> lower, upper = resting_voltages(Circuit(400.0, 50.0, 2e-3, load_w=300.0))
    >>> round(lower, 6), round(upper, 6)
    (41.886117, 358.113883)
    """
    root = circuit.open_v**2 / 4 - circuit.load_w * circuit.inner_ohm
    if root < 0:
        return None
    upper = circuit.open_v / 2 + math.sqrt(root)
    return circuit.load_w * circuit.inner_ohm / upper, upper  # Vieta: their product is P·Rth, without cancellation


def rest_v(circuit: Circuit) -> float | None:
    """Where a link that charges from zero comes to rest [V]; None where it hunts around the cut-in voltage."""
    if circuit.load_w == 0 or circuit.cut_in_v >= circuit.open_v:
        return circuit.open_v
    roots = resting_voltages(circuit)
    return roots[1] if roots is not None and circuit.cut_in_v > roots[0] else None


def rise(circuit: Circuit, to_v: float, from_v: float = 0.0) -> tuple[float, float]:
    """Time [s] and heat in the resistor [J] while the link rises; both infinite where it never gets there.

    circuit : the circuit
    to_v, from_v : link voltage after and before [V]
    """
    if to_v <= from_v:
        return 0.0, 0.0
    if circuit.load_w == 0 or to_v <= circuit.cut_in_v:
        return _stage(circuit, from_v, to_v, 0.0, circuit.open_v)
    roots = resting_voltages(circuit)
    start_v = max(from_v, circuit.cut_in_v)
    if roots is None or start_v <= roots[0]:
        return math.inf, math.inf
    before = (0.0, 0.0) if start_v == from_v else _stage(circuit, from_v, start_v, 0.0, circuit.open_v)
    loaded = _stage(circuit, start_v, to_v, *roots)
    return before[0] + loaded[0], before[1] + loaded[1]


def _stage(circuit: Circuit, from_v: float, to_v: float, lower_v: float, upper_v: float) -> tuple[float, float]:
    """Time and heat between two voltages that have the same load, by the partial fractions of this file's head."""
    if to_v >= upper_v:
        return math.inf, math.inf
    span = upper_v - lower_v
    above = math.log((upper_v - from_v) / (upper_v - to_v)) / span
    below = math.log((to_v - lower_v) / (from_v - lower_v)) / span if lower_v > 0 else 0.0
    time = upper_v * above + lower_v * below
    heat = (
        _cubic(circuit, upper_v) * above
        + _cubic(circuit, lower_v) * below
        + (2 * circuit.source_v - upper_v - lower_v) * (to_v - from_v)
        - (to_v**2 - from_v**2) / 2
    )
    tau = circuit.time_constant_s
    return tau * time, tau * heat / circuit.resistance_ohm


def _cubic(circuit: Circuit, volts: float) -> float:
    """V·(Vs − V)², the numerator of the heat."""
    return volts * (circuit.source_v - volts) ** 2


_CURVE_POINTS = 240  # about one for each two pixels of a chart
_CURVE_SETTLES = 12.0  # e-foldings of the remaining difference: 6e-6 of it is left, far below a pixel


def link_curve(circuit: Circuit, times_s: FloatArray) -> FloatArray:
    """Link voltage from zero at the given times, the contactor left open [V].

    times_s : since the relay closed [s], shape (n,), ascending

    Where the link hunts around the cut-in voltage it is drawn at that voltage.
    """
    end_v = rest_v(circuit)
    top_v = circuit.cut_in_v if end_v is None else end_v
    ceiling_v = circuit.open_v if end_v is None else end_v
    # Points evenly spaced in the logarithm of what is missing to the end, as an exponential rise spaces its time.
    volts = ceiling_v * -np.expm1(-np.linspace(0.0, _CURVE_SETTLES, _CURVE_POINTS))
    volts = np.append(volts[volts < top_v], top_v)
    reached = np.array([rise(circuit, float(v))[0] for v in volts])
    sound = np.isfinite(reached)
    return np.asarray(np.interp(times_s, reached[sound], volts[sound]))
