"""The vehicle file: what is fitted, and which signal plays which part.

One TOML file, checked strictly: an unknown key is an error that names it and suggests the nearest.
Every section is optional; what is missing switches off or weakens the checks that need it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from logscope.capture.columns import ColumnLayout
from logscope.errors import VehicleError, did_you_mean
from logscope.parts import PARTS, PartInfo, Role
from logscope.toml_file import as_error, line_of, read_toml

# No quantity of a vehicle, in the units of the file, lies outside; what does is a slip of the keyboard.
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False), Field(ge=1e-9, le=1e9)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
# CAN of ISO 11898 ends at 1 Mbit/s; no vehicle bus is slower than 5 kbit/s (common practice, no published source).
_SLOWEST_BITS_PER_S, _FASTEST_BITS_PER_S = 5_000, 1_000_000
_LOWEST_LINK_uF = 0.1  # no link is as small: such a value was entered in farads
_DEFINITIONS = frozenset({".dbc", ".kcd", ".sym", ".arxml"})  # endings of files that define signals


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


def _listed(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else [value]


def _not_zero(value: float) -> float:
    if value == 0.0:
        raise ValueError("must not be 0: every reading would equal the offset")
    return value


def split_signal(text: str) -> tuple[str | None, str, str]:
    """'bus:Message.Signal' → bus (None where not given), message, signal.

    >>> split_signal("can1:Pack.Voltage")
    ('can1', 'Pack', 'Voltage')
    """
    bus, _, rest = text.rpartition(":")
    message, _, signal = rest.partition(".")
    return (bus or None), message, signal


def _has_a_message(value: str) -> str:
    if not all(split_signal(value)[1:]):
        raise ValueError("a signal is named “Message.Signal”, or “bus:Message.Signal” on one bus of several")
    return value


def _fraction(value: Any) -> Any:
    """A fraction; one entered in percent is distinguished from one that is merely too large."""
    if isinstance(value, int | float) and 1.0 < value <= 100.0:
        raise ValueError(f"is a fraction, not a percentage: {value:g} % is {value / 100.0:g}")
    return value


Scale = Annotated[Finite, AfterValidator(_not_zero)]
Fraction = Annotated[float, Field(gt=0, lt=1), BeforeValidator(_fraction)]
SignalName = Annotated[str, AfterValidator(_has_a_message)]
StateValues = Annotated[tuple[float | str, ...], BeforeValidator(_listed)]


class Mapped(_Section):
    """The signal that plays a part, and how its values are read.

    `scale` and `offset` apply after the conversion into the part's unit. `on`, `overcurrent` and
    `none` take numbers or enumeration texts.
    """

    signal: SignalName
    scale: Scale = 1.0
    offset: Finite = 0.0
    on: StateValues | None = None
    overcurrent: StateValues | None = None
    overcurrent_bits: tuple[Annotated[int, Field(ge=0, le=63)], ...] | None = None
    none: StateValues | None = None


def _microfarads(value: float) -> float:
    if value < _LOWEST_LINK_uF:
        raise ValueError(f"{value:g} µF is too small for a DC link; if it is {value:g} F, write {value * 1e6:g}")
    return value


class VehicleSection(_Section):
    """Who it is."""

    name: str = "unnamed vehicle"


def _bus_name(value: object) -> object:
    if isinstance(value, int):
        raise ValueError(f'a bus is named by text, as “logscope inventory” shows it, such as "can{value}"')
    return value


def bits_per_second(value: object) -> object:
    """A bit rate, or ValueError; one in kbit/s is distinguished from one that is merely wrong."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= _FASTEST_BITS_PER_S:
        raise ValueError("a bit rate is a whole number in bit/s, such as 500000")
    if value < _SLOWEST_BITS_PER_S:
        raise ValueError(f"a bit rate is in bit/s: {value} kbit/s is {value * 1000}")
    return value


class CanSection(_Section):
    """Definitions of one bus, or of every bus where `bus` is not given.

    columns : of delimited logs, where they cannot be guessed from the header
    bit_rate : of the bus [bit/s], for its load
    """

    definitions: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    bus: Annotated[str, BeforeValidator(_bus_name)] | None = None
    bit_rate: Annotated[int, BeforeValidator(bits_per_second)] | None = None
    columns: ColumnLayout | None = None


class SerialSection(_Section):
    """Definitions of serial consoles."""

    definitions: Annotated[tuple[str, ...], BeforeValidator(_listed)]


class Precharge(_Section):
    """The precharge circuit. `tolerance` is on the time constant, as a fraction."""

    resistance_ohm: Positive | None = None
    capacitance_uF: Annotated[Positive, AfterValidator(_microfarads)] | None = None
    tolerance: Fraction = 0.20
    close_fraction: Fraction = 0.95
    timeout_s: Positive | None = None
    resistor_energy_J: Positive | None = None

    @property
    def time_constant_s(self) -> float | None:
        """R·C [s], where both are known."""
        if self.resistance_ohm is None or self.capacitance_uF is None:
            return None
        return self.resistance_ohm * self.capacitance_uF * 1e-6


class DcLink(_Section):
    """The inverter's DC link."""

    bleeder_ohm: Positive | None = None
    max_voltage_V: Positive | None = None
    discharge_limit_s: Positive | None = None


class Motor(_Section):
    """Motor and encoder."""

    encoder_pulses_per_rev: Positive | None = None
    max_speed_rpm: Positive | None = None
    max_torque_Nm: Positive | None = None
    rotor_inertia_kgm2: Positive | None = None
    pole_pairs: Annotated[int, Field(gt=0)] | None = None


class Driveline(_Section):
    """From motor to road; `ratio` is motor turns for one turn of the wheel."""

    ratio: Positive | None = None
    wheel_radius_m: Positive | None = None
    mass_kg: Positive | None = None


class Limits(_Section):
    """What must not be passed."""

    motor_current_A: Positive | None = None
    motor_temperature_C: Finite | None = None
    inverter_temperature_C: Finite | None = None
    coolant_temperature_C: Finite | None = None
    battery_min_V: Positive | None = None
    battery_max_V: Positive | None = None
    battery_temperature_min_C: Finite | None = None
    battery_temperature_max_C: Finite | None = None
    cell_min_V: Positive | None = None
    cell_max_V: Positive | None = None
    charge_current_A: Positive | None = None
    aux_min_V: Positive | None = None
    aux_max_V: Positive | None = None


class Cooling(_Section):
    """The cooling circuit. `continuous_current_A` is the motor current that it must carry for as long as one likes."""

    continuous_current_A: Positive | None = None


class Aux(_Section):
    """The 12 V supply: the converter's set-point, and what contactor coils need to stay closed."""

    converter_V: Positive | None = None
    coil_hold_V: Positive | None = None


class Charging(_Section):
    """The charger: what it can deliver at its output, and the current at which the battery counts as full."""

    charger_max_V: Positive | None = None
    charger_max_current_A: Positive | None = None
    charger_max_power_W: Positive | None = None
    end_current_A: Positive | None = None


class LoadSection(_Section):
    """A load, supply, relay or pump of the 12 V side, by the signals that show it.

    signal : its switch, on where it is not zero or has one of the values `on`
    current, voltage : what it draws, and what it is fed with; a supply that has no switch needs its voltage only
    """

    name: Annotated[str, Field(min_length=1)]
    signal: SignalName | None = None
    on: StateValues | None = None
    current: SignalName | None = None
    voltage: SignalName | None = None

    @field_validator("name")
    @classmethod
    def _is_no_part(cls, value: str) -> str:
        if value in PARTS:
            raise ValueError(f"“{value}” is a part: map it under [signals], or give the load another name")
        return value

    @model_validator(mode="after")
    def _has_a_signal(self) -> LoadSection:
        if self.signal is None and self.voltage is None:
            raise ValueError('a load needs the signal of its switch, signal = "Message.Signal", or its voltage')
        if self.signal is None and self.on is not None:
            raise ValueError("“on” says which values of its signal mean on, and it has no signal")
        return self


class Vehicle(_Section):
    """A whole vehicle file; each section may be left out. `path` is where it was read from, if it was.

    Examples
    --------
    >>> import logscope
    >>> logscope.Vehicle(precharge={"resistance_ohm": 150, "capacitance_uF": 1000}).precharge.time_constant_s
    0.15
    """

    vehicle: VehicleSection = VehicleSection()
    can: tuple[CanSection, ...] = ()
    serial: tuple[SerialSection, ...] = ()
    signals: dict[str, Mapped] = Field(default_factory=dict)
    precharge: Precharge = Precharge()
    dc_link: DcLink = DcLink()
    motor: Motor = Motor()
    driveline: Driveline = Driveline()
    limits: Limits = Limits()
    cooling: Cooling = Cooling()
    aux: Aux = Aux()
    charging: Charging = Charging()
    load: tuple[LoadSection, ...] = ()
    path: Path | None = Field(default=None, exclude=True)

    @field_validator("signals", mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if not isinstance(value, Mapping):
            return value
        for part, given in value.items():
            if not isinstance(given, str | Mapping | Mapped):
                raise ValueError(f"“{part}” takes a signal, “Message.Signal”, or a table {{ signal = …, scale = … }}")
        return {part: {"signal": given} if isinstance(given, str) else given for part, given in value.items()}

    @field_validator("signals")
    @classmethod
    def _known_parts(cls, value: dict[str, Mapped]) -> dict[str, Mapped]:
        for part, mapped in value.items():
            if part not in PARTS:
                raise ValueError(f"“{part}” is not a known part. {did_you_mean(part, PARTS)}".rstrip())
            refuse_foreign_keys(PARTS[part], mapped)
        return value

    @field_validator("load")
    @classmethod
    def _different_names(cls, value: tuple[LoadSection, ...]) -> tuple[LoadSection, ...]:
        names = [load.name.casefold() for load in value]
        if twice := next((load.name for load in value if names.count(load.name.casefold()) > 1), None):
            raise ValueError(f"two loads are called “{twice}”")
        return value

    def line_of(self, *keys: str | int) -> int | None:
        """The line of the file that sets a key, for messages; None where the file is not at hand."""
        try:
            return line_of(self.path.read_text(encoding="utf-8-sig"), keys) if self.path else None
        except OSError:
            return None

    @property
    def bit_rates(self) -> dict[str | None, int]:
        """The stated bit rates by bus [bit/s]; None is every other bus."""
        return {can.bus: can.bit_rate for can in self.can if can.bit_rate is not None}

    @property
    def files(self) -> tuple[Path, ...]:
        """The vehicle file and every definition file that it names."""
        names = [name for can in self.can for name in can.definitions]
        names += [name for serial in self.serial for name in serial.definitions]
        return (*([self.path] if self.path else []), *map(self.locate, names))

    def locate(self, definition: str) -> Path:
        """A path in the vehicle file, which is relative to the file itself."""
        return (self.path.parent if self.path else Path()) / definition


_ROLES_BY_KEY = {
    "on": (Role.STATE, Role.MODE),
    "overcurrent": (Role.FAULT,),
    "overcurrent_bits": (Role.FAULT,),
    "none": (Role.FAULT,),
}


def refuse_foreign_keys(part: PartInfo, mapped: Mapped) -> None:
    """Raise ValueError for a key that has no meaning for the part, such as `on` for a voltage."""
    for key, roles in _ROLES_BY_KEY.items():
        if getattr(mapped, key) is not None and part.role not in roles:
            raise ValueError(f"“{key}” does not belong to “{part.name}”, which is {part.role.value}")


def load_vehicle(path: Path | str) -> Vehicle:
    """Read and check a vehicle file.

    Parameters
    ----------
    path : path
        A TOML file; definitions in it are named relative to it.

    Returns
    -------
    Vehicle
        Units stand in the names of the values: `vehicle.precharge.resistance_ohm`.

    Raises
    ------
    VehicleError
        Naming file and line, where the file cannot be read, is no TOML, or holds an unknown key or an impossible value.

    Examples
    --------
    >>> import logscope
    >>> logscope.load_vehicle("decoders/hazel.toml").precharge.resistance_ohm
    150.0
    """
    path = Path(path)
    if path.suffix.lower() in _DEFINITIONS:
        raise VehicleError(
            "this file defines signals; it is not a vehicle file",
            where=path,
            do=f'Name it in the vehicle file: [[can]] definitions = ["{path.name}"]. `logscope draft` drafts one.',
        )
    content, text = read_toml(path, "the vehicle file", VehicleError)
    if "path" in content:
        raise VehicleError("unknown key “path”", where=path, line=line_of(text, ("path",)), do="Remove it.")
    try:
        return Vehicle(**content, path=path)
    except ValidationError as failure:
        raise _part_error(failure, text, path) or as_error(failure, Vehicle, text, path, VehicleError) from None


def _part_error(failure: ValidationError, text: str, path: Path) -> VehicleError | None:
    """Complaints about parts name the part themselves; the line is that of the part. None for any other."""
    first = failure.errors()[0]
    if first["loc"] != ("signals",) or not isinstance(first.get("ctx", {}).get("error"), ValueError):
        return None
    message = str(first["ctx"]["error"]).rstrip(".")
    named = (line_of(text, ("signals", word)) for word in re.findall(r"“(\w+)”", message))
    section = line_of(text, ("signals",))
    line = next((line for line in named if line not in (None, section)), section)
    do = "" if "Did you mean" in message else "Correct that line."
    return VehicleError(message, where=path, line=line, do=do)
