"""Everything that follows from what it must do: the resistor, the charge, the faults, the closing, the discharge."""

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
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.series import next_above, next_below

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
    it meets time and peak current, True where no time is required
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

    needs: PrechargeRequirements
    choice: Choice
    values: Mapping[str, Measured]
    alternatives: tuple[Alternative, ...]
    stalls: tuple[Stall, ...]


def size_precharge(needs: PrechargeRequirements) -> PrechargeDesign:
    """Choose a precharge resistor for a pack voltage, a link capacitance and a required time.

    Parameters
    ----------
    needs : PrechargeRequirements
        What the circuit has to do, each value with its unit in its name.

    Returns
    -------
    PrechargeDesign
        `values` by name, each with its unit and its edges over pack voltage and tolerances.

    Raises
    ------
    RequestError
        With the reason, where the requirements cannot be met.

    Examples
    --------
    >>> import logscope
    >>> needs = logscope.PrechargeRequirements(voltage_V=320, max_voltage_V=344, capacitance_uF=1000, time_s=0.5)
    >>> logscope.size_precharge(needs).choice.resistance_ohm
    160.0
    """
    choice = choose(needs)
    ohm = choice.resistance_ohm
    charge = _charge_values(needs, ohm)
    faults = _fault_values(needs, ohm)
    timeout_s = faults["timeout_s"].value or 0.0
    values = charge | faults | _closing_values(needs)
    values |= _repeat_values(needs, values) | discharge_values(needs)
    neighbours = (next_below(ohm, needs.series), ohm, next_above(ohm, needs.series))
    return PrechargeDesign(
        needs=needs,
        choice=choice,
        values=values,
        alternatives=tuple(_alternative(needs, choice, value) for value in neighbours),
        stalls=tuple(_stall(needs, ohm, timeout_s, fraction) for fraction in STALL_FRACTIONS),
    )


def _band(needs: PrechargeRequirements, ohm: float, unit: str, of: Callable[[Circuit], float]) -> Measured:
    """A value at the nominal circuit, and its edges."""
    edges = [of(circuit) for circuit in corners(needs, ohm)]
    return Measured(of(nominal(needs, ohm)), unit, min(edges), max(edges))


def _charge_values(needs: PrechargeRequirements, ohm: float) -> dict[str, Measured]:
    def closing(circuit: Circuit) -> tuple[float, float]:
        return rise(circuit, needs.close_fraction * circuit.source_v)

    values = {
        "time_constant_s": _band(needs, ohm, "s", lambda c: c.time_constant_s),
        "time_to_close_s": _band(needs, ohm, "s", lambda c: closing(c)[0]),
        "resting_voltage_V": _band(needs, ohm, "V", _rest),
        "fraction_at_rest": _band(needs, ohm, "1", lambda c: _rest(c) / c.source_v),
        "peak_current_A": _band(needs, ohm, "A", lambda c: c.source_v / c.resistance_ohm),
        "peak_power_W": _band(needs, ohm, "W", lambda c: resistor_power_w(c.source_v, c.resistance_ohm)),
        "pulse_energy_J": _band(needs, ohm, "J", lambda c: closing(c)[1]),
        "mean_power_W": _band(needs, ohm, "W", lambda c: closing(c)[1] / closing(c)[0]),
        "stored_energy_J": _band(needs, ohm, "J", lambda c: 0.5 * c.capacitance_f * c.source_v**2),
        "let_through_A2s": _band(needs, ohm, "A²s", lambda c: let_through_a2s(closing(c)[1], c.resistance_ohm)),
    }
    values["spare_load_W"] = _band(needs, ohm, "W", lambda c: _spare_w(needs, c))
    if needs.load_W is not None:
        values["lower_resting_voltage_V"] = _band(needs, ohm, "V", _lower_root)
        values["most_load_W"] = _band(needs, ohm, "W", lambda c: c.max_load_w)
    return values


def _rest(circuit: Circuit) -> float:
    """Where the link stays [V]: at rest, or about the cut-in voltage of a load that starts only above the closing
    fraction and is too much for the resistor.
    """
    end_v = rest_v(circuit)
    return circuit.cut_in_v if end_v is None else end_v


def _spare_w(needs: PrechargeRequirements, circuit: Circuit) -> float:
    """What the resistor passes at the closing fraction, less the load that is there [W]."""
    link_v = needs.close_fraction * circuit.source_v
    passed = link_v * (circuit.source_v - link_v) / circuit.resistance_ohm
    return passed - link_v**2 / circuit.load_ohm - (circuit.load_w if link_v > circuit.cut_in_v else 0.0)


def _lower_root(circuit: Circuit) -> float:
    """The voltage below which a started load pulls the link back; 0 where the cut-in is never reached."""
    roots = resting_voltages(circuit)
    return roots[0] if roots is not None else 0.0


def _fault_values(needs: PrechargeRequirements, ohm: float) -> dict[str, Measured]:
    def shorted(seconds: float) -> Measured:
        return _band(needs, ohm, "J", lambda c: seconds * resistor_power_w(c.source_v, c.resistance_ohm))

    def at_rest(circuit: Circuit) -> float:
        return resistor_power_w(circuit.source_v - _rest(circuit), circuit.resistance_ohm)

    fraction = min(HALF_WAY, needs.close_fraction)
    half_way_s = _with_margin(max(rise(c, fraction * c.source_v)[0] for c in corners(needs, ohm)))
    timeout_s = _with_margin(slowest_s(needs, ohm))
    values = {
        "timeout_s": Measured(timeout_s, "s"),
        "shorted_energy_J": shorted(timeout_s),
        "half_way_s": Measured(half_way_s, "s"),
        "shorted_half_way_J": shorted(half_way_s),
    }
    if needs.load_ohm is not None or needs.load_W is not None:
        values["power_at_rest_W"] = _band(needs, ohm, "W", at_rest)
    return values


def _with_margin(seconds: float) -> float:
    return _rounded_up(seconds * TIMEOUT_MARGIN + TIMEOUT_LAG_S)


def _closing_values(needs: PrechargeRequirements) -> dict[str, Measured]:
    missing, c = 1 - needs.close_fraction, needs.capacitor_tolerance

    def inrush(volts: float, factor: float) -> float:
        return inrush_peak_a(missing * volts, needs.loop_ohm, needs.loop_H, needs.capacitance_f * factor)

    return {
        "close_difference_V": Measured(
            missing * needs.voltage_V, "V", missing * needs.lowest_v, missing * needs.highest_v
        ),
        "inrush_bound_A": Measured(
            inrush(needs.voltage_V, 1), "A", inrush(needs.lowest_v, 1 - c), inrush(needs.highest_v, 1 + c)
        ),
    }


def _repeat_values(needs: PrechargeRequirements, values: Mapping[str, Measured]) -> dict[str, Measured]:
    """What the resistor must be able to do, from the highest energy of one try."""
    worst = max(values["pulse_energy_J"].high or 0.0, values["stored_energy_J"].high or 0.0)
    repeat = {
        "required_pulse_J": Measured(PULSES_HELD * worst, "J"),
        "repeated_starts_power_W": Measured(STARTS * worst / STARTS_WITHIN_S, "W"),
    }
    if needs.rated_power_W is not None:
        repeat["retry_interval_s"] = Measured(interval_for_mean_power_s(worst, needs.rated_power_W), "s")
    if needs.pulse_rating_J is not None:
        repeat["tries_in_a_row"] = Measured(math.floor(needs.pulse_rating_J / worst), "1")
    return repeat


def _alternative(needs: PrechargeRequirements, choice: Choice, ohm: float) -> Alternative:
    peak = _band(needs, ohm, "A", lambda c: c.source_v / c.resistance_ohm)
    time = _band(needs, ohm, "s", lambda c: closing_time_s(needs, c))
    in_time = choice.max_ohm is None or ohm <= choice.max_ohm * (1 + 1e-9)
    reached = time.high is not None and math.isfinite(time.high)
    return Alternative(ohm, time, peak, in_time and reached and ohm >= choice.min_ohm * (1 - 1e-9))


def _stall(needs: PrechargeRequirements, ohm: float, timeout_s: float, fraction: float) -> Stall:
    low_ohm = ohm * (1 - needs.resistor_tolerance)
    link_v = fraction * needs.highest_v
    power = resistor_power_w(needs.highest_v - link_v, low_ohm)
    load_ohm = low_ohm * fraction / (1 - fraction)
    energy = power * timeout_s
    if load_ohm > 0:
        tau = parallel_ohm(low_ohm, load_ohm) * needs.capacitance_f * (1 + needs.capacitor_tolerance)
        energy = pulse_energy_loaded_j(timeout_s, 0.0, link_v, needs.highest_v, low_ohm, tau)
    rating = needs.pulse_rating_J
    allowed = None if rating is None else stall_time_s(rating, energy - power * timeout_s, power)
    return Stall(fraction, link_v, load_ohm, power, energy, allowed)


def _rounded_up(seconds: float) -> float:
    """Up to two significant figures, as one would program it.

    >>> _rounded_up(0.6401)
    0.65
    """
    step = 10.0 ** (math.floor(math.log10(seconds)) - 1)
    return float(f"{math.ceil(seconds / step * (1 - 1e-12)) * step:.2g}")
