"""The parts: the quantities of a drive system that a logged signal can play.

One table of names, units and sign conventions. A check knows only these names; it never sees how a
message spells them. Units of logged signals are converted into the part's unit here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import cache


class Role(Enum):
    """How a part's values are read."""

    QUANTITY = "a number with a unit"
    STATE = "on or off"
    FAULT = "a fault code, bit field or flag"
    MODE = "an enumeration"


@dataclass(frozen=True, slots=True)
class PartInfo:
    """Name, unit and meaning of one part."""

    name: str
    unit: str
    role: Role
    meaning: str


def _table() -> dict[str, PartInfo]:
    q, s, f, m = Role.QUANTITY, Role.STATE, Role.FAULT, Role.MODE
    rows = (
        ("dc_link_voltage", "V", q, "voltage across the inverter's DC-link capacitor"),
        ("dc_link_voltage_second", "V", q, "the same link, measured by a second device"),
        ("battery_voltage", "V", q, "traction battery, on the battery's side of the contactors"),
        ("battery_current", "A", q, "traction battery, positive while discharging"),
        ("precharge_relay", "", s, "relay in series with the precharge resistor"),
        ("main_contactor", "", s, "main contactor, across relay and precharge resistor"),
        ("negative_contactor", "", s, "contactor in the battery's negative lead"),
        ("motor_speed", "rpm", q, "motor shaft, positive driving forward"),
        ("motor_speed_second", "rpm", q, "motor shaft, from a second source"),
        ("vehicle_speed", "km/h", q, "road speed"),
        ("motor_current", "A", q, "motor phase current, used by its magnitude"),
        ("motor_current_target", "A", q, "target of the motor current"),
        ("torque", "Nm", q, "motor shaft torque, positive driving forward"),
        ("torque_target", "Nm", q, "torque requested from the inverter"),
        ("slip", "Hz", q, "slip frequency of an induction motor"),
        ("stator_frequency", "Hz", q, "electrical frequency of the motor"),
        ("voltage_utilisation", "%", q, "output voltage of the inverter, as a share of the highest it can give"),
        ("throttle", "%", q, "accelerator pedal"),
        ("throttle_second", "%", q, "accelerator pedal, second track"),
        ("brake", "", s, "brake pedal"),
        ("fault", "", f, "fault of the inverter"),
        ("inverter_state", "", m, "operating state of the inverter; on: the drive is enabled"),
        ("motor_temperature", "°C", q, "motor winding"),
        ("inverter_temperature", "°C", q, "inverter heat sink or power module"),
        ("coolant_temperature", "°C", q, "coolant, on its way to motor and inverter where it is measured twice"),
        ("coolant_temperature_out", "°C", q, "coolant, on its way back to the radiator"),
        ("coolant_pump", "", s, "coolant pump"),
        ("coolant_pump_speed", "rpm", q, "coolant pump"),
        ("coolant_pump_current", "A", q, "what the coolant pump draws from the 12 V supply"),
        ("coolant_fan", "", s, "fan of the radiator"),
        ("aux_voltage", "V", q, "12 V supply"),
        ("aux_current", "A", q, "12 V battery, positive while discharging"),
        ("converter_voltage", "V", q, "DC-DC converter, on its 12 V side"),
        ("converter_current", "A", q, "DC-DC converter, on its 12 V side, positive while it feeds the supply"),
        ("converter_state", "", m, "operating state of the DC-DC converter; on: it runs"),
        ("charger_voltage", "V", q, "charger output"),
        ("charger_current", "A", q, "charger output"),
        ("charger_voltage_target", "V", q, "voltage requested from the charger"),
        ("charger_current_target", "A", q, "current requested from the charger"),
        ("charger_input_power", "W", q, "what the charger draws from the mains"),
        ("charger_state", "", m, "operating state of the charger; on: it charges"),
        ("charger_fault", "", f, "fault of the charger"),
        ("charge_plug", "", s, "charging plug, on while plugged in"),
        ("charge_lock", "", s, "lock of the charging plug, on while locked"),
        ("cell_voltage_lowest", "V", q, "the lowest of the battery's cells"),
        ("cell_voltage_highest", "V", q, "the highest of the battery's cells"),
        ("battery_temperature_lowest", "°C", q, "the coldest place in the battery that is measured"),
        ("battery_temperature_highest", "°C", q, "the hottest place in the battery that is measured"),
        ("state_of_charge", "%", q, "charge left in the battery, as its monitor reports it"),
    )
    return {name: PartInfo(name, unit, role, meaning) for name, unit, role, meaning in rows}


PARTS: dict[str, PartInfo] = _table()

# Names that are not simply the key with spaces.
_NAMES = {
    "dc_link_voltage": "DC-link voltage",
    "dc_link_voltage_second": "DC-link voltage, second source",
    "motor_speed_second": "motor speed, second source",
    "throttle_second": "throttle, second track",
    "coolant_temperature_out": "coolant temperature, outlet",
    "aux_voltage": "12 V supply voltage",
    "aux_current": "12 V battery current",
    "cell_voltage_lowest": "lowest cell voltage",
    "cell_voltage_highest": "highest cell voltage",
    "battery_temperature_lowest": "lowest battery temperature",
    "battery_temperature_highest": "highest battery temperature",
}


def part_name(part: str) -> str:
    """A part's name within a sentence, the same in every text, table and chart.

    >>> part_name("main_contactor"), part_name("dc_link_voltage")
    ('main contactor', 'DC-link voltage')
    """
    return _NAMES.get(part) or part.replace("_", " ")


def part_title(part: str) -> str:
    """The same at the beginning of a sentence or on its own."""
    name = part_name(part)
    return name[0].upper() + name[1:]


# Spellings that definitions typed by hand use, beside those that pint reads.
_SPELLINGS = {
    "volt": "V", "volts": "V", "vdc": "V", "v dc": "V",
    "amp": "A", "amps": "A", "adc": "A", "arms": "A", "a rms": "A",
    "1/min": "rpm", "min-1": "rpm", "min^-1": "rpm", "r/min": "rpm", "rev/min": "rpm", "u/min": "rpm",
    "n-m": "Nm", "n.m": "Nm", "n*m": "Nm", "n m": "Nm", "nm": "Nm", "newton-meter": "Nm",
    "c": "°C", "degc": "°C", "deg c": "°C", "deg_c": "°C", "celsius": "°C", "grad c": "°C", "degree c": "°C",
    "f": "°F", "degf": "°F", "deg f": "°F",
    "kmh": "km/h", "kph": "km/h", "kmph": "km/h", "km/hr": "km/h", "mi/h": "mph",
    "percent": "%", "pct": "%", "sec": "s", "msec": "ms",
}  # fmt: skip
_PINT_NAMES = {"°C": "degC", "°F": "degF", "%": "percent", "Nm": "N*m", "kNm": "kN*m", "mNm": "mN*m"}


@dataclass(frozen=True, slots=True)
class Conversion:
    """value in the part's unit = scale × logged value + offset."""

    scale: float
    offset: float


def normalise_unit(text: str) -> str:
    """The usual spelling of a unit as typed in a definition: ' degC ' → '°C'."""
    text = text.strip().strip("[]()").strip().replace("º", "°").replace("℃", "°C")
    return _SPELLINGS.get(text.casefold(), text)


@cache
def convert(unit: str, wanted: str) -> Conversion | None:
    """How values in `unit` become values in `wanted`; None where the two cannot be converted.

    Both are unit texts as found in definitions and in the table of parts.
    """
    unit, wanted = normalise_unit(unit), normalise_unit(wanted)
    if unit == wanted:
        return Conversion(1.0, 0.0)
    import pint

    registry = _registry()
    try:
        at_zero = registry.Quantity(0.0, _PINT_NAMES.get(unit, unit)).to(_PINT_NAMES.get(wanted, wanted)).magnitude
        at_one = registry.Quantity(1.0, _PINT_NAMES.get(unit, unit)).to(_PINT_NAMES.get(wanted, wanted)).magnitude
    except (pint.PintError, ValueError, AttributeError, TypeError, AssertionError, SyntaxError):
        return None
    except Exception as error:  # pint parses units through Python's tokenizer, whose errors are many
        if type(error).__module__ in {"tokenize", "builtins"}:
            return None
        raise
    return Conversion(float(at_one - at_zero), float(at_zero))


@cache
def _registry():  # type: ignore[no-untyped-def]
    import pint

    return pint.UnitRegistry(cache_folder=None)
