"""A second witness of the link's RC, where the voltage alone leaves open which constant is the sensing lag.

The current through the precharge resistor falls with RC from the moment the relay closes, with no voltage filter in
between; a second device that measures the same link has a filter of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.curves.estimate import Estimate
from logscope.curves.rise import CurveFit, fit_curve
from logscope.observations.dc_link.link import observed_step
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor

# A current whose peak does not stand out by this factor of its noise and step shows no curve to fit.
LEAST_PEAK = 8.0
# Two constants are the same when they agree to this share, or within their limits: devices average over their own
# periods, which moves the constants they show by some 10 % (common practice, no published source).
SAME_WITHIN = 0.20
_BEFORE_S = 0.2
# The current's rest and noise want some samples, however far apart; with fewer than the least nothing stands out.
_REST_SAMPLES, _LEAST_REST = 20, 6
_LEAST_FALLING = (
    6  # samples of the current's own curve: a level, an end and a constant leave as many to contradict them
)
_CONSTANTS_SEEN = 4.0  # what comes later is the load that is switched on next, not the charge


@dataclass(frozen=True, slots=True)
class IndependentMeasurement:
    """What else shows the link's RC: the part, and the constants it shows."""

    part: str
    constants: tuple[Estimate, ...]

    def agrees(self, constant: Estimate) -> bool:
        """Whether one of the constants it shows is this one."""
        return any(_same(own, constant) for own in self.constants)


def witnesses(signals: Signals, fit: CurveFit, end_s: float) -> list[IndependentMeasurement]:
    """Everything logged beside the link voltage that shows the curve: pack current first, then a second voltage."""
    if fit.onset is None:
        return []
    constants = _constants(fit)
    end_s = min(end_s, fit.onset.value + _CONSTANTS_SEEN * sum(constant.value for constant in constants))
    found = []
    current, second = signals.get("battery_current"), signals.get("dc_link_voltage_second")
    if current is not None and (shown := _from_current(current, fit.onset.value, end_s)) is not None:
        found.append(IndependentMeasurement("battery_current", _constants(shown)))
    if second is not None and (shown := _from_voltage(second, fit.onset.value, end_s)) is not None:
        found.append(IndependentMeasurement("dc_link_voltage_second", _constants(shown)))
    return found


def distinguished(
    both: tuple[Estimate, Estimate], found: list[IndependentMeasurement]
) -> tuple[Estimate, IndependentMeasurement] | None:
    """The one of two constants that a witness shows, and that witness; None where all show both or neither."""
    for witness in found:
        shown = [constant for constant in both if witness.agrees(constant)]
        if len(shown) == 1:
            return shown[0], witness
    return None


def _constants(fit: CurveFit) -> tuple[Estimate, ...]:
    return (fit.time_constant,) if fit.lag is None else (fit.time_constant, fit.lag)


def _same(one: Estimate, other: Estimate) -> bool:
    overlap = one.low <= other.high and other.low <= one.high
    return overlap or abs(one.value / other.value - 1) <= SAME_WITHIN


def _from_current(part: Part, onset_s: float, end_s: float) -> CurveFit | None:
    before, after = part.between(-np.inf, onset_s), part.between(onset_s, end_s)
    resting, amps = part.value[before][-_REST_SAMPLES:], part.value[after]
    if amps.size < 6 or resting.size < _LEAST_REST:
        return None
    rest = float(np.median(resting))
    size = np.abs(amps - rest)
    peak = int(np.argmax(size))
    step = observed_step(part)
    noise = max(noise_floor(resting), step / np.sqrt(12))
    if size[peak] < LEAST_PEAK * max(noise, step):
        return None
    first = peak + 1  # the sample at the peak may average over the moment the relay closed
    falling = size[peak] - size[first:]
    if falling.size < _LEAST_FALLING:
        return None
    return fit_curve(part.time_s[after][first:], falling, step, onset_seen=False)


def _from_voltage(part: Part, onset_s: float, end_s: float) -> CurveFit | None:
    inside = part.between(onset_s - _BEFORE_S, end_s)
    return fit_curve(part.time_s[inside], part.value[inside], observed_step(part), onset_seen=True)
