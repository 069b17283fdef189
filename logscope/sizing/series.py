"""Preferred resistor values: the E-series of IEC 60063:2015.

The standard's E24 differs at eight places from what its formula 10^(k/24) would give, so it is a table here;
E6 and E12 are every fourth and every second of it. E96 is the formula rounded to three figures.
"""

from __future__ import annotations

import math
from enum import StrEnum

_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
_FIGURES = 3  # significant figures of the finest series
_ROUNDING = 1e-9  # a value computed to be 47 ohm shall find 47 although it is 46.999999999


class Series(StrEnum):
    """How finely the values are spaced: so many a decade."""

    E6 = "E6"
    E12 = "E12"
    E24 = "E24"
    E96 = "E96"


def decade(series: Series) -> tuple[float, ...]:
    """The values of a series from 1 to below 10, ascending.

    >>> decade(Series.E6)
    (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    if series == Series.E96:
        return tuple(round(10 ** (k / 96), 2) for k in range(96))
    return _E24[:: 24 // int(series[1:])]


def at_most(limit_ohm: float, series: Series) -> float:
    """The greatest value of a series that is not above a limit [ohm].

    >>> at_most(319.0, Series.E24), at_most(47.0, Series.E6)
    (300.0, 47.0)
    """
    return [value for value in _around(limit_ohm, series) if value <= limit_ohm * (1 + _ROUNDING)][-1]


def at_least(limit_ohm: float, series: Series) -> float:
    """The smallest value of a series that is not below a limit [ohm].

    >>> at_least(184.0, Series.E96)
    187.0
    """
    return next(value for value in _around(limit_ohm, series) if value >= limit_ohm * (1 - _ROUNDING))


def next_below(value_ohm: float, series: Series) -> float:
    """The greatest value of a series below another [ohm]."""
    return [value for value in _around(value_ohm, series) if value < value_ohm * (1 - _ROUNDING)][-1]


def next_above(value_ohm: float, series: Series) -> float:
    """The smallest value of a series above another [ohm]."""
    return next(value for value in _around(value_ohm, series) if value > value_ohm * (1 + _ROUNDING))


def _around(value_ohm: float, series: Series) -> list[float]:
    """The values of a series in the decades below, at and above one, ascending [ohm]."""
    power = math.floor(math.log10(value_ohm))
    return [_scaled(value, n) for n in (power - 1, power, power + 1) for value in decade(series)]


def _scaled(value: float, power: int) -> float:
    """value · 10^power as the nearest float to its printed figures."""
    return float(f"{value:.{_FIGURES - 1}f}e{power}")
