"""Which findings are one event, rule by rule, of made findings; no published source: the project's own choice.

Two checks place the same switching up to 0.3 s apart (common practice, no published source).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from logscope.checks.merge_findings import merge_findings
from logscope.findings import Event, Finding, Measured, Severity


def found(kind: str, start_s: float, end_s: float, severity: Severity = Severity.WARNING, **fields: Any) -> Finding:
    texts: Any = {"title": kind, "explanation": f"Said by {kind}.", "next_step": f"Step of {kind}.", "parts": ()}
    return Finding(kind, severity, start_s, end_s, **{**texts, **fields})


def kinds(*findings: Finding) -> list[str]:
    return [finding.kind for finding in merge_findings(findings)]


@pytest.mark.parametrize(
    ("leading", "joined", "places", "one"),
    [
        # the same beginning, whenever they end
        ("dc_link.stays_live", "contactor.welded", (5.0, 9.0, 5.29, 30.0), True),
        ("dc_link.stays_live", "contactor.welded", (5.0, 9.0, 4.71, 30.0), True),
        ("dc_link.stays_live", "contactor.welded", (5.0, 9.0, 5.31, 30.0), False),
        ("dc_link.stays_live", "contactor.welded", (5.0, 9.0, 4.69, 30.0), False),
        # begins in a dropout
        *[
            ("contactor.dropout", kind, (5.0, 6.0, start_s, 30.0), one)
            for kind in (
                "precharge.bypassed",
                "precharge.closed_early",
                "precharge.undetermined",
                "contactor.opened_under_load",
            )
            for start_s, one in ((4.71, True), (4.69, False), (6.29, True), (6.31, False))
        ],
        # ends in one
        *[
            ("contactor.dropout", kind, (5.0, 6.0, 1.0, end_s), one)
            for kind in ("dc_link.discharged", "dc_link.undetermined")
            for end_s, one in ((4.71, True), (4.69, False), (6.29, True), (6.31, False))
        ],
        # overlap
        *[
            (of, other, (5.0, 6.0, *span), one)
            for of, other in (
                ("bus.node_restart", "capture.message_silent"),
                ("bus.node_absent", "capture.message_silent"),
                ("precharge.bypassed", "contactor.order"),
            )
            for span, one in (((6.29, 7.0), True), ((6.31, 7.0), False), ((4.0, 4.71), True), ((4.0, 4.69), False))
        ],
        # others are two events
        ("contactor.dropout", "precharge.complete", (5.0, 6.0, 5.5, 5.6), False),
        ("contactor.dropout", "dc_link.stays_live", (5.0, 6.0, 5.5, 5.6), False),
        ("dc_link.slow_discharge", "contactor.welded", (5.0, 9.0, 5.0, 9.0), False),
        ("precharge.closed_early", "contactor.order", (5.0, 6.0, 5.0, 6.0), False),
    ],
)
def test_findings_about_one_moment_are_one(leading: str, joined: str, places: Any, one: bool) -> None:
    first, second = found(leading, *places[:2]), found(joined, *places[2:])
    for pair in ((first, second), (second, first)):
        assert kinds(*pair) == ([leading] if one else [each.kind for each in pair])


def test_each_dropout_of_a_finding_may_be_that_of_another() -> None:
    drops = found("contactor.dropout", 5.0, 21.0, events=(Event(5.0, 6.0), Event(20.0, 21.0)))
    assert len(merge_findings([drops, found("precharge.bypassed", 20.5, 20.6)])) == 1
    assert len(merge_findings([drops, found("precharge.bypassed", 12.0, 12.1)])) == 2


def test_the_leading_finding_takes_over_what_the_other_measured_and_said() -> None:
    live = found(
        "dc_link.stays_live",
        5.0,
        9.0,
        method="By the fall.",
        parts=("dc_link_voltage",),
        measured={"level_V": Measured(1.0, "V")},
    )
    weld = found(
        "contactor.welded",
        5.1,
        9.0,
        explanation="The states report an open path.",
        method="By the pack.",
        caution="High voltage.",
        parts=("dc_link_voltage", "battery_voltage"),
        measured={
            "level_V": Measured(2.0, "V"),
            "seen_s": Measured(3.0, "s"),
            "seen_fall_V": Measured(4.0, "V"),
            "expected_fall_V": Measured(5.0, "V"),
            "correlation": Measured(0.9, "1"),
            "current_A": Measured(6.0, "A"),
        },
    )
    (one,) = merge_findings([live, weld])
    assert one.explanation == "Said by dc_link.stays_live. Contactors: the states report an open path."
    assert one.method == "By the fall. By the pack."
    assert one.next_step == "Step of contactor.welded."
    assert one.caution == "High voltage."
    assert one.parts == ("dc_link_voltage", "battery_voltage")
    assert {name: value.value for name, value in one.measured.items()} == {
        "level_V": 1.0, "seen_fall_V": 4.0, "expected_fall_V": 5.0, "correlation": 0.9, "current_A": 6.0,
    }  # fmt: skip
    assert (one.title, one.severity, one.start_s) == (live.title, live.severity, 5.0)
    own = replace(live, caution="Own.", cause="own")
    (kept,) = merge_findings([own, weld])
    assert (kept.caution, kept.cause) == ("Own.", "own")


@pytest.mark.parametrize(
    ("measured", "cause"),
    [
        ({"correlation": Measured(0.9, "1")}, "welded"),
        ({"correlation": Measured(None, "1")}, None),
        ({}, None),
        ({"correlation": Measured(None, "1"), "current_A": Measured(40.0, "A")}, "welded"),
    ],
)
def test_a_link_that_only_does_not_fall_may_have_lost_its_bleeder(measured: Any, cause: str | None) -> None:
    weld = found("contactor.welded", 5.0, 9.0, measured=measured)
    assert merge_findings([found("dc_link.stays_live", 5.0, 9.0), weld])[0].cause == cause


def test_several_joined_findings_keep_their_order_and_the_first_ones_values() -> None:
    drop = found("contactor.dropout", 5.0, 6.0)
    early, late = (
        found(
            "precharge.bypassed",
            at,
            7.0,
            measured={"step_V": Measured(volts, "V"), "other_V": Measured(9.0, "V")},
            method=f"At {at}.",
            explanation=f"The link jumped at {at}.",
        )
        for at, volts in ((5.1, 50.0), (5.9, 70.0))
    )
    (one,) = merge_findings([drop, early, late])
    assert (
        one.explanation
        == "Said by contactor.dropout. When it closed again: the link jumped at 5.1. The link jumped at 5.9."
    )
    assert one.measured == {"step_V": Measured(50.0, "V")}
    assert one.method == "At 5.1. At 5.9."
    assert one.next_step == "Step of contactor.dropout."


def test_what_only_repeats_adds_no_words() -> None:
    drop, load = found("contactor.dropout", 5.0, 6.0), found("contactor.opened_under_load", 5.0, 5.1, method="Method.")
    (one,) = merge_findings([drop, load])
    assert (one.explanation, one.method, one.measured) == (drop.explanation, drop.method, {})


LIMIT = {
    "motor_current_margin_A": Measured(-5.0, "A"), "motor_current_near_percent": Measured(1.0, "%"),
    "motor_current_near_count": Measured(2.0, "1"), "aux_min_margin_V": Measured(-1.0, "V"),
    "aux_min_near_percent": Measured(3.0, "%"), "aux_min_near_count": Measured(4.0, "1"),
    "aux_max_margin_V": Measured(-2.0, "V"), "aux_max_near_percent": Measured(5.0, "%"),
    "aux_max_near_count": Measured(6.0, "1"),
}  # fmt: skip


PASSED = (Event(5.0, 5.1),)


def margin(part: str, severity: Severity = Severity.DANGER, events: Any = PASSED) -> Finding:
    return found("limits.margin", 5.0, 5.1, severity, parts=(part,), events=events, measured=LIMIT)


@pytest.mark.parametrize(
    ("kind", "part", "said", "taken"),
    [
        ("trip.overcurrent", "motor_current", " Motor current: said by limits.margin.", "motor_current"),
        ("trip.other", "motor_current", " Motor current: said by limits.margin.", "motor_current"),
        ("aux.supply", "aux_voltage", "", "aux_"),
        ("aux.dip", "aux_voltage", "", "aux_"),
        ("charge.over_limit", "battery_voltage", "", "none of them"),
    ],
)
def test_a_limit_that_is_passed_in_an_event_is_part_of_it(kind: str, part: str, said: str, taken: str) -> None:
    leading = found(kind, 5.0, 5.2, Severity.DANGER, parts=(part,))
    (one,) = merge_findings([leading, margin(part)])
    assert one.explanation == f"Said by {kind}.{said}"
    assert set(one.measured) == {name for name in LIMIT if name.startswith(taken)}
    assert kinds(leading, margin(part, events=())) == [kind, "limits.margin"]  # passed nowhere


@pytest.mark.parametrize(
    ("leading", "passed", "one"),
    [
        (found("charge.over_limit", 5.0, 5.2, Severity.WARNING, parts=("battery_voltage",)), Severity.WARNING, True),
        (found("charge.over_limit", 5.0, 5.2, Severity.WARNING, parts=("battery_voltage",)), Severity.DANGER, False),
        (
            found("charge.over_limit", 5.0, 5.2, Severity.DANGER, parts=("cell_voltage", "battery_voltage")),
            Severity.DANGER,
            True,
        ),
        (found("charge.over_limit", 5.0, 5.2, Severity.DANGER, parts=("cell_voltage",)), Severity.DANGER, False),
    ],
)
def test_a_charge_takes_over_no_limit_that_is_graver_or_of_another_part(
    leading: Finding, passed: Severity, one: bool
) -> None:
    assert len(merge_findings([leading, margin("battery_voltage", passed)])) == (1 if one else 2)


@pytest.mark.parametrize(("severity", "one"), [(Severity.WARNING, True), (Severity.INFO, False)])
def test_only_a_warning_of_the_12_v_side_takes_over_its_limit(severity: Severity, one: bool) -> None:
    leading = found("aux.supply", 5.0, 5.2, severity, parts=("aux_voltage",))
    assert len(merge_findings([leading, margin("aux_voltage")])) == (1 if one else 2)


@pytest.mark.parametrize(
    ("part", "severity", "one"),
    [
        ("motor_current", Severity.WARNING, True), ("motor_current", Severity.INFO, False),
        ("battery_voltage", Severity.DANGER, False),
    ],
)  # fmt: skip
def test_a_current_that_passed_its_limit_takes_over_what_came_near(part: str, severity: Severity, one: bool) -> None:
    near = found(
        "trip.near",
        50.0,
        51.0,
        Severity.INFO,
        measured={"peak_current_A": Measured(348.0, "A"), "count": Measured(3.0, "1")},
    )
    merged = merge_findings([margin(part, severity), near])
    assert len(merged) == (1 if one else 2)
    if one:
        assert merged[0].measured == {**LIMIT, "peak_current_A": Measured(348.0, "A")}
        assert merged[0].explanation == "Said by limits.margin."
