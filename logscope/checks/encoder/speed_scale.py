"""Scale of the motor speed: wrong by a constant factor against a second source, or against the road.

A tyre that pulls slips, on loose ground by a lot; so against the road only seconds of light torque count.
"""

from __future__ import annotations

from math import pi

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.assemble import assemble
from logscope.checks.wording import Words
from logscope.findings import Finding, Measured, Severity
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.signals import Part, Signals
from logscope.statistics.sampling import zero_order_hold
from logscope.vehicle import Vehicle

_SECOND_TOLERANCE = 0.02  # two readings of one shaft (practice)
_ROAD_TOLERANCE = 0.08  # size, wear and load of the tyre, its slip, the road speed's own error (practice)
_SLOWEST_KMH, _SLOWEST_RPM = 10.0, 300.0  # slower, steps and cut-offs of either reading weigh too much
_BLOCK_S = 1.0  # readings within a second are one witness
_BLOCKS = 8  # fewer carry no statement
_STALE_S = 0.3  # a second reading older than this is of another moment
_CONSTANT = 0.05  # quartiles of the ratio within this: a factor, and no slip or fault that comes and goes
_LIGHT = 0.25  # of the largest torque: below it a tyre slips…
_SLIP = 0.02  # …by no more than this, even on gravel (practice)
_USUAL = {0.5: "half", 2.0: "twice", 4.0: "four times", 0.25: "a quarter of"}


def scale(signals: Signals, vehicle: Vehicle, study: SpeedAnalysis) -> list[Finding]:
    """A finding where the speed is off by a constant factor; none where nothing is there to compare it with."""
    second, road = signals.get("motor_speed_second"), signals.get("vehicle_speed")
    if second is not None:
        return _compare(study, second, second.value, _SLOWEST_RPM, _SECOND_TOLERANCE, "the second motor speed", None)
    ratio, radius = vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m
    if road is None or not ratio or not radius:
        return []
    rpm = road.value / 3.6 / (2.0 * pi * radius) * 60.0 * ratio
    slowest = _SLOWEST_KMH / 3.6 / (2.0 * pi * radius) * 60.0 * ratio
    against = "the road speed, by ratio and tyre of the vehicle file"
    return _compare(study, road, rpm, slowest, _ROAD_TOLERANCE, against, signals.get("torque"))


def _compare(
    study: SpeedAnalysis, other: Part, rpm: FloatArray, slowest: float, tolerance: float, against: str,
    torque: Part | None,
) -> list[Finding]:  # fmt: skip
    ratio = _by_second(study, other, rpm, slowest, torque)
    if ratio.size < _BLOCKS:
        return []
    low_quarter, middle, high_quarter = np.quantile(ratio, [0.25, 0.5, 0.75])
    half = 1.96 * 1.2533 * (high_quarter - low_quarter) / 1.349 / np.sqrt(ratio.size)  # of a median, normal
    low, high = float(middle - half), float(middle + half)
    within = low <= 1.0 + tolerance and high >= 1.0 - tolerance
    if within or high_quarter - low_quarter > _CONSTANT * middle:
        return []
    slip = 0.0 if other.name == "motor_speed_second" else _SLIP * float(middle)
    return [_finding(study, other, float(middle), low - slip, high + slip, tolerance, against)]


def _by_second(study: SpeedAnalysis, other: Part, rpm: FloatArray, slowest: float, torque: Part | None) -> FloatArray:
    """Median ratio of logged to expected speed in each second that holds enough of both."""
    time, value = study.speed.time_s, study.speed.value
    there = zero_order_hold(other.time_s, np.abs(rpm), time, _STALE_S)
    use: BoolArray = there >= slowest
    if torque is not None:
        pull = np.abs(torque.held_at(time, _STALE_S))
        use &= pull <= _LIGHT * float(np.max(np.abs(torque.value), initial=0.0))
    if not use.any():
        return np.empty(0)
    block = ((time[use] - time[0]) / _BLOCK_S).astype(np.intp)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    return np.array([np.median(each) for each in np.split(np.abs(value[use]) / there[use], starts[1:])])


def _finding(
    study: SpeedAnalysis, other: Part, middle: float, low: float, high: float, tolerance: float, against: str
) -> Finding:
    usual = next((words for factor, words in _USUAL.items() if abs(middle / factor - 1.0) <= tolerance), None)
    hint = f" It is near {usual} it: edges may be counted differently from the configuration." if usual else ""
    return assemble(
        "encoder.scale",
        Severity.WARNING,
        Words(
            f"Motor speed: reads {middle:.3g} times what {against.split(',')[0]} says",
            (
                f"A constant factor, {middle:.3f} (95 %: {low:.3f} to {high:.3f}), points to configuration (pulse "
                f"count, pole pairs, ratio, tyre) rather than to wiring.{hint}"
            ),
            (
                "Compare the encoder's pulses per revolution in the inverter's settings with its data sheet, then "
                "ratio and rolling radius in the vehicle file, then the second source. A wrong pulse count also "
                "makes the slip wrong: correct it before driving on."
            ),
            hands_near_hv=False,
            method=f"Compared with {against}. Up to {100 * tolerance:.0f} % is usual.",
        ),
        [(float(study.speed.time_s[0]), float(study.speed.time_s[-1]))],
        {"scale": Measured(middle, "", low, high), **_as_disturbance(study, middle, low, high)},
        ("motor_speed", other.name),
        ("motor_speed", other.name),
        expected={"scale": Measured(1.0, "", 1.0 - tolerance, 1.0 + tolerance)},
    )


def _as_disturbance(study: SpeedAnalysis, middle: float, low: float, high: float) -> dict[str, Measured]:
    """The wrong factor as one disturbance of the whole log: how far off at the highest speed, and for how long."""
    top, running_s = float(np.max(np.abs(study.speed.value))), study.model.running_s
    off = [top * abs(1.0 - 1.0 / each) if each > 0 else None for each in (middle, low, high)]
    sides = [each for each in off[1:] if each is not None]
    return {
        "count": Measured(1.0, ""),
        "peak_deviation_rpm": Measured(off[0], "rpm", min(sides, default=None), max(sides, default=None)),
        "duration_s": Measured(running_s, "s"),
    }
