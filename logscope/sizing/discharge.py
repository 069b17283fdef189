"""The way back to a safe voltage: bleeder and active discharge.

60 V DC is the line above which a circuit is of voltage class B (ISO 6469-3:2021) or high voltage (UN R100,
definitions); the clause numbers are from memory. t = R·C·ln(V/60).
"""

from __future__ import annotations

import math

from logscope.findings import Measured
from logscope.physics.discharge import SAFE_V, time_to_level_s
from logscope.physics.resistor import resistor_power_w
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.series import Series, at_most

# Formula SAE Rules 2024 v1.0, EV.8.4.2 (after the charging shutdown circuit opens); LV 123 (2014, from memory) asks
# the same of active discharge.
ACTIVE_DISCHARGE_S = 5.0


def resistance_for_ohm(start_v: float, capacitance_f: float, limit_s: float) -> float:
    """The greatest resistor that brings a link to 60 V in a time [ohm].

    start_v : [V], above 60; capacitance_f : [F]; limit_s : [s]

    >>> round(resistance_for_ohm(400.0, 1e-3, 5.0), 2)
    2635.57
    """
    return limit_s / (capacitance_f * math.log(start_v / SAFE_V))


def discharge_values(needs: PrechargeRequirements) -> dict[str, Measured]:
    """Bleeder and active discharge from the highest pack voltage, with the most capacitance; nothing at 60 V or less.

    `load_time_to_60V_s` is there where a resistor hangs on the link already; high edge: with the most capacitance.
    """
    start_v = needs.highest_v
    if start_v <= SAFE_V:
        return {}
    most_f = needs.capacitance_f * (1 + needs.capacitor_tolerance)
    bleeder = at_most(resistance_for_ohm(start_v, most_f, needs.discharge_s), Series.E24)
    active = at_most(resistance_for_ohm(start_v, most_f, ACTIVE_DISCHARGE_S), Series.E24)
    values = {
        "bleeder_ohm": Measured(bleeder, "ohm"),
        "bleeder_power_W": Measured(resistor_power_w(start_v, bleeder), "W"),
        "bleeder_time_to_60V_s": _time(needs, bleeder),
        "active_discharge_ohm": Measured(active, "ohm"),
        "active_discharge_power_W": Measured(resistor_power_w(start_v, active), "W"),
        "active_discharge_time_to_60V_s": _time(needs, active),
    }
    if needs.load_ohm is not None:
        values["load_time_to_60V_s"] = _time(needs, needs.load_ohm)
    return values


def _time(needs: PrechargeRequirements, ohm: float) -> Measured:
    low, value, high = (
        time_to_level_s(volts, ohm * needs.capacitance_f * factor)
        for volts, factor in (
            (needs.lowest_v, 1 - needs.capacitor_tolerance),
            (needs.voltage_V, 1.0),
            (needs.highest_v, 1 + needs.capacitor_tolerance),
        )
    )
    return Measured(value, "s", low, high)
