"""What stays open of a precharge, or would look the same, in words."""

from __future__ import annotations

from logscope.checks.precharge.compare import BYPASS_SHARE, Constant, Verdict
from logscope.checks.precharge.judge import Judged
from logscope.checks.wording import seconds
from logscope.curves.estimate import Estimate

# What is left of a curve that a closing cut short: no more than how the sensor follows it.
_SENSING_CONSTANT = "the time constant is that of the voltage sensing, not of R·C"


def doubt_of(judged: Judged) -> list[str]:
    """The sentences that say so; none where nothing stays open."""
    constant = judged.constant
    if judged.has_hole:
        m = judged.measurement
        return [
            f"{seconds(m.missing_s)} of the {seconds(m.end_s - m.start_s)} of the rise are missing from the log: a "
            "pause or a step in between is not seen."
        ]
    if judged.kind == "stalled" and judged.measurement.attempt.saws:
        return [
            f"Then it fell and rose again {judged.measurement.attempt.saws} times between the same two levels: a "
            "load starts at the upper one, draws more than the resistor passes, and stops at the lower one."
        ]
    if judged.kind == "bypassed" and judged.expected_s and judged.period_s > BYPASS_SHARE * judged.expected_s:
        return [
            f"A contactor that closed far too early between two samples, {seconds(judged.period_s)} apart, would "
            "look the same."
        ]
    if judged.fast_or_closed_early:
        return [
            "Either the link charges too fast, or the contactor closed before it was charged: through a sensing lag "
            "the two look alike. Record the contactor's state as often as the link voltage."
        ]
    if judged.closing_unseen:
        return ["A contactor that closed far too early, seen through a sensing lag, would look the same."]
    if judged.kind == "undetermined" and judged.measurement.leads_beyond_pack:
        return [
            "The readings bend as if towards more than the pack's voltage: the contactor closed before the end of "
            "the curve, and a sensing lag hides where. The time constant cannot be determined."
        ]
    if judged.kind == "undetermined" and judged.bound_s is not None:
        return [
            f"The rise lies between two samples, {seconds(judged.period_s)} apart: its time constant is at most "
            f"{seconds(judged.bound_s)}. Precharge and step cannot be distinguished."
        ]
    if judged.kind == "undetermined" and judged.may_have_closed_early:
        said = [
            "The last reading before the contactor closed is below the closing threshold, but may be older than its "
            "timestamp. Whether it closed early cannot be determined."
        ]
        if constant is not None and constant.verdict is Verdict.FAST:
            said.append(f"If it did, {_SENSING_CONSTANT}.")
        return said
    if judged.kind == "undetermined" and judged.measurement.attempt.ended_by == "log end":
        return ["The log ends before the precharge did."]
    if judged.kind == "undetermined" and judged.measurement.attempt.stayed_open:
        return [
            "The main contactor stayed open: the link may have stalled below the pack, or the sequence gave up for "
            "another reason."
        ]
    if judged.let_go_within_s is not None:
        return [
            f"The link fell again within {seconds(judged.let_go_within_s)}: a load may have held it below the pack "
            "until the controller gave up, or the key was turned off."
        ]
    if judged.kind == "stalled" and judged.measurement.pack_v is None:
        return ["It settled below battery_min_V, the emptiest pack in the vehicle file."]
    low_once_closed = judged.kind == "undetermined" and judged.measurement.pack_by_link
    if low_once_closed and constant is not None and constant.verdict in (Verdict.IN_BAND, Verdict.SLOW):
        return [
            "The contactor reports closed, but the link stands below battery_min_V. A contact that does not close, a "
            "load or a wrong scale of the link voltage would look like this: log the pack voltage."
        ]
    unshown = judged.measurement.pack_v is None or judged.measurement.pack_by_link
    if unshown and judged.curve is not None and constant is not None:
        if judged.kind == "undetermined" and constant.verdict is Verdict.FAST:
            return [
                "That is faster than expected. A load that holds the link below the pack's voltage shortens the time "
                "constant in the same way: log the pack voltage to distinguish them.",
                f"Where the contactor closed during the rise, {_SENSING_CONSTANT}.",
            ]
        if judged.kind == "complete" and judged.shows_pack:
            return [
                "Pack voltage not logged, no step seen: that the link reached it follows from the contactor's state "
                "alone."
            ]
        if judged.kind == "complete":
            return [
                "Whether the link reached the pack is not shown: a load that holds it a little lower shortens the time "
                "constant by less than its tolerance."
            ]
    if judged.kind == "undetermined" and judged.curve is None:
        return [
            "Too few samples lie on the steep part for a time constant: a contactor that closes between two of them "
            "would look the same."
        ]
    if constant is None or constant.verdict is not Verdict.OPEN or constant.time_constant is None:
        return []
    return [_open(judged, constant, constant.time_constant)]


def _open(judged: Judged, constant: Constant, tau: Estimate) -> str:
    """Why a known time constant is neither as expected nor off."""
    if constant.or_lag and judged.expected_s is not None:
        return (
            f"A link that charges too slowly, {seconds(tau.value)}, and one as expected, "
            f"{seconds(judged.expected_s)}, seen through a sensing lag explain the samples equally well. Record the "
            "link voltage faster, or log the pack current."
        )
    if judged.curve is not None and judged.curve.misfit:
        return "The samples do not follow the fitted curve, so its constant is not compared with R·C."
    expected_s = judged.expected_s or tau.value
    low, high = expected_s * (1 - judged.tolerance), expected_s * (1 + judged.tolerance)
    if tau.high < low or tau.low > high:
        return (
            "The 95 % interval is outside the expected band, but not the 99.9 % interval that a claim needs, "
            "timestamps included: slow, fast or as expected cannot be determined."
        )
    return "The interval crosses the edge of the expected band: slow, fast or as expected cannot be determined."
