"""The precharge check: one finding for every attempt, the good ones too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.checks.precharge.find import Link, NoRise, describe_link, find_attempts
from logscope.checks.precharge.judge import (
    Constant,
    Verdict,
    compare_constant,
    is_bypassed,
    step_constant_bound,
)
from logscope.checks.precharge.measure import Measurement, measure
from logscope.checks.precharge.words import describe
from logscope.findings import (
    CAUTION_HV,
    Curve,
    Evidence,
    Finding,
    Level,
    Mark,
    Measured,
    NothingToCheck,
    Severity,
)
from logscope.physics.rc import inrush_peak_a, settled_fraction, settled_fraction_two_pole
from logscope.signals import Signals
from logscope.vehicle import Vehicle

# The least loop that a contactor can close onto: bounds the inrush from above (common practice, no published source).
LOOP_OHM = 0.010
LOOP_H = 1e-6
_ASSUMED_CAPACITANCE_F = 1e-3  # where the vehicle file gives none: the middle of what inverters carry (common practice)
# So many samples in one time constant make it measurable (common practice: five points on the steep part).
SAMPLES_PER_CONSTANT = 5
# With fewer samples on the steep part a contactor that closes in between could pass for the curve's own speed.
LEAST_STEEP_SAMPLES = 3
_BAND_POINTS = 200

SEVERITY = {
    "complete": Severity.GOOD,
    "slow": Severity.WARNING,
    "fast": Severity.WARNING,
    "stalled": Severity.DANGER,
    "no_rise": Severity.DANGER,
    "interrupted": Severity.DANGER,
    "closed_early": Severity.DANGER,
    "bypassed": Severity.DANGER,
    "undetermined": Severity.INFO,
}
_PARTS = (
    "dc_link_voltage",
    "dc_link_voltage_second",
    "battery_voltage",
    "precharge_relay",
    "main_contactor",
    "negative_contactor",
)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One attempt with its kind ('complete', 'slow', …) and everything its words are made of."""

    kind: str
    measurement: Measurement
    constant: Constant | None
    expected_s: float | None
    tolerance: float
    close_fraction: float
    bound_s: float | None  # upper bound of the time constant where it could not be fitted
    period_s: float

    @property
    def wanted_period_s(self) -> float | None:
        """The sample period that would show the time constant."""
        constant = self.expected_s or self.bound_s
        return constant / SAMPLES_PER_CONSTANT if constant else None


def precharge(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """Judge every precharge attempt of the capture.

    Needs `dc_link_voltage`; uses `battery_voltage`, `precharge_relay`, `main_contactor` where they exist.
    Raises MissingPart, or NothingToCheck where the link never rises and no relay closes.
    """
    link = describe_link(signals, vehicle.limits.battery_min_V)
    attempts, without_rise = find_attempts(signals, link)
    if not attempts and not without_rise:
        raise NothingToCheck(
            "the link voltage never rises from a disconnected state, and no relay state shows an attempt"
        )
    findings = [_finding(judge(signals, vehicle, link, measure(signals, link, a)), signals, vehicle) for a in attempts]
    findings += [_no_rise(event, signals, link) for event in without_rise]
    return sorted(findings, key=lambda finding: finding.start_s)


def judge(signals: Signals, vehicle: Vehicle, link: Link, measurement: Measurement) -> Judged:
    """Decide the kind of one attempt."""
    expected_s = vehicle.precharge.time_constant_s
    fit = measurement.fit
    bound_s = None
    if measurement.inside_all <= 1:
        bound_s = _step_bound(link, measurement)
    elif fit is not None and is_bypassed(fit.time_constant.claim_high, expected_s):
        bound_s = fit.time_constant.high
    tolerance = vehicle.precharge.tolerance
    fitted = fit is not None and bound_s is None and measurement.inside > 1
    constant = compare_constant(fit, expected_s, tolerance) if fit is not None and fitted else None
    kind = _kind(measurement, constant, bound_s, expected_s, vehicle.precharge.close_fraction, link.noise_v)
    return Judged(
        kind,
        measurement,
        constant,
        expected_s,
        tolerance,
        vehicle.precharge.close_fraction,
        bound_s,
        link.part.period_s,
    )


def _step_bound(link: Link, m: Measurement) -> float:
    """Upper bound of the time constant [s] of a rise that falls between two samples or has one on the way."""
    attempt, time_s, volts = m.attempt, link.part.time_s, link.part.value
    after = min(attempt.onset + 1 + m.inside_all, time_s.size - 1)
    rise, missing = float(volts[attempt.top] - volts[attempt.onset]), float(volts[attempt.top] - volts[after])
    least = max(missing, link.noise_v, link.step_v / 2)
    return step_constant_bound(rise, least, float(time_s[after] - time_s[attempt.onset]))


def _kind(
    m: Measurement,
    constant: Constant | None,
    bound_s: float | None,
    expected_s: float | None,
    close_at: float,
    noise_v: float,
) -> str:
    reached = m.fraction(float(m.reached_v + 3 * noise_v))
    top = m.fraction(m.top_v + 3 * noise_v)
    if bound_s is not None and (top is None or top >= close_at):
        return "bypassed" if is_bypassed(bound_s, expected_s) else "undetermined"
    if m.closing is not None and m.pack_v and (m.closing.high_v + 3 * noise_v) / m.pack_v < close_at:
        return "closed_early"
    if m.closing is None and reached is not None and reached < close_at:
        if m.attempt.ended_by == "log end" and not m.settled:
            return "undetermined"
        return "interrupted" if _broke_off(m, bound_s, expected_s) else "stalled"
    if reached is None and m.closing is None and _stops_short(m, noise_v):
        return "undetermined" if m.attempt.ended_by == "log end" else "interrupted"
    if constant is None or constant.verdict is Verdict.OPEN:
        return "undetermined"
    if constant.verdict in (Verdict.SLOW, Verdict.FAST) and m.inside < LEAST_STEEP_SAMPLES:
        return "undetermined"
    return {Verdict.SLOW: "slow", Verdict.FAST: "fast"}.get(constant.verdict, "complete")


def _stops_short(m: Measurement, noise_v: float) -> bool:
    """Whether the rise ended below where its own curve was going, beyond doubt."""
    return m.fit is not None and not m.settled and m.fit.end.claim_low > m.reached_v + 3 * noise_v


def _broke_off(m: Measurement, bound_s: float | None, expected_s: float | None) -> bool:
    """Whether a rise that ended too low was cut off, rather than having settled there."""
    if bound_s is None:
        return not m.settled
    # Too fast to be fitted. A load that holds the link at a fraction of the pack shortens RC by that same fraction
    # (both are Rp/(R + Rp)), so a rise that was over sooner than that never settled: it was cut off.
    fraction = m.fraction(m.reached_v)
    if expected_s is not None and fraction is not None and bound_s < fraction * expected_s:
        return True
    attempt = m.attempt
    if attempt.relay_s is None or attempt.relay_end_s is None or expected_s is None:
        return False
    return attempt.relay_end_s - attempt.relay_s < 3 * expected_s


def _finding(judged: Judged, signals: Signals, vehicle: Vehicle) -> Finding:
    m = judged.measurement
    values = _measured(judged, vehicle)
    words = describe(judged, values)
    closing = m.closing
    return Finding(
        kind=f"precharge.{judged.kind}",
        severity=SEVERITY[judged.kind],
        start_s=_onset_s(m),
        end_s=max(closing.end_s if closing else m.end_s, _onset_s(m)),
        title=words.title,
        explanation=words.explanation,
        next_step=words.next_step,
        caution=CAUTION_HV if words.hands_near_hv else "",
        cause=None,
        measured=values,
        expected=_expected(judged),
        parts=tuple(name for name in _PARTS if name in signals),
        evidence=_evidence(judged),
    )


def _onset_s(m: Measurement) -> float:
    return m.fit.onset.value if m.fit and m.fit.onset else m.start_s


def _measured(judged: Judged, vehicle: Vehicle) -> Mapping[str, Measured]:
    m, fit, constant = judged.measurement, judged.measurement.fit, judged.constant
    values: dict[str, Measured] = {"time_constant_s": Measured(None, "s", None, judged.bound_s)}
    if constant is not None:
        if constant.time_constant is not None:
            tau = constant.time_constant
            values["time_constant_s"] = Measured(tau.value, "s", tau.low, tau.high)
        elif constant.both is not None:
            slower, faster = constant.both
            values["time_constant_s"] = Measured(None, "s", faster.low, slower.high)
            values["slower_constant_s"] = Measured(slower.value, "s", slower.low, slower.high)
            values["faster_constant_s"] = Measured(faster.value, "s", faster.low, faster.high)
        if constant.lag is not None:
            values["sensing_lag_s"] = Measured(constant.lag.value, "s", constant.lag.low, constant.lag.high)
    if fit is not None and judged.bound_s is None:
        values["start_voltage_V"] = Measured(fit.start.value, "V", fit.start.low, fit.start.high)
        values["end_voltage_V"] = Measured(fit.end.value, "V", fit.end.low, fit.end.high)
        threshold_v = judged.close_fraction * (m.pack_v or fit.end.value)
        crossing = fit.crossing(threshold_v)
        values["time_to_threshold_s"] = (
            Measured(crossing.value, "s", crossing.low, crossing.high) if crossing else Measured(None, "s")
        )
        values["fit_residual_V"] = Measured(fit.residual_v, "V")
    else:
        values["start_voltage_V"] = Measured(m.start_v, "V")
        values["end_voltage_V"] = Measured(m.reached_v, "V")
        values["time_to_threshold_s"] = Measured(None, "s")
    if m.pack_v:
        values["fraction_reached"] = Measured(m.reached_v / m.pack_v, "1")
    values |= _closing_values(m, vehicle)
    if judged.kind == "bypassed":
        values["step_V"] = Measured(m.reached_v - m.start_v, "V")
    return values


def _closing_values(m: Measurement, vehicle: Vehicle) -> dict[str, Measured]:
    closing = m.closing
    if closing is None or not m.pack_v:
        return {"fraction_at_close": Measured(None, "1"), "close_difference_V": Measured(None, "V")}
    low, high = closing.low_v, closing.high_v
    middle = (low + high) / 2
    capacitance_f = (vehicle.precharge.capacitance_uF or _ASSUMED_CAPACITANCE_F * 1e6) * 1e-6
    worst_v = max(m.pack_v - low, 0.0)
    return {
        "fraction_at_close": Measured(middle / m.pack_v, "1", low / m.pack_v, high / m.pack_v),
        "close_difference_V": Measured(m.pack_v - middle, "V", m.pack_v - high, m.pack_v - low),
        "inrush_bound_A": Measured(inrush_peak_a(worst_v, LOOP_OHM, LOOP_H, capacitance_f), "A"),
    }


def _expected(judged: Judged) -> Mapping[str, Measured]:
    expected: dict[str, Measured] = {}
    if judged.expected_s is not None:
        low, high = judged.expected_s * (1 - judged.tolerance), judged.expected_s * (1 + judged.tolerance)
        expected["time_constant_s"] = Measured(judged.expected_s, "s", low, high)
    if judged.measurement.pack_v:
        expected["fraction_at_close"] = Measured(None, "1", judged.close_fraction, None)
        expected["end_voltage_V"] = Measured(judged.measurement.pack_v, "V")
    return expected


def _evidence(judged: Judged) -> Evidence:
    m, fit = judged.measurement, judged.measurement.fit
    marks, levels, curves = [Mark(_onset_s(m), "rise begins")], [], []
    if m.closing is not None:
        marks.append(Mark((m.closing.start_s + m.closing.end_s) / 2, "contactor closes"))
    if m.pack_v:
        share = f"{judged.close_fraction * 100:g} % of the pack"
        levels.append(Level(judged.close_fraction * m.pack_v, f"closing threshold, {share}", "dc_link_voltage"))
    if fit is not None and judged.bound_s is None:
        time_s = np.linspace(_onset_s(m), m.end_s, _BAND_POINTS)
        curves.append(Curve("fitted curve", "dc_link_voltage", time_s, fit.voltage(time_s)))
        if judged.expected_s is not None:
            curves.append(_expected_curve(judged, time_s))
    return Evidence(tuple(curves), tuple(marks), tuple(levels))


def _expected_curve(judged: Judged, time_s: np.ndarray) -> Curve:
    """The curve that R·C with its tolerance would have drawn from the same start to the same end."""
    m, fit, expected_s = judged.measurement, judged.measurement.fit, judged.expected_s
    assert fit is not None
    assert expected_s is not None
    elapsed = time_s - _onset_s(m)
    end_v = m.pack_v or fit.end.value
    lag = judged.constant.lag.value if judged.constant and judged.constant.lag else None

    def curve(tau: float) -> np.ndarray:
        fraction = settled_fraction(elapsed, tau) if lag is None else settled_fraction_two_pole(elapsed, tau, lag)
        return fit.start.value + (end_v - fit.start.value) * fraction

    slowest, fastest = curve(expected_s * (1 + judged.tolerance)), curve(expected_s * (1 - judged.tolerance))
    return Curve(
        "expected from R·C, with its tolerance",
        "dc_link_voltage",
        time_s,
        curve(expected_s),
        slowest,
        fastest,
    )


def _no_rise(event: NoRise, signals: Signals, link: Link) -> Finding:
    inside = link.part.between(event.start_s, event.end_s)
    volts = link.part.value[inside]
    level = float(np.median(volts)) if volts.size else float("nan")
    rise = float(np.ptp(volts)) if volts.size else float("nan")
    name = "precharge relay" if event.by == "precharge_relay" else "main contactor"
    fraction = {"fraction_reached": Measured(level / link.full_v, "1")} if link.full_v else {}
    return Finding(
        kind="precharge.no_rise",
        severity=SEVERITY["no_rise"],
        start_s=event.start_s,
        end_s=event.end_s,
        title=f"Incomplete precharge: the link did not rise while the {name} was closed",
        explanation=(
            f"The {name} reported closed for {event.end_s - event.start_s:.2f} s; the link voltage stayed at "
            f"{level:.1f} V and moved by {rise:.1f} V at most, noise included."
        ),
        next_step=(
            "With the power off, isolated and proved dead: look for an open precharge resistor, a relay that does not "
            "close, a blown fuse, a pulled service plug, the other contactor not closed, or a sense wire that is off. "
            "Measure the resistor with the meter."
        ),
        caution=CAUTION_HV,
        measured={"start_voltage_V": Measured(level, "V"), "end_voltage_V": Measured(level, "V"), **fraction},
        parts=tuple(part for part in _PARTS if part in signals),
        evidence=Evidence(marks=(Mark(event.start_s, f"{name} closes"), Mark(event.end_s, f"{name} opens"))),
    )
