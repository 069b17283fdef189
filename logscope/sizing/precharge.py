"""Everything that follows from a wish: the resistor, the charge, the faults, the closing, the discharge."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from logscope.findings import Measured
from logscope.physics.rc import inrush_peak_a, parallel_ohm
from logscope.physics.resistor import (
    interval_for_mean_power_s,
    let_through_a2s,
    pulse_energy_loaded_j,
    resistor_power_w,
    stall_time_s,
)
from logscope.sizing.choose import Choice, choose, closing_time_s, corners, nominal, slowest_s
from logscope.sizing.circuit import Circuit, rest_v, resting_voltages, rise
from logscope.sizing.discharge import discharge_values
from logscope.sizing.series import next_above, next_below
from logscope.sizing.wish import PrechargeWish

# Beyond the slow edge: a resistor that warms up, a capacitor that ages (common practice, no published source) …
TIMEOUT_MARGIN = 1.2
TIMEOUT_LAG_S = 0.1  # … and the relay's operating time and a state message at 10 Hz (common practice)
HALF_WAY = 0.5  # an earlier look: a sound link is past half after 0.7 RC, a shorted one is still at zero
PULSES_HELD = 2  # a retry straight after a failed try must find a resistor that can take it
# Three starts within ten seconds are the usual measure of repeated starts (Miba, guide to precharge resistors).
STARTS, STARTS_WITHIN_S = 3, 10.0
STALL_FRACTIONS = (0.0, 0.5, 0.75, 0.9)  # of pack voltage: a shorted link, and loads ever lighter


@dataclass(frozen=True, slots=True)
class Alternative:
    """A neighbouring value of the series. time_to_close_s : with its band; peak_current_A : at most; fits : whether
    it meets time and peak current, True where no time was wished
    """

    resistance_ohm: float
    time_to_close_s: Measured
    peak_current_A: Measured
    fits: bool


@dataclass(frozen=True, slots=True)
class Stall:
    """A precharge that stays at a part of pack voltage, at the highest voltage and the resistor's low edge.

    load_ohm : the load that would hold it there [ohm]; power_W : in the resistor;
    energy_J : in the resistor until the timeout; allowed_s : until the pulse rating, None where none is given
    """

    fraction: float
    link_V: float
    load_ohm: float
    power_W: float
    energy_J: float
    allowed_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class PrechargeDesign:
    """What the circuit will do. `low` and `high` of a value are its edges over pack voltage and tolerances.

    choice : the resistor and between which limits it was chosen
    values : by name, with the unit at its end; see `logscope.sizing.words` for what each means
    alternatives : the next value below, the chosen one, the next above
    stalls : what a precharge that does not get there puts into the resistor
    """

    wish: PrechargeWish
    choice: Choice
    values: Mapping[str, Measured]
    alternatives: tuple[Alternative, ...]
    stalls: tuple[Stall, ...]


def size_precharge(wish: PrechargeWish) -> PrechargeDesign:
    """Choose the resistor and compute the rest.

    Raises RequestError with the reason where the wish cannot be met.
    """
    choice = choose(wish)
    ohm = choice.resistance_ohm
    charge = _charge_values(wish, ohm)
    faults = _fault_values(wish, ohm)
    timeout_s = faults["timeout_s"].value or 0.0
    values = charge | faults | _closing_values(wish)
    values |= _repeat_values(wish, values) | discharge_values(wish)
    neighbours = (next_below(ohm, wish.series), ohm, next_above(ohm, wish.series))
    return PrechargeDesign(
        wish=wish,
        choice=choice,
        values=values,
        alternatives=tuple(_alternative(wish, choice, value) for value in neighbours),
        stalls=tuple(_stall(wish, ohm, timeout_s, fraction) for fraction in STALL_FRACTIONS),
    )


def _band(wish: PrechargeWish, ohm: float, unit: str, of: Callable[[Circuit], float]) -> Measured:
    """A value at the nominal circuit, and its edges."""
    edges = [of(circuit) for circuit in corners(wish, ohm)]
    return Measured(of(nominal(wish, ohm)), unit, min(edges), max(edges))


def _charge_values(wish: PrechargeWish, ohm: float) -> dict[str, Measured]:
    def closing(circuit: Circuit) -> tuple[float, float]:
        return rise(circuit, wish.close_fraction * circuit.source_v)

    values = {
        "time_constant_s": _band(wish, ohm, "s", lambda c: c.time_constant_s),
        "time_to_close_s": _band(wish, ohm, "s", lambda c: closing(c)[0]),
        "resting_voltage_V": _band(wish, ohm, "V", _rest),
        "fraction_at_rest": _band(wish, ohm, "1", lambda c: _rest(c) / c.source_v),
        "peak_current_A": _band(wish, ohm, "A", lambda c: c.source_v / c.resistance_ohm),
        "peak_power_W": _band(wish, ohm, "W", lambda c: resistor_power_w(c.source_v, c.resistance_ohm)),
        "pulse_energy_J": _band(wish, ohm, "J", lambda c: closing(c)[1]),
        "mean_power_W": _band(wish, ohm, "W", lambda c: closing(c)[1] / closing(c)[0]),
        "stored_energy_J": _band(wish, ohm, "J", lambda c: 0.5 * c.capacitance_f * c.source_v**2),
        "let_through_A2s": _band(wish, ohm, "A²s", lambda c: let_through_a2s(closing(c)[1], c.resistance_ohm)),
    }
    values["spare_load_W"] = _band(wish, ohm, "W", lambda c: _spare_w(wish, c))
    if wish.load_W is not None:
        values["lower_resting_voltage_V"] = _band(wish, ohm, "V", _lower_root)
        values["most_load_W"] = _band(wish, ohm, "W", lambda c: c.most_load_w)
    return values


def _rest(circuit: Circuit) -> float:
    """Where the link stays [V]: at rest, or about the cut-in voltage of a load that starts only above the closing
    fraction and is too much for the resistor.
    """
    end_v = rest_v(circuit)
    return circuit.cut_in_v if end_v is None else end_v


def _spare_w(wish: PrechargeWish, circuit: Circuit) -> float:
    """What the resistor passes at the closing fraction, less the load that is there [W]."""
    link_v = wish.close_fraction * circuit.source_v
    passed = link_v * (circuit.source_v - link_v) / circuit.resistance_ohm
    return passed - link_v**2 / circuit.load_ohm - (circuit.load_w if link_v > circuit.cut_in_v else 0.0)


def _lower_root(circuit: Circuit) -> float:
    """The voltage below which a started load pulls the link back; 0 where the cut-in is never reached."""
    roots = resting_voltages(circuit)
    return roots[0] if roots is not None else 0.0


def _fault_values(wish: PrechargeWish, ohm: float) -> dict[str, Measured]:
    def shorted(seconds: float) -> Measured:
        return _band(wish, ohm, "J", lambda c: seconds * resistor_power_w(c.source_v, c.resistance_ohm))

    def at_rest(circuit: Circuit) -> float:
        return resistor_power_w(circuit.source_v - _rest(circuit), circuit.resistance_ohm)

    fraction = min(HALF_WAY, wish.close_fraction)
    half_way_s = _with_margin(max(rise(c, fraction * c.source_v)[0] for c in corners(wish, ohm)))
    timeout_s = _with_margin(slowest_s(wish, ohm))
    values = {
        "timeout_s": Measured(timeout_s, "s"),
        "shorted_energy_J": shorted(timeout_s),
        "half_way_s": Measured(half_way_s, "s"),
        "shorted_half_way_J": shorted(half_way_s),
    }
    if wish.load_ohm is not None or wish.load_W is not None:
        values["power_at_rest_W"] = _band(wish, ohm, "W", at_rest)
    return values


def _with_margin(seconds: float) -> float:
    return _rounded_up(seconds * TIMEOUT_MARGIN + TIMEOUT_LAG_S)


def _closing_values(wish: PrechargeWish) -> dict[str, Measured]:
    missing, c = 1 - wish.close_fraction, wish.capacitor_tolerance

    def inrush(volts: float, factor: float) -> float:
        return inrush_peak_a(missing * volts, wish.loop_ohm, wish.loop_H, wish.capacitance_f * factor)

    return {
        "close_difference_V": Measured(missing * wish.voltage_V, "V", missing * wish.least_v, missing * wish.most_v),
        "inrush_bound_A": Measured(
            inrush(wish.voltage_V, 1), "A", inrush(wish.least_v, 1 - c), inrush(wish.most_v, 1 + c)
        ),
    }


def _repeat_values(wish: PrechargeWish, values: Mapping[str, Measured]) -> dict[str, Measured]:
    """What the resistor must be able to do, from the highest energy of one try."""
    worst = max(values["pulse_energy_J"].high or 0.0, values["stored_energy_J"].high or 0.0)
    repeat = {
        "required_pulse_J": Measured(PULSES_HELD * worst, "J"),
        "repeated_starts_power_W": Measured(STARTS * worst / STARTS_WITHIN_S, "W"),
    }
    if wish.rated_power_W is not None:
        repeat["retry_interval_s"] = Measured(interval_for_mean_power_s(worst, wish.rated_power_W), "s")
    if wish.pulse_rating_J is not None:
        repeat["tries_in_a_row"] = Measured(math.floor(wish.pulse_rating_J / worst), "1")
    return repeat


def _alternative(wish: PrechargeWish, choice: Choice, ohm: float) -> Alternative:
    peak = _band(wish, ohm, "A", lambda c: c.source_v / c.resistance_ohm)
    time = _band(wish, ohm, "s", lambda c: closing_time_s(wish, c))
    in_time = choice.most_ohm is None or ohm <= choice.most_ohm * (1 + 1e-9)
    reached = time.high is not None and math.isfinite(time.high)
    return Alternative(ohm, time, peak, in_time and reached and ohm >= choice.least_ohm * (1 - 1e-9))


def _stall(wish: PrechargeWish, ohm: float, timeout_s: float, fraction: float) -> Stall:
    low_ohm = ohm * (1 - wish.resistor_tolerance)
    link_v = fraction * wish.most_v
    power = resistor_power_w(wish.most_v - link_v, low_ohm)
    load_ohm = low_ohm * fraction / (1 - fraction)
    energy = power * timeout_s
    if load_ohm > 0:
        tau = parallel_ohm(low_ohm, load_ohm) * wish.capacitance_f * (1 + wish.capacitor_tolerance)
        energy = pulse_energy_loaded_j(timeout_s, 0.0, link_v, wish.most_v, low_ohm, tau)
    rating = wish.pulse_rating_J
    allowed = None if rating is None else stall_time_s(rating, energy - power * timeout_s, power)
    return Stall(fraction, link_v, load_ohm, power, energy, allowed)


def _rounded_up(seconds: float) -> float:
    """Up to two significant figures, as one would program it.

    >>> _rounded_up(0.6401)
    0.65
    """
    step = 10.0 ** (math.floor(math.log10(seconds)) - 1)
    return float(f"{math.ceil(seconds / step * (1 - 1e-12)) * step:.2g}")
