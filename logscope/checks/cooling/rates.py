"""How fast a device falls back to its coolant, with flow and without, by sums since the log's beginning.

In sums rounding does not add up, so they show how large both λ are, and where the flow was lost and came back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.cooling.windows import Spans, Windows, share_of, spans_of
from logscope.statistics.information import covariance_of, variance_of

SLOWER = 0.4  # of the other λ, beyond chance: less than that is a flow that has gone, not one that varies with speed
_APART_SURE = 2.5  # standard errors by which the two λ are apart: the windows were searched for them
_LEAST_ALIKE, _MOST_ALIKE = 0.2, 0.9  # correlation from one sum to the next: sensors' lags leave some in every log
_MOST_PLACED = 6  # spells whose edges are sought: more take long, and leave enough of each flow without
_ROUNDS = 12
_NO_MISFIT = 1e-12


@dataclass(frozen=True, slots=True)
class Rates:
    """λ [1/s] where it flows and where not, with their standard errors, from sums since the beginning.

    apart_error : of SLOWER·high − low, which both err in together
    gain : change for each unit of heat; misfit : sum of the squares that are left
    noise_K : of a change between two sums
    """

    gain: float
    high: float
    low: float
    high_error: float
    low_error: float
    apart_error: float
    misfit: float
    noise_K: float

    @property
    def apart(self) -> bool:
        """Whether the low one is less than the share of the high one, beyond chance (as in Fieller, 1954)."""
        return self.low + _APART_SURE * self.apart_error <= SLOWER * self.high


def rates_of(windows: Windows, starved: FloatArray) -> Rates:
    """Both λ from sums since the beginning of each unbroken run; residuals that are alike widen the errors.

    starved : the share of each window without flow, shape (m,)
    """
    columns = (windows.heat, -windows.excess * (1.0 - starved), -windows.excess * starved)
    unknown, total, left = _from_sums(windows, columns)
    misfit = max(float(left @ left), _NO_MISFIT)
    alike = float(np.clip(left[1:] @ left[:-1] / misfit, _LEAST_ALIKE, _MOST_ALIKE))
    freedom = max(left.size - int(np.count_nonzero(total.any(axis=0))), 1)
    noise = misfit / freedom * (1.0 + alike) / (1.0 - alike)
    covariance = noise * covariance_of(total.T @ total)[:3, :3]
    _, high_error, low_error = np.sqrt(np.diag(covariance)).tolist()
    apart_error = float(np.sqrt(variance_of(np.array([0.0, SLOWER, -1.0]), covariance)))
    gain, high, low = unknown[:3].tolist()
    return Rates(gain, high, low, high_error, low_error, apart_error, misfit, float(np.sqrt(2.0 * misfit / freedom)))


def one_rate_misfit(windows: Sequence[Windows]) -> float:
    """The sum of the squares that one λ leaves, for windows that differ in their heat alone, all of it together."""
    _, _, left = _from_sums(windows[0], [*(each.heat for each in windows), -windows[0].excess])
    return max(float(left @ left), _NO_MISFIT)


def _from_sums(windows: Windows, columns: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least squares of the change by columns, each shape (m,), from sums since the beginning of each unbroken run.

    Returns the factors of the columns and the beginnings; the sums themselves; and what is left, shape (m,).
    """
    run = np.cumsum(~windows.joined) - 1
    first = np.flatnonzero(~windows.joined)
    each = np.column_stack((windows.change, *columns))
    total = np.cumsum(each, axis=0)
    total -= (total[first] - each[first])[run]
    sums = np.column_stack((total[:, 1:], run[:, None] == np.arange(first.size)))
    scale = np.sqrt((sums**2).sum(axis=0)) + 1e-30
    unknown = np.linalg.lstsq(sums / scale, total[:, 0], rcond=None)[0] / scale
    return unknown, sums, total[:, 0] - sums @ unknown


def lost_for_good(windows: Windows) -> Spans:
    """The span of a flow that is lost once and for good, where sums since the beginning show it best."""
    place = np.arange(windows.change.size)
    splits = (place >= k for k in range(2, place.size - 1))
    return spans_of(windows, min(splits, key=lambda starved: rates_of(windows, starved.astype(np.float64)).misfit))


def placed(windows: Windows, spans: Spans) -> Spans:
    """The spans with their edges where the sums since the beginning explain the device best.

    Windows show an edge no finer than they are long, and one that is half a window off spoils both λ: what the device
    does about an edge counts to the end of the log.
    """
    if len(spans) > _MOST_PLACED:
        return spans
    edges = [edge for span in spans for edge in span]
    least = misfit_of(windows, _pairs(edges))
    length_s = float(np.median(windows.end_s - windows.start_s))
    for move_s in (length_s, length_s / 2.0, length_s / 4.0):
        for _ in range(_ROUNDS):
            before = least
            for k, shift_s in product(range(len(edges)), (-move_s, move_s)):
                moved = [*edges[:k], edges[k] + shift_s, *edges[k + 1 :]]
                if any(after <= edge for edge, after in pairwise(moved)):
                    continue
                misfit = misfit_of(windows, _pairs(moved))
                if misfit < least:
                    edges, least = moved, misfit
            if least == before:
                break
    begin_s, end_s = float(windows.start_s[0]), float(windows.end_s[-1])
    within = [(max(a, begin_s), min(b, end_s)) for a, b in _pairs(edges)]
    return tuple((a, b) for a, b in within if b > a)


def _pairs(edges: Sequence[float]) -> Spans:
    return tuple(zip(edges[::2], edges[1::2], strict=True))


def misfit_of(windows: Windows, spans: Spans) -> float:
    """The squares that two λ leave; without flow a device takes no heat from coolant that is colder."""
    starved = share_of(windows, spans)
    rates = rates_of(windows, starved)
    if rates.low >= 0.0:
        return rates.misfit
    _, _, left = _from_sums(windows, (windows.heat, -windows.excess * (1.0 - starved)))
    return float(left @ left)
