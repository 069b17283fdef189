"""Sound drives of which the checks of cooling, 12 V side and charging once claimed what was not so."""

from __future__ import annotations

import numpy as np
import pytest
from sound_driving import logged, sound_drive
from sound_hours import findings_of, with_own_cooling

from logscope.findings import Severity


@pytest.mark.parametrize("seed", [46048])  # a cruise from cold, beside a coolant that is read in whole kelvins
def test_nothing_is_claimed_of_a_sound_drive(seed: int) -> None:
    rng = np.random.default_rng([seed, 2101])
    played = sound_drive(seed, rng)
    assert played is not None
    drive, vehicle = with_own_cooling(played[0], np.random.default_rng([seed, 4714])), played[1]
    signals, _ = logged(drive, vehicle, seed, rng)
    kinds = [each.kind for each in findings_of(signals, vehicle) if each.severity is not Severity.INFO]
    assert not [kind for kind in kinds if kind in ("cooling.no_flow", "cooling.air")]
