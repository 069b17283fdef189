"""The curves that a charging link may follow, and where each parameter stands in the vector that is fitted."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from logscope.arrays import FloatArray
from logscope.physics.rc import (
    settled_fraction,
    settled_fraction_averaged,
    settled_fraction_constant_power,
    settled_fraction_heating,
    settled_fraction_three_pole,
    settled_fraction_two_pole,
)


class Shape(Enum):
    """The curves that are tried. Each adds its own parameters behind the common ones."""

    EXPONENTIAL = "one exponential"
    LAGGED = "an exponential through a sensing lag"
    TWICE_LAGGED = "an exponential through two sensing lags"
    AVERAGED = "an exponential through a moving average"
    HEATING = "a resistor that heats while it charges"
    CONSTANT_POWER = "a constant-power load that starts on the way"


# What each shape adds, with its lowest and highest value; None where the sampling sets it.
SHAPE_RANGES: dict[Shape, tuple[tuple[float | None, float | None], ...]] = {
    Shape.EXPONENTIAL: (),
    Shape.LAGGED: ((None, None),),
    Shape.TWICE_LAGGED: ((None, None), (None, None)),
    Shape.AVERAGED: ((None, None),),
    Shape.HEATING: ((float(np.log(0.02)), float(np.log(3.0))),),  # wire-wound parts a few percent, PTC parts manifold
    Shape.CONSTANT_POWER: ((float(np.log(0.005)), float(np.log(0.8))), (0.0, 0.98)),
}
FILTERED = (
    Shape.LAGGED,
    Shape.TWICE_LAGGED,
    Shape.AVERAGED,
)  # the link seen through a filter: the curve starts as an S
# Where the search for them starts; that of the filtered shapes starts from the constant.
SHAPE_STARTS: dict[Shape, tuple[tuple[float, ...], ...]] = {
    Shape.EXPONENTIAL: ((),),
    Shape.HEATING: ((float(np.log(0.1)),), (float(np.log(0.6)),)),
    Shape.CONSTANT_POWER: tuple((float(np.log(k)), c) for k in (0.05, 0.3) for c in (0.4, 0.75)),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each parameter stands in the vector.

    start, log of the initial slope (rise / τ), log τ, log noise, log jitter, [onset], then those of the shape: log lag,
    one or two; log length of the average; log growth of the resistor; log load and where it cuts in, as a fraction of
    the rise. A curve that is cut short
    fixes its slope well and its end and τ only together: in these terms the two part.
    """

    begin_s: float  # the onset where it is not fitted
    fits_onset: bool
    shape: Shape

    @property
    def size(self) -> int:
        return 5 + self.fits_onset + len(SHAPE_RANGES[self.shape])

    def fraction(self, theta: FloatArray, elapsed_s: FloatArray) -> FloatArray:
        """How far the curve has risen, for k parameter vectors and times since the onset, shape (k, n)."""
        tau, last = np.exp(theta[:, 2])[:, None], theta[:, -1:]
        match self.shape:
            case Shape.LAGGED:
                return settled_fraction_two_pole(elapsed_s, tau, np.exp(last))
            case Shape.TWICE_LAGGED:
                return settled_fraction_three_pole(elapsed_s, tau, np.exp(theta[:, -2:-1]), np.exp(last))
            case Shape.AVERAGED:
                return settled_fraction_averaged(elapsed_s, tau, np.exp(last))
            case Shape.HEATING:
                return settled_fraction_heating(elapsed_s, tau, np.exp(last))
            case Shape.CONSTANT_POWER:
                start_v, rise = theta[:, :1], self.rise(theta)[:, None]
                no_load = start_v + rise <= 0  # the search may come there, where no load draws any power
                start_v = np.where(no_load, 0.0, start_v)
                cut_in_v, load = start_v + last * rise, np.exp(theta[:, -2:-1])
                loaded = settled_fraction_constant_power(elapsed_s, tau, start_v + rise, start_v, cut_in_v, load)
                return np.where(no_load, settled_fraction(elapsed_s, tau), loaded)
        return settled_fraction(elapsed_s, tau)

    def stretched(self, theta: FloatArray, log_factor: FloatArray) -> FloatArray:
        """The same curves on times that are longer by factors, whose logarithms have shape (k,)."""
        longer = theta.copy()
        longer[:, 1] -= log_factor
        longer[:, 2] += log_factor
        if self.shape in FILTERED:
            longer[:, self.size - len(SHAPE_RANGES[self.shape]) :] += log_factor[:, None]
        return longer

    def rise(self, theta: FloatArray) -> FloatArray:
        """From the start to the end [V], shape (k,)."""
        return np.asarray(np.exp(np.minimum(theta[:, 1] + theta[:, 2], 700.0)))

    def onset(self, theta: FloatArray) -> FloatArray:
        return np.asarray(theta[:, 5]) if self.fits_onset else np.full(len(theta), self.begin_s)

    def lag(self, theta: FloatArray) -> FloatArray | None:
        """The (longer) sensing lag [s], shape (k,): an average over M lags by M/2. None for the shapes without."""
        match self.shape:
            case Shape.LAGGED:
                return np.asarray(np.exp(theta[:, -1]))
            case Shape.TWICE_LAGGED:
                return np.asarray(np.exp(theta[:, -2]))
            case Shape.AVERAGED:
                return np.asarray(np.exp(theta[:, -1]) / 2)
        return None

    def curve(self, theta: FloatArray, time_s: FloatArray) -> FloatArray:
        """Voltage [V], shape (k, n), for k parameter vectors. time_s : shape (n,), or (k, n) where each has its own"""
        elapsed = np.atleast_2d(time_s) - self.onset(theta)[:, None]
        return np.asarray(theta[:, :1] + self.rise(theta)[:, None] * self.fraction(theta, elapsed))
