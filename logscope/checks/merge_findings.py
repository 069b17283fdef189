"""One event is reported once: findings of several checks about the same moment are joined under the one that leads.

Each check judges by itself and knows nothing of the others. What the joined finding measured and explained goes over
to the leading one, under its own names.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from logscope.findings import Event, Finding, Severity
from logscope.observations.trips.events import TRIP_S

# Two checks place the same switching by different signals: apart by a state's lag and its message period, 10 Hz
# messages on both sides (common practice, no published source).
SAME_WITHIN_S = 0.3


@dataclass(frozen=True, slots=True)
class _Rule:
    """`leading` takes over each of `joined` that `same` finds to be the same event.

    lead_in : what its explanation is led in by, not taken over where empty; values : measured ones that are taken over
    takes_step : whether the next step is; cause : what the leading finding is put down to, as the joined one shows
    """

    leading: str
    joined: tuple[str, ...]
    same: Callable[[Finding, Finding], bool]
    lead_in: str = ""
    values: tuple[str, ...] = ()
    takes_step: bool = False
    cause: Callable[[Finding], str | None] = lambda _: None


def merge_findings(findings: Sequence[Finding]) -> list[Finding]:
    """The findings with every event reported once."""
    merged = list(findings)
    for rule in _RULES:
        for leading in [finding for finding in merged if finding.kind == rule.leading]:
            same = [f for f in merged if f.kind in rule.joined and rule.same(leading, f)]
            if same:
                merged = [f for f in merged if f not in same]
                merged[merged.index(leading)] = _joined(leading, same, rule)
    return merged


def _joined(leading: Finding, same: Sequence[Finding], rule: _Rule) -> Finding:
    measured = {k: value for finding in reversed(same) for k, value in finding.measured.items() if k in rule.values}
    texts = [f"{rule.lead_in} {_after_colon(same[0].explanation)}"] if rule.lead_in else []
    texts += [finding.explanation for finding in same[1:]] if rule.lead_in else []
    causes = [cause for finding in same if (cause := rule.cause(finding)) is not None]
    return replace(
        leading,
        explanation=" ".join([leading.explanation, *texts]),
        method=" ".join(filter(None, [leading.method, *(finding.method for finding in same if rule.lead_in)])),
        next_step=same[0].next_step if rule.takes_step else leading.next_step,
        caution=leading.caution or next((finding.caution for finding in same if finding.caution), ""),
        cause=leading.cause or next(iter(causes), None),
        measured={**leading.measured, **{k: v for k, v in measured.items() if k not in leading.measured}},
        parts=tuple(dict.fromkeys([*leading.parts, *(part for finding in same for part in finding.parts)])),
    )


def _after_colon(text: str) -> str:
    """A sentence as it continues one: 'The limit' as 'the limit', while 'DC link' stays."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def _spans(finding: Finding) -> tuple[Event, ...]:
    return finding.events or (Event(finding.start_s, finding.end_s),)


def _overlap(leading: Finding, other: Finding, within_s: float = SAME_WITHIN_S) -> bool:
    """Whether every episode of the other lies about one of the leading."""
    return all(
        any(
            span.start_s <= event.end_s + within_s and event.start_s <= span.end_s + within_s
            for event in _spans(leading)
        )
        for span in _spans(other)
    )


def _starts_in(leading: Finding, other: Finding) -> bool:
    return any(
        event.start_s - SAME_WITHIN_S <= other.start_s <= event.end_s + SAME_WITHIN_S for event in _spans(leading)
    )


def _ends_in(leading: Finding, other: Finding) -> bool:
    return any(event.start_s - SAME_WITHIN_S <= other.end_s <= event.end_s + SAME_WITHIN_S for event in _spans(leading))


def _starts_alike(leading: Finding, other: Finding) -> bool:
    return abs(leading.start_s - other.start_s) <= SAME_WITHIN_S


def _welded(finding: Finding) -> str | None:
    """A link that merely does not fall may have lost its bleeder as well."""
    shown = finding.measured.get("correlation")
    follows = shown is not None and shown.value is not None
    return "welded" if follows or "current_A" in finding.measured else None


def _passed_in(leading: Finding, other: Finding) -> bool:
    """Whether the motor current passed its limit in this trip alone."""
    return other.parts[:1] == ("motor_current",) and bool(other.events) and _overlap(leading, other, TRIP_S)


def _out_of_oscillation(leading: Finding, _: Finding) -> bool:
    """Whether an oscillation led to the trip, too short for the check that searches the whole log for one."""
    return leading.cause == "oscillation"


def _current_passed(leading: Finding, other: Finding) -> bool:
    """Whether the motor current passed its limit: what came near it has been said with that."""
    return leading.parts[:1] == ("motor_current",) and leading.severity.rank > Severity.INFO.rank


def _passed_while_charging(leading: Finding, other: Finding) -> bool:
    """Whether a limit was passed in this charge alone."""
    as_severe = leading.severity.rank >= other.severity.rank
    of_it = other.parts[:1] != () and other.parts[0] in leading.parts and bool(other.events)
    return as_severe and of_it and _overlap(leading, other)


def _same_supply(leading: Finding, other: Finding) -> bool:
    """Whether the 12 V side passed its stated limit in what the leading finding is a warning of."""
    passed = other.parts[:1] == ("aux_voltage",) and bool(other.events)
    return passed and leading.severity.rank >= Severity.WARNING.rank and _overlap(leading, other)


_OF_SUPPLY = tuple(
    f"{name}_{ending}" for name in ("aux_min", "aux_max") for ending in ("margin_V", "near_percent", "near_count")
)
_OF_CURRENT = ("motor_current_margin_A", "motor_current_near_percent", "motor_current_near_count")
_RULES = (
    _Rule("charge.over_limit", ("limits.margin",), _passed_while_charging),
    _Rule("aux.supply", ("limits.margin",), _same_supply, values=_OF_SUPPLY),
    _Rule("aux.dip", ("limits.margin",), _same_supply, values=_OF_SUPPLY),
    _Rule("trip.overcurrent", ("limits.margin",), _passed_in, lead_in="Motor current:", values=_OF_CURRENT),
    _Rule("trip.other", ("limits.margin",), _passed_in, lead_in="Motor current:", values=_OF_CURRENT),
    _Rule("trip.overcurrent", ("current_control.calm",), _out_of_oscillation),
    _Rule("limits.margin", ("trip.near",), _current_passed, values=("peak_current_A",)),
    _Rule(
        "dc_link.stays_live",
        ("contactor.welded",),
        _starts_alike,
        lead_in="Contactors:",
        values=("level_V", "seen_fall_V", "expected_fall_V", "correlation", "current_A"),
        takes_step=True,
        cause=_welded,
    ),
    _Rule(
        "contactor.dropout",
        ("precharge.bypassed", "precharge.closed_early", "precharge.undetermined"),
        _starts_in,
        lead_in="When it closed again:",
        values=("step_V", "fraction_at_close", "close_difference_V", "inrush_bound_A"),
    ),
    _Rule("contactor.dropout", ("contactor.opened_under_load",), _starts_in),
    _Rule("contactor.dropout", ("dc_link.discharged", "dc_link.undetermined"), _ends_in),
    _Rule("bus.node_restart", ("capture.message_silent",), _overlap),
    _Rule("bus.node_absent", ("capture.message_silent",), _overlap),
    _Rule("precharge.bypassed", ("contactor.order",), _overlap, lead_in="Order of the contactors:"),
)
