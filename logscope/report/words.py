"""The words of the report: names of parts and measured values, severities, abbreviations."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from logscope.findings import Measured, Severity
from logscope.quantities import prefixed

SEVERITY_WORDS = {
    Severity.DANGER: ("danger", "dangers"),
    Severity.WARNING: ("warning", "warnings"),
    Severity.INFO: ("point to note", "points to note"),
    Severity.GOOD: ("good result", "good results"),
}

# What led a trip, or keeps a link live, in words; `cause` in the contract.
CAUSES = {
    "encoder": "a speed disturbance (encoder)",
    "demand": "a step of the demand (throttle or target)",
    "oscillation": "a growing oscillation",
    "shaft": "the shaft, or the encoder on it",
    "supply": "a change of the DC-link supply (link voltage, contactor or battery)",
    "limit": "a limit below the demand",
    "sudden": "a sudden fault with nothing before it",
    "welded": "a contactor that does not open",
    "stopped": "a converter that stopped",
    "never_ran": "a converter that did not start",
    "sagging": "a converter below its set-point",
    "over_voltage": "a converter above its set-point",
    "empty_battery": "a 12 V battery that is empty or weak",
    "source_resistance": "too much resistance in battery, cables or joints",
    "coil_hold": "a supply below what contactor coils need",
    "loose_connection": "a loose connection",
    "no_acknowledge": "no other node that acknowledges",
    "current": "interference while the current is high",
    "switching": "interference at switchings",
    "bit_rate": "a wrong bit rate",
    "undetermined": "cannot be determined from this log",
}
# What ended a charge.
_CHARGE_CAUSES = {
    "limit": "a voltage limit was reached",
    "temperature": "a temperature limit was reached",
    "plug": "plug or lock opened",
    "supply": "the mains supply failed",
    "request": "the request was withdrawn",
    "communication": "the request was no longer sent",
    "fault": "a fault was reported",
    "undetermined": "cannot be determined from this log",
}

_VALUE_NAMES = {
    "start_voltage_V": "Voltage at the start",
    "end_voltage_V": "Voltage at the end",
    "time_to_threshold_s": "Time to the closing threshold",
    "fraction_at_close": "Fraction of pack voltage at closing",
    "fraction_reached": "Fraction of pack voltage reached",
    "close_difference_V": "Voltage difference at closing",
    "inrush_bound_A": "Inrush current, upper bound",
    "resistor_energy_J": "Energy of this attempt in the resistor",
    "resistor_heat_J": "Energy stored in the resistor, earlier attempts included",
    "stalled_energy_J": "Energy in the resistor since the stall",
    "stalled_power_W": "Power in the stalled resistor",
    "stalled_s": "Time stalled",
    "step_V": "Voltage step",
    "time_to_60V_s": "Time to 60 V",
    "extrapolated": "Extrapolated beyond the log",
    "floor_rpm": "Noise floor",
    "rate_per_min": "Rate",
    "rate_ratio_per_100A": "Growth of the rate per 100 A",
    "rate_ratio_at_switching": "Growth of the rate at switching",
    "less_Nm": "Torque target falls by",
    "less_A": "Current target falls by",
    "order": "Shaft order",
    "lead_time_s": "Lead before the trip",
    "swing_Hz": "Oscillation frequency",
    "judder_Hz": "Judder frequency",
    "way_km": "Distance",
    "returned_percent": "Returned by braking",
    "seen_s": "Observed for",
    "seen_fall_V": "Observed fall",
    "level_V": "Level",
    "missing_s": "Missing from the log",
    "smallest_seen_rpm": "Smallest detectable disturbance",
    "smallest_seen_A": "Smallest detectable oscillation",
    "smallest_seen_Nm": "Smallest detectable oscillation",
    "lowest_V": "Lowest reading",
    "deepest_V": "Deepest dip",
    "closing_lowest_V": "Lowest while contactors close",
    "low_voltage_battery_ohm": "Resistance of the 12 V battery",
    "fall_V_per_min": "Fall without the converter",
    "time_to_lowest_s": "Extrapolated time to the lowest permitted level",
    "power_left_W": "Power left before the lowest voltage",
    "steady_error_A": "Steady-state error",
    "steady_error_Nm": "Steady-state error",
    "share_percent": "Share of all readings",
    "missing_percent": "Share of all messages",
    "failing_percent": "Share of frames",
    "error_frame_percent": "Error frames, share of all",
    "burst_count": "Bursts",
    "message_count": "Messages",
    "mean_load_percent": "Load on average",
    "busiest_load_percent": "Load in the busiest second",
    "mean_bit_per_s": "Traffic on average",
    "busiest_bit_per_s": "Traffic in the busiest second",
    "bit_rate_bit_per_s": "Bit rate",
    "longest_wait_s": "Longest wait for the bus",
    "variation_s": "Variation of the spacing",
    "transmit_error_count": "Transmit errors counted",
    "receive_error_count": "Receive errors counted",
    "sender_period_s": "Period of each sender",
    "agreement_percent": "Moments in agreement",
    "factor": "Factor",
    "charge_Ah": "Charge",
    "energy_Wh": "Energy delivered",
    "supplied_Wh": "Energy from the mains",
    "plug_to_current_s": "From plug to first current",
    "charger_precharge_s": "Precharge of the charger's output",
    "rise_s": "Rise of the current",
    "constant_current_s": "Duration of constant current",
    "constant_current_A": "Current that is held",
    "constant_voltage_s": "Duration of constant voltage",
    "constant_voltage_V": "Voltage that is held",
    "end_current_A": "Current at the end",
    "current_error_A": "Current less request",
    "voltage_error_V": "Voltage less request",
    "overshoot_A": "Overshoot of the current",
    "temperature_rise_K": "Rise of the highest battery temperature",
    "load_A": "Charger current less battery current",
    "pack_voltage_margin_V": "Margin to the highest battery voltage",
    "cell_voltage_margin_V": "Margin to the highest cell voltage",
    "charge_current_margin_A": "Margin to the highest charging current of the battery",
    "charger_current_margin_A": "Margin to the highest current of the charger",
    "charger_power_margin_W": "Margin to the highest power of the charger",
    "charger_voltage_margin_V": "Margin to the highest voltage of the charger",
    "battery_temperature_margin_K": "Margin to the highest battery temperature",
    "battery_cold_margin_K": "Margin to the lowest battery temperature",
    "excess_K": "Highest above the coolant",
    "coolant_rise_K": "Rise of the coolant",
    "flow_L_per_min": "Coolant flow, upper bound",
    "apart_K": "Outlet above inlet",
    "heat_W": "Heat taken up, upper bound",
    "flowing_time_constant_s": "Time constant while coolant flows",
    "warmed_K": "Rise in that time",
    "hottest_C": "Highest",
    "offset_K": "Difference from the others",
    "others_C": "The other sensors",
    "value_C": "This sensor",
    "other_moved_K": "Change of the other sensor",
    "span_K": "Range that was logged",
    "torque_share_percent": "Torque that is left",
    "usual_current_A": "Usual current",
    "fit_residual_V": "Residual of the fit",
    "slower_constant_s": "Slower time constant",
    "faster_constant_s": "Faster time constant",
    "resistor_growth_percent": "Growth of the resistor by heat",
    "active_stop_V": "Level at which active discharge stopped",
    "link_high_V": "Link voltage, highest",
    "link_low_V": "Link voltage, lowest",
    "link_jump_V": "Jump of the link voltage",
    "closed_s": "Time closed",
    "correlation": "Correlation with the pack",
    "shortest_dropout_s": "Shortest dropout that shows",
    "smallest_seen_free_rpm": "Smallest detectable disturbance, wheels free",
    "cause_likelihood": "Likelihood of this cause",
    "current_before_A": "Current before the trip",
    "driving_percent": "Time spent driving",
    "braking_percent": "Time spent braking",
    "headroom_percent": "Voltage left at the highest speed",
    "onset_rpm": "Speed at which field weakening begins",
    "fade_rpm": "Speed at half of the braking torque",
    "reverse_s": "Braking after the motor turned backwards",
    "changes": "Changes of demand",
    "reversals": "Changes of the torque's sign",
    "rest_percent": "Reading at rest",
    "noise_percent": "Noise at rest",
    "from_percent": "Skipped from",
    "to_percent": "Skipped to",
    "span_s": "Changes of current within",
    "pulse_resistance_ohm": "Resistance from clear steps of current",
    "pulse_count": "Clear steps of current",
    "open_circuit_V": "Open-circuit voltage",
    "sag_V": "Sag at the highest power",
    "current_span_A": "Range of the current",
    "drawn_Wh": "Energy drawn",
    "returned_Wh": "Energy returned",
    "charged_standing_Wh": "Charged while standing",
    "battery_level_V": "Level without the converter",
    "converter_level_V": "Level with the converter",
    "set_point_V": "Level at the converter's terminals",
    "continuous_end_temperature_C": "End temperature at the continuous current",
    "continuous_rise_K": "Rise at the continuous current",
    "lasted_s": "Duration",
    "total_s": "Time in all",
    "requested_A": "Requested current",
    "battery_A": "Battery current",
    "starts_s": "Start after the other log",
    "residual_s": "Scatter of the offset",
    "left_out": "Places left out",
    "mapped": "Mapped signals affected",
    "longest_byte": "Longest frame",
}
_UNIT_ENDINGS = (
    "m_per_s2", "L_per_min", "K_per_W", "Wh_per_km", "Nm_per_A",
    "rpm_per_s", "V_per_min", "V_per_s", "A_per_s", "Nm_per_s", "per_min", "per_h", "per_s", "bit_per_s",
    "rpm", "ohm", "mohm", "kWh", "Wh", "Ah", "Nm", "Hz", "kHz", "km_h", "percent", "ppm", "uF", "ms", "min",
    "us", "kW", "mV", "s", "V", "A", "C", "K", "J", "W", "h", "m", "F", "deg", "byte",
)  # fmt: skip
_SPELLED = {"dc": "DC", "can": "CAN", "rms": "RMS", "rc": "RC", "ocv": "OCV", "soc": "SOC", "id": "ID"}
_SHARES = ("fraction", "cause_likelihood")  # values from 0 to 1, shown in percent
_FLAGS = {0.0: "no", 1.0: "yes"}
_FLAGGED = frozenset({"extrapolated", "active_discharge"})

# What an abbreviation stands for, in the report's own sense. Only those used are shown.
GLOSSARY = {
    "95 % interval": "the range that holds the true value in 95 of 100 such measurements",
    "A": "ampere, unit of current",
    "Ah": "ampere-hour, unit of charge",
    "CAN": "controller area network: the bus between the vehicle's controllers (ISO 11898)",
    "DBC": "a file that defines the messages and signals of a CAN bus",
    "DC": "direct current",
    "DC link": "the inverter's input, between battery and power stage, with its capacitor",
    "DC-DC": "converter from the traction battery to the 12 V supply",
    "EMI": "electromagnetic interference",
    "ESR": "equivalent series resistance of a capacitor",
    "HV": "high voltage: above 60 V DC or 30 V AC",
    "Hz": "hertz, cycles per second",
    "IGBT": "insulated-gate bipolar transistor, a power switch of the inverter",
    "ID": "identifier of a CAN frame",
    "J": "joule, unit of energy: one watt for one second",
    "kWh": "kilowatt-hour, unit of energy",
    "Nm": "newton metre, unit of torque",
    "OCV": "open-circuit voltage: the battery's voltage without load",
    "PI": "proportional-integral controller",
    "ppm": "parts per million",
    "PWM": "pulse-width modulation",
    "RC": "resistance times capacitance: the time constant of a charging capacitor",
    "RMS": "root mean square",
    "rpm": "revolutions per minute",
    "SOC": "state of charge",
    "time constant": "the time in which a charging or decaying value covers 63.2 % of its change",
    "UTC": "coordinated universal time",
    "V": "volt, unit of voltage",
    "W": "watt, unit of power",
    "Ω": "ohm, unit of resistance",
    "µF": "microfarad, unit of capacitance",
}


def counted(count: int, severity: Severity) -> str:
    """'1 danger', '3 warnings'."""
    return f"{count} {SEVERITY_WORDS[severity][count != 1]}"


def check_name(check: str) -> str:
    """A check in words.

    >>> check_name("aux_supply"), check_name("current_control")
    ('12 V side', 'current control')
    """
    return "12 V side" if check == "aux_supply" else check.replace("_", " ")


def cause_words(kind: str, cause: str | None) -> str:
    """What a finding of a kind is put down to, in words; empty where nothing is.

    >>> cause_words("charge.stopped", "supply")
    'the mains supply failed'
    """
    words = _CHARGE_CAUSES if kind.startswith("charge.") else CAUSES
    return words.get(cause or "", cause or "")


# How often and how long a limit was near, and the limits whose key is no name.
_NEAR = {"_near_percent": "Share of time near the limit: ", "_near_count": "Times near the limit: "}
_LIMIT_NAMES = {
    "aux_min": "lowest 12 V supply voltage",
    "aux_max": "highest 12 V supply voltage",
    "battery_min": "lowest battery voltage",
    "battery_max": "highest battery voltage",
    "dc_link_max": "highest DC-link voltage",
    "cell_min": "lowest cell voltage",
    "cell_max": "highest cell voltage",
    "battery_temperature_min": "lowest battery temperature",
    "battery_temperature_max": "highest battery temperature",
}
# Limits of the vehicle file, by the beginning of the names of their values.
_LIMITED = {*_LIMIT_NAMES, "motor_current", "motor_speed", "motor_temperature", "inverter_temperature",
            "coolant_temperature"}  # fmt: skip


def value_name(name: str) -> str:
    """The name of a measured value without its unit.

    >>> value_name("time_constant_s"), value_name("peak_deviation_rpm")
    ('Time constant', 'Peak deviation')
    """
    if name in _VALUE_NAMES:
        return _VALUE_NAMES[name]
    for end, near in _NEAR.items():
        if name.endswith(end):
            limit = name.removesuffix(end)
            return near + _LIMIT_NAMES.get(limit, limit.replace("_", " "))
    ending = next((f"_{end}" for end in _UNIT_ENDINGS if name.endswith(f"_{end}")), "")
    plain = name.removesuffix(ending)
    if plain.endswith("_margin") and plain.removesuffix("_margin") in _LIMITED:
        limit = plain.removesuffix("_margin")
        return "Margin to the " + (_LIMIT_NAMES.get(limit) or f"highest {limit.replace('_', ' ')}")
    words = plain.replace("_", " ").split() or [name]
    spelled = [_SPELLED.get(word, word) for word in words]
    return " ".join([spelled[0][:1].upper() + spelled[0][1:], *spelled[1:]])


def in_shown_unit(name: str, measured: Measured) -> Measured:
    """A fraction in percent; every other value with the SI prefix that suits it."""
    if not name.startswith(_SHARES) or measured.unit not in ("", "1"):
        return prefixed(measured)
    shares = (measured.value, measured.low, measured.high)
    value, low, high = (None if share is None else 100.0 * share for share in shares)
    return Measured(value, "%", low, high)


def flag_text(name: str, measured: Measured) -> str | None:
    """'yes' or 'no' for a value that only says whether something is so; None for any other."""
    if name not in _FLAGGED or measured.value is None:
        return None
    return _FLAGS.get(float(measured.value))


# Longer names do not fit above a panel on a phone; the legend below has them one by one.
_LONGEST_PANEL_NAME = 40
_QUANTITIES = {
    "V": "Voltages", "A": "Currents", "°C": "Temperatures", "rpm": "Speeds", "Nm": "Torques", "Hz": "Frequencies",
    "%": "Shares", "W": "Powers", "km/h": "Speeds",
}  # fmt: skip


def panel_name(titles: Sequence[str], unit: str) -> str:
    """What a panel of several parts of one unit shows, with the unit in brackets."""
    listed = ", ".join(titles)
    if len(titles) > 1 and len(listed) > _LONGEST_PANEL_NAME:
        listed = _QUANTITIES.get(unit, listed)
    return f"{listed}{f' [{unit}]' if unit else ''}"


def glossary_of(texts: Iterable[str]) -> list[tuple[str, str]]:
    """The abbreviations that occur in the texts, each with its meaning, in alphabetical order."""
    text = "\n".join(texts)
    found = [(term, meaning) for term, meaning in GLOSSARY.items() if _occurs(term, text)]
    return sorted(found, key=lambda entry: entry[0].casefold())


def _occurs(term: str, text: str) -> bool:
    spelled = re.escape(term).replace(r"\ ", r"[\s-]")
    ignoring_case = re.IGNORECASE if term.islower() else 0
    return re.search(rf"(?<![\w]){spelled}(?![\w])", text, ignoring_case) is not None
