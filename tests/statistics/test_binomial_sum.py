"""The distribution of a sum of binomials, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logscope.statistics.binomial_sum import sum_of_binomials


@pytest.mark.parametrize("n", [[1], [7], [3, 12, 0, 400], [1] * 60])
def test_chances_are_those_of_convolved_binomials(n: list[int]) -> None:
    """scipy: binom.pmf of each, convolved."""
    p = np.linspace(0.02, 0.97, len(n))
    expected = np.ones(1)
    for count, chance in zip(n, p, strict=True):
        expected = np.convolve(expected, stats.binom.pmf(np.arange(count + 1), count, chance))
    assert sum_of_binomials(np.array(n), p) == pytest.approx(expected, abs=1e-12)
