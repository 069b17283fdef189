"""A fitted answer to a step of the target, and the figures that are read off it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.current_control.steps import Step
from logscope.physics.second_order import overshoot_share, rise_time_s, settling_time_s

_NEAR_NOISES = 3.0  # a sample this near to zero may lie on its other side


@dataclass(frozen=True, slots=True, eq=False)
class StepResponse:
    """A fitted answer. Logarithm of ωₙ [rad/s] and of ζ with their covariance; start of the answer [s].

    fast : the answer is too quick for the sampling, only `within_s` bounds it; error : at the end, measured − target
    peak_share : how far the samples go beyond settled value and target, of the step's height
    ring_before : size of what the loop still rings by where the window begins
    """

    step: Step
    log_natural: float
    log_damping: float
    covariance: FloatArray
    start_s: float
    start_error: float
    freedom: int
    reach: float
    within_s: float
    fast: bool
    error: float
    error_reach: float
    peak_share: float
    ring_before: float
    time_s: FloatArray
    value: FloatArray
    fitted: FloatArray

    def may_fold(self, noise: float, period_s: float) -> bool:
        """Whether this, a magnitude, may have swung through zero and back, which shows folded up.

        A swing that crosses zero leaves a sample within half of what it changes by from sample to sample. It can do
        so where it is left from before, and where it overshoots downwards.
        """
        natural, damping = np.exp([self.log_natural, self.log_damping])
        swing = max(-self.step.height, 0.0) * overshoot_share(float(damping))
        begun = self.time_s > self.step.start_s
        return any(
            size > _NEAR_NOISES * noise
            and part.min(initial=np.inf) < _NEAR_NOISES * noise + natural * period_s * size / 2
            for size, part in ((self.ring_before, self.value[~begun]), (swing, self.value[begun]))
        )


FIGURES: dict[str, tuple[str, Callable[[float, float], float]]] = {
    "overshoot_percent": ("%", lambda _, damping: 100 * overshoot_share(damping)),
    "rise_time_s": ("s", rise_time_s),
    "settling_time_s": ("s", settling_time_s),
    "natural_frequency_Hz": ("Hz", lambda natural, _: natural / (2 * pi)),
    "damping_ratio": ("1", lambda _, damping: damping),
}
