"""The discharge findings in plain words."""

from __future__ import annotations

from math import isinf

from logscope.checks.discharge.judge import JudgedFall, Limit
from logscope.checks.wording import Words, number, seconds
from logscope.curves.estimate import Estimate
from logscope.curves.fall import Shape
from logscope.observations.dc_link.openings import Opening
from logscope.physics.discharge import REFERENCE_ACTIVE_S, SAFE_V

_OFF_FIRST = "With the power off, isolated and proved dead: "
_NEXT = {
    "discharged": "Nothing to mend here. Before work, wait longer than that all the same, and prove dead.",
    "slow_discharge": _OFF_FIRST
    + "measure the bleeder (open, or one of a pair open?) and count what hangs on the link. "
    "Until it is mended, wait the time shown here before any work, then prove dead.",
    "stays_live": "Treat the link as live. Isolate the pack by its service disconnect, then have the contactors tested for "
    "welded contacts, the bleeder for a break, and look for a second source on the link (charger, DC-DC converter "
    "that feeds back, a motor that still turns).",
}


def describe_fall(judged: JudgedFall) -> Words:
    """Put one judged fall into words."""
    sentences = [
        *_opened(judged),
        *_missing(judged),
        *_curve(judged),
        *_time(judged),
        *_constant(judged),
        *_verdict(judged),
    ]
    next_step = _NEXT.get(judged.kind) or (
        "Keep the log running after key-off, until the link is below 60 V"
        + (f" or for {seconds(judged.limit_s)}" if judged.limit is Limit.FILE else "")
        + ", with contactor states and pack voltage."
    )
    return Words(_title(judged), " ".join(sentences), next_step)


def begins_with(opening: Opening) -> str:
    """What times count from: no key is logged, only what the contactors do."""
    if opening.unlogged_s:
        return "first reading of the link"
    return "contactors open" if opening.told_by else "log begins"


def _after(opening: Opening) -> str:
    if opening.unlogged_s:
        return "after its first reading"
    return "after the contactors opened" if opening.told_by else "after the log begins"


def _title(judged: JudgedFall) -> str:
    fall, time, after = judged.fall, judged.time_to_safe, _after(judged.fall.opening)
    match judged.kind:
        case "discharged" if time is not None and fall.level_v > SAFE_V:
            how = "by active discharge" if judged.active else "by itself"
            return f"The link discharges {how}: {_span(judged, time)} {after}"
        case "discharged":
            return f"The link was at {fall.level_v:.0f} V when the contactors opened, not above 60 V"
        case "slow_discharge" if time is not None:
            return f"The link discharges too slowly: {_span(judged, time)} {after}"
        case "stays_live":
            return f"The link stays live: {fall.end_v:.0f} V, {seconds(fall.length_s)} {after}"
    if judged.has_hole:
        return (
            f"Discharge not determined: {seconds(fall.missing_s)} of {seconds(fall.length_s)} are missing from the log"
        )
    if fall.stopped is not None:
        return f"Active discharge of the link stopped at {fall.stopped.level_v:.0f} V; what follows is too short to extrapolate"
    return f"Discharge seen for {seconds(fall.length_s)}, too short to extrapolate"


def _span(judged: JudgedFall, time: Estimate) -> str:
    word = "60 V" if judged.fall.crossed else "60 V (extrapolated)"
    return f"{word} {_value(time)}" if not isinf(time.high) else f"{word} not before {seconds(time.low)}"


def _opened(judged: JudgedFall) -> list[str]:
    fall, opening = judged.fall, judged.fall.opening
    if not opening.told_by:
        return [
            "The log begins with the link charged, and no opening of a contactor is in view; times count from there."
        ]
    if opening.unlogged_s:
        return [
            f"The link's first reading comes {seconds(opening.unlogged_s)} after the "
            f"{opening.told_by.replace('_', ' ')} reported open, at {fall.level_v:.1f} V; times count from that "
            "reading."
        ]
    by = f"by the state of the {opening.told_by.replace('_', ' ')}" if opening.by_state else "by the voltage alone"
    return [
        f"The contactors opened ({by}, known to within {seconds(opening.high_s - opening.low_s)}) with the link at "
        f"{fall.level_v:.1f} V; {seconds(fall.length_s)} later it stood at {fall.end_v:.1f} V"
        + (", and was then charged again." if opening.restarted else ", where the log ends.")
    ]


def _missing(judged: JudgedFall) -> list[str]:
    fall = judged.fall
    if not fall.missing_s:
        return []
    told = f"{seconds(fall.missing_s)} of that are missing from the log."
    return [told + (" The link may have been charged and opened again in there." if judged.has_hole else "")]


def _curve(judged: JudgedFall) -> list[str]:
    fall, fit = judged.fall, judged.fall.fit
    if fit is None:
        return ["Too few samples lie in the fall to fit a curve."]
    if not fit.falls:
        return ["No fall is seen: the 95 % interval of its rate includes zero."]
    if fall.stopped is not None:
        return [
            f"An active discharge stopped at {fall.stopped.level_v:.0f} V, {seconds(fall.stopped.after_s)} "
            f"{_after(fall.opening)}; what follows is fitted alone."
        ]
    if fit.misfit:
        rest = "its last stretch is fitted alone" if fall.late is not fit else "its constant says little"
        return [f"No standard decay model fits the fall (a load that switches off on the way?); {rest}."]
    text = f"The fall is {fit.shape.value}, to {fit.residual_v:.2f} V (root mean square)."
    if fit.shape is Shape.RESTING and fit.rest is not None:
        text += f" That level is {fit.rest.value:.0f} V (95 % limits {fit.rest.low:.0f} to {fit.rest.high:.0f} V)."
    return [text]


def _time(judged: JudgedFall) -> list[str]:
    fall, time, late = judged.fall, judged.time_to_safe, judged.fall.late
    if time is None or max(fall.level_v, fall.end_v) <= SAFE_V:
        return []
    if isinf(time.high):
        told = f"at the 95 % limit of the rate, 60 V are not reached before {seconds(time.low)}"
        return [f"{told[0].upper()}{told[1:]}." if not isinf(time.low) else "It is not decaying towards 60 V."]
    limits = f"{_value(time)} (95 % limits {_between(time.low, time.high)})"
    if fall.crossed:
        return [f"It passed 60 V after {limits}, as the log shows."]
    how = late.shape.value if late is not None else "it began"
    extrapolated = [
        f"Time to 60 V, extrapolated as {how}: {limits}. The log does not show it: what follows may differ."
    ]
    if fall.differs > 1.0:
        extrapolated.append(
            f"The time constants of this link's falls differ by a factor of {number(fall.differs)}, so no single "
            "exponential holds; the interval allows for as much again."
        )
    return extrapolated


def _constant(judged: JudgedFall) -> list[str]:
    constant, expected = judged.constant, judged.expected_s
    if constant is None or isinf(constant.high):
        return []
    text = f"Time constant {_value(constant)}, 95 % limits {_between(constant.low, constant.high)}"
    if judged.capacitance_f:
        text += f"; {number(constant.value / judged.capacitance_f / 1e3)} kΩ discharges the link, for the configured capacitance"
    if expected is None:
        return [text + "."]
    low, high = expected * (1 - judged.tolerance), expected * (1 + judged.tolerance)
    text += f"; expected from bleeder · capacitance {seconds(expected)}, band {_between(low, high)}."
    if constant.claim_high < low and not judged.active:
        text += " It falls faster than the bleeder alone would make it: something else draws from the link, or capacitance is missing."
    return [text]


def _verdict(judged: JudgedFall) -> list[str]:
    told = [f"Judged by {seconds(judged.limit_s)} to 60 V ({judged.limit.value}); local rules come first."]
    fall = judged.fall
    if judged.active:
        told.append(
            "A fall this fast is an active discharge. For reference: makers' specification LV 123 (from memory) asks "
            f"{REFERENCE_ACTIVE_S:g} s to 60 V of it, and 60 V is the line to voltage class B of ISO 6469-3."
        )
    if judged.kind == "stays_live":
        if judged.at_pack:
            told.append("It stands at the pack's level: a contactor is welded, or nothing discharges the link.")
        elif judged.at_pack is False:
            told.append(
                f"That is not the pack's level ({fall.pack_v:.0f} V): a second source holds it, or nothing discharges it."
            )
        if fall.still:
            told.append(
                "No reading differs from the one before: a message that repeats an old value would look the same."
            )
    if judged.kind == "undetermined" and fall.late is not None and not fall.opening.restarted:
        told.append("The log ends before anything more can be said.")
    return told


def _between(low: float, high: float) -> str:
    """A range of durations, to the digits in which its ends differ."""
    scale, unit = (1e3, "ms") if abs(high) < 1.0 else (1.0, "s")
    apart = (high - low) * scale
    return f"{number(low * scale, apart)} to {number(high * scale, apart)} {unit}"


def _value(estimate: Estimate) -> str:
    """A duration to the digits that its limits leave."""
    scale, unit = (1e3, "ms") if abs(estimate.high) < 1.0 else (1.0, "s")
    return f"{number(estimate.value * scale, (estimate.high - estimate.low) * scale)} {unit}"
