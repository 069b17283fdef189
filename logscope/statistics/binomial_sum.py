"""The sum of binomial counts with unlike chances."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logscope.findings import FloatArray


def sum_of_binomials(n: NDArray[np.intp], p: FloatArray) -> FloatArray:
    """Chances of 0, 1, … for the sum of independent binomials, by their generating function on the unit circle."""
    size = int(n.sum()) + 1
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    logs = (n[:, np.newaxis] * np.log(1.0 - p[:, np.newaxis] + p[:, np.newaxis] * turn + 1e-300)).sum(axis=0)
    return np.clip(np.fft.irfft(np.exp(logs), size), 0.0, 1.0)
