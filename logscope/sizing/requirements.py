"""What a precharge circuit has to do; requirements that make no sense are refused."""

from __future__ import annotations

import math
from dataclasses import dataclass

from logscope.errors import RequestError
from logscope.physics.rc import LOOP_H, LOOP_OHM
from logscope.sizing.series import Series

# Small DC relays that fit a precharge circuit make and carry a few tens of amperes (common practice, no published
# source). Beyond, the precharge relay would have to be a contactor itself.
PEAK_CURRENT_A = 50.0
CLOSE_FRACTION = 0.95  # three time constants (common practice); Formula SAE asks for 0.90 (EV.5.6.1, from memory)
RESISTOR_TOLERANCE = 0.05  # usual for wirewound power resistors (common practice)
CAPACITOR_TOLERANCE = 0.10  # usual for film link capacitors; aluminium electrolytics have 0.20 (common practice)
DISCHARGE_S = 120.0  # passive discharge to 60 V after LV 123 (2014, from memory); a design target, not law


@dataclass(frozen=True, slots=True)
class PrechargeRequirements:
    """What the circuit has to do. Raises RequestError, with the reason, where that makes no sense.

    voltage_V : nominal pack voltage [V]; min_voltage_V, max_voltage_V : its range, the nominal one if not given
    capacitance_uF : all that hangs on the link [µF]
    time_s : required time to the closing fraction [s]; may be left out where the resistor is given
    close_fraction : part of pack voltage at which the main contactor closes [1]
    load_ohm : resistor across the link during precharge, such as a bleeder [ohm]
    load_W, load_cut_in_V : constant-power load during precharge [W], and the link voltage at which it starts [V]
    series : resistor values to choose from; resistance_ohm : a resistor to take instead [ohm]
    resistor_tolerance, capacitor_tolerance : as fractions [1]
    peak_current_A : what relay and resistor may see at the moment of closing [A]
    rated_power_W, pulse_rating_J : the resistor's continuous and single-pulse rating, where one is in mind [W], [J]
    loop_ohm, loop_H : the loop that the main contactor closes [ohm], [H]
    discharge_s : time in which a bleeder shall bring the link to 60 V [s]
    """

    voltage_V: float
    capacitance_uF: float
    time_s: float | None = None
    close_fraction: float = CLOSE_FRACTION
    min_voltage_V: float | None = None
    max_voltage_V: float | None = None
    load_ohm: float | None = None
    load_W: float | None = None
    load_cut_in_V: float | None = None
    series: Series = Series.E24
    resistance_ohm: float | None = None
    resistor_tolerance: float = RESISTOR_TOLERANCE
    capacitor_tolerance: float = CAPACITOR_TOLERANCE
    peak_current_A: float = PEAK_CURRENT_A
    rated_power_W: float | None = None
    pulse_rating_J: float | None = None
    loop_ohm: float = LOOP_OHM
    loop_H: float = LOOP_H
    discharge_s: float = DISCHARGE_S

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise RequestError(f"{name} is {value:g}", do="Give a number above 0.")
        if not 0 < self.close_fraction < 1:
            raise RequestError(
                f"the closing fraction is {self.close_fraction:g}",
                do="Give a fraction between 0 and 1: a charging link approaches its end value but never reaches it.",
            )
        for name in ("resistor_tolerance", "capacitor_tolerance"):
            if not 0 <= getattr(self, name) < 1:
                raise RequestError(f"{name} is {getattr(self, name):g}", do="Give a fraction from 0 to below 1.")
        if self.series not in set(Series):
            raise RequestError(
                f"“{self.series}” is not a known series of resistor values", do=f"Choose {', '.join(Series)}."
            )
        if not self.lowest_v <= self.voltage_V <= self.highest_v:
            raise RequestError(
                f"the pack's range of {self.lowest_v:g} to {self.highest_v:g} V does not include its nominal "
                f"{self.voltage_V:g} V",
                do="Give lowest, nominal and highest voltage in rising order.",
            )
        if self.time_s is None and self.resistance_ohm is None:
            raise RequestError("neither a time nor a resistor is given", do="Give --time or --resistance.")
        if (self.load_W is None) != (self.load_cut_in_V is None):
            raise RequestError(
                "a constant-power load needs both its power and its cut-in voltage",
                do="Find the cut-in voltage in the converter's data sheet: the result depends on it.",
            )

    @property
    def lowest_v(self) -> float:
        """The lowest pack voltage [V]."""
        return self.voltage_V if self.min_voltage_V is None else self.min_voltage_V

    @property
    def highest_v(self) -> float:
        """The highest pack voltage [V]."""
        return self.voltage_V if self.max_voltage_V is None else self.max_voltage_V

    @property
    def capacitance_f(self) -> float:
        """C [F]."""
        return self.capacitance_uF * 1e-6


_POSITIVE = (
    "voltage_V", "capacitance_uF", "time_s", "min_voltage_V", "max_voltage_V", "load_ohm", "load_W", "load_cut_in_V",
    "resistance_ohm", "peak_current_A", "rated_power_W", "pulse_rating_J", "loop_ohm", "loop_H", "discharge_s",
)  # fmt: skip
