"""The chart of how often the speed is disturbed, against the motor current."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.checks.encoder.disturbance_rate import RateLaw
from logscope.findings import Chart, Series, Style
from logscope.statistics.rates import poisson_rate

_BINS = 6  # of current: few enough for each to hold some disturbances
_LEAST_SHARE = 0.01  # of the time: a bin with less has limits that only fill the chart


class CurrentBin(NamedTuple):
    """Driving in a band of current: its mean [A], how many disturbances began, and how long [min]."""

    mean_a: float
    events: int
    minutes: float


def current_bins(amps: FloatArray, known: BoolArray, exposure_s: FloatArray, at: IndexArray) -> tuple[CurrentBin, ...]:
    """The driving in bands of current of equal width; those hardly driven in are left out.

    amps : |motor current| at each sample of the speed, shape (n,); known : where it counts; exposure_s : of each
    at : samples at which a disturbance began
    """
    edges = np.linspace(0.0, float(amps[known].max()), _BINS + 1)
    which = np.clip(np.searchsorted(edges, amps, side="right") - 1, 0, _BINS - 1)
    spent = np.where(known, exposure_s, 0.0)
    seconds = np.bincount(which, spent, _BINS)
    means = np.bincount(which, spent * amps, _BINS) / np.maximum(seconds, 1e-12)
    counts = np.bincount(which[at[known[at]]], minlength=_BINS)
    return tuple(
        CurrentBin(float(mean), int(count), float(spent_s) / 60.0)
        for mean, count, spent_s in zip(means, counts, seconds, strict=True)
        if spent_s >= _LEAST_SHARE * seconds.sum() and spent_s > 0
    )


def rate_chart(bins: tuple[CurrentBin, ...], law: RateLaw | None) -> Chart:
    """Rates by current with exact limits, and the fitted law at the mean speed where there is one."""
    rates = [poisson_rate(each.events, each.minutes) for each in bins]
    counted = Series(
        "counted in bands of current",
        np.array([each.mean_a for each in bins]),
        np.array([rate.value for rate in rates]),
        np.array([rate.low for rate in rates]),
        np.array([rate.high for rate in rates]),
        style=Style.POINTS,
    )
    fitted = () if law is None else (Series("fitted law, at the mean speed", *law.line),)
    return Chart("motor current", "A", "speed disturbances", "1/min", (*fitted, counted))
