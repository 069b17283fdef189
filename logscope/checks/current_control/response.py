"""The answer to one step of the target, as a second-order loop with a delay that may still ring from before."""

from __future__ import annotations

from math import log, pi, sqrt

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.checks.current_control.step_response import StepResponse
from logscope.checks.current_control.steps import Step
from logscope.physics.second_order import free_responses, overshoot_share, ramp_response, rise_time_s
from logscope.statistics.batches import in_batches
from logscope.statistics.distributions import student_quantile
from logscope.statistics.forward_differences import forward_differences
from logscope.statistics.residuals import hc3_covariance, raised_by_likeness

_LEAST_ROWS = 12
_LATEST_S = 0.5  # of the answer behind the target: no loop of a drive waits longer (common practice, no source)
_DAMPINGS = (0.1, 0.3, 0.6, 1.1)
_NATURALS = 8
# A pole pair is seen where its period holds five samples at least: with fewer the model alone draws the curve.
SAMPLES_PER_PERIOD = 5.0
_KNOWN = 0.35  # standard error of ln ωₙ above which the curve says nothing of the speed
# A ramp this many rises long is followed by any loop; what is left of the loop in it is less than the ramp's own bends.
_RAMP_RISES = 6.0
# Following at once, after a delay, must leave more squares by this many variances: chance alone passes 30 once in 10⁶.
_PLAIN_WORSE = 60.0
# Residuals beyond this are no noise: the answer is not that of a second-order loop, and its figures would mislead.
_MISFIT_NOISES, _MISFIT_SHARE = 4.0, 0.03
_CUT_SHARE = 0.1  # of a step: what falls short of its target by more, and never passed it, was cut down by a limit
_CLEAR_SCATTERS = 8.0  # the step must stand this many residuals high


def fit_step_response(
    time_s: FloatArray, value: FloatArray, step: Step, period_s: float, noise: float, stamps_apart_s: float
) -> StepResponse | None:
    """Fit the answer to one step; None where it is not there to fit.

    No answer begins before its target moves: with a freer start, the curve of a loop that is not purely of second order
    is bent to begin sooner and swing slower than it does.

    time_s, value : the measured part about the step, shape (n,); noise : of one sample
    stamps_apart_s : how much later the target's stamps may be
    """
    if time_s.size < _LEAST_ROWS or np.count_nonzero(time_s > step.end_s) < _LEAST_ROWS // 2:
        return None
    t = time_s - step.start_s
    earliest, latest = -step.early_s - stamps_apart_s, _LATEST_S
    span = float(t[-1])
    naturals = np.geomspace(2 * pi / max(span, 0.1), 2 * pi * 0.45 / period_s, _NATURALS)
    starts = np.array([earliest / 2, period_s, 3 * period_s, 8 * period_s])
    tried = np.array([(w, z, d) for w in naturals for z in _DAMPINGS for d in starts])

    def squares(loops: FloatArray) -> FloatArray:
        return _left(t, value, loops[:, 0], loops[:, 1], loops[:, 2], step.ramp_s)[0]

    best = tried[int(np.argmin(in_batches(squares, tried, t.size)))]
    begin = [log(best[0]), log(best[1]), float(best[2])]
    bounds = ([log(naturals[0] / 4), log(0.01), earliest], [log(naturals[-1] * 8), log(5.0), latest])
    begin = [min(max(x, lo + 1e-6), hi - 1e-6) for x, lo, hi in zip(begin, *bounds, strict=True)]
    room_s = step.ramp_error_s or period_s

    def residuals(p: FloatArray) -> FloatArray:
        """Of the samples, and of the ramp's length, which the target's samples tell only so well, shape (k, n + 1)."""
        ramp_s = step.ramp_s + p[:, 3] * (step.ramp_s > 0)
        away = _left(t, value, np.exp(p[:, 0]), np.exp(p[:, 1]), p[:, 2], ramp_s)[1]
        return np.column_stack([away, noise * p[:, 3] / room_s])

    reach_s = min(4 * room_s, 0.9 * step.ramp_s) if step.ramp_s > 0 else room_s
    low, high = np.array([*bounds[0], -reach_s]), np.array([*bounds[1], reach_s])
    found = least_squares(
        lambda p: residuals(p[None, :])[0],
        [*begin, 0.0],
        jac=lambda p: forward_differences(residuals, p, low, high),
        bounds=(low, high),
        x_scale=[0.3, 0.3, period_s, room_s],
        max_nfev=80,
    )
    natural, damping, start = float(np.exp(found.x[0])), float(np.exp(found.x[1])), float(found.x[2])
    ramp_s = step.ramp_s + float(found.x[3]) * (step.ramp_s > 0)
    one = (np.array([each]) for each in (natural, damping, start, ramp_s))
    (left,), (residual,), (levels,) = _left(t, value, *one)
    columns = _columns(t, natural, damping, start, ramp_s)
    freedom = t.size - len(begin) - columns.shape[1]
    scatter = max(sqrt(left / freedom), noise / 3)
    if abs(levels[1]) < _CLEAR_SCATTERS * scatter:
        return None
    jacobian = np.column_stack([found.jac, np.vstack([columns, np.zeros(columns.shape[1])])])
    # Jittering stamps weigh on the steep samples only, so that the residuals do not scatter alike.
    covariance = hc3_covariance(jacobian, residual, noise) * raised_by_likeness(residual)
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    late = value[t > (step.end_s - step.start_s) + 0.6 * (span - (step.end_s - step.start_s))]
    settled = float(np.mean(late)) if late.size else float("nan")
    beyond = _peak_share(value[t > 0], settled, step)
    cut = _falls_short(settled, step) and overshoot_share(damping) > beyond + _CUT_SHARE
    fast = (
        cut
        or errors[0] > _KNOWN
        or not np.isfinite(errors[1])
        or 2 * pi / natural < SAMPLES_PER_PERIOD * period_s
        or step.ramp_s > _RAMP_RISES * rise_time_s(natural, damping)
        or _plain(t, value, step, period_s) - left < _PLAIN_WORSE * left / freedom
        or scatter > max(_MISFIT_NOISES * noise, _MISFIT_SHARE * abs(step.height))
    )
    reach = student_quantile(0.975, freedom)
    return StepResponse(
        step=step,
        log_natural=float(found.x[0]),
        log_damping=float(found.x[1]),
        covariance=covariance[:2, :2],
        start_s=step.start_s + start,
        start_error=float(errors[2]),
        freedom=freedom,
        reach=reach,
        within_s=_within(t, value, levels, step, period_s),
        fast=bool(fast),
        error=settled - step.after,
        error_reach=reach * scatter / sqrt(max(late.size, 1)),
        peak_share=beyond,
        ring_before=float(np.hypot(*levels[2:])),
        time_s=time_s,
        value=value,
        fitted=residual + value,
    )


def _peak_share(value: FloatArray, settled: float, step: Step) -> float:
    """How far the samples go beyond settled value and target alike, of the step's height; 0 where nothing settles.

    A limit that cuts an answer down afterwards, as the voltage does at speed, leaves it below its target: what came
    before is no overshoot then.
    """
    if not value.size or not np.isfinite(settled):
        return 0.0
    way = float(np.sign(step.height))
    return float(np.max(way * value) - max(way * settled, way * step.after)) / abs(step.height)


def _falls_short(settled: float, step: Step) -> bool:
    """Whether it ends well below its target, as where another limit than the loop's acts."""
    return bool(float(np.sign(step.height)) * (step.after - settled) > _CUT_SHARE * abs(step.height))


def _columns(
    t: FloatArray,
    natural: float | FloatArray,
    damping: float | FloatArray,
    start: float | FloatArray,
    ramp_s: float | FloatArray,
) -> FloatArray:
    """What is solved for: the value before, the way to the value after, and the ring that is left from before."""
    own = ramp_response(t - start, natural, damping, ramp_s)[..., None]
    return np.concatenate([np.ones_like(own), own, free_responses(t - t[0], natural, damping)], axis=-1)


def _left(
    t: FloatArray,
    value: FloatArray,
    natural: FloatArray,
    damping: FloatArray,
    start: FloatArray,
    ramp_s: float | FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sum of squares, shape (k,), residuals, shape (k, n), and what each of the columns takes, shape (k, 4).

    t, value : shape (n,); natural, damping, start, ramp_s : of k loops, shape (k,); ramp_s may be one for all
    """
    loops = (each[:, None] for each in (natural, damping, start, np.broadcast_to(ramp_s, natural.shape)))
    columns = _columns(t, *loops)
    across = columns.transpose(0, 2, 1)
    gram = across @ columns + 1e-12 * np.eye(columns.shape[-1])
    levels = np.linalg.solve(gram, (across @ value)[..., None])
    residual = (columns @ levels)[..., 0] - value
    return (residual**2).sum(axis=1), np.asarray(residual), np.asarray(levels[..., 0])


def _plain(t: FloatArray, value: FloatArray, step: Step, period_s: float) -> float:
    """Sum of squares that is left where the value follows at once, after the delay that suits best."""
    delays = np.arange(-1.0, 6.0, 0.5) * period_s
    fastest, calm = np.full(delays.size, 20 * pi / period_s), np.ones(delays.size)
    return float(_left(t, value, fastest, calm, delays, step.ramp_s)[0].min())


def _within(t: FloatArray, value: FloatArray, levels: FloatArray, step: Step, period_s: float) -> float:
    """How long at the latest it goes nine tenths of its way behind the target [s]: an upper bound of the rise."""
    share = (value - levels[0]) / levels[1]
    there = np.flatnonzero((share >= 0.9) & (t > 0))
    if not there.size:
        return float("inf")
    return max(float(t[there[0]]) - 0.9 * step.ramp_s, 0.0) + step.early_s + period_s
