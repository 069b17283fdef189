"""Low-passes between the DC link and the value that is logged of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from logscope.arrays import FloatArray

_LAG_S = (0.002, 0.08)  # of one stage; a production plug-in hybrid shows 65 ms
_AVERAGE_S = (0.005, 0.1)


@dataclass(frozen=True, slots=True)
class Sensing:
    """Low-passes in series: first-order lags of these time constants [s], then a moving average of this length [s]."""

    lags_s: tuple[float, ...] = ()
    average_s: float = 0.0

    @property
    def what(self) -> str:
        """Its name in a table."""
        if self.average_s:
            return "moving average"
        return ("direct sensing", "one lag", "two lags")[len(self.lags_s)]

    def reading(self, true: FloatArray, step_s: float) -> FloatArray:
        """The value behind the low-passes, from the true one at even steps of `step_s`, at rest before the first.

        Exact for one low-pass of a value that runs straight from one step to the next; each further one sees the
        bends of the one before it only at the steps, which is some 10⁻⁵ of a rise.
        """
        shown = true
        for lag_s in self.lags_s:
            shown = _lagged(shown, lag_s / step_s)
        return _averaged(shown, self.average_s / step_s) if self.average_s else shown


def draw_sensing(rng: np.random.Generator) -> Sensing:
    """No low-pass, one lag, two lags or a moving average, each as often as the other."""
    lags = tuple(float(np.exp(rng.uniform(*np.log(_LAG_S)))) for _ in range(2))
    average_s = float(rng.uniform(*_AVERAGE_S))
    return (Sensing(), Sensing(lags[:1]), Sensing(lags), Sensing(average_s=average_s))[rng.integers(4)]


def _lagged(true: FloatArray, lag: float) -> FloatArray:
    """A first-order lag of `lag` steps: y' = (x − y)/T solved over a straight piece of x."""
    decay = np.exp(-1.0 / lag)
    now, before = 1.0 - lag * (1.0 - decay), lag * (1.0 - decay) - decay
    shown, _ = lfilter([now, before], [1.0, -decay], true, zi=[(before + decay) * true[0]])
    return np.asarray(shown)


def _averaged(true: FloatArray, length: float) -> FloatArray:
    """The mean over the last `length` steps, from the integral of the straight pieces."""
    steps = np.arange(true.size, dtype=np.float64)
    integral = np.concatenate(([0.0], np.cumsum((true[1:] + true[:-1]) / 2)))
    begins = steps - length
    whole = np.clip(np.floor(begins), 0, None).astype(np.int64)
    part = np.clip(begins - whole, 0.0, None)
    after = true[np.minimum(whole + 1, true.size - 1)]
    until = integral[whole] + part * (true[whole] + part / 2 * (after - true[whole]))
    until = np.where(begins < 0, begins * true[0], until)
    return np.asarray((integral - until) / length)
