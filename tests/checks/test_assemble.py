"""A finding put together: its span, its events and its parts, by hand."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words
from logscope.findings import CAUTION_HV, Event, Evidence, Finding, Measured, Severity

Spans = list[tuple[float, float]]


def made(spans: Spans, *, counted: bool = False, hv: bool = True, logged: tuple[str, ...] | None = None) -> Finding:
    words = Words("title", "explanation", "next", hands_near_hv=hv)
    parts = ("brake", "throttle")
    return assemble("throttle.noise", Severity.INFO, words, spans, {}, parts, logged, counted=counted)


@pytest.mark.parametrize(
    ("spans", "counted", "span", "events"),
    [
        ([(1.0, 2.0)], False, (1.0, 2.0), 0),
        ([(1.0, 2.0)], True, (1.0, 2.0), 1),
        ([(1.0, 2.0), (3.0, 4.0)], False, (1.0, 4.0), 2),
        ([(1.0, 9.0), (3.0, 4.0)], False, (1.0, 9.0), 2),  # the one that begins first ends last
    ],
)
def test_a_finding_lasts_from_its_first_episode_to_the_end_of_the_one_that_ends_last(
    spans: Spans, counted: bool, span: tuple[float, float], events: int
) -> None:
    finding = made(spans, counted=counted)
    assert (finding.start_s, finding.end_s) == span
    assert [(event.start_s, event.end_s) for event in finding.events] == spans[:events]


def test_only_logged_parts_are_named_and_the_caution_stands_where_hands_go_near_high_voltage() -> None:
    assert made([(0.0, 1.0)]).parts == ("brake", "throttle")
    assert made([(0.0, 1.0)], logged=("throttle",)).parts == ("throttle",)
    assert made([(0.0, 1.0)]).caution == CAUTION_HV
    assert made([(0.0, 1.0)], hv=False).caution == ""


def test_every_field_of_a_finding_comes_from_where_it_is_given() -> None:
    words = Words("title", "explanation", "next", hands_near_hv=False, method="method")
    measured, expected = {"a_V": Measured(1.0, "V")}, {"b_V": Measured(2.0, "V")}
    evidence = Evidence(window=(1.0, 9.0))
    found = assemble(
        "k.k", Severity.DANGER, words, [(2, 3), (4, 5)], measured, ("p", "q", "r"), {"r", "p"}, evidence, expected,
        "cause",
    )  # fmt: skip
    assert asdict(found) == asdict(Finding(
        kind="k.k", severity=Severity.DANGER, start_s=2.0, end_s=5.0, title="title", explanation="explanation",
        method="method", next_step="next", caution="", parts=("p", "r"), cause="cause", measured=measured,
        expected=expected, events=(Event(2.0, 3.0), Event(4.0, 5.0)), evidence=evidence,
    ))  # fmt: skip
    plain = assemble("k.k", Severity.GOOD, Words("t", "e", "n"), [(0, 1)], {}, ())
    assert (plain.expected, plain.cause, plain.events) == ({}, None, ())
    assert asdict(plain.evidence) == asdict(Evidence())
    assert isinstance(plain.start_s, float)
