"""What kind of outcome an attempt was. Pure decisions on fitted numbers, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from logscope.checks.precharge.witness import IndependentMeasurement, distinguished
from logscope.curves.behind_lag import LONGEST_LAG_S, SoundLink
from logscope.curves.estimate import Estimate
from logscope.curves.rise import CurveFit

# A rise this much faster than R·C did not pass through the resistor at all; a resistor that is partly
# bridged or the wrong value still leaves more (common practice, no published source).
BYPASS_SHARE = 0.2
# Without R·C: a precharge resistor that charged a link faster than this would carry hundreds of amperes
# (300 V, 1000 µF: 5 Ω, 60 A); precharge takes 0.1 to 3 s, that is a constant of 20 ms and more.
BYPASS_CONSTANT_S = 0.005

BY_SETTLING, BY_SLOWNESS = "settling", "slowness"


class Verdict(Enum):
    """How a time constant stands against the expected band."""

    IN_BAND = "in band"
    SLOW = "slow"
    FAST = "fast"
    OPEN = "open"  # the log cannot tell
    NOT_COMPARED = "not compared"  # no R·C in the vehicle file


@dataclass(frozen=True, slots=True)
class Constant:
    """The link's time constant as far as the fit tells, and how it stands against the expected band.

    time_constant : None where the two constants of an S-shaped curve cannot be distinguished
    lag : the other one; both : the two of an S-shaped curve, slower first; either : whether the other may be the
        link's as well
    shown_by : the part that tells which constant is the link's, or `BY_SETTLING`, or `BY_SLOWNESS`, where something
        does
    or_lag : whether a link as expected, behind a sensing lag, explains the readings as well as a slow one
    """

    verdict: Verdict
    time_constant: Estimate | None
    lag: Estimate | None = None
    both: tuple[Estimate, Estimate] | None = None
    shown_by: str | None = None
    or_lag: bool = False
    either: bool = False


def compare_constant(
    fit: CurveFit,
    expected_s: float | None,
    tolerance: float,
    found: Sequence[IndependentMeasurement] = (),
    lag_is_faster: bool | None = None,
    closes_after: float = np.inf,
) -> Constant:
    """Compare the fitted constants with R·C. "Slow" is claimed only where no lag before a sound link looks the same.

    closes_after : of how many time constants at least the contactor waits for, infinite where it is not known to close
    """
    constant = _compared(fit, expected_s, tolerance, found, lag_is_faster)
    known = constant.time_constant
    shown = constant.shown_by not in (None, BY_SETTLING, BY_SLOWNESS)  # by what no lag changes
    if expected_s is None or known is None or shown or fit.misfit:
        return constant
    perhaps_slow = constant.verdict is Verdict.OPEN and known.value > expected_s * (1 + tolerance)
    if constant.verdict is not Verdict.SLOW and not perhaps_slow:
        return constant
    if not fit.explained_behind_lag(
        SoundLink(expected_s * (1 - tolerance), expected_s * (1 + tolerance), closes_after)
    ):
        return constant
    return replace(constant, verdict=Verdict.OPEN, or_lag=True)


def _compared(
    fit: CurveFit,
    expected_s: float | None,
    tolerance: float,
    found: Sequence[IndependentMeasurement],
    lag_is_faster: bool | None,
) -> Constant:
    """The constant that is the link's, against the band.

    A curve with two poles is symmetric in them. The end of the curve tells them apart, where a contactor closes or the
    relay opens: what the reading settles with is its lag. Else a witness can, such as the pack current.
    Without one R·C can: the nearer is taken, unless it makes the other a lag longer than R·C; "slow" and "fast" are
    then claimed only where both readings agree.
    """
    slower, faster = fit.time_constant, fit.lag
    if fit.misfit:  # a constant of a curve that the data do not follow says nothing about R·C
        return Constant(Verdict.OPEN if expected_s is not None else Verdict.NOT_COMPARED, slower)
    if faster is None or fit.averaged:
        return Constant(_verdict(slower, expected_s, tolerance, fit.drift_s), slower, faster)
    both = (slower, faster)
    link, by = _shown_by(both, found, lag_is_faster)
    if link is not slower and slower.low > LONGEST_LAG_S:  # no sensing is so slow, whatever speaks for it
        link, by = slower, BY_SLOWNESS
    # What is left to settle is small against model errors; a current that was measured beside it is not.
    if link is faster and by == BY_SETTLING and _verdict(slower, expected_s, tolerance, fit.drift_s) is Verdict.IN_BAND:
        return Constant(Verdict.OPEN, None, both=both, shown_by=by)  # a sound link with a short lag has the same curve
    if link is not None:
        lag = faster if link is slower else slower
        return Constant(_verdict(link, expected_s, tolerance, fit.drift_s), link, lag, both, by)
    if expected_s is None:
        return Constant(Verdict.NOT_COMPARED, None, both=both)
    verdicts = [_verdict(constant, expected_s, tolerance, fit.drift_s) for constant in both]
    if Verdict.IN_BAND in verdicts:
        nearest = min(both, key=lambda e: abs(e.value / expected_s - 1))
        other = faster if nearest is slower else slower
        if not _overlaps(other, expected_s, tolerance):
            if other is slower:  # a slow link behind a lag is as likely as a lag beyond R·C
                return Constant(Verdict.OPEN, None, both=both)
            return Constant(Verdict.IN_BAND, nearest, other, both)
        nearest = replace(
            nearest,
            low=faster.low,
            high=slower.high,
            claim_low=min(faster.claim_low, slower.claim_low),
            claim_high=max(faster.claim_high, slower.claim_high),
        )
        return Constant(Verdict.IN_BAND, nearest, other, both, either=True)
    if verdicts[0] == verdicts[1]:  # both readings say the same
        return Constant(verdicts[0], slower, faster, both)
    return Constant(Verdict.OPEN, None, both=both)


def _shown_by(
    both: tuple[Estimate, Estimate], found: Sequence[IndependentMeasurement], lag_is_faster: bool | None
) -> tuple[Estimate | None, str | None]:
    """The link's constant and what shows it: the end of the curve, else a witness; None where nothing does."""
    if lag_is_faster is not None:
        return both[0] if lag_is_faster else both[1], BY_SETTLING
    if shown := distinguished(both, list(found)):
        return shown[0], shown[1].part
    return None, None


def _overlaps(constant: Estimate, expected_s: float, tolerance: float) -> bool:
    """Whether a constant may lie in the band."""
    return constant.low <= expected_s * (1 + tolerance) and constant.high >= expected_s * (1 - tolerance)


def _verdict(constant: Estimate, expected_s: float | None, tolerance: float, drift_s: float) -> Verdict:
    """A constant against the band. drift_s : by how much the stamps may stretch it: a claim has to clear that, too"""
    if expected_s is None:
        return Verdict.NOT_COMPARED
    low, high = expected_s * (1 - tolerance), expected_s * (1 + tolerance)
    if constant.claim_low - drift_s > high:
        return Verdict.SLOW
    if constant.claim_high + drift_s < low:
        return Verdict.FAST
    if constant.low < low and constant.high > high:
        return Verdict.OPEN
    inside = low <= constant.value <= high
    return Verdict.IN_BAND if inside else Verdict.OPEN


def is_bypassed(fastest_s: float, expected_s: float | None) -> bool:
    """Whether a link that charged with at most this constant was charged past the resistor."""
    if expected_s is not None:
        return fastest_s < BYPASS_SHARE * expected_s
    return fastest_s < BYPASS_CONSTANT_S


def step_constant_bound(rise_v: float, missing_v: float, within_s: float) -> float:
    """Upper bound of the time constant [s] of a link that came within `missing_v` of its end in one sample interval.

    The rise began no earlier than the sample before it: exp(−t/τ) ≤ missing/rise at t = within_s.
    """
    from math import log

    return within_s / log(max(rise_v / max(missing_v, 1e-9), 1.0 + 1e-9))
