"""Ripple of the motor speed with the shaft's angle: an eccentric or damaged target, a bent shaft, lost lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.polynomial import Chebyshev
from scipy.ndimage import median_filter, uniform_filter1d

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, percent, times
from logscope.findings import Chart, Evidence, Finding, Measured, Series, Severity, Style
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.motor_speed.model import SpeedModel
from logscope.signals import Signals
from logscope.statistics.episodes import join_neighbours
from logscope.statistics.order_spectrum import OrderLine, amplitudes, order_line

SEGMENT_TURNS = 16.0  # orders 1/16 apart are resolved
_TREND_DEGREE = 6  # a polynomial over 16 turns takes off what changes less than some 0.3 times a turn
_LEAST_OF_FASTEST = 1.0 / 3.0  # within a segment: slower, single counts weigh too much in the share
_OF_NYQUIST = 0.9  # nearer to half the sampling rate, amplitudes are lost in the sampling
_SEGMENT_SAMPLES = 24  # three for each order that is fitted, or they are not independent
_BLOCKS, _BLOCK_VALUES = 50, 4000  # of a long log: a fault of the target is there all the time
_SEGMENTS_AT_MOST = 300


@dataclass(frozen=True, slots=True, eq=False)
class AngleSegment:
    """Some whole turns. turns : shaft angle [turns]; share : speed off its trend, as a share of it, about zero.

    fastest : turns per second; most_hz : the highest frequency that this sampling shows
    """

    turns: FloatArray
    share: FloatArray
    fastest: float
    most_hz: float

    def shows(self, order: FloatArray | float) -> BoolArray:
        """Whether the sampling shows so many ripples a turn all through the segment."""
        return np.asarray(order * self.fastest < self.most_hz)


def angle_segments(study: SpeedAnalysis) -> list[AngleSegment]:
    """Segments without gaps, spread over the log; none where the sampling is too coarse."""
    model = study.model
    if not model.running_s:
        return []
    time, value = study.speed.time_s[:: model.repeat], np.abs(study.speed.value[:: model.repeat])
    found: list[AngleSegment] = []
    for block in _blocks(value.size):
        found += _segments(time[block], value[block], model)
    if len(found) <= _SEGMENTS_AT_MOST:
        return found
    return [found[index] for index in np.linspace(0, len(found) - 1, _SEGMENTS_AT_MOST).astype(np.intp)]


def _blocks(size: int) -> list[slice]:
    if size <= _BLOCKS * _BLOCK_VALUES:
        return [slice(0, size)]
    starts = np.linspace(0, size - _BLOCK_VALUES, _BLOCKS).astype(np.intp)
    return [slice(int(start), int(start) + _BLOCK_VALUES) for start in starts]


def _segments(time: FloatArray, value: FloatArray, model: SpeedModel) -> Iterator[AngleSegment]:
    step_s = np.diff(time)
    turns = np.concatenate(([0.0], np.cumsum(step_s * (value[1:] + value[:-1]) / 2.0))) / 60.0
    turning = value > model.zero_rpm
    at = np.flatnonzero((turning[1:] | turning[:-1]) & (step_s < 1.5 * model.update_s))
    if not at.size:
        return
    for first, last in zip(*join_neighbours(np.diff(at) == 1), strict=True):
        begin, end = int(at[first]), int(at[last]) + 2
        number = np.floor((turns[begin:end] - turns[begin]) / SEGMENT_TURNS)
        edges = begin + np.flatnonzero(np.diff(number, prepend=-1.0) > 0)
        for start, stop in pairwise(edges):
            segment = _segment(turns[start:stop], value[start:stop], model) if stop > start else None
            if segment is not None:
                yield segment


def _segment(turns: FloatArray, value: FloatArray, model: SpeedModel) -> AngleSegment | None:
    """The ripple of some turns as a share of the speed; None where they are too few samples or too slow."""
    if value.size < _SEGMENT_SAMPLES:
        return None
    trend = Chebyshev.fit(turns, value, _TREND_DEGREE)(turns)
    fastest = float(np.max(trend))
    if float(np.min(trend)) < max(_LEAST_OF_FASTEST * fastest, model.low_speed_rpm):
        return None
    return AngleSegment(turns, (value - trend) / trend, fastest / 60.0, _OF_NYQUIST / 2.0 / model.update_s)


_TREND_S = 0.31  # what changes more slowly is the driving
_TURNS = 17  # turns around whose usual swing counts: half of them may hold disturbances
_LEAST_VALUES = 4  # new values that show the swing of a turn; at high speed several turns share them
_LARGER = 1.5  # times the usual swing: few samples a turn meet the ripple's very peaks by luck only


def beyond_ripple(study: SpeedAnalysis) -> SpeedAnalysis:
    """The study of a speed that ripples with the shaft's angle, without what the ripple itself does."""
    if not study.disturbances:
        return study
    turn, usual = _usual_swings(study)
    kept = tuple(each for each in study.disturbances if each.deviation_rpm > _LARGER * usual[turn[each.first]])
    return replace(study, disturbances=kept)


def _usual_swings(study: SpeedAnalysis) -> tuple[IndexArray, FloatArray]:
    """A number for each sample's turn, shape (n,), and how far the speed usually swings in the turns around it.

    The swing is from the least to the greatest reading [rpm], shape (turns,).
    """
    model, time, value = study.model, study.speed.time_s, study.speed.value
    window = max(3, round(_TREND_S / model.update_s) * model.repeat)
    trend = uniform_filter1d(value, window)
    turn_s = 60.0 / np.maximum(np.abs(trend), 1.0)
    passed = np.diff(time, prepend=time[0]) / np.maximum(turn_s, _LEAST_VALUES * model.update_s)
    group = np.floor(np.cumsum(passed)).astype(np.intp)
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    swing = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    number = np.repeat(np.arange(starts.size), np.diff(starts, append=group.size))
    return number, median_filter(swing, _TURNS)


_ORDERS = 8  # the first shaft orders tell eccentricity, ovality and pole pairs of a resolver
_SEGMENTS = 3  # fewer carry no statement
_ASIDE = np.array([-0.35, -0.25, -0.15, 0.15, 0.25, 0.35])  # of an order away: where no shaft order lies
_TOLERANCES = np.array([0.0, 1.0, -1.0]) / SEGMENT_TURNS  # lost lines make the angle read run slow, by some per cent
_LEAST = 0.01  # of the speed: less is what sound targets have (practice)
_CHANCE = 1e-6  # over all orders looked at
_CHART_ORDERS = np.arange(0.25, _ORDERS + 0.5, 1.0 / SEGMENT_TURNS)


def ripple(signals: Signals, study: SpeedAnalysis) -> list[Finding]:
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


def _finding(signals: Signals, study: SpeedAnalysis, line: OrderLine, highest: int, chart: Chart) -> Finding:
    time = study.speed.time_s
    usual = float(np.median(np.abs(study.speed.value[study.model.running])))
    order = round(line.order)
    return assemble(
        "encoder.ripple",
        Severity.WARNING,
        Words(
            f"Motor speed: ripples {times(order)} a turn, by {percent(line.amplitude)}",
            (
                f"The speed repeats {times(order)} a turn, by {percent(line.low)} to {percent(line.high)} of itself, "
                "at any current: likely mechanical, or encoder lines lost at one place."
            ),
            (
                "With the power off and the link proven dead, check the target's seat and run-out, its lines or "
                "teeth for damage and dirt, the sensor's gap and fit, and the bearing's play."
            ),
            method=(
                "From the speed over the shaft's angle. Noise alone does so with a probability of "
                f"{max(line.p_value, 1e-12):.0e}. The sampling shows orders up to {highest}. The advice is common "
                "practice, no published source."
            ),
        ),
        [(float(time[0]), float(time[-1]))],
        {
            "order": Measured(float(order), ""),
            "amplitude_rpm": Measured(line.amplitude * usual, "rpm", line.low * usual, line.high * usual),
            "fraction_of_speed": Measured(line.amplitude, "", line.low, line.high),
        },
        tuple(part for part in ("motor_speed", "motor_current") if part in signals),
        signals,
        evidence=Evidence(charts=(chart,)),
    )
