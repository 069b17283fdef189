"""Measure one attempt: the curve, where it ended, and where the contactor closed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.precharge.breakpoint import Break, find_break
from logscope.checks.precharge.contactor_closing import Closing, closing_of
from logscope.checks.precharge.lagged_closing import Settling, Start, find_settling
from logscope.curves.behind_lag import LONGEST_LAG_S
from logscope.curves.evidence import SETTLED_SHARE
from logscope.curves.rise import CurveFit, fit_curve
from logscope.curves.rise_likelihood import Rest
from logscope.curves.timestamps import Known, Timestamps
from logscope.observations.dc_link.attempts import Timing
from logscope.observations.dc_link.flags import FLAG_LAG_S
from logscope.observations.dc_link.link import PACK_MISMATCH, Link, PackLevel, pack_level, pack_voltage
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Signals
from logscope.statistics.robust import NORMAL_95
from logscope.statistics.sampling import gap_threshold_s

# Before the rise the level is wanted, not its history: a link that bleeds down is level over this many samples.
_LEVEL_SAMPLES = 8
_LEVEL_S = 0.5
_PLATEAU_SAMPLES = 10  # and at least this many behind the rise, to see where it settles
# Once connected the link moves with the pack, by a few percent at a light load (common practice, no published source):
# what comes behind the first sample this near to the highest need not belong to the charge.
_DRIVING_SHARE = 0.02
_NEAR_SHARE = 0.05  # and of a small rise, as in a hot restart: a curve is as near after three time constants
_HELD_RISES = 3.0  # times the rise: by then the level of a stalled link adds nothing to its constant
_NO_STEP_NOISES = 3.0  # a step is larger
_LAG_SHARE = 0.3  # of the time to half the rise: where the search for a lag starts, with no curve to show it
_END_SHARE = 0.05  # of a rise: what is so near to either end, or as near as noise, is no reading on the way
_LEADS_TO_PACK = 0.9  # of the pack's voltage: what ends lower was held or cut off below it
_PACK_AFTER_S = 2.0  # a pack voltage that wakes this long after the precharge is still that pack's
# After a contactor reports closed, the readings of this long show the pack's level: the slowest sensing has come 86 %
# of the way by then, and nobody has started to drive. What lies below their upper quarter may still be on the way.
_CLOSED_LEVEL_S, _CLOSED_LEVEL_SAMPLES, _CLOSED_LEVEL_SHARE = 2 * LONGEST_LAG_S, 4, 0.75


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What is known of one attempt.

    window : the samples that belong to the curve; fit : None where they are too few
    fit_if_cut : the fit without the last of them, which lies behind the end of a curve that was cut off; None where it
        broke off with a step, or not at all
    pack : the voltage to reach: the pack's, or the link's once the contactor closed; None if neither is known
    reached_v : level at the end of the curve; settled : whether the curve had settled by then
    top_v : highest level of the rise, closing included
    lag_is_faster : whether the end of the curve shows the faster of its two constants to be the sensing lag; None where
        it does not tell
    inside : samples on the way of the curve, apart from both its ends
    inside_all : the same between 5 and 95 % of the whole rise, whatever brought the voltage there
    rise_s : from the last sample before the rise to the first behind 95 % of it, and by what that is unsure [s]
    unsure_s : by how much stamps and readings may be apart [s]
    unsure_between_s : by how much the time between two readings may be off [s]: less than that of one where counted
    pack_by_link : whether the pack's voltage is only where the link stands once the contactor reports closed, without a
        step that shows them joined: a contact that did not close would look the same
    highest_v : the highest voltage that the link can be charged to [V]; infinite where nothing shows it
    missing_s : of the time from the onset to the end of the curve, what lies in gaps of the log [s]
    """

    attempt: Attempt
    window: slice
    fit: CurveFit | None
    fit_if_cut: CurveFit | None
    pack: PackLevel | None
    start_v: float
    reached_v: float
    top_v: float
    settled: bool
    closing: Closing | None
    lag_is_faster: bool | None
    inside: int
    inside_all: int
    start_s: float
    end_s: float
    rise_s: float
    highest_v: float = np.inf
    unsure_s: float = 0.0
    unsure_between_s: float = 0.0
    pack_by_link: bool = False
    missing_s: float = 0.0

    @property
    def pack_v(self) -> float | None:
        """The voltage to reach [V]."""
        return self.pack.volts if self.pack else None

    @property
    def onset_s(self) -> float:
        """When the rise began, by the fit where it shows it [s]."""
        return self.fit.onset.value if self.fit and self.fit.onset else self.start_s

    @property
    def leads_beyond_pack(self) -> bool:
        """Whether the fitted curve leads to a voltage that no pack here has: then something else than R·C bent it.

        A contactor that closes before the end of the curve, seen through sensing lags, leaves no step and no kink.
        """
        return self.fit is not None and self.fit.end.low > self.highest_v  # a doubt asks for less than a claim

    def fraction(self, volts: float) -> float | None:
        """A voltage as a fraction of the pack's, where that is known."""
        return volts / self.pack_v if self.pack_v else None


def measure(signals: Signals, link: Link, attempt: Attempt, stamps: Timestamps, timing: Timing) -> Measurement:
    """Cut the curve out of the log, fit it, and say where it ended.

    stamps, timing : what they are worth, and what the times of the curve's readings are
    """
    time_s, volts = link.part.time_s, link.part.value
    begun_s = float(time_s[attempt.onset])
    highest_v = _highest_end(signals, link, attempt)
    last = _curve_end(link, attempt, pack_voltage(signals, begun_s - _LEVEL_S, begun_s + _LEVEL_S))
    first, curve_end, fit, ahead, broken, settling = _cut_out(link, attempt, timing, last, highest_v)
    window = slice(first, curve_end + 1)
    pack = _pack_to_reach(signals, begun_s, float(time_s[curve_end]), float(time_s[attempt.end]))
    # The break of a sawing link's first rise is the load's doing, unless a state says that a contactor closed.
    sawing = attempt.saws > 0 and attempt.contactor_s is None
    closing = None if sawing else closing_of(link, attempt, fit, broken, settling)
    if closing is not None and _ends_below(closing, pack) and attempt.contactor_s is None:
        closing = None  # a relay that drops out, behind a lag, leaves a step as well
    if pack is None and closing is not None and closing.step_v is not None and closing.level_v is not None:
        pack = PackLevel(closing.level_v, NORMAL_95 * link.noise_v)  # from at least one reading behind the step
    by_link = pack is None and attempt.contactor_s is not None
    if by_link and attempt.contactor_s is not None:
        pack = _level_once_closed(link, attempt.contactor_s)
    if pack is not None:
        highest_v = min(highest_v, (1 + PACK_MISMATCH) * pack.volts)
    reached_by = attempt.end if sawing else curve_end  # a load that cuts in breaks the curve before its highest reading
    reached = float(volts[max(curve_end - 2, attempt.onset) : reached_by + 1].max())
    start_v = float(np.median(volts[first : attempt.onset + 1]))
    behind = volts[curve_end + 1 : last + 1]
    own_v = float(np.median(behind)) if behind.size else float(volts[attempt.onset : last + 1].max())
    counted = timing.stamps.known is Known.COUNTED
    unsure_between_s = (timing.stamps if counted else stamps).range_s
    return Measurement(
        attempt=attempt,
        window=window,
        fit=fit,
        fit_if_cut=ahead,
        pack=pack,
        pack_by_link=by_link and pack is not None,
        start_v=start_v,
        reached_v=reached,
        top_v=float(volts[attempt.top]),
        settled=_has_settled(fit, start_v, reached, link.noise_v),
        closing=closing,
        lag_is_faster=settling.by_faster if settling is not None else None,
        inside=_samples_on_way(volts[attempt.onset : curve_end + 1], own_v, pack, link),
        inside_all=_steep_samples(volts[attempt.onset : attempt.top + 1], None, link.noise_v),
        start_s=float(time_s[attempt.onset]),
        end_s=float(time_s[curve_end]),
        rise_s=_rise_s(link, attempt) * (1 + timing.scale_error) + unsure_between_s,
        unsure_s=stamps.range_s,
        unsure_between_s=unsure_between_s,
        highest_v=highest_v,
        missing_s=_missing(time_s[attempt.onset : curve_end + 2], gap_threshold_s(time_s)),
    )


class _Curve(NamedTuple):
    """What belongs to the curve: samples from `first` to `end`; and how it was cut out, as `Measurement` says."""

    first: int
    end: int
    fit: CurveFit | None
    fit_if_cut: CurveFit | None
    broken: Break | None
    settling: Settling | None


def _cut_out(link: Link, attempt: Attempt, timing: Timing, last: int, highest_v: float) -> _Curve:
    """The curve up to where it breaks off or, behind a sensing lag, settles to another level.

    last : the last sample that can belong to the curve or the level behind it
    highest_v : the highest voltage that the link can be charged to [V]
    """
    time_s, volts = link.part.time_s, link.part.value
    reported = None
    if attempt.contactor_s is not None and attempt.contactor_after_s is not None:
        reported = (attempt.contactor_after_s - FLAG_LAG_S, attempt.contactor_s)
    broken = find_break(time_s[attempt.onset : last + 1], volts[attempt.onset : last + 1], link.noise_v, reported)
    end = attempt.onset + broken.last if broken else last
    first = max(attempt.onset - _LEVEL_SAMPLES + 1, int(np.searchsorted(time_s, time_s[attempt.onset] - _LEVEL_S)))
    fit = _fit(link, timing, attempt, slice(first, end + 1), highest_v, cut_off=broken is not None)
    ahead = None  # a curve that breaks off without a step was cut off before its first sample on the level
    if broken and reported is None and abs(broken.step_v) <= _NO_STEP_NOISES * link.noise_v + link.step_v:
        ahead = _fit(link, timing, attempt, slice(first, end), highest_v, cut_off=False)
    start = _start_of(link, attempt, fit, highest_v)
    if start is None:
        return _Curve(first, end, fit, ahead, broken, None)
    settling = find_settling(time_s[first : last + 1], volts[first : last + 1], start, link.noise_v, reported)
    if settling is None:
        return _Curve(first, end, fit, ahead, broken, None)
    until = max(int(np.searchsorted(time_s, settling.curve_end_s, side="right")) - 1, attempt.onset + 1)
    before = _fit(link, timing, attempt, slice(first, until + 1), highest_v, cut_off=True)
    bent = fit is None or fit.lag is None  # by the closing: what comes before may be too short to show a lag
    if before is not None and (before.lag is not None or (bent and not before.misfit)):
        return _Curve(first, until, before, ahead, broken, settling)
    return _Curve(first, end, fit, ahead, broken, None)  # what is left holds no two constants


def _start_of(link: Link, attempt: Attempt, fit: CurveFit | None, highest_v: float) -> Start | None:
    """Where the search for a closing behind a sensing lag begins; None where nothing speaks for one.

    highest_v : where the curve can lead at most, infinite where nothing shows it: a curve that leads beyond, or that no
        shape explains, may be bent by the closing, and its constants are nobody's
    """
    if fit is None:
        return None
    bent = np.isfinite(highest_v) and (fit.misfit or fit.end.low > highest_v)
    if fit.lag is not None and fit.onset is not None:
        return Start(fit.onset.value, fit.time_constant.value, fit.lag.value)
    if not bent or not attempt.onset_seen:
        return None
    time_s, volts = (values[attempt.onset : attempt.top + 1] for values in (link.part.time_s, link.part.value))
    half_s = float(time_s[int(np.argmax(volts >= (volts[0] + volts[-1]) / 2))] - time_s[0])
    return Start(float(time_s[0]), half_s, _LAG_SHARE * half_s)


def _ends_below(closing: Closing, pack: PackLevel | None) -> bool:
    """Whether what looks like a closing leads to less than the pack, which a closed contactor joins."""
    if pack is None or closing.level_v is None:
        return False
    return closing.level_v < (1 - PACK_MISMATCH) * (pack.volts - pack.within_v)


def _rise_s(link: Link, attempt: Attempt) -> float:
    volts = link.part.value[attempt.onset : attempt.top + 1]
    behind = int(np.argmax(volts >= volts[0] + SETTLED_SHARE * (volts[-1] - volts[0])))
    return float(link.part.time_s[attempt.onset + behind] - link.part.time_s[attempt.onset])


def _missing(time_s: FloatArray, gap_s: float) -> float:
    """How much of the time that the samples span lies in gaps [s]."""
    apart_s = np.diff(time_s)
    return float(np.sum(apart_s[apart_s > gap_s]))


def _pack_to_reach(signals: Signals, begun_s: float, curve_end_s: float, end_s: float) -> PackLevel | None:
    """The pack's voltage while the link charges, before anything loads it; else soon behind, for it may wake late."""
    return (
        pack_level(signals, begun_s - _LEVEL_S, curve_end_s)
        or pack_level(signals, begun_s - _LEVEL_S, end_s + _LEVEL_S)
        or pack_level(signals, begun_s, end_s + _PACK_AFTER_S)
    )


def _level_once_closed(link: Link, closed_s: float) -> PackLevel | None:
    """Where the link stands once the contactor reports closed [V]: that is the pack's voltage, by the link's sensor."""
    time_s, volts = link.part.time_s, link.part.value
    first, last = np.searchsorted(time_s, [closed_s, closed_s + _CLOSED_LEVEL_S])
    level = volts[first : max(last, first + _CLOSED_LEVEL_SAMPLES)]
    if level.size < _CLOSED_LEVEL_SAMPLES:
        return None
    return PackLevel(float(np.quantile(level, _CLOSED_LEVEL_SHARE)), NORMAL_95 * link.noise_v)


def _highest_end(signals: Signals, link: Link, attempt: Attempt) -> float:
    """The highest voltage that the link can be charged to [V]: the pack's, where something shows it; else infinite.

    Two sensors may differ; where the link stands once it is joined to the pack, its own shows the pack's voltage.
    """
    begun_s, end_s = float(link.part.time_s[attempt.onset]), float(link.part.time_s[attempt.end])
    pack = _pack_to_reach(signals, begun_s, begun_s + _LEVEL_S, end_s)
    highest_v = np.inf if pack is None else (1 + PACK_MISMATCH) * pack.volts
    own = None if attempt.contactor_s is None else _level_once_closed(link, attempt.contactor_s)
    return highest_v if own is None else float(min(highest_v, (1 + _DRIVING_SHARE) * own.volts + own.within_v))


def _fit(
    link: Link, timing: Timing, attempt: Attempt, window: slice, highest_v: float, *, cut_off: bool
) -> CurveFit | None:
    return fit_curve(
        link.part.time_s[window],
        link.part.value[window],
        link.step_v,
        onset_seen=attempt.onset_seen,
        rest=Rest(link.noise_v, link.random_v, timing.stamps, link.floor_v, timing.scale_error),
        cut_off=cut_off,
        highest_v=highest_v,
    )


def _curve_end(link: Link, attempt: Attempt, pack_v: float | None) -> int:
    """The last sample that can belong to the curve or the level it settles at.

    pack_v : the pack's voltage as the rise begins, where known: a link that later rises above it is braked into
    """
    time_s, volts = link.part.time_s, link.part.value
    rise = volts[attempt.onset : attempt.top + 1]
    room = min(_DRIVING_SHARE * volts[attempt.top], _NEAR_SHARE * (volts[attempt.top] - volts[attempt.onset]))
    level = float(volts[attempt.top] - room)
    if pack_v is not None:
        level = min(level, (1 - _DRIVING_SHARE) * pack_v)
    near = attempt.onset + int(np.argmax(rise >= level))
    rise_s = float(time_s[near] - time_s[attempt.onset])
    held = pack_v is not None and volts[attempt.top] < _LEADS_TO_PACK * pack_v  # below it, all of the level belongs
    latest_s = time_s[near] + (_HELD_RISES if held else 1.0) * rise_s
    latest = max(int(np.searchsorted(time_s, latest_s)), near + _PLATEAU_SAMPLES)
    last = min(latest, attempt.end)
    behind, room_v = volts[near : last + 1], 4 * link.noise_v + link.step_v
    leaves = behind < volts[near] - room_v  # a load draws it down
    if attempt.contactor_s is not None:  # once joined to the pack, braking lifts it
        joined = time_s[near : last + 1] >= attempt.contactor_s
        if joined.any():
            leaves |= joined & (behind > behind[joined][0] + room_v)
    left = np.flatnonzero(leaves)
    return near + int(left[0]) - 1 if left.size else last


def _samples_on_way(volts: FloatArray, own_v: float, pack: PackLevel | None, link: Link) -> int:
    """Samples of a curve on the way to where it leads: the pack's voltage if it comes near, else the highest of them.

    own_v : where the link stands behind the curve, by its own sensor [V]: samples farther below it than a level moves
        with its pack are on the way too
    """
    steep, low = _steep_samples(volts, pack, link.noise_v), float(volts[0])
    if pack is not None:
        own_v = min(own_v, (1 + PACK_MISMATCH) * pack.volts)
    start_v = low + max(_END_SHARE * (own_v - low), _NO_STEP_NOISES * link.noise_v)
    end_v = own_v - max(_DRIVING_SHARE * own_v, _NO_STEP_NOISES * link.noise_v + link.step_v)
    return max(steep, int(np.count_nonzero((volts > start_v) & (volts < end_v))))


def _steep_samples(volts: FloatArray, pack: PackLevel | None, noise_v: float) -> int:
    """Samples between 5 and 95 % of the way to where the rise leads.

    Of a small rise, what lies within the noise of either end is not on the way.
    """
    low, high = float(volts[0]), float(volts.max())
    if pack is not None and high > _LEADS_TO_PACK * pack.volts:
        high = max(high, pack.volts)
    room_v = max(_END_SHARE * (high - low), _NO_STEP_NOISES * noise_v)
    return int(np.count_nonzero((volts > low + room_v) & (volts < high - room_v)))


def _has_settled(fit: CurveFit | None, start_v: float, reached_v: float, noise_v: float) -> bool:
    if fit is None:
        return False
    missing = fit.end.value - reached_v
    return missing <= max((1 - SETTLED_SHARE) * (fit.end.value - start_v), 2 * noise_v)
