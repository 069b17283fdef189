"""From logs and definitions to a first vehicle file."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np

from logscope.capture.open import Capture
from logscope.decoded import decode_tables
from logscope.draft.behaviour import tracks
from logscope.draft.choose import choose
from logscope.draft.keys import keys_for
from logscope.draft.logged import Logged, collect
from logscope.draft.surroundings import look_around
from logscope.draft.write import vehicle_text
from logscope.errors import RequestError
from logscope.vehicle import CanSection, SerialSection, Vehicle, VehicleSection

_CONSOLE_SUFFIX = ".toml"
Section = TypeVar("Section", CanSection, SerialSection)
_WHEEL_RPM_PER_KMH_AT_1_M = 1000 / 60 / (2 * np.pi)  # n = v/(2πr): 2.65 rpm for each km/h at r = 1 m


def undrafted(
    definitions: Sequence[Path | str], target: Path | str, name: str = "", like: Vehicle | None = None
) -> Vehicle:
    """A vehicle that has definitions and nothing else yet: what is needed to open and decode the logs.

    definitions : DBC, KCD, SYM or ARXML files, and TOML files of serial consoles
    target : where the vehicle file is to be written; definitions are named relative to it
    like : a vehicle file whose [[can]] and [[serial]] sections, such as the columns of delimited logs, are taken over

    Raises RequestError where there are no definitions.
    """
    if not definitions and (like is None or not (like.can or like.serial)):
        raise RequestError("no definitions of signals are given", do="Give --definitions, or --vehicle with some.")
    target = Path(target)
    folder = target.absolute().parent
    named = [_relative(Path(path), folder) for path in definitions]
    consoles = tuple(path for path in named if path.lower().endswith(_CONSOLE_SUFFIX))
    frames = tuple(path for path in named if path not in consoles)
    columns = next((section.columns for section in like.can if section.columns), None) if like is not None else None
    return Vehicle(
        vehicle=VehicleSection(name=name or target.stem),
        can=(
            *(_moved(section, like, folder) for section in (like.can if like is not None else ())),
            *((CanSection(definitions=frames, columns=columns),) if frames else ()),
        ),
        serial=(
            *(_moved(section, like, folder) for section in (like.serial if like is not None else ())),
            *((SerialSection(definitions=consoles),) if consoles else ()),
        ),
        path=target.absolute(),
    )


def _moved(section: Section, vehicle: Vehicle | None, folder: Path) -> Section:
    """A section of a vehicle file, its definitions named relative to another folder."""
    assert vehicle is not None
    named = tuple(_relative(vehicle.locate(name), folder) for name in section.definitions)
    return section.model_copy(update={"definitions": named})


def draft_text(capture: Capture, vehicle: Vehicle) -> tuple[str, tuple[str, ...]]:
    """The text of a first vehicle file, and notes on what of the logs and definitions could not be used.

    capture : opened with `vehicle`, which comes from `undrafted`

    Raises LogscopeError where the logs or the definitions cannot be used.
    """
    decoded = decode_tables(capture, vehicle)
    signals = collect(decoded.tables)
    around = look_around(signals)
    choices = choose(signals, around)
    players = {part: choice.fit.signal for part, choice in choices.items()}
    text = vehicle_text(
        vehicle.vehicle.name,
        vehicle.can,
        vehicle.serial,
        choices,
        {part: keys_for(part, signal, players, around) for part, signal in players.items()},
        _seen({part: choice.fit.signal for part, choice in choices.items() if choice.sure}),
        _unused(signals, players.values()),
    )
    return text, decoded.notes


_UNUSED_NAMED = 40  # further ones would hide the rest of the file; `logscope signals` lists all


def _unused(signals: Iterable[Logged], players: Iterable[Logged]) -> tuple[str, ...]:
    """The signals that play no part: a name that no rule knows may be the one that is missing."""
    used = {player.reference for player in players}
    names = [signal.reference for signal in signals if signal.reference not in used]
    more = ("… (`logscope signals` lists all)",) if len(names) > _UNUSED_NAMED else ()
    return (*names[:_UNUSED_NAMED], *more)


def _seen(players: Mapping[str, Logged]) -> dict[str, str]:
    """What the log shows of the numbers that are to be filled in."""
    seen: dict[str, str] = {}
    if "motor_speed" in players and "vehicle_speed" in players:
        motor, road = players["motor_speed"], players["vehicle_speed"]
        rpm, kmh = motor.as_part("motor_speed"), road.as_part("vehicle_speed")
        ratio = tracks(motor.time_s, rpm, road.time_s, kmh) if rpm is not None and kmh is not None else None
        if ratio is not None:
            seen["driveline"] = (
                f"In this log {abs(ratio):.3g} rpm go with 1 km/h (median; most samples lie within 10 % of it): "
                f"ratio / wheel_radius_m is about "
                f"{abs(ratio) / _WHEEL_RPM_PER_KMH_AT_1_M:.3g}, if both speeds are right."
            )
    return seen


def _relative(path: Path, folder: Path) -> str:
    """As the vehicle file names it; absolute where it lies on another drive."""
    try:
        return Path(os.path.relpath(path.absolute(), folder)).as_posix()
    except ValueError:
        return path.absolute().as_posix()
