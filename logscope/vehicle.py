"""The vehicle file: what is fitted, and which signal plays which part.

One TOML file, checked strictly: an unknown key is an error that names it and suggests the nearest.
Every section is optional; what is missing switches off or weakens the checks that need it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from logscope.errors import VehicleError, did_you_mean
from logscope.parts import PARTS, Role

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


def _listed(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else [value]


StateValues = Annotated[tuple[float | str, ...], BeforeValidator(_listed)]


class Mapped(_Section):
    """The signal that plays a part, and how its values are read.

    `scale` and `offset` apply after the conversion into the part's unit. `on`, `overcurrent` and
    `none` take numbers or enumeration texts.
    """

    signal: str
    scale: Finite = 1.0
    offset: Finite = 0.0
    on: StateValues | None = None
    overcurrent: StateValues | None = None
    overcurrent_bits: tuple[Annotated[int, Field(ge=0, le=63)], ...] | None = None
    none: StateValues | None = None

    @field_validator("signal")
    @classmethod
    def _has_a_message(cls, value: str) -> str:
        if not all(split_signal(value)[1:]):
            raise ValueError("a signal is named “Message.Signal”, or “bus:Message.Signal” on one bus of several")
        return value


def split_signal(text: str) -> tuple[str | None, str, str]:
    """'bus:Message.Signal' → bus (None where not given), message, signal.

    >>> split_signal("can1:Pack.Voltage")
    ('can1', 'Pack', 'Voltage')
    """
    bus, _, rest = text.rpartition(":")
    message, _, signal = rest.partition(".")
    return (bus or None), message, signal


class VehicleSection(_Section):
    """Who it is."""

    name: str = "unnamed vehicle"


class CanSection(_Section):
    """Definitions of one bus, or of every bus where `bus` is not given."""

    definitions: Annotated[tuple[str, ...], BeforeValidator(_listed)]
    bus: str | None = None


class Precharge(_Section):
    """The precharge circuit. `tolerance` is on the time constant, as a fraction."""

    resistance_ohm: Positive | None = None
    capacitance_uF: Positive | None = None
    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.20
    close_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.95
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
    aux_min_V: Positive | None = None


class Vehicle(_Section):
    """A whole vehicle file. `path` is where it was read from, if it was."""

    vehicle: VehicleSection = VehicleSection()
    can: tuple[CanSection, ...] = ()
    signals: dict[str, Mapped] = Field(default_factory=dict)
    precharge: Precharge = Precharge()
    dc_link: DcLink = DcLink()
    motor: Motor = Motor()
    driveline: Driveline = Driveline()
    limits: Limits = Limits()
    path: Path | None = Field(default=None, exclude=True)

    @field_validator("signals", mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if not isinstance(value, Mapping):
            return value
        return {part: {"signal": given} if isinstance(given, str) else given for part, given in value.items()}

    @field_validator("signals")
    @classmethod
    def _known_parts(cls, value: dict[str, Mapped]) -> dict[str, Mapped]:
        for part, mapped in value.items():
            if part not in PARTS:
                raise ValueError(f"“{part}” is no part of a drive system. {did_you_mean(part, PARTS)}".rstrip())
            _refuse_foreign_keys(part, mapped)
        return value

    def line_of(self, *keys: str) -> int | None:
        """The line of the file that sets a key, for messages; None where the file is not at hand."""
        try:
            return _line_of(self.path.read_text(encoding="utf-8-sig"), keys) if self.path else None
        except OSError:
            return None

    def locate(self, definition: str) -> Path:
        """A path in the vehicle file, which is relative to the file itself."""
        return (self.path.parent if self.path else Path()) / definition


_KEYS_BY_ROLE = {"on": Role.STATE, "overcurrent": Role.FAULT, "overcurrent_bits": Role.FAULT, "none": Role.FAULT}


def _refuse_foreign_keys(part: str, mapped: Mapped) -> None:
    for key, role in _KEYS_BY_ROLE.items():
        if getattr(mapped, key) is not None and PARTS[part].role is not role:
            raise ValueError(f"“{key}” does not belong to “{part}”, which is {PARTS[part].role.value}")


def load_vehicle(path: Path | str) -> Vehicle:
    """Read and check a vehicle file.

    Raises VehicleError, naming file and line, where the file cannot be read, is no TOML, or holds a
    key or value that is not part of the contract.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise VehicleError(
            f"cannot read the vehicle file ({error.strerror or error})", where=path, do="Check the path after --vehicle."
        ) from None
    except UnicodeDecodeError:
        raise VehicleError("the vehicle file is not UTF-8 text", where=path, do="Save it as UTF-8.") from None
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        what = re.sub(r"\s*\(at .*\)", "", str(error))
        raise VehicleError(
            f"not valid TOML: {what}", where=path, line=int(line[1]) if line else None, do="Mend that line."
        ) from None
    if "path" in content:
        raise VehicleError("unknown key “path”", where=path, line=_line_of(text, ("path",)), do="Remove it.")
    try:
        return Vehicle(**content, path=path)
    except ValidationError as error:
        raise _as_vehicle_error(error, path, text) from None


def _as_vehicle_error(error: ValidationError, path: Path, text: str) -> VehicleError:
    first = error.errors()[0]
    keys = tuple(key for key in first["loc"] if isinstance(key, str))
    name = ".".join(keys)
    if first["type"] == "extra_forbidden":
        hint = did_you_mean(keys[-1], _known_keys(keys[:-1])) or f"Known here: {', '.join(_known_keys(keys[:-1]))}."
        return VehicleError(f"unknown key “{name}”", where=path, line=_line_of(text, keys), do=hint)
    message = re.sub(r"^Value error, ", "", first["msg"]).rstrip(".")
    line = _line_of(text, keys)
    if keys == ("signals",):  # our own validator, which names the part itself
        words = re.findall(r"“(\w+)”", message)
        line = next((n for word in words if (n := _line_of(text, ("signals", word)))), line)
    do = "" if "Did you mean" in message else "Mend that value."
    return VehicleError(f"“{name}”: {_plain(first['type'], message)}", where=path, line=line, do=do)


def _plain(kind: str, message: str) -> str:
    """pydantic's wording for the commonest slips, in a workshop's."""
    if kind == "missing":
        return "this key is needed and missing"
    if kind in ("dict_type", "model_type", "model_attributes_type"):
        return "give “Message.Signal”, or a table { signal = “Message.Signal”, … }"
    return message.replace("Input should be", "should be")


def _known_keys(section: tuple[str, ...]) -> tuple[str, ...]:
    model: Any = Vehicle
    if section[:1] == ("signals",):
        return tuple(Mapped.model_fields) if len(section) > 1 else tuple(PARTS)
    for key in section:
        sections = {"can": CanSection} | {name: field.annotation for name, field in Vehicle.model_fields.items()}
        model = CanSection if key == "can" else sections.get(key, Vehicle)
    return tuple(name for name in model.model_fields if name != "path")


def _line_of(text: str, keys: tuple[str, ...]) -> int | None:
    """The line of the vehicle file that sets the last of `keys`, as far as plain TOML layout shows it."""
    section, found = "", None
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[\[?\s*([\w.\-\" ]+?)\s*\]\]?", line):
            section = header[1].replace('"', "")
            if section == ".".join(keys):
                found = found or number
        elif (key := re.match(r"\s*\"?([\w\-]+)\"?\s*[=.]", line)) and (section, key[1]) in _places(keys):
            return number
    return found


def _places(keys: tuple[str, ...]) -> set[tuple[str, str]]:
    return {(".".join(keys[:cut]), keys[cut]) for cut in range(len(keys))[-2:]}
