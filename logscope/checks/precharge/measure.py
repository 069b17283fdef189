"""Measure one attempt: the curve, where it ended, and where the contactor closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.checks.precharge.closing import BREAK_NOISE, Break, find_break
from logscope.checks.precharge.compare import SETTLED_SHARE
from logscope.checks.precharge.find import FLAG_LAG_S, Attempt, Link, pack_voltage
from logscope.checks.precharge.fit import CurveFit, Rest, fit_curve
from logscope.checks.precharge.settling import Settling, find_settling
from logscope.findings import FloatArray
from logscope.signals import Signals

# Before the rise the level is wanted, not its history: a link that bleeds down is level over this many samples.
_LEVEL_SAMPLES = 8
_LEVEL_S = 0.5
_PLATEAU_SAMPLES = 10  # and at least this many behind the rise, to see where it settles
# Once connected the link moves with the pack, by a few percent at a light load (common practice, no published source):
# what comes behind the first sample this near to the highest need not belong to the charge.
_DRIVING_SHARE = 0.02
_NEAR_SHARE = 0.05  # and of a small rise, as in a hot restart: a curve is as near after three time constants
_PACK_AFTER_S = 2.0  # a pack voltage that wakes this long after the precharge is still that pack's


@dataclass(frozen=True, slots=True, eq=False)
class Closing:
    """The moment the contactor closed: between start_s and end_s, the link at low_v to high_v just before."""

    start_s: float
    end_s: float
    low_v: float
    high_v: float
    step_v: float | None  # where the voltage shows the step
    level_v: float | None = None  # that it leads to


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What is known of one attempt.

    window : the samples that belong to the curve; fit : None where they are too few
    pack_v : the voltage to reach: the pack's, or the link's once the contactor closed; None if neither is known
    reached_v : level at the end of the curve; settled : whether the curve had settled by then
    top_v : highest level of the rise, closing included
    inside : samples in the steep part of the curve, between 5 and 95 % of its rise
    inside_all : the same up to the top, whatever brought the voltage there
    """

    attempt: Attempt
    window: slice
    fit: CurveFit | None
    pack_v: float | None
    start_v: float
    reached_v: float
    top_v: float
    settled: bool
    closing: Closing | None
    inside: int
    inside_all: int
    start_s: float
    end_s: float

    @property
    def onset_s(self) -> float:
        """When the rise began, by the fit where it shows it [s]."""
        return self.fit.onset.value if self.fit and self.fit.onset else self.start_s

    def fraction(self, volts: float) -> float | None:
        """A voltage as a fraction of the pack's, where that is known."""
        return volts / self.pack_v if self.pack_v else None


def measure(signals: Signals, link: Link, attempt: Attempt) -> Measurement:
    """Cut the curve out of the log, fit it, and say where it ended."""
    time_s, volts = link.part.time_s, link.part.value
    last = _curve_end(link, attempt)
    told = None
    if attempt.contactor_s is not None and attempt.contactor_after_s is not None:
        told = (attempt.contactor_after_s - FLAG_LAG_S, attempt.contactor_s)
    broken = find_break(time_s[attempt.onset : last + 1], volts[attempt.onset : last + 1], link.noise_v, told)
    curve_end = attempt.onset + broken.last if broken else last
    first = max(attempt.onset - _LEVEL_SAMPLES + 1, int(np.searchsorted(time_s, time_s[attempt.onset] - _LEVEL_S)))
    fit = _fit(link, attempt, slice(first, curve_end + 1), cut_off=broken is not None)
    settling = None
    if fit is not None and fit.lag is not None:
        settling = find_settling(time_s[first : last + 1], volts[first : last + 1], fit, link.noise_v, told)
    if settling is not None:
        until = max(int(np.searchsorted(time_s, settling.curve_end_s, side="right")) - 1, attempt.onset + 1)
        again = _fit(link, attempt, slice(first, until + 1), cut_off=True)
        if again is not None and again.lag is not None:
            curve_end, fit = until, again
        else:  # what is left holds no two constants
            settling = None
    window = slice(first, curve_end + 1)
    pack_v = pack_voltage(signals, time_s[attempt.onset] - _LEVEL_S, time_s[attempt.end] + _LEVEL_S)
    pack_v = pack_v or pack_voltage(signals, time_s[attempt.onset], time_s[attempt.end] + _PACK_AFTER_S)
    closing = _settled_closing(link, attempt, fit, settling) if settling else _closing(link, attempt, fit, broken)
    if pack_v is None and closing is not None and closing.step_v is not None:
        pack_v = closing.level_v
    reached = float(volts[max(curve_end - 2, attempt.onset) : curve_end + 1].max())
    start_v = float(np.median(volts[first : attempt.onset + 1]))
    return Measurement(
        attempt=attempt,
        window=window,
        fit=fit,
        pack_v=pack_v,
        start_v=start_v,
        reached_v=reached,
        top_v=float(volts[attempt.top]),
        settled=_has_settled(fit, start_v, reached, link.noise_v),
        closing=closing,
        inside=_steep_samples(volts[attempt.onset : curve_end + 1]),
        inside_all=_steep_samples(volts[attempt.onset : attempt.top + 1]),
        start_s=float(time_s[attempt.onset]),
        end_s=float(time_s[curve_end]),
    )


def _fit(link: Link, attempt: Attempt, window: slice, *, cut_off: bool) -> CurveFit | None:
    return fit_curve(
        link.part.time_s[window],
        link.part.value[window],
        link.step_v,
        onset_seen=attempt.onset_seen,
        rest=Rest(link.noise_v, link.random_v, link.jitter_s),
        cut_off=cut_off,
    )


def _settled_closing(link: Link, attempt: Attempt, fit: CurveFit | None, settling: Settling) -> Closing | None:
    """The closing behind a sensing lag: at the link's own voltage, with either constant as its own."""
    step_v = _step(link, settling)
    if fit is None or (step_v is None and attempt.contactor_s is None):
        return None
    constants = [fit.time_constant.value] if fit.lag is None else [fit.time_constant.value, fit.lag.value]
    return at_constants(fit, settling.start_s, settling.end_s, constants, step_v, settling.level_v)


def _step(link: Link, settling: Settling) -> float | None:
    """From the link's own voltage to the level, where it stands out; a relay that drops out leaves none."""
    step = settling.level_v - settling.link_v
    return step if settling.visible and step >= BREAK_NOISE * link.noise_v else None


def at_constants(
    fit: CurveFit, start_s: float, end_s: float, constants: Sequence[float], step_v: float | None, level_v: float | None
) -> Closing:
    """A closing between two times, the link's own constant being one of several."""
    volts = [fit.link_voltage(np.array([start_s, end_s]), constant_s) for constant_s in constants]
    low, high = min(float(v[0]) for v in volts), max(float(v[1]) for v in volts)
    return Closing(start_s, end_s, low, high, step_v, level_v)


def _curve_end(link: Link, attempt: Attempt) -> int:
    """The last sample that can belong to the curve or the level it settles at."""
    time_s, volts = link.part.time_s, link.part.value
    rise = volts[attempt.onset : attempt.top + 1]
    room = min(_DRIVING_SHARE * volts[attempt.top], _NEAR_SHARE * (volts[attempt.top] - volts[attempt.onset]))
    near = attempt.onset + int(np.argmax(rise >= volts[attempt.top] - room))
    rise_s = float(time_s[near] - time_s[attempt.onset])
    latest = max(int(np.searchsorted(time_s, time_s[near] + rise_s)), near + _PLATEAU_SAMPLES)
    last = min(latest, attempt.end)
    behind = volts[near : last + 1]
    drops = np.flatnonzero(behind < volts[near] - 4 * link.noise_v - link.step_v)  # a load draws it down
    return near + int(drops[0]) - 1 if drops.size else last


def _steep_samples(volts: FloatArray) -> int:
    low, high = float(volts[0]), float(volts.max())
    share = (volts - low) / max(high - low, 1e-9)
    return int(np.count_nonzero((share > 0.05) & (share < 0.95)))


def _has_settled(fit: CurveFit | None, start_v: float, reached_v: float, noise_v: float) -> bool:
    if fit is None:
        return False
    missing = fit.end.value - reached_v
    return missing <= max((1 - SETTLED_SHARE) * (fit.end.value - start_v), 2 * noise_v)


def _is_step(link: Link, attempt: Attempt, fit: CurveFit | None, broken: Break) -> bool:
    """Whether the level behind a break is above where the curve itself would have gone: a contactor closed.

    A relay that drops out also ends the curve in a level, but in one that the curve was just reaching.
    """
    if fit is None or not broken.visible:
        return broken.visible
    last = attempt.onset + broken.last
    behind = link.part.time_s[last + 1 : last + 3]  # the second too, for stamps jitter by up to a period
    return bool(broken.level_v > fit.voltage(behind).max() + BREAK_NOISE * link.noise_v)


def _closing(link: Link, attempt: Attempt, fit: CurveFit | None, broken: Break | None) -> Closing | None:
    time_s, volts = link.part.time_s, link.part.value
    if broken is not None and (_is_step(link, attempt, fit, broken) or attempt.contactor_s is not None):
        last = attempt.onset + broken.last
        between = (float(time_s[last]), float(time_s[last + 1]))
        low = float(volts[last])
        high = max(float(fit.voltage(np.array([between[1]]))[0]), low) if fit else low
        if _is_step(link, attempt, fit, broken):
            return Closing(*between, low, high, broken.step_v, broken.level_v)
        return Closing(*between, low, high, None)
    if attempt.contactor_s is None or attempt.contactor_after_s is None or fit is None:
        return None
    window = (attempt.contactor_after_s - FLAG_LAG_S, attempt.contactor_s)
    low, high = (float(v) for v in fit.voltage(np.array(window)))
    return Closing(*window, low, high, None)
