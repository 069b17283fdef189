"""The texts of the discharge findings."""

from __future__ import annotations

from math import isinf

from logscope.checks.discharge.judge import JudgedDischarge, Limit
from logscope.checks.wording import Words, number, seconds
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate
from logscope.findings import Measured
from logscope.observations.dc_link.openings import Opening
from logscope.physics.discharge import REFERENCE_ACTIVE_S, SAFE_V
from logscope.quantities import quantity_text

_DAY_S = 86_400.0  # a decay that is as good as none is not extrapolated to years
_OFF_FIRST = "With the power off, isolated and proven dead: "
_NEXT = {
    "discharged": "Nothing to do. Even so, before any work wait longer than that, and prove dead.",
    "slow_discharge": (
        f"{_OFF_FIRST}measure the bleeder (open, or one of a pair open?) and count what is connected to the link. "
        "Until it is repaired, wait the time shown here before any work, then prove dead."
    ),
    "stays_live": (
        "Treat the link as live. Isolate the pack by its service disconnect. "
        f"{_OFF_FIRST}have the contactors tested for welded contacts and the bleeder for a break, and look for a "
        "second source on the link (charger, DC-DC converter that feeds back, a motor that still turns)."
    ),
}


def describe_discharge(judged: JudgedDischarge) -> Words:
    """Put one judged fall into words."""
    next_step = _NEXT.get(judged.kind) or (
        "Keep the log running after key-off, until the link is below 60 V"
        + (f" or for {seconds(judged.limit_s)}" if judged.limit is Limit.FILE else "")
        + ", with contactor states and pack voltage."
    )
    return Words(
        _title(judged),
        " ".join([*_opened(judged), *_missing(judged), *_time(judged), *_verdict(judged)]),
        next_step,
        method=" ".join([*_how_seen(judged), *_curve(judged), *_constant(judged), *_references(judged)]),
    )


def begins_with(opening: Opening) -> str:
    """What times count from: no key is logged, only what the contactors do."""
    if opening.unlogged_s:
        return "first reading of the link"
    return "contactors open" if opening.shown_by else "log begins"


def _after(opening: Opening) -> str:
    if opening.unlogged_s:
        return "after its first reading"
    return "after the contactors opened" if opening.shown_by else "after the log begins"


def _title(judged: JudgedDischarge) -> str:
    fall, time, after = judged.fall, judged.time_to_safe, _after(judged.fall.opening)
    match judged.kind:
        case "discharged" if time is not None and fall.level_v > SAFE_V:
            how = "actively" if judged.active else "by itself"
            return f"DC link discharges {how}: {_span(judged, time)} {after}"
        case "discharged":
            return f"DC link at {fall.level_v:.0f} V when the contactors opened, not above 60 V"
        case "slow_discharge" if time is not None:
            return f"DC link discharges too slowly: {_span(judged, time)} {after}"
        case "stays_live":
            return f"DC link stays live: {fall.end_v:.0f} V, {seconds(fall.length_s)} {after}"
    if judged.has_hole:
        lost = f"{seconds(fall.missing_s)} of {seconds(fall.length_s)}"
        return f"DC link: discharge cannot be determined, {lost} are missing from the log"
    if fall.stopped is not None:
        stopped = f"{fall.stopped.level_v:.0f} V"
        return f"DC link: active discharge stopped at {stopped}; what follows is too short to extrapolate"
    return f"DC link: discharge logged for {seconds(fall.length_s)}, too short to extrapolate"


def _span(judged: JudgedDischarge, time: Estimate) -> str:
    word = "60 V" if judged.fall.crossed else "60 V (extrapolated)"
    return f"{word} {_value(time)}" if not isinf(time.high) else f"{word} {_not_before(time)}"


def _not_before(time: Estimate) -> str:
    return f"not before {seconds(time.low)}" if time.low <= _DAY_S else "not within a day"


def _opened(judged: JudgedDischarge) -> list[str]:
    fall, opening = judged.fall, judged.fall.opening
    if not opening.shown_by:
        return [f"The log begins with the link at {fall.level_v:.1f} V and no contactor opening in view."]
    if opening.unlogged_s:
        return [
            f"The link's first reading, {fall.level_v:.1f} V, comes {seconds(opening.unlogged_s)} after the "
            f"{opening.shown_by.replace('_', ' ')} reported open."
        ]
    return [
        f"The link stood at {fall.level_v:.1f} V when the contactors opened and at {fall.end_v:.1f} V "
        f"{seconds(fall.length_s)} "
        "later" + (", then was charged again." if opening.restarted else ", where the log ends.")
    ]


def _how_seen(judged: JudgedDischarge) -> list[str]:
    opening = judged.fall.opening
    if not opening.shown_by:
        return ["Times count from the beginning of the log."]
    if opening.unlogged_s:
        return ["Times count from that reading."]
    by = f"by the state of the {opening.shown_by.replace('_', ' ')}" if opening.by_state else "by the voltage alone"
    return [f"The opening is seen {by}, to within {seconds(opening.high_s - opening.low_s)}."]


def _missing(judged: JudgedDischarge) -> list[str]:
    fall = judged.fall
    if not fall.missing_s:
        return []
    lost = f"{seconds(fall.missing_s)} of that are missing from the log."
    return [lost + (" The link may have been charged and opened again meanwhile." if judged.has_hole else "")]


def _curve(judged: JudgedDischarge) -> list[str]:
    fall, fit = judged.fall, judged.fall.fit
    if fit is None:
        return ["Too few samples to fit a curve."]
    if not fit.falls:
        if fit.rate.low > 0:  # a claim wants more
            return ["A fall is hardly seen: in one case of a thousand such readings come from a level."]
        return ["No fall is seen: the 95 % interval of its rate includes zero."]
    if fall.stopped is not None:
        return [
            f"An active discharge stopped at {fall.stopped.level_v:.0f} V, {seconds(fall.stopped.after_s)} "
            f"{_after(fall.opening)}; what follows is fitted alone."
        ]
    if fit.misfit:
        rest = "its last stretch is fitted alone" if fall.late is not fit else "its time constant means little"
        return [f"No standard decay model fits, perhaps a load switches off on the way; {rest}."]
    text = f"The fall is {fit.shape.value}, residual {fit.residual_v:.2f} V (root mean square)."
    if fit.shape is Shape.RESTING and fit.rest is not None:
        text += f" That level is {_limits(fit.rest, 'V')}."
    return [text]


def _time(judged: JudgedDischarge) -> list[str]:
    fall, time, late = judged.fall, judged.time_to_safe, judged.fall.late
    if time is None or max(fall.level_v, fall.end_v) <= SAFE_V:
        return []
    if isinf(time.high) and isinf(time.low):
        return ["It is not decaying towards 60 V."] if judged.kind == "stays_live" else []
    if isinf(time.high):
        return [f"60 V: {_not_before(time)}."]
    if fall.crossed:
        return [f"It passed 60 V after {_limits(time)}."]
    how = late.shape.value if late is not None else "it began"
    said = [f"Time to 60 V, extrapolated as {how}: {_limits(time)}."]
    if fall.differs > 1.0:
        said.append(
            f"The time constants of this link's falls differ by a factor of {number(fall.differs)}, so no single "
            "exponential holds; the interval allows for as much again."
        )
    return said


def _constant(judged: JudgedDischarge) -> list[str]:
    constant, expected = judged.constant, judged.expected_s
    if constant is None or isinf(constant.high):
        return []
    text = f"Time constant {_limits(constant)}"
    if judged.capacitance_f:
        ohm = quantity_text(Measured(constant.value / judged.capacitance_f, "ohm"))
        text += f"; {ohm} discharges the link, for the configured capacitance"
    if expected is None:
        return [f"{text}."]
    low, high = expected * (1 - judged.tolerance), expected * (1 + judged.tolerance)
    band = quantity_text(Measured(None, "s", low, high))
    text += f"; expected {band} from bleeder and capacitance."
    if constant.claim_high < low and not judged.active:
        text += " Faster than the bleeder alone: something else draws from the link, or capacitance is missing."
    return [text]


def _verdict(judged: JudgedDischarge) -> list[str]:
    said, fall = [], judged.fall
    if judged.kind == "stays_live":
        if judged.at_pack:
            said.append("It stands at the pack's level: a contactor is welded, or nothing discharges the link.")
        elif judged.at_pack is False:
            said.append(
                f"That is not the pack's level ({fall.pack_v:.0f} V): a second source holds it, or nothing "
                "discharges it."
            )
        if fall.still:
            said.append(
                "No reading differs from the one before: a message that repeats an old value would look the same."
            )
    return said


def _references(judged: JudgedDischarge) -> list[str]:
    said = [f"Judged by {seconds(judged.limit_s)} to 60 V ({judged.limit.value}); local rules come first."]
    if judged.active:
        said.append(
            "A fall this fast is an active discharge. For reference: the makers' specification LV 123 (from memory) "
            f"requires 60 V within {REFERENCE_ACTIVE_S:g} s; above 60 V begins voltage class B of ISO 6469-3."
        )
    return said


def _limits(estimate: Estimate, unit: str = "s") -> str:
    return quantity_text(Measured(estimate.value, unit, estimate.low, estimate.high))


def _value(estimate: Estimate) -> str:
    """A duration to the digits that its limits leave."""
    return _limits(estimate).partition(" (")[0]
