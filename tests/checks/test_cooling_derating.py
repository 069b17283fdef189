"""When torque is held back near a temperature's limit, by made shares of the torque; expected by hand.

At one speed and pedal, 85 % and less is named where all of the interval lies below it: the spread of the bands over the
root of their number, and 2 % to which pedal and torque are read.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.checks.cooling.derating import _less

RPM = np.tile(np.linspace(1000.0, 5000.0, 800), 2)
NEAR = np.arange(1600) < 800
BAND = np.minimum((RPM - 1000.0) // 500.0, 7.0)  # of eight


def found(ratio: float, differs: float = 0.0, pedal: float | np.ndarray = 50.0) -> tuple[float, float, float] | None:
    """The share near the limit; from band to band by so much more and less."""
    cool = 2.0 - RPM / 10_000.0  # less torque at higher speed
    share = np.where(NEAR, cool * (ratio + differs * np.where(BAND % 2 == 0, 1.0, -1.0)), cool)
    return _less(share, RPM, np.broadcast_to(np.asarray(pedal), RPM.shape), NEAR, ~NEAR)


@pytest.mark.parametrize(
    ("ratio", "differs", "named"),
    [
        (1.0, 0.0, False),
        (0.84, 0.0, False),  # up to 86 %
        (0.82, 0.0, True),
        (0.80, 0.02, True),  # ± 2 % for the bands, and 2 %
        (0.80, 0.05, False),
        (0.50, 0.20, True),
        (1.20, 0.0, False),
    ],
)
def test_torque_is_held_back_where_all_of_the_interval_says_so(ratio: float, differs: float, named: bool) -> None:
    less = found(ratio, differs)
    assert (less is not None) is named
    if less is not None:
        assert less[0] == pytest.approx(ratio, abs=0.01)
        half = 0.02 + 2.8 * differs / np.sqrt(8.0)
        assert less[1:] == pytest.approx((less[0] - half, less[0] + half), abs=0.01)


def test_a_gentler_drive_in_the_heat_and_another_speed_are_no_derating() -> None:
    gentle = np.where(NEAR, 25.0, 75.0)  # no moment at like pedals
    assert found(0.5, pedal=gentle) is None
    share = np.where(NEAR, 0.5, 1.0)
    apart = np.where(NEAR, 1000.0 + RPM / 10.0, RPM + 3000.0)
    assert _less(share, apart, np.full(1600, 50.0), NEAR, ~NEAR) is None


@pytest.mark.parametrize(("bands", "known"), [(3, True), (2, False)])
def test_a_derating_takes_three_bands_of_speed_and_pedal(bands: int, known: bool) -> None:
    """At a steady speed, which is one band: so many of the pedal."""
    pedal = 30.0 + 10.0 * (np.arange(1600) % bands)
    assert (_less(np.where(NEAR, 0.5, 1.0), np.full(1600, 2000.0), pedal, NEAR, ~NEAR) is not None) is known
