"""What each value of a design is called and means, and what to consider beside the numbers."""

from __future__ import annotations

import math

from logscope.findings import Measured
from logscope.physics.discharge import SAFE_V
from logscope.quantities import number_text, with_unit
from logscope.sizing.discharge import ACTIVE_DISCHARGE_S
from logscope.sizing.precharge import PULSES_HELD, STARTS, STARTS_WITHIN_S, PrechargeDesign

# Heading, and the values under it: name, label, what it is and where it comes from.
SECTIONS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "The charge",
        (
            ("time_constant_s", "Time constant", "R·C, with R in parallel to any resistor on the link"),
            ("time_to_close_s", "Time to the closing fraction", "from zero, loads included"),
            ("resting_voltage_V", "Final voltage", "of the link while the contactor stays open"),
            ("fraction_at_rest", "Final voltage / pack voltage", "must be above the closing fraction"),
            ("lower_resting_voltage_V", "Lowest cut-in voltage of the load", "a lower one pulls the link down"),
            ("most_load_W", "Highest power through the resistor", "Vs²/4R: above it there is no steady state"),
            ("spare_load_W", "Further load that still allows closing", "power through R at the closing fraction"),
            ("peak_current_A", "Peak current", "Vs/R at the moment the relay closes"),
            ("peak_power_W", "Peak power", "Vs²/R in the resistor; it lasts as long as the link is shorted"),
            ("pulse_energy_J", "Energy in the resistor, one charge", "from zero to the closing fraction"),
            ("mean_power_W", "Mean power over the charge", "energy divided by time"),
            ("stored_energy_J", "Energy stored in the link", "½·C·Vs²: the resistor absorbs as much, without load"),
            ("let_through_A2s", "I²t of the charge", "energy divided by R; Vs²·C/(2R) without load"),
        ),
    ),
    (
        "If precharge does not complete",
        (
            ("timeout_s", "Timeout to program", "slowest case + 20 % (warm resistor) + 0.1 s (relay, messages)"),
            ("shorted_energy_J", "Energy in the resistor, shorted link", "peak power until the timeout"),
            ("half_way_s", "Half of pack voltage, at the latest after", "slowest case, same margin: an early check"),
            ("shorted_half_way_J", "Energy in the resistor, shorted link, opened then", "peak power until that moment"),
            ("power_at_rest_W", "Power in the resistor, steady state", "with the load, while the relay is closed"),
        ),
    ),
    (
        "Closing the main contactor",
        (
            ("close_difference_V", "Voltage difference at closing", "pack minus link at the closing fraction"),
            ("inrush_bound_A", "Inrush current, upper bound", "series RLC loop; a low-impedance one if none is given"),
        ),
    ),
    (
        "Resistor ratings",
        (
            (
                "required_pulse_J",
                "Single-pulse energy rating, at least",
                f"{PULSES_HELD} × the highest energy of one charge: an immediate retry must not damage it",
            ),
            (
                "repeated_starts_power_W",
                f"Mean power, {STARTS} starts in {STARTS_WITHIN_S:g} s",
                "energy divided by time; common practice",
            ),
            ("retry_interval_s", "Retry interval at the rated power", "highest energy divided by it (common practice)"),
            ("tries_in_a_row", "Starts in a row within the pulse rating", "with no time to cool"),
        ),
    ),
    (
        f"Discharge to {SAFE_V:g} V",
        (
            ("bleeder_ohm", "Bleeder, at most", "E24; in the required time from the highest voltage"),
            ("bleeder_power_W", "Power in that bleeder", "Vs²/R, continuous while the link is live"),
            ("bleeder_time_to_60V_s", "Time to 60 V with it", "R·C·ln(Vs/60 V)"),
            ("load_time_to_60V_s", "Time to 60 V with the given resistor", "already fitted on the link"),
            ("active_discharge_ohm", "Active discharge, at most", f"E24; in {ACTIVE_DISCHARGE_S:g} s from the highest"),
            ("active_discharge_power_W", "Its peak power", "Vs²/R"),
            ("active_discharge_time_to_60V_s", "Time to 60 V with it", "R·C·ln(Vs/60 V)"),
        ),
    ),
)  # fmt: skip

SOURCES = (
    "Resistor values: IEC 60063:2015.",
    "60 V DC: the line to voltage class B (ISO 6469-3:2021) and to high voltage (UN R100); clause numbers from memory.",
    f"Active discharge in {ACTIVE_DISCHARGE_S:g} s: Formula SAE Rules 2024, EV.8.4.2; with a passive one in 120 s also "
    "LV 123 (2014, from memory). Design targets: your own rules decide.",
    "Closing fraction, tolerances, margins and loop values where none are given: common practice, no published source.",
)

FIGURES = 3  # significant; the parts themselves are known to a few percent
RESISTOR_FIGURES = 4  # one more than E96 has, so that a given resistor shows as it is


def figures(value: float | None, unit: str = "", digits: int = FIGURES) -> str:
    """A value in a few significant figures, without trailing zeros; 'never' where it is infinite, for times.

    >>> figures(0.4000), figures(1278.4, "J"), figures(62000.0)
    ('0.4', '1280\\xa0J', '62000')
    """
    if value is None or math.isinf(value):
        return "never"
    places = digits - 1 - math.floor(math.log10(abs(value))) if value else 0
    text = number_text(value, places)
    return with_unit(text.rstrip("0").rstrip(".") if "." in text else text, unit)


def band_text(value: Measured) -> str:
    """The edges of a value; empty where it has none or they are alike."""
    if value.low is None or value.high is None or value.low == value.high:
        return ""
    return f"{figures(value.low)} to {figures(value.high, value.unit)}"


def ohm_text(resistance_ohm: float) -> str:
    """A resistance as one would order it."""
    return figures(resistance_ohm, "ohm", RESISTOR_FIGURES)


def headline(design: PrechargeDesign) -> str:
    """The outcome in one line."""
    needs, values = design.needs, design.values
    where = "your resistor" if needs.resistance_ohm is not None else f"{needs.series}"
    time, peak = figures(values["time_to_close_s"].value, "s"), figures(values["peak_current_A"].value, "A")
    ohm = ohm_text(design.choice.resistance_ohm)
    return f"{ohm} ({where}): {100 * needs.close_fraction:.4g} % after {time}, {peak} at the start"


def reason(design: PrechargeDesign) -> str:
    """Between which limits the resistor was chosen, what set them, and the time in the slowest case."""
    needs, choice = design.needs, design.choice
    smallest = f"at least {ohm_text(choice.min_ohm)} (no more than {needs.peak_current_A:g} A at {needs.highest_v:g} V)"
    if needs.time_s is None or choice.max_ohm is None or choice.band_ohm is None:
        return f"The peak current requires {smallest}."
    unloaded = -needs.time_s / (needs.capacitance_f * math.log1p(-needs.close_fraction))
    what = "time and load" if choice.max_ohm < unloaded * (1 - 1e-6) else "time"
    slow = figures(design.values["time_to_close_s"].high, "s")
    return (
        f"Required: {smallest} and at most {ohm_text(choice.max_ohm)} ({what}). In the slowest case of pack "
        f"voltage and tolerances it takes {slow}; to keep {needs.time_s:g} s there too: at most "
        f"{ohm_text(choice.band_ohm)}."
    )


def warnings(design: PrechargeDesign) -> tuple[str, ...]:
    """Which requirements are not met."""
    needs, values, choice = design.needs, design.values, design.choice
    time, required = values["time_to_close_s"].value or 0.0, values["required_pulse_J"].value or 0.0
    found = []
    if needs.time_s is not None and time > needs.time_s * (1 + 1e-9):
        found.append(f"This resistor takes {figures(time, 's')}: longer than the {needs.time_s:g} s asked for.")
    if choice.resistance_ohm < choice.min_ohm * (1 - 1e-9):
        peak = figures(values["peak_current_A"].high, "A")
        found.append(f"The peak current reaches {peak}: above the {needs.peak_current_A:g} A allowed.")
    if needs.pulse_rating_J is not None and needs.pulse_rating_J < required:
        found.append(f"A pulse rating of {needs.pulse_rating_J:g} J is below the {figures(required, 'J')} needed.")
    if needs.rated_power_W is not None and needs.rated_power_W < (values["repeated_starts_power_W"].value or 0.0):
        interval = figures(values["retry_interval_s"].value, "s")
        found.append(f"{needs.rated_power_W:g} W does not allow quick retries: leave {interval} between tries.")
    bleeder = values.get("bleeder_ohm")
    if bleeder is not None and bleeder.value is not None:
        share = bleeder.value / (bleeder.value + choice.resistance_ohm * (1 + needs.resistor_tolerance))
        if share <= needs.close_fraction:
            found.append(
                f"The bleeder below would hold the link at {100 * share:.1f} %: switch it off during precharge."
            )
    return tuple(found)
