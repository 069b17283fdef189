"""The choice of the resistor, and the reason where no resistor meets the requirements."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

from logscope.errors import RequestError
from logscope.quantities import stated
from logscope.sizing.circuit import Circuit, rest_v, resting_voltages, rise
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.series import at_least, at_most

_HALVINGS = 60  # of the search span: far below the tolerance of any resistor
_SPAN = 1e9  # the search begins this factor below the unloaded answer
_ROUNDING = 1e-9  # a time computed to be 0.5 s shall meet a limit of 0.5 s although it is 0.5000000001


@dataclass(frozen=True, slots=True)
class Choice:
    """resistance_ohm : the resistor [ohm]
    min_ohm : below it the peak current is exceeded, at the greatest pack voltage and the resistor's low edge [ohm]
    max_ohm : above it the required time is exceeded, all values nominal; None where no time is required [ohm]
    band_ohm : above it the time is exceeded at the slow edge of the tolerances [ohm]
    """

    resistance_ohm: float
    min_ohm: float
    max_ohm: float | None
    band_ohm: float | None


def nominal(needs: PrechargeRequirements, resistance_ohm: float) -> Circuit:
    """The circuit with all values nominal."""
    return _circuit(needs, needs.voltage_V, resistance_ohm, needs.capacitance_f)


def corners(needs: PrechargeRequirements, resistance_ohm: float) -> Iterator[Circuit]:
    """The circuit at the ends of pack voltage and tolerances, and in the middle."""
    r, c = needs.resistor_tolerance, needs.capacitor_tolerance
    for volts, ohms, farads in product(
        (needs.lowest_v, needs.voltage_V, needs.highest_v), (1 - r, 1, 1 + r), (1 - c, 1, 1 + c)
    ):
        yield _circuit(needs, volts, resistance_ohm * ohms, needs.capacitance_f * farads)


def _circuit(needs: PrechargeRequirements, source_v: float, resistance_ohm: float, capacitance_f: float) -> Circuit:
    load_ohm = math.inf if needs.load_ohm is None else needs.load_ohm
    return Circuit(source_v, resistance_ohm, capacitance_f, load_ohm, needs.load_W or 0.0, needs.load_cut_in_V or 0.0)


def closing_time_s(needs: PrechargeRequirements, circuit: Circuit) -> float:
    """Time to the closing fraction of that circuit's pack voltage [s]; infinite where it never gets there."""
    return rise(circuit, needs.close_fraction * circuit.source_v)[0]


def slowest_s(needs: PrechargeRequirements, resistance_ohm: float) -> float:
    """Time to the closing fraction at the slow edge [s]."""
    return max(closing_time_s(needs, circuit) for circuit in corners(needs, resistance_ohm))


def choose(needs: PrechargeRequirements) -> Choice:
    """The greatest value of the series that meets the requirements: the gentlest on resistor, relay and fuse.

    Raises RequestError with the reason where there is none, or where the given one can never reach the fraction.
    """
    smallest = needs.highest_v / needs.peak_current_A / (1 - needs.resistor_tolerance)
    most = band = None
    if needs.time_s is not None:
        limit = needs.time_s * (1 + _ROUNDING)
        unloaded = -needs.time_s / (needs.capacitance_f * math.log1p(-needs.close_fraction))
        most = _greatest(unloaded, lambda ohm: _meets(needs, ohm, limit))
        band = _greatest(unloaded, lambda ohm: slowest_s(needs, ohm) <= limit)
    if needs.resistance_ohm is not None:
        chosen = needs.resistance_ohm
        _refuse_if_never(needs, chosen, "take a smaller resistor")
    else:
        assert most is not None  # a time or a resistor is given
        chosen = at_most(most, needs.series)
        if chosen < smallest:
            _refuse(needs, smallest, most)
    return Choice(chosen, smallest, most, band)


def _meets(needs: PrechargeRequirements, resistance_ohm: float, limit_s: float) -> bool:
    """In time with nominal values, and at all at every edge of the tolerances."""
    in_time = closing_time_s(needs, nominal(needs, resistance_ohm)) <= limit_s
    return in_time and math.isfinite(slowest_s(needs, resistance_ohm))


def _greatest(limit_ohm: float, fits: Callable[[float], bool]) -> float:
    """The greatest resistance that fits; everything below it fits too, for time only grows with resistance."""
    if fits(limit_ohm):
        return limit_ohm
    low, high = limit_ohm / _SPAN, limit_ohm
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _refuse_if_never(needs: PrechargeRequirements, resistance_ohm: float, instead: str) -> None:
    stuck = [c for c in corners(needs, resistance_ohm) if not math.isfinite(closing_time_s(needs, c))]
    if stuck:
        raise RequestError(
            why_never(needs, min(stuck, key=lambda c: rest_v(c) or 0.0)),
            do=f"Switch the load on after the main contactor, or {instead}.",
        )


def _refuse(needs: PrechargeRequirements, min_ohm: float, max_ohm: float) -> None:
    """Say which requirements exclude each other."""
    smallest = at_least(min_ohm, needs.series)
    _refuse_if_never(needs, smallest, "allow a higher peak current, and with it a smaller resistor")
    possible = closing_time_s(needs, nominal(needs, smallest))
    if max_ohm >= min_ohm:
        raise RequestError(
            f"no value of {needs.series} lies between {stated(min_ohm)} Ω (peak current) and "
            f"{stated(max_ohm)} Ω (time)",
            do=f"Choose a finer series, or allow {stated(possible)} s for {stated(smallest)} Ω.",
        )
    peak = needs.highest_v / (max_ohm * (1 - needs.resistor_tolerance))
    raise RequestError(
        f"closing within {needs.time_s:g} s needs at most {stated(max_ohm)} Ω, which draws {stated(peak)} A at "
        f"{needs.highest_v:g} V; allowed are {needs.peak_current_A:g} A",
        do=f"Allow at least {stated(possible)} s ({stated(smallest)} Ω), or a higher peak current.",
    )


def why_never(needs: PrechargeRequirements, circuit: Circuit) -> str:
    """Why a circuit cannot reach the closing fraction, with the numbers."""
    ohms, roots, end_v = stated(circuit.resistance_ohm), resting_voltages(circuit), rest_v(circuit)
    if end_v is not None:
        return (
            f"with {ohms} Ω the load holds the link at {stated(end_v)} V, {100 * end_v / circuit.source_v:.1f} % of "
            f"{circuit.source_v:g} V: the closing fraction of {100 * needs.close_fraction:g} % is never reached"
        )
    if roots is None:
        return (
            f"the load takes {circuit.load_w:g} W, but {ohms} Ω pass at most {stated(circuit.max_load_w)} W at "
            f"{circuit.source_v:g} V: the link has no steady state and hunts around {circuit.cut_in_v:g} V"
        )
    return (
        f"a load of {circuit.load_w:g} W that starts at {circuit.cut_in_v:g} V pulls the link down: with {ohms} Ω at "
        f"{circuit.source_v:g} V it must start above {stated(roots[0])} V"
    )
