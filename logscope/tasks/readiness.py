"""What a vehicle file lets the checks do: `vehicle`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs
from logscope.tasks.common import Watch, unwatched

if TYPE_CHECKING:
    from logscope.checks.needs import Readiness
    from logscope.signals import Signals
    from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True, eq=False)
class VehicleReadiness:
    """What can be checked with a vehicle file.

    Attributes
    ----------
    name : str
        Of the vehicle.
    checks : list of Readiness
        Of each check: whether it runs, what it wants, and what would make it stronger.
    signals : Signals or None
        The parts with samples, where a log was given.
    sources : mapping of str to str
        The signal that is mapped to each part.
    """

    name: str
    checks: list[Readiness]
    signals: Signals | None = None
    sources: Mapping[str, str] = field(default_factory=dict)


def vehicle_readiness(vehicle: Vehicle | Path | str, logs: Paths = (), *, watch: Watch = unwatched) -> VehicleReadiness:
    """Say which checks a vehicle file allows, and with which further signals and numbers they would be stronger.

    Parameters
    ----------
    vehicle : Vehicle or path
        The vehicle file.
    logs : path or paths, optional
        A recording: only what it holds then counts as mapped.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    VehicleReadiness

    Raises
    ------
    LogscopeError
        Where the vehicle file, its definitions or a log cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.vehicle_readiness("decoders/hazel.toml")
    >>> all(each.runs for each in found.checks)
    True
    """
    from logscope.checks.needs import readiness
    from logscope.pipeline import check

    known = loaded(vehicle)
    given = known.model_dump(exclude={"path", "signals", "can", "serial", "load"})
    keys = {
        f"{section}.{key}" for section, values in given.items() for key, value in values.items() if value is not None
    }
    if not as_paths(logs):
        return VehicleReadiness(
            known.vehicle.name, readiness(known.signals, keys, loads=bool(known.load)), sources=_sources(known)
        )
    result = check(watch(open_logs(as_paths(logs), known)), known, only="limits")
    checks = readiness(result.signals.parts, keys, loads=bool(result.signals.loads))
    return VehicleReadiness(known.vehicle.name, checks, result.logged, result.sources)


def _sources(vehicle: Vehicle) -> dict[str, str]:
    return {part: mapped.signal for part, mapped in vehicle.signals.items()}
