"""The shelf of tiny logs as a fixture."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_shelf import write_log, write_vehicle


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Two vehicles, three logs each, in folders below those of their vehicle files."""
    for name, first in (("Hazel", 0), ("Rowan", 40)):
        place = tmp_path / "all logs" / name
        write_vehicle(place, name)
        (place / "drives").mkdir()
        for n in range(3):
            write_log(place / "drives" / f"{n}.log", first + n, 0x1000 + n)
    return tmp_path / "all logs"
