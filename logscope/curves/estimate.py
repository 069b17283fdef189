"""An estimate with the limits that every claim of a fitted curve has to clear."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.importance import Posterior

# A claim "too slow" or "too fast" wants more than 95 % limits: 1 in 1000 on each side.
CLAIM_LEVEL = 0.001
_BOUNDLESS = 1e12  # stands for infinity between draws, which keeps their interpolation finite


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with 95 % limits, and the wider limits that a claim has to clear."""

    value: float
    low: float
    high: float
    claim_low: float
    claim_high: float


def estimate(posterior: Posterior, values: FloatArray) -> Estimate:
    """The median of a value over the draws, with its limits; infinite where the value may be.

    values : the value for each draw, shape (draws,)
    """
    capped = np.where(np.isfinite(values), values, _BOUNDLESS)
    levels = posterior.quantiles(capped, 0.5, 0.025, 0.975, CLAIM_LEVEL, 1 - CLAIM_LEVEL)
    return Estimate(*(inf if level >= _BOUNDLESS / 10 else level for level in levels))
