"""The choice of the resistor, and the reason where no resistor can do what was wished."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

from logscope.errors import RequestError
from logscope.report.numbers import stated
from logscope.sizing.circuit import Circuit, rest_v, resting_voltages, rise
from logscope.sizing.series import at_least, at_most
from logscope.sizing.wish import PrechargeWish

_HALVINGS = 60  # of the search span: far below the tolerance of any resistor
_SPAN = 1e9  # the search begins this factor below the unloaded answer
_ROUNDING = 1e-9  # a time computed to be 0.5 s shall meet a wish of 0.5 s although it is 0.5000000001


@dataclass(frozen=True, slots=True)
class Choice:
    """resistance_ohm : the resistor [ohm]
    least_ohm : below it the peak current is exceeded, at the greatest pack voltage and the resistor's low edge [ohm]
    most_ohm : above it the wished time is exceeded, all values nominal; None where no time was wished [ohm]
    band_ohm : above it the time is exceeded at the slow edge of the tolerances [ohm]
    """

    resistance_ohm: float
    least_ohm: float
    most_ohm: float | None
    band_ohm: float | None


def nominal(wish: PrechargeWish, resistance_ohm: float) -> Circuit:
    """The circuit with all values nominal."""
    return _circuit(wish, wish.voltage_V, resistance_ohm, wish.capacitance_f)


def corners(wish: PrechargeWish, resistance_ohm: float) -> Iterator[Circuit]:
    """The circuit at the ends of pack voltage and tolerances, and in the middle."""
    r, c = wish.resistor_tolerance, wish.capacitor_tolerance
    for volts, ohms, farads in product(
        (wish.least_v, wish.voltage_V, wish.most_v), (1 - r, 1, 1 + r), (1 - c, 1, 1 + c)
    ):
        yield _circuit(wish, volts, resistance_ohm * ohms, wish.capacitance_f * farads)


def _circuit(wish: PrechargeWish, source_v: float, resistance_ohm: float, capacitance_f: float) -> Circuit:
    load_ohm = math.inf if wish.load_ohm is None else wish.load_ohm
    return Circuit(source_v, resistance_ohm, capacitance_f, load_ohm, wish.load_W or 0.0, wish.load_cut_in_V or 0.0)


def closing_time_s(wish: PrechargeWish, circuit: Circuit) -> float:
    """Time to the closing fraction of that circuit's pack voltage [s]; infinite where it never gets there."""
    return rise(circuit, wish.close_fraction * circuit.source_v)[0]


def slowest_s(wish: PrechargeWish, resistance_ohm: float) -> float:
    """Time to the closing fraction at the slow edge [s]."""
    return max(closing_time_s(wish, circuit) for circuit in corners(wish, resistance_ohm))


def choose(wish: PrechargeWish) -> Choice:
    """The greatest value of the series that meets the wish: the gentlest on resistor, relay and fuse.

    Raises RequestError with the reason where there is none, or where the given one can never reach the fraction.
    """
    least = wish.most_v / wish.peak_current_A / (1 - wish.resistor_tolerance)
    most = band = None
    if wish.time_s is not None:
        limit = wish.time_s * (1 + _ROUNDING)
        unloaded = -wish.time_s / (wish.capacitance_f * math.log1p(-wish.close_fraction))
        most = _greatest(unloaded, lambda ohm: _meets(wish, ohm, limit))
        band = _greatest(unloaded, lambda ohm: slowest_s(wish, ohm) <= limit)
    if wish.resistance_ohm is not None:
        chosen = wish.resistance_ohm
        _refuse_if_never(wish, chosen, "take a smaller resistor")
    else:
        assert most is not None  # the wish has a time or a resistor
        chosen = at_most(most, wish.series)
        if chosen < least:
            _refuse(wish, least, most)
    return Choice(chosen, least, most, band)


def _meets(wish: PrechargeWish, resistance_ohm: float, limit_s: float) -> bool:
    """In time with nominal values, and at all at every edge of the tolerances."""
    in_time = closing_time_s(wish, nominal(wish, resistance_ohm)) <= limit_s
    return in_time and math.isfinite(slowest_s(wish, resistance_ohm))


def _greatest(limit_ohm: float, fits: Callable[[float], bool]) -> float:
    """The greatest resistance that fits; everything below it fits too, for time only grows with resistance."""
    if fits(limit_ohm):
        return limit_ohm
    low, high = limit_ohm / _SPAN, limit_ohm
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _refuse_if_never(wish: PrechargeWish, resistance_ohm: float, instead: str) -> None:
    stuck = [c for c in corners(wish, resistance_ohm) if not math.isfinite(closing_time_s(wish, c))]
    if stuck:
        raise RequestError(
            why_never(wish, min(stuck, key=lambda c: rest_v(c) or 0.0)),
            do=f"Switch the load on after the main contactor, or {instead}.",
        )


def _refuse(wish: PrechargeWish, least_ohm: float, most_ohm: float) -> None:
    """Say which of the wishes stand against each other."""
    smallest = at_least(least_ohm, wish.series)
    _refuse_if_never(wish, smallest, "allow a higher peak current, and with it a smaller resistor")
    possible = closing_time_s(wish, nominal(wish, smallest))
    if most_ohm >= least_ohm:
        raise RequestError(
            f"no value of {wish.series} lies between {stated(least_ohm)} Ω (peak current) and "
            f"{stated(most_ohm)} Ω (time)",
            do=f"Choose a finer series, or allow {stated(possible)} s for {stated(smallest)} Ω.",
        )
    peak = wish.most_v / (most_ohm * (1 - wish.resistor_tolerance))
    raise RequestError(
        f"closing within {wish.time_s:g} s needs at most {stated(most_ohm)} Ω, which draws {stated(peak)} A at "
        f"{wish.most_v:g} V; allowed are {wish.peak_current_A:g} A",
        do=f"Allow at least {stated(possible)} s ({stated(smallest)} Ω), or a higher peak current.",
    )


def why_never(wish: PrechargeWish, circuit: Circuit) -> str:
    """Why a circuit cannot reach the closing fraction, with the numbers."""
    ohms, roots, end_v = stated(circuit.resistance_ohm), resting_voltages(circuit), rest_v(circuit)
    if end_v is not None:
        return (
            f"behind {ohms} Ω the load holds the link at {stated(end_v)} V, {100 * end_v / circuit.source_v:.1f} % of "
            f"{circuit.source_v:g} V: closing at {100 * wish.close_fraction:g} % is never reached"
        )
    if roots is None:
        return (
            f"the load takes {circuit.load_w:g} W, but {ohms} Ω pass at most {stated(circuit.most_load_w)} W at "
            f"{circuit.source_v:g} V: the link has no resting point and hunts around {circuit.cut_in_v:g} V"
        )
    return (
        f"a load of {circuit.load_w:g} W that starts at {circuit.cut_in_v:g} V pulls the link back: behind {ohms} Ω at "
        f"{circuit.source_v:g} V it must start above {stated(roots[0])} V"
    )
