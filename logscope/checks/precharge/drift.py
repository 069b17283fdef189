"""Whether the time constant drifts from attempt to attempt: a resistor that warms, a capacitor that ages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, seconds
from logscope.curves.estimate import Estimate
from logscope.findings import Finding, Measured, Severity
from logscope.statistics.trend import weighted_trend

LEAST_ATTEMPTS = 4  # a line through fewer leaves no more than one degree of freedom to judge its scatter
TREND_LEVEL = 0.01  # chance of a trend claimed where there is none
# Resistors change by some 1 % in the heat of one pulse; less than this is of no use to anyone.
LEAST_CHANGE = 0.02


@dataclass(frozen=True, slots=True)
class Attempted:
    """When an attempt began [s] and the time constant it showed."""

    start_s: float
    constant: Estimate


def drift(attempts: Sequence[Attempted]) -> list[Finding]:
    """One finding where the time constants show a trend over the attempts of the capture; else none.

    The trend is taken in log τ, that is in percent, by weighted least squares.
    """
    if len(attempts) < LEAST_ATTEMPTS:
        return []
    start_s = np.array([a.start_s for a in attempts])
    log_tau = np.log([a.constant.value for a in attempts])
    deviation = np.array([np.log(a.constant.high / a.constant.low) / 3.92 for a in attempts])
    trend = weighted_trend(start_s, log_tau, deviation)
    if trend is None or trend.p_value > TREND_LEVEL or abs(trend.change) < LEAST_CHANGE:
        return []
    grows = trend.slope > 0
    span_s = float(np.ptp(start_s))
    low, high = (100 * np.expm1(slope * span_s) for slope in (trend.low, trend.high))
    way, size = "grows" if grows else "falls", abs(100 * np.expm1(trend.change))
    first, last = attempts[0].constant.value, attempts[-1].constant.value
    words = Words(
        title=f"Precharge: time constant {way} by {size:.1f} % over {len(attempts)} attempts",
        explanation=(
            f"In {len(attempts)} attempts over {span_s:.0f} s it went from {seconds(first)} to {seconds(last)}: "
            f"a trend of {100 * np.expm1(trend.change):+.1f} % (95 %: {low:+.1f} to {high:+.1f} %), and "
            f"the probability of such a trend by chance alone is {trend.p_value:.2g}. "
            + (
                "A resistor that warms from attempt to attempt does that; so does one that is failing."
                if grows
                else "A resistor that cools after earlier attempts does that; so does a capacitor that fades."
            )
        ),
        next_step=(
            "Let the resistor cool for several minutes and precharge again: a constant that comes back was heat. "
            "If it does not, measure the resistor with the power off, isolated and proven dead."
        ),
    )
    return [
        assemble(
            "precharge.drift",
            Severity.WARNING if grows else Severity.INFO,
            words,
            [(a.start_s, a.start_s) for a in attempts],
            {
                "drift_percent": Measured(float(100 * np.expm1(trend.change)), "%", float(low), float(high)),
                "count": Measured(float(len(attempts)), ""),
            },
            ("dc_link_voltage",),
        )
    ]
