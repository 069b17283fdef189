"""What kind of outcome an attempt was, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.precharge.compare import (
    Constant,
    Verdict,
    compare_constant,
    is_bypassed,
)
from logscope.checks.precharge.contactor_closing import Closing, behind_lag
from logscope.checks.precharge.ending import (
    above_any_pack,
    below_any_pack,
    broke_off,
    charged_in_time,
    held,
    kept_without_relay,
    let_go_within_s,
    may_be_part_way,
    stops_short,
)
from logscope.checks.precharge.measure import Measurement
from logscope.checks.precharge.soonest import bound_before_closing, soonest_bound
from logscope.checks.precharge.witness import witnesses
from logscope.curves.behind_lag import SoundLink
from logscope.curves.rise import CurveFit
from logscope.curves.rise_shapes import Shape
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.openings import Opening
from logscope.signals import Signals
from logscope.vehicle import Precharge, Vehicle

# So many samples in one time constant make it measurable (common practice: five points on the steep part).
SAMPLES_PER_CONSTANT = 5
# With fewer samples on the steep part a contactor that closes in between could pass for the curve's own speed.
LEAST_STEEP_SAMPLES = 3
# Time constants of a rise that a gap in the log may hide before nothing is claimed of it: behind one of them 63 % of
# what was left of the curve is over, and a step or a pause would not be seen.
_MOST_MISSING = 1.0
# Of the pack's voltage: a contactor that closes so far below its threshold makes several times the inrush that the
# threshold allows for, and is no good closing (judgement).
_FAR_BELOW = 0.1
_OFF_BAND = {Verdict.SLOW: "slow", Verdict.FAST: "fast"}


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
    fast_or_closed_early: bool = False  # behind a sensing lag the two look alike
    closing_unseen: bool = False  # nothing shows that the contactor closed near the threshold, or above it
    let_go_within_s: float | None = None  # so soon the link fell again, where nothing shows that it was ever closed

    @property
    def hot(self) -> bool:
        """Whether the link was above the closing threshold from the beginning."""
        return _is_hot(self.measurement, self.close_fraction)

    @property
    def may_have_closed_early(self) -> bool:
        """Whether the contactor closed at a reading below the closing threshold."""
        m = self.measurement
        return bool(m.closing and m.pack_v and m.closing.high_v < self.close_fraction * m.pack_v)

    @property
    def shows_pack(self) -> bool:
        """Whether anything shows the pack's voltage, which the link has to reach."""
        return self.measurement.pack_v is not None

    @property
    def has_hole(self) -> bool:
        """Whether the log is silent for so long inside the rise that it cannot show how the link was charged."""
        return _has_hole(self.measurement)

    @property
    def curve(self) -> CurveFit | None:
        """The fitted curve, where the samples on the way make one: a closing in between could pass for its speed."""
        m = self.measurement
        too_few = (self.kind == "undetermined" or self.hot) and m.inside < LEAST_STEEP_SAMPLES
        return None if self.bound_s is not None or too_few or m.leads_beyond_pack else m.fit

    @property
    def factor(self) -> float | None:
        """By what factor the time constant is off where the precharge is slow or fast; else None."""
        known = self.constant.time_constant if self.constant else None
        off = self.kind in ("slow", "fast") and known is not None and self.expected_s
        return known.value / self.expected_s if off and known is not None and self.expected_s else None

    @property
    def least_factor(self) -> float | None:
        """By what factor a precharge is at least too fast that is known by an upper bound alone; else None."""
        known = self.kind == "fast" and self.bound_s and self.expected_s
        return self.expected_s / self.bound_s if known and self.expected_s and self.bound_s else None

    @property
    def wanted_period_s(self) -> float | None:
        """The sample period that would show the time constant."""
        constant = self.expected_s or self.bound_s
        return constant / SAMPLES_PER_CONSTANT if constant else None


_LEAST_BY_RESISTOR = 0.8  # of a rise: in one from 0 V it is what the contactor waits for, 0.9 and more


def judge(
    signals: Signals, vehicle: Vehicle, link: Link, measurement: Measurement, openings: Sequence[Opening] = ()
) -> Judged:
    """Decide the kind of one attempt.

    openings : every moment at which the link was taken from the pack, in order of time
    """
    cut_off = kept_without_relay(link, measurement, vehicle.precharge)
    measurement = replace(measurement, settled=measurement.settled and not cut_off)
    fit = measurement.fit
    expected_s = _expected_constant(measurement, vehicle)
    bound_s, soonest_s = None, soonest_bound(link, measurement)
    jumped = _jumped(measurement, soonest_s, expected_s, vehicle.precharge)
    stepped = measurement.closing is not None and measurement.closing.step_v is not None
    if measurement.inside_all <= 1 or (jumped and not stepped):
        bound_s = soonest_s
    elif fit is not None and is_bypassed(fit.time_constant.claim_high, expected_s):
        bound_s = fit.time_constant.high
    tolerance = vehicle.precharge.tolerance
    fitted = fit is not None and bound_s is None and measurement.inside > 1 and not measurement.leads_beyond_pack
    constant = None
    if fit is not None and fitted:
        found = witnesses(signals, fit, measurement.end_s) if fit.lag is not None else []
        early = _may_have_closed_early(measurement, vehicle.precharge)  # then a lag makes its step part of the curve
        waits = 0.0 if early else _waits(measurement, vehicle.precharge.close_fraction)
        constant = compare_constant(fit, expected_s, tolerance, found, measurement.lag_is_faster, waits)
        measurement = _closing_by(constant, fit, measurement)
        if constant.verdict in (Verdict.SLOW, Verdict.FAST) and _mostly_closing(measurement, vehicle.precharge):
            constant = None
    kind = _kind(measurement, constant, bound_s, jumped, expected_s, vehicle, link.noise_v, link.part.period_s)
    if kind == "interrupted" and (measurement.settled or cut_off):
        constant = None  # the rise was cut off between two samples: what looks like its constant is not the link's
    elif kind == "interrupted" and constant is not None and (ahead := measurement.fit_if_cut) is not None:
        measurement = replace(measurement, fit=ahead)
        constant = compare_constant(ahead, expected_s, tolerance, [], measurement.lag_is_faster)
    fast_or_early = closing_unseen = False
    let_go_s = let_go_within_s(measurement, openings, vehicle.precharge) if kind == "complete" else None
    if (kind in ("complete", "slow", "fast") and _has_hole(measurement)) or let_go_s is not None:
        kind = "undetermined"
    elif fast_or_early := kind == "fast" and _may_close_on_the_way(link, measurement, expected_s, vehicle.precharge):
        kind, constant = "undetermined", None
    elif closing_unseen := kind == "complete" and _may_close_far_too_early(measurement, expected_s, vehicle.precharge):
        kind = "undetermined"
    elif kind == "undetermined" and (open_s := _too_fast(link, measurement, vehicle.precharge)) is not None:
        kind, constant, bound_s = "fast", None, open_s
    hot = _is_hot(measurement, vehicle.precharge.close_fraction)
    if ((kind == "undetermined" or hot) and measurement.inside < LEAST_STEEP_SAMPLES) or measurement.leads_beyond_pack:
        constant = None
    if kind == "undetermined" and measurement.inside_all <= 1 and not measurement.attempt.stayed_open:
        # Such a rise does not show whether readings repeat: the one before it may be a period older than its stamp.
        bound_s = soonest_bound(link, measurement, vehicle.precharge.close_fraction, link.part.period_s)
    if hot:  # what rose through the contactor, faster than R·C, says nothing of R·C
        bound_s = None
        constant = None if constant is not None and constant.verdict in (Verdict.FAST, Verdict.OPEN) else constant
    return Judged(
        kind,
        measurement,
        constant,
        expected_s,
        tolerance,
        vehicle.precharge.close_fraction,
        bound_s,
        link.part.period_s,
        fast_or_early,
        closing_unseen,
        let_go_s,
    )


def _has_hole(m: Measurement) -> bool:
    return m.fit is not None and m.missing_s > _MOST_MISSING * m.fit.time_constant.value


def _is_hot(m: Measurement, close_fraction: float) -> bool:
    start = m.fraction(m.start_v)
    return start is not None and start >= close_fraction


def _waits(m: Measurement, close_fraction: float) -> float:
    """How many time constants after the onset a contactor closes that waits for a fraction of the pack's voltage."""
    start = m.start_v / max(m.pack_v or m.top_v, 1e-9)
    return float(np.log((1 - start) / (1 - close_fraction))) if start < close_fraction else 0.0


def _mostly_closing(m: Measurement, configured: Precharge) -> bool:
    """Whether much of the rise may have come through the contactor, at once, rather than through the resistor.

    Behind a lag the two make one curve, whose constant is that of neither.
    """
    start = m.fraction(m.start_v)
    return start is not None and configured.close_fraction - start < _LEAST_BY_RESISTOR * (1 - start)


def _may_have_closed_early(m: Measurement, configured: Precharge) -> bool:
    """Whether the contactor may have closed below the closing threshold, as far as its state and the curve show."""
    return bool(m.closing and m.pack_v and m.closing.low_v < configured.close_fraction * m.pack_v)


def _may_close_on_the_way(link: Link, m: Measurement, expected_s: float | None, configured: Precharge) -> bool:
    """Whether the readings may be those of a link as expected whose contactor closed while it was still charging.

    Behind a sensing lag such a closing looks like the curve of a link that charges too fast, unless the contactor's
    state, readings from before it, or the shape of the curve show the difference.
    """
    if not _may_have_closed_early(m, configured):
        return False
    if m.fit is None or expected_s is None or _too_fast(link, m, configured) is not None:
        return False
    low_s, high_s = (expected_s * (1 + by) for by in (-configured.tolerance, configured.tolerance))
    return m.fit.explained_behind_lag(SoundLink(low_s, high_s, closes_after=0.0), few_do=True)


def _may_close_far_too_early(m: Measurement, expected_s: float | None, configured: Precharge) -> bool:
    """Whether a contactor whose state comes seldom may have closed far below the threshold, as far as the curve shows.

    Such a closing steps, and behind a sensing lag it bends the curve; few readings, or a long lag, show neither.
    """
    early = configured.close_fraction - _FAR_BELOW
    start = m.fraction(m.start_v)
    if m.closing is None or m.fit is None or start is None or start >= early or not m.pack_v:
        return False
    if m.closing.low_v >= early * m.pack_v:
        return False
    low_s, high_s = m.fit.time_constant.low, m.fit.time_constant.high
    if expected_s is not None:
        low_s, high_s = (expected_s * (1 + by) for by in (-configured.tolerance, configured.tolerance))
    closes_by = float(np.log((1 - start) / (1 - early)))
    return m.fit.explained_behind_lag(SoundLink(low_s, high_s, 0.0, closes_by), few_do=True)


def _closing_by(constant: Constant, fit: CurveFit, m: Measurement) -> Measurement:
    """The link's voltage at a closing behind a sensing lag, by the constant that is the link's, or by either."""
    closing, tau = m.closing, constant.time_constant
    if closing is None or fit.lag is None:
        return m
    faster = (False, True) if tau is None or constant.either else (tau.value == fit.lag.value,)
    return replace(m, closing=behind_lag(fit, closing, faster))


def _expected_constant(m: Measurement, vehicle: Vehicle) -> float | None:
    """R·C [s], shortened by what holds the link below the pack.

    A parallel load takes the end voltage to Rp/(R + Rp) of the pack's and the time constant to that same share of R·C,
    so what the end voltage says of the load is also what the constant must show of it.
    """
    configured_s = vehicle.precharge.time_constant_s
    if configured_s is None or m.fit is None or not m.pack_v or not m.settled or m.fit.shape is Shape.CONSTANT_POWER:
        return configured_s
    return configured_s * min(max(m.fit.end.value / m.pack_v, 0.0), 1.0)


def _jumped(m: Measurement, bound_s: float | None, expected_s: float | None, configured: Precharge) -> bool:
    """Whether the reading came to the pack's voltage sooner than through a resistor as expected, whatever the sensing.

    bound_s : of its time constant, by how soon that was
    """
    top = m.fraction(m.top_v)
    if top is None or top < configured.close_fraction or expected_s is None or bound_s is None:
        return False
    soon = not charged_in_time(m, expected_s * (1 - configured.tolerance), configured.close_fraction)
    return soon and is_bypassed(bound_s, expected_s)


def _too_fast(link: Link, m: Measurement, configured: Precharge) -> float | None:
    """An upper bound of R·C [s] below the expected band, where readings of a link with an open contactor show one."""
    expected_s, bound_s = configured.time_constant_s, bound_before_closing(link, m)
    if expected_s is None or bound_s is None or _has_hole(m):
        return None
    return bound_s if bound_s < expected_s * (1 - configured.tolerance) else None


def _kind(
    m: Measurement,
    constant: Constant | None,
    bound_s: float | None,
    jumped: bool,
    expected_s: float | None,
    vehicle: Vehicle,
    noise_v: float,
    period_s: float,
) -> str:
    close_at, configured_s = vehicle.precharge.close_fraction, vehicle.precharge.time_constant_s
    reached = m.fraction(float(m.reached_v + 3 * noise_v))
    top = m.fraction(m.top_v + 3 * noise_v)
    if _is_hot(m, close_at):  # a hot restart: the contactor may close as it is, which is fast and sound
        slow = constant is not None and m.inside >= LEAST_STEEP_SAMPLES and constant.verdict is Verdict.SLOW
        return "slow" if slow else "complete"
    if bound_s is not None and (top is None or top >= close_at):
        fastest_s = None if expected_s is None else expected_s * (1 - vehicle.precharge.tolerance)
        past_resistor = is_bypassed(bound_s, expected_s) and not charged_in_time(m, fastest_s, close_at)
        past_resistor = past_resistor and not (top is None and may_be_part_way(m, fastest_s, vehicle))
        return "bypassed" if past_resistor else "undetermined"
    if m.attempt.saws and m.closing is None and (top is None or top < close_at):
        return "stalled"
    if m.closing is not None and m.pack_v and (m.closing.high_v + 3 * noise_v) / m.pack_v < close_at:
        high_v = _highest_at_closing(m.closing, m, expected_s, noise_v, period_s)
        # A reading never leads its link: one that came up too soon for any resistor is no lagging one's.
        if not jumped and (constant is None or constant.verdict is Verdict.OPEN):
            high_v = max(high_v, _highest_behind_lag(m.closing, m, expected_s, vehicle.precharge))
        surely = high_v / m.pack_v < close_at
        return "closed_early" if surely else "bypassed" if jumped else "undetermined"
    if jumped:
        return "bypassed"
    if m.closing is None and reached is not None and reached < close_at and (top is None or top < close_at):
        if m.attempt.ended_by == "log end" and not m.settled:
            return "undetermined"
        if broke_off(m, bound_s, vehicle.precharge):
            return "interrupted"
        return "stalled" if m.inside >= LEAST_STEEP_SAMPLES or held(m.attempt, configured_s) else "undetermined"
    if reached is None and m.closing is None and m.settled and below_any_pack(m, close_at, vehicle):
        return "stalled"
    if reached is None and m.closing is None and m.settled and m.attempt.stayed_open:
        return "undetermined"  # why the contactor stayed open, only the pack voltage would tell
    if reached is None and m.closing is None and stops_short(m, noise_v):
        # Fewer samples do not show whether a sensing lag bends the curve, which then leads too high.
        open_ended = m.attempt.ended_by == "log end" or m.inside < SAMPLES_PER_CONSTANT
        return "undetermined" if open_ended else "interrupted"
    if constant is None or constant.verdict is Verdict.OPEN:
        return "undetermined"
    if constant.verdict in (Verdict.SLOW, Verdict.FAST) and m.inside < LEAST_STEEP_SAMPLES:
        return "undetermined"
    if m.pack_by_link and below_any_pack(m, close_at, vehicle):
        return "undetermined"  # closed, and yet below the emptiest pack: the contact, a load, or a slip of the mapping
    pack_shown = m.pack is not None and not m.pack_by_link
    if constant.verdict is Verdict.FAST and not pack_shown and not above_any_pack(m, close_at, vehicle):
        return "undetermined"  # a load that holds the link below the pack's voltage shortens the constant as well
    return _OFF_BAND.get(constant.verdict, "complete")


def _highest_at_closing(
    closing: Closing, m: Measurement, expected_s: float | None, noise_v: float, period_s: float
) -> float:
    """The highest voltage that the link itself may have had when the contactor closed [V].

    What is read is older than its stamp says by what stamps are unsure, and, where the curve shows no sensing lag, by a
    lag that hides within a period of new values. For so long the link went on charging; without a curve, with the
    expected constant, ever since the last reading.
    """
    high_v = closing.high_v + 3 * noise_v
    full_v = max(m.pack_v or high_v, high_v)
    older_s, tau_s = m.unsure_s, expected_s
    curve = m.fit if m.inside >= LEAST_STEEP_SAMPLES else None  # fewer make none
    if curve is not None:
        tau_s = curve.time_constant.value
    else:
        older_s += closing.end_s - closing.start_s
    if curve is None or curve.lag is None:
        older_s += period_s
    return full_v - (full_v - high_v) * float(np.exp(-older_s / tau_s)) if tau_s else full_v


def _highest_behind_lag(closing: Closing, m: Measurement, expected_s: float | None, configured: Precharge) -> float:
    """The same of a link as expected whose sensing has lags, where that explains the curve; else minus infinity [V].

    Readings too few to show any sensing leave it possible.
    """
    fit = m.fit
    if fit is None or fit.onset is None or expected_s is None or not m.pack_v:
        return -np.inf
    fastest_s = expected_s * (1 - configured.tolerance)
    sound = SoundLink(fastest_s, expected_s * (1 + configured.tolerance), _waits(m, configured.close_fraction))
    if not fit.explained_behind_lag(sound, few_do=True):
        return -np.inf
    charging_s = max(closing.end_s - fit.onset.value, 0.0)
    return m.pack_v - (m.pack_v - m.start_v) * float(np.exp(-charging_s / fastest_s))
