"""How plausibility's findings name a line of the vehicle file."""

from __future__ import annotations

from logscope.vehicle import Vehicle


def line_of(part: str, vehicle: Vehicle) -> str:
    """Where the vehicle file maps a part: “signals.motor_speed” (hazel.toml:12)."""
    return f"“signals.{part}”{place_of('signals', part, vehicle)}"


def place_of(section: str, key: str, vehicle: Vehicle) -> str:
    """Where a key stands, to follow its name: “ (hazel.toml:12)”; empty where it stands in no file."""
    line = vehicle.line_of(section, key)
    return f" ({vehicle.path.name}:{line})" if vehicle.path and line else ""
