"""How much counts of whole units (runs) differ beyond what is expected of each, and what few of them tell of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import stats

# A spread of the units' counts that chance alone gives in more than one case of five is no sign that units differ
# (judgement: small enough to miss little, large enough that most sound sets of runs are not widened).
_UNREMARKABLE = 0.2


def student_widening(freedom: float, level: float) -> float:
    """What a variance known with few degrees of freedom is multiplied by, so that normal limits hold at a level."""
    tail = 1.0 - level / 2.0
    return float(stats.t.ppf(tail, max(freedom, 1.0)) / stats.norm.ppf(tail)) ** 2


def spread_of_units(
    counts: Sequence[float], expected: Sequence[float], dispersion: float, fitted: int, level: float
) -> float:
    """Variance of counts over that of independent events, from whole units; 1 where the units do not differ.

    counts, expected : events of each unit; dispersion : that is known from within the units, at least 1
    fitted : parameters that were fitted to the units' totals; level : of the test that uses it

    Pearson's chi-squared over its degrees of freedom: McCullagh and Nelder, Generalized Linear Models (1989), 4.5.
    """
    mean = np.maximum(np.asarray(expected, dtype=np.float64), 1e-9)
    freedom = mean.size - fitted
    if freedom < 1:
        return 1.0
    chi_squared = float(np.sum((np.asarray(counts) - mean) ** 2 / mean))
    if float(stats.chi2.sf(chi_squared / dispersion, freedom)) > _UNREMARKABLE:
        return 1.0
    return max(1.0, chi_squared / freedom) * student_widening(float(freedom), level)
