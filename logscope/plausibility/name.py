"""How plausibility's findings speak of a part and of its line in the vehicle file."""

from __future__ import annotations

from logscope.vehicle import Vehicle

_NAMES = {
    "dc_link_voltage": "DC-link voltage",
    "dc_link_voltage_second": "DC-link voltage (second source)",
    "motor_speed_second": "motor speed (second source)",
    "throttle_second": "throttle (second track)",
    "aux_voltage": "12 V supply voltage",
}


def said(part: str) -> str:
    """A part's name within a sentence.

    >>> said("main_contactor"), said("dc_link_voltage")
    ('main contactor', 'DC-link voltage')
    """
    return _NAMES.get(part) or part.replace("_", " ")


def titled(part: str) -> str:
    """The same at the beginning of one."""
    name = said(part)
    return name[0].upper() + name[1:]


def line_of(part: str, vehicle: Vehicle) -> str:
    """Where the vehicle file maps a part: “signals.motor_speed” (hazel.toml:12)."""
    return f"“signals.{part}”{place_of('signals', part, vehicle)}"


def place_of(section: str, key: str, vehicle: Vehicle) -> str:
    """Where a key stands, to follow its name: “ (hazel.toml:12)”; empty where it stands in no file."""
    line = vehicle.line_of(section, key)
    return f" ({vehicle.path.name}:{line})" if vehicle.path and line else ""
