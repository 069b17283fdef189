"""Ripple of the motor speed with the shaft's angle: an eccentric or damaged target, a bent shaft, lost lines."""

from __future__ import annotations

import numpy as np

from logscope.checks.encoder.shaft_angle import SEGMENT_TURNS, AngleSegment, angle_segments
from logscope.checks.wording import times
from logscope.findings import CAUTION_HV, Chart, Evidence, Finding, Measured, Series, Severity, Style
from logscope.observations.motor_speed.disturbances import SpeedStudy
from logscope.signals import Signals
from logscope.statistics.order_spectrum import OrderLine, amplitudes, order_line

_ORDERS = 8  # the first shaft orders tell eccentricity, ovality and pole pairs of a resolver
_SEGMENTS = 3  # fewer carry no statement
_ASIDE = np.array([-0.35, -0.25, -0.15, 0.15, 0.25, 0.35])  # of an order away: where no shaft order lies
_TOLERANCES = np.array([0.0, 1.0, -1.0]) / SEGMENT_TURNS  # lost lines make the angle read run slow, by some per cent
_LEAST = 0.01  # of the speed: less is what sound targets have (practice)
_CHANCE = 1e-6  # over all orders looked at
_CHART_ORDERS = np.arange(0.25, _ORDERS + 0.5, 1.0 / SEGMENT_TURNS)


def ripple(signals: Signals, study: SpeedStudy) -> list[Finding]:
    """One finding on the strongest shaft order, where there is one; none where the sampling shows none."""
    segments = angle_segments(study)
    lines = _lines(segments)
    clear = [
        line for line in lines if line.p_value * _TOLERANCES.size * len(lines) < _CHANCE and line.amplitude > _LEAST
    ]
    if not clear:
        return []
    strongest = max(clear, key=lambda line: line.amplitude)
    return [_finding(signals, study, strongest, len(lines), _chart(segments, clear))]


def _lines(segments: list[AngleSegment]) -> list[OrderLine]:
    """The shaft orders that the sampling allows, from the first on, as shares of the speed."""
    lines = []
    for order in range(1, _ORDERS + 1):
        used = [(each.turns, each.share) for each in segments if each.shows(float(order))]
        if len(used) < _SEGMENTS:
            break
        near = [order_line(used, order * (1.0 + away), order + _ASIDE) for away in _TOLERANCES]
        lines.append(max(near, key=lambda line: line.amplitude))
    return lines


def _chart(segments: list[AngleSegment], lines: list[OrderLine]) -> Chart:
    """Amplitude against order, with the lines that stand clear of chance."""
    power, count = np.zeros(_CHART_ORDERS.size), np.zeros(_CHART_ORDERS.size)
    for each in segments:
        shown = each.shows(_CHART_ORDERS)
        power[shown] += amplitudes(each.turns, each.share, _CHART_ORDERS[shown]) ** 2
        count[shown] += 1.0
    known = count >= _SEGMENTS
    spectrum = 100.0 * np.sqrt(power[known] / count[known])
    order, amplitude, low, high = (
        np.array([getattr(line, name) for line in lines]) for name in ("order", "amplitude", "low", "high")
    )
    return Chart(
        "times a turn of the shaft", "", "ripple of the speed", "%",
        (
            Series("amplitude, noise included", _CHART_ORDERS[known], spectrum),
            Series("clear of noise", order, 100.0 * amplitude, 100.0 * low, 100.0 * high, Style.POINTS),
        ),
    )  # fmt: skip


def _finding(signals: Signals, study: SpeedStudy, line: OrderLine, highest: int, chart: Chart) -> Finding:
    time = study.speed.time_s
    usual = float(np.median(np.abs(study.speed.value[study.model.running])))
    order = round(line.order)
    return Finding(
        kind="encoder.ripple",
        severity=Severity.WARNING,
        start_s=float(time[0]),
        end_s=float(time[-1]),
        title=f"Motor speed: ripples {times(order)} a turn, by {line.amplitude:.1%}",
        explanation=f"The speed repeats {times(order)} a turn, by {line.low:.1%} to {line.high:.1%} of itself, at "
        "any current: "
        "likely mechanical, or encoder lines lost at one place.",
        method=f"From the speed over the shaft's angle. Noise alone does so with a probability of "
        f"{max(line.p_value, 1e-12):.0e}. The sampling shows orders up to {highest}. The advice is common practice, "
        "no published "
        "source.",
        next_step="With the power off and the link proven dead, check the target's seat and run-out, its lines or "
        "teeth for "
        "damage and dirt, the sensor's gap and fit, and the bearing's play.",
        caution=CAUTION_HV,
        parts=tuple(part for part in ("motor_speed", "motor_current") if part in signals),
        measured={
            "order": Measured(float(order), ""),
            "amplitude_rpm": Measured(line.amplitude * usual, "rpm", line.low * usual, line.high * usual),
            "fraction_of_speed": Measured(line.amplitude, "", line.low, line.high),
        },
        evidence=Evidence(charts=(chart,)),
    )
