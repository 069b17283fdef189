"""Many tests at once: Holm, Scand. J. Statist. 6 (1979)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """p-values adjusted so that claims at 5 % are all right in at least 95 of 100 cases, whatever is true.

    >>> holm([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    """
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    raised = np.minimum(np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1)), 1.0)
    adjusted = np.empty(p.size)
    adjusted[order] = raised
    return tuple(float(value) for value in adjusted)
