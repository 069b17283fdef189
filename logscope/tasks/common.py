"""What several tasks have in common."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.open import Capture
from logscope.files import Paths, as_paths
from logscope.logs import loaded

if TYPE_CHECKING:
    from logscope.vehicle import Vehicle


Watch = Callable[[Capture], Capture]  # gets each opened capture and gives it back, to count what passes


def unwatched(capture: Capture) -> Capture:
    return capture


def defining(vehicle: Vehicle | Path | str | None, definitions: Paths) -> Vehicle:
    """The vehicle file alone, or one that has the definitions and nothing else."""
    from logscope.draft.draft import undrafted

    known = None if vehicle is None else loaded(vehicle)
    paths = as_paths(definitions)
    return known if known is not None and not paths else undrafted(paths, "vehicle.toml", like=known)
