"""Where the sampling of a charging curve starts: the best of many least-squares fits."""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.curves.rise_likelihood import Problem
from logscope.curves.rise_shapes import SHAPE_STARTS, Layout, Shape
from logscope.physics.rc import (
    settled_fraction,
    settled_fraction_two_pole,
)
from logscope.statistics.forward_differences import forward_differences

# The sampling adapts to where the mass lies: its start need only be near. A curve that is none never settles.
_START_TOLERANCE, _START_TRIES = 1e-6, 40


def least_squares_start(problem: Problem, guesses: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """The least-squares curve and its rough covariance, to start the sampling from."""
    time_s, volts, layout = problem.time_s, problem.volts, problem.layout
    low, high = problem.ranges()
    curve_at = [k for k in range(layout.size) if k not in (3, 4)]

    def curves(free: FloatArray) -> FloatArray:
        theta = np.zeros((len(free), layout.size))
        theta[:, curve_at] = free
        return layout.curve(theta, time_s)

    def residual(free: FloatArray) -> FloatArray:
        return np.asarray(curves(free[None, :])[0] - volts)

    best = None
    for guess in guesses:
        found = least_squares(
            residual,
            np.clip(guess, low[curve_at] + 1e-9, high[curve_at] - 1e-9),
            jac=lambda free: forward_differences(curves, free, low[curve_at], high[curve_at]),
            bounds=(low[curve_at], high[curve_at]),
            x_scale=np.maximum(np.abs(guess) * 0.1, 1e-3),
            loss="soft_l1",
            f_scale=max(problem.step_v, 1e-3 * problem.span_v),
            ftol=_START_TOLERANCE,
            xtol=_START_TOLERANCE,
            max_nfev=_START_TRIES,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    rms = max(float(np.sqrt(np.mean(residual(best.x) ** 2))), 0.29 * problem.step_v, 1e-5 * problem.span_v)
    # What the data leave open is bounded by the range of the parameter.
    data = best.jac.T @ best.jac / rms**2
    bounded = np.linalg.inv(data + np.diag((4 / (high - low)[curve_at]) ** 2))
    theta, covariance = (
        np.zeros(layout.size),
        np.diag([0.0, 0.0, 0.0, 0.8**2, 1.2**2] + [0.0] * (layout.size - 5)),
    )
    theta[curve_at] = best.x
    covariance[np.ix_(curve_at, curve_at)] = bounded
    between = np.maximum(np.diff(time_s), problem.period_s / 2)
    steepest = float(np.abs(np.diff(layout.curve(theta[None, :], time_s)[0]) / between).max())
    theta[3] = np.log(0.7 * rms)
    theta[4] = np.log(np.clip(rms / max(steepest, 1e-9), problem.period_s * 1e-3, problem.period_s / 3))
    return theta, covariance


_GRID_ONSETS = 24
_GRID_CONSTANTS = 24


def guesses_behind(problem: Problem, lagged: FloatArray) -> list[FloatArray]:
    """Starting points of the other filtered shapes, from the curve behind one sensing lag.

    lagged : its parameters, shape (size,)
    """
    at = [0, 1, 2, *([5] if problem.layout.fits_onset else [])]
    lag = float(lagged[-1])
    if problem.layout.shape is Shape.AVERAGED:
        return [np.array([*lagged[at], lag + np.log(2.0)])]
    return [np.array([*lagged[at], lag, lag + np.log(share)]) for share in (0.1, 0.5)]


def guesses_of(problem: Problem) -> list[FloatArray]:
    """Starting points: for the least-squares fit has more than one minimum where samples are few.

    For each onset and constant on a grid the levels follow by linear regression; the best points of the
    grid, one a branch of the onset, start the search. Points at which the line falls are none of a charge.
    """
    time_s, volts, layout = problem.time_s, problem.volts, problem.layout
    rising = np.flatnonzero(volts > volts[0] + 0.9 * (volts.max() - volts[0]))
    last = float(time_s[rising[0]]) if rising.size else float(time_s[-1])
    onsets = np.linspace(time_s[0], last, _GRID_ONSETS) if layout.fits_onset else np.array([layout.begin_s])
    length = float(time_s[-1] - time_s[0])
    constants = np.geomspace(problem.period_s / 10, 2 * length, _GRID_CONSTANTS)
    onset, tau = (grid.ravel() for grid in np.meshgrid(onsets, constants, indexing="ij"))
    lag = 0.5 * tau
    elapsed = time_s[None, :] - onset[:, None]
    if layout.shape is Shape.LAGGED:
        fraction = settled_fraction_two_pole(elapsed, tau[:, None], lag[:, None])
    else:
        fraction = settled_fraction(elapsed, tau[:, None])
    centred = fraction - fraction.mean(axis=1, keepdims=True)
    power = np.maximum((centred**2).sum(axis=1), 1e-12)
    rise = (centred @ (volts - volts.mean())) / power
    bottom = volts.mean() - rise * fraction.mean(axis=1)
    misfit = ((bottom[:, None] + rise[:, None] * fraction - volts) ** 2).sum(axis=1)
    order = np.argsort(misfit)
    guesses: list[tuple[float, float, int]] = []
    for k in order[rise[order] > 0][:40]:
        if all(abs(onset[k] - other[0]) > problem.period_s or abs(tau[k] / other[1] - 1) > 1 for other in guesses):
            guesses.append((onset[k], tau[k], k))
    return [
        np.array([*_common(layout, bottom[k], rise[k], onset[k], tau[k]), *(own or _lag_start(layout, lag[k]))])
        for _, _, k in guesses[:_STARTS]
        for own in SHAPE_STARTS.get(layout.shape, ((),))
    ]


_STARTS = 3


def _common(layout: Layout, bottom: float, rise: float, onset: float, tau: float) -> tuple[float, ...]:
    """The parameters of the curve that all shapes have, in the order of the layout."""
    return (bottom, float(np.log(rise / tau)), float(np.log(tau)), *([onset] * layout.fits_onset))


def _lag_start(layout: Layout, lag: float) -> tuple[float, ...]:
    return (float(np.log(lag)),) if layout.shape is Shape.LAGGED else ()
