"""The buses of real vehicles, of which nothing is known to be wrong: no claim, and only true remarks.

The captures are public (CC0) and are kept beside the project, not in it; what their bytes hold stands in the README
beside them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import logscope

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the captures are not at hand")
@pytest.mark.parametrize(
    ("log", "definitions"),
    [
        ("plug-in-hybrid-ready.log", "plug-in-hybrid.dbc"),
        ("production-car-power-on.csv", "production-car.dbc"),
        ("inverter-board-alone.csv", "production-car.dbc"),
        ("diagnostic-requests.csv", "production-car.dbc"),
    ],
)
def test_nothing_is_claimed_of_the_buses_of_a_sound_vehicle(log: str, definitions: str, tmp_path: Path) -> None:
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text(f'[[can]]\ndefinitions = ["{(CAPTURES / definitions).as_posix()}"]\n', encoding="utf-8")
    result = logscope.check(CAPTURES / log, vehicle, only="bus")
    found = [each for each in result.findings if each.kind.startswith("bus.")]
    assert {each.kind for each in found} <= {"bus.load", "bus.jitter", "bus.log_incomplete"}
    assert {each.severity.value for each in found} <= {"good", "info"}
