"""Fewer points for a chart, with every extreme kept."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray


def keep_extremes(value: FloatArray, most: int) -> NDArray[np.intp]:
    """Which samples to draw: all, or at most `most` that hold the extremes of every stretch.

    value : samples in the order of time, shape (n,). Returns rising indices, shape (<= most,).

    Each of about most/4 stretches of the log gives its first, lowest, highest and last sample (Jugel et al.,
    "M4: A Visualization-Oriented Time Series Data Aggregation", VLDB 2014), so a spike of one
    sample stays in the picture, whichever way it points.
    """
    if value.size <= most:
        return np.arange(value.size, dtype=np.intp)
    from tsdownsample import M4Downsampler

    # Its stretches can end one sample short of the last, by rounding; that sample is added below.
    downsampler = M4Downsampler()  # type: ignore[no-untyped-call]
    kept = downsampler.downsample(np.ascontiguousarray(value, np.float64), n_out=(most - 1) // 4 * 4)
    return np.unique(np.append(kept.astype(np.intp), value.size - 1))
