"""Scale and offset of a field beside a reference, and whether their limits hold: by draws with a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.seeking.correlation import line


@pytest.mark.parametrize("memory", [0.0, 0.95])
def test_limits_hold_the_truth_as_often_as_they_say(memory: float) -> None:
    """95 % of 200 draws, whose residuals last for some twenty points or for none; three standard errors are 4.6 %."""
    rng = np.random.default_rng(3)
    held = np.zeros(2)
    for _ in range(200):
        raw = 1500 + 400 * np.sin(np.linspace(0, 40, 1500) + rng.uniform(0, 6)) + rng.normal(0, 20, 1500)
        noise = rng.normal(0, 1, 1500)
        for k in range(1, noise.size if memory else 0):
            noise[k] += memory * noise[k - 1]
        fit = line(0.1 * raw - 40 + noise, raw)
        assert fit.scale_limits is not None
        assert fit.offset_limits is not None
        held += fit.scale_limits[0] <= 0.1 <= fit.scale_limits[1], fit.offset_limits[0] <= -40 <= fit.offset_limits[1]
    assert np.all(np.abs(held / 200 - 0.95) <= 0.046)


def test_wild_samples_move_neither_scale_nor_offset() -> None:
    rng = np.random.default_rng(5)
    raw = rng.uniform(0, 4000, 800)
    reference = 0.25 * raw + 3 + rng.normal(0, 0.5, raw.size)
    reference[::40] = 65535.0
    fit = line(reference, raw)
    assert (fit.scale, fit.offset) == pytest.approx((0.25, 3.0), rel=0.02)


def test_values_that_never_move_have_no_line() -> None:
    fit = line(np.arange(50.0), np.full(50, 7.0))
    assert (fit.scale_limits, fit.offset_limits) == (None, None)
