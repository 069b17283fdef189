"""Which outcome a precharge is: the rules in their order, each where it begins to hold; numbers of Hazel by hand.

Expected from v(t) = V − (V − V0)·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log
from types import SimpleNamespace
from typing import Any

import pytest
from precharge_pieces import ATTEMPT, HAZEL, RC_S, about, closed, fitted, measured, sound

from logscope.checks.precharge import judge
from logscope.checks.precharge.compare import Constant, Verdict
from logscope.checks.precharge.measure import Measurement
from logscope.observations.dc_link.link import Link, PackLevel
from logscope.vehicle import Precharge, Vehicle

FAST, SLOW, OPEN = (
    Constant(v, about(s)) for v, s in ((Verdict.FAST, 0.06), (Verdict.SLOW, 0.27), (Verdict.OPEN, 0.17))
)
HELD = replace(ATTEMPT, relay_s=1.0, relay_end_s=1.8)  # for more than five constants
BRIEF = replace(ATTEMPT, relay_s=1.0, relay_end_s=1.3)  # for two
LOW = {"reached_v": 210.0, "top_v": 210.0, "fit": fitted(tau_s=0.09, end=about(210.0))}
NO_PACK = {"pack": None}
NO_MATTER: Any = None


@pytest.mark.parametrize(
    ("fields", "given", "kind"),
    [
        ({}, {}, "complete"),
        ({}, {"constant": SLOW}, "slow"),
        ({}, {"constant": FAST}, "fast"),
        ({}, {"constant": OPEN}, "undetermined"),
        ({}, {"constant": None}, "undetermined"),
        ({"inside": 2}, {"constant": SLOW}, "undetermined"),
        ({"inside": 2}, {"constant": FAST}, "undetermined"),
        ({"inside": 3}, {"constant": SLOW}, "slow"),
        ({"inside": 2}, {}, "complete"),
        # a hot restart, from 332.5 V on
        ({"start_v": 333.0}, {"constant": None}, "complete"),
        ({"start_v": 333.0}, {"constant": FAST}, "complete"),
        ({"start_v": 333.0, "inside": 3}, {"constant": SLOW}, "slow"),
        ({"start_v": 333.0, "inside": 2}, {"constant": SLOW}, "complete"),
        ({"start_v": 333.0}, {"jumped": True, "bound_s": 0.01}, "complete"),
        # a bound alone: below a fifth of 150 ms, and sooner than 0.12 s · ln 20 = 0.359 s
        ({"rise_s": 0.1}, {"constant": None, "bound_s": 0.029}, "bypassed"),
        ({"rise_s": 0.1}, {"constant": None, "bound_s": 0.031}, "undetermined"),
        ({"rise_s": 0.358}, {"constant": None, "bound_s": 0.029}, "bypassed"),
        ({"rise_s": 0.361}, {"constant": None, "bound_s": 0.029}, "undetermined"),
        ({"rise_s": 0.1}, {"constant": None, "bound_s": 0.0049, "expected_s": None}, "bypassed"),  # without R·C: 5 ms
        ({"rise_s": 0.1}, {"constant": None, "bound_s": 0.0051, "expected_s": None}, "undetermined"),
        # three noises of 0.5 V below the threshold of 332.5 V: the top is taken for as high
        ({"rise_s": 0.1, "top_v": 331.5}, {"constant": None, "bound_s": 0.02}, "bypassed"),
        ({"rise_s": 0.1, "top_v": 330.5}, {"bound_s": 0.02}, "complete"),
        # without the pack's voltage 0.1 s of it may lead as far as 344 V · (1 − exp(−0.1/0.12)) = 194.5 V
        ({"rise_s": 0.1, "top_v": 194.0, **NO_PACK}, {"constant": None, "bound_s": 0.02}, "undetermined"),
        ({"rise_s": 0.1, "top_v": 196.0, **NO_PACK}, {"constant": None, "bound_s": 0.02}, "bypassed"),
        # a load that starts and stops
        ({"attempt": replace(ATTEMPT, saws=1), "top_v": 330.5}, {}, "stalled"),
        ({"attempt": replace(ATTEMPT, saws=1), "top_v": 331.5}, {}, "complete"),
        ({"attempt": replace(ATTEMPT, saws=1), "top_v": 330.5, **NO_PACK}, {}, "stalled"),
        ({"attempt": replace(ATTEMPT, saws=1), "top_v": 330.5, "closing": closed(340.0, 345.0)}, {}, "complete"),
        # a closing below the threshold: 331 V and three noises are as high
        ({"closing": closed(300.0, 310.0)}, {}, "closed_early"),
        ({"closing": closed(300.0, 331.1)}, {}, "complete"),
        ({"closing": closed(300.0, 330.9)}, {}, "undetermined"),
        ({"closing": closed(300.0, 330.9)}, {"jumped": True}, "bypassed"),
        ({"closing": closed(300.0, 310.0)}, {"jumped": True}, "closed_early"),
        # 311.5 V charge on for stamps and a period: after 0.11 s to 331.5 V, after 0.12 s to 332.7 V
        ({"closing": closed(300.0, 310.0), "unsure_s": 0.1}, {}, "closed_early"),
        ({"closing": closed(300.0, 310.0), "unsure_s": 0.11}, {}, "undetermined"),
        ({"closing": closed(300.0, 310.0), **NO_PACK}, {}, "complete"),
        ({}, {"jumped": True}, "bypassed"),
        # below the threshold without a closing
        (LOW, {}, "stalled"),
        ({**LOW, "settled": False}, {}, "interrupted"),
        ({**LOW, "attempt": replace(ATTEMPT, ended_by="log end"), "settled": False}, {}, "undetermined"),
        ({**LOW, "attempt": replace(ATTEMPT, ended_by="log end")}, {}, "stalled"),
        ({**LOW, "inside": 2}, {}, "undetermined"),
        ({**LOW, "inside": 3}, {}, "stalled"),
        ({**LOW, "inside": 2, "attempt": HELD}, {}, "stalled"),
        ({**LOW, "attempt": BRIEF}, {"bound_s": 0.08}, "interrupted"),
        ({**LOW, "attempt": HELD}, {"bound_s": 0.08}, "stalled"),
        ({**LOW, "attempt": HELD}, {"bound_s": 0.071}, "interrupted"),  # 0.6 of 0.12 s
        ({**LOW, "attempt": HELD}, {"bound_s": 0.073}, "stalled"),
        ({**LOW, "reached_v": 329.0, "top_v": 349.0}, {}, "complete"),
        ({**LOW, "reached_v": 332.0, "top_v": 330.0}, {}, "complete"),
        ({**LOW, "closing": closed(340.0, 345.0)}, {}, "complete"),
        # no pack's voltage: the emptiest needs 0.95 · 240 V = 228 V
        ({"fit": fitted(end=about(222.0)), **NO_PACK}, {}, "stalled"),
        ({"fit": fitted(end=about(222.0)), "closing": closed(200.0, 210.0), **NO_PACK}, {}, "complete"),
        ({"fit": fitted(end=about(222.0)), "settled": False, **NO_PACK}, {}, "complete"),
        ({"fit": fitted(end=about(224.0)), **NO_PACK}, {}, "complete"),  # its claim reaches 228.5 V
        ({"attempt": replace(ATTEMPT, stayed_open=True), **NO_PACK}, {}, "undetermined"),
        ({"attempt": replace(ATTEMPT, stayed_open=True), "settled": False, **NO_PACK}, {}, "complete"),
        ({"attempt": replace(ATTEMPT, stayed_open=True)}, {}, "complete"),
        ({"top_v": 330.0, "settled": False, **NO_PACK}, {}, "interrupted"),
        ({"top_v": 341.6, "settled": False, **NO_PACK}, {}, "complete"),  # 343 V less three noises
        ({"top_v": 341.4, "settled": False, **NO_PACK}, {}, "interrupted"),
        ({"top_v": 330.0, "settled": False, "inside": 4, **NO_PACK}, {}, "undetermined"),
        ({"top_v": 330.0, "settled": False, "inside": 5, **NO_PACK}, {}, "interrupted"),
        (
            {"top_v": 330.0, "settled": False, "attempt": replace(ATTEMPT, ended_by="log end"), **NO_PACK},
            {},
            "undetermined",
        ),
        # the pack by the link alone
        ({"pack_by_link": True, "fit": fitted(end=about(222.0))}, {}, "undetermined"),
        ({"fit": fitted(end=about(222.0))}, {}, "complete"),
        ({"pack_by_link": True}, {}, "complete"),
        # fast, and nothing shows the pack but a level of 0.95 · 344 V = 326.8 V or more
        ({"fit": fitted(end=about(330.0)), "pack_by_link": True}, {"constant": FAST}, "undetermined"),
        ({"fit": fitted(end=about(336.0)), "pack_by_link": True}, {"constant": FAST}, "fast"),
        ({"fit": fitted(end=about(330.0)), **NO_PACK}, {"constant": FAST}, "undetermined"),
        ({"fit": fitted(end=about(330.0))}, {"constant": FAST}, "fast"),
        ({"fit": fitted(end=about(330.0)), **NO_PACK}, {"constant": SLOW}, "slow"),
    ],
)
def test_the_rules_in_their_order(fields: dict[str, Any], given: dict[str, Any], kind: str) -> None:
    usual = {"constant": sound(), "bound_s": None, "jumped": False, "expected_s": RC_S}
    found = judge._kind(measured(**fields), **{**usual, **given}, vehicle=HAZEL, noise_v=0.5, period_s=0.01)
    assert found == kind


@pytest.mark.parametrize(
    ("verdict", "high_v", "kind"),
    [(Verdict.OPEN, 300.0, "undetermined"), (Verdict.SLOW, 300.0, "closed_early"), (None, 300.0, "undetermined")],
)
def test_a_closing_below_the_threshold_may_be_a_lagging_reading(
    verdict: Verdict | None, high_v: float, kind: str
) -> None:
    """A link as expected would be at 350 V · (1 − exp(−0.55 s/0.12 s)) = 346 V by the end of the closing."""
    m = measured(closing=closed(290.0, high_v), fit=fitted(explained_behind_lag=lambda *_, few_do: few_do))
    constant = None if verdict is None else Constant(verdict, about(0.17))
    assert judge._kind(m, constant, None, False, RC_S, HAZEL, 1.0, 0.01) == kind


class Asked:
    """Whether a sound link behind a lag explains the curve: yes, and what it was asked."""

    def __init__(self, answer: bool = True) -> None:
        self.answer, self.links = answer, list[Any]()

    def __call__(self, link: Any, *, few_do: bool = False) -> bool:
        self.links.append((link.low_s, link.high_s, link.closes_after, link.closes_by, few_do))
        return self.answer


@pytest.mark.parametrize(
    ("fields", "early"),
    [
        ({"closing": closed(296.0, 300.0)}, True),  # a tenth below the threshold: 0.85 · 350 V = 297.5 V
        ({"closing": closed(298.0, 300.0)}, False),
        ({"closing": closed(296.0, 300.0), "start_v": 296.0}, True),
        ({"closing": closed(296.0, 300.0), "start_v": 298.0}, False),
        ({"closing": closed(296.0, 300.0), "pack": None}, False),
        ({}, False),
    ],
)
def test_a_contactor_may_have_closed_far_too_early_where_the_curve_allows_it(fields: Any, early: bool) -> None:
    asked = Asked()
    m = measured(fit=fitted(explained_behind_lag=asked), **fields)
    assert judge._may_close_far_too_early(m, RC_S, HAZEL.precharge) is early
    assert not judge._may_close_far_too_early(measured(fit=None, **fields), RC_S, HAZEL.precharge)
    if early:
        by = log((350.0 - m.start_v) / 52.5)  # from its start to 297.5 V
        assert asked.links == [pytest.approx((0.12, 0.18, 0.0, by, True))]
        judge._may_close_far_too_early(m, None, HAZEL.precharge)  # without R·C the fitted limits stand for it
        assert asked.links[1] == pytest.approx((0.1485, 0.1515, 0.0, by, True))
        asked.answer = False
        assert not judge._may_close_far_too_early(m, RC_S, HAZEL.precharge)


@pytest.mark.parametrize(
    ("low_v", "too_fast", "expected_s", "may"),
    [
        (332.0, None, RC_S, True),
        (333.0, None, RC_S, False),
        (332.0, 0.05, RC_S, False),  # readings of an open contactor show that it is fast
        (332.0, None, None, False),
    ],
)
def test_a_fast_link_may_be_a_contactor_that_closed_on_the_way(
    low_v: float, too_fast: float | None, expected_s: float | None, may: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "_too_fast", lambda *_: too_fast)
    asked = Asked()
    m = measured(closing=closed(low_v, 349.0), fit=fitted(explained_behind_lag=asked))
    assert judge._may_close_on_the_way(NO_MATTER, m, expected_s, HAZEL.precharge) is may
    if may:
        ((low_s, high_s, after, by, few_do),) = asked.links
        assert (low_s, high_s, after, few_do) == (pytest.approx(0.12), pytest.approx(0.18), 0.0, True)
        assert by == inf
    assert not judge._may_close_on_the_way(NO_MATTER, replace(m, fit=None), expected_s, HAZEL.precharge)


def test_a_closing_behind_a_lag_is_at_the_voltage_of_the_constant_that_is_the_links() -> None:
    """The slower one says 300 to 310 V, the faster one 340 to 342 V; the closing lies between 1.50 and 1.55 s."""
    slower, faster = about(0.15), about(0.02)

    def limits(at_s: float, *, faster: bool) -> tuple[float, float]:
        low_v = (340.0 if faster else 300.0) + (1.0 if at_s > 1.52 else 0.0)
        return low_v, low_v + (1.0 if faster else 9.0)

    fit = fitted(lag=faster, link_voltage_limits=limits)
    m = measured(closing=closed(1.0, 2.0, step_v=5.0))
    for constant, low_v, high_v in (
        (Constant(Verdict.SLOW, slower), 300.0, 310.0),
        (Constant(Verdict.FAST, faster), 340.0, 342.0),
        (Constant(Verdict.IN_BAND, slower, either=True), 300.0, 342.0),
        (Constant(Verdict.OPEN, None), 300.0, 342.0),
    ):
        found = judge._closing_by(constant, fit, m).closing
        assert found is not None
        assert (found.low_v, found.high_v, found.start_s, found.step_v) == (low_v, high_v, 1.5, 5.0)
    assert judge._closing_by(Constant(Verdict.SLOW, slower), fitted(link_voltage_limits=limits), m) is m
    unseen = measured()
    assert judge._closing_by(Constant(Verdict.SLOW, slower), fit, unseen) is unseen


def link(period_s: float = 0.01) -> Any:
    return SimpleNamespace(part=SimpleNamespace(period_s=period_s), noise_v=1.0, step_v=1.0)


@pytest.mark.parametrize(
    ("fields", "kind", "kept", "bound_s"),
    [
        ({}, "complete", True, None),
        ({"missing_s": 0.16}, "undetermined", True, None),
        ({"fit": fitted(0.27), "missing_s": 0.2}, "slow", True, None),
        ({"fit": fitted(0.27), "missing_s": 0.3}, "undetermined", True, None),
        ({"inside": 2}, "complete", True, None),
        ({"inside": 1}, "undetermined", False, None),  # no curve, no constant
        ({"inside": 2, "fit": fitted(0.183)}, "undetermined", False, None),
        ({"inside": 3, "fit": fitted(0.183)}, "undetermined", True, None),
        ({"start_v": 336.0, "inside": 2}, "complete", False, None),
        ({"inside_all": 1}, "bypassed", False, 0.02),
        ({"fit": fitted(0.02)}, "undetermined", False, 0.0202),  # past the resistor, but in 0.5 s
        ({"fit": fitted(0.02), "rise_s": 0.2}, "bypassed", False, 0.0202),
        ({"fit": fitted(0.028), "rise_s": 0.2}, "bypassed", False, 0.02828),  # of a claim 29.1 ms, below 30
        ({"fit": fitted(0.03), "rise_s": 0.2}, "fast", True, None),  # of a claim 30.6 ms
        ({"start_v": 336.0}, "complete", True, None),
        ({"start_v": 336.0, "fit": fitted(0.06)}, "complete", False, None),
        ({"start_v": 336.0, "fit": fitted(0.183)}, "complete", False, None),  # slower, but by no claim
        ({"start_v": 336.0, "inside_all": 1}, "complete", False, None),  # what came through the contactor is no bound
        ({"start_v": 280.0, "fit": fitted(0.06)}, "undetermined", False, None),  # mostly through the contactor
        ({"start_v": 200.0, "fit": fitted(0.06)}, "fast", True, None),
        ({"fit": fitted(0.09, end=about(210.0)), "reached_v": 210.0, "top_v": 210.0}, "stalled", True, None),
        ({"highest_v": 340.0}, "undetermined", False, None),  # the curve leads beyond what is possible
    ],
)
def test_an_attempt_is_judged_whole(
    fields: Any, kind: str, kept: bool, bound_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "soonest_bound", lambda *_: 0.02 if fields.get("inside_all") == 1 else None)
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: None)
    m = measured(**{"rise_s": 0.1 if "inside_all" in fields else 0.5, **fields})
    one = judge.judge(NO_MATTER, HAZEL, link(), m)
    assert (one.kind, one.constant is not None) == (kind, kept)
    assert one.bound_s == (None if bound_s is None else pytest.approx(bound_s))
    assert (one.tolerance, one.close_fraction, one.period_s) == (0.2, 0.95, 0.01)
    assert (one.fast_or_closed_early, one.closing_unseen, one.let_go_within_s) == (False, False, None)


def test_what_is_left_open_of_an_attempt_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judge, "soonest_bound", lambda *_: None)
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: None)
    seldom = closed(200.0, 349.0)
    fast = measured(closing=seldom, fit=fitted(0.06, explained_behind_lag=lambda *_, few_do=False: few_do))
    one = judge.judge(NO_MATTER, HAZEL, link(), fast)
    assert (one.kind, one.fast_or_closed_early, one.closing_unseen, one.constant) == ("undetermined", True, False, None)
    good = measured(closing=seldom, fit=fitted(explained_behind_lag=lambda *_, few_do=False: few_do))
    one = judge.judge(NO_MATTER, HAZEL, link(), good)
    assert (one.kind, one.fast_or_closed_early, one.closing_unseen) == ("undetermined", False, True)
    assert one.constant is not None
    monkeypatch.setattr(judge, "let_go_within_s", lambda *_: 0.4)
    one = judge.judge(NO_MATTER, HAZEL, link(), measured())
    assert (one.kind, one.let_go_within_s) == ("undetermined", 0.4)
    one = judge.judge(NO_MATTER, HAZEL, link(), measured(fit=fitted(0.27)))
    assert (one.kind, one.let_go_within_s) == ("slow", None)


def test_a_cut_off_rise_is_judged_by_its_curve_ahead_of_the_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judge, "soonest_bound", lambda *_: None)
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: None)
    low = {"reached_v": 210.0, "top_v": 210.0}
    cut = measured(**low, settled=False, fit_if_cut=fitted(0.145))
    one = judge.judge(NO_MATTER, HAZEL, link(), cut)
    assert (one.kind, one.constant and one.constant.time_constant) == ("interrupted", about(0.145))
    assert one.measurement.fit is cut.fit_if_cut
    one = judge.judge(NO_MATTER, HAZEL, link(), replace(cut, fit_if_cut=None))
    assert (one.kind, one.constant and one.constant.time_constant) == ("interrupted", about(0.15))
    over = measured(**low, fit=fitted(0.05, end=about(210.0)))  # 0.6 of 0.12 s are 72 ms: it never settled there
    one = judge.judge(NO_MATTER, HAZEL, link(), over)
    assert (one.kind, one.constant) == ("interrupted", None)


@pytest.mark.parametrize(("bound_s", "kind"), [(0.119, "fast"), (0.121, "undetermined")])
def test_an_open_outcome_is_fast_where_readings_before_the_closing_show_it(
    bound_s: float, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "soonest_bound", lambda *_: None)
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: bound_s)
    one = judge.judge(NO_MATTER, HAZEL, link(), measured(fit=fitted(0.119)))
    assert one.kind == kind
    assert one.bound_s == (bound_s if kind == "fast" else None)
    assert (one.constant is None) is (kind == "fast")


@pytest.mark.parametrize(
    ("fields", "asked"),
    [({}, True), ({"attempt": replace(ATTEMPT, stayed_open=True)}, False), ({"inside_all": 2}, False)],
)
def test_a_rise_between_two_samples_is_bounded_by_a_reading_a_period_older(
    fields: Any, asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And only up to the closing threshold, from where a contactor may have brought it up at once."""
    seen: list[tuple[float, ...]] = []

    def bound(_: Link, __: Measurement, *how: float) -> float:
        seen.append(how)
        return 0.05 if how else 0.04

    monkeypatch.setattr(judge, "soonest_bound", bound)
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: None)
    m = measured(**{"inside_all": 1, "inside": 1, "fit": None, **fields})
    one = judge.judge(NO_MATTER, HAZEL, link(0.02), m)
    assert one.kind == "undetermined"
    assert seen == [(), (0.95, 0.02)] if asked else seen == [()]
    assert one.bound_s == (0.05 if asked else 0.04 if fields.get("inside_all") != 2 else None)


def test_a_load_on_an_unknown_pack_and_no_fit_change_nothing_of_what_is_expected() -> None:
    """end / pack: a link that is led to 300 V of 350 V has 300/350 of R·C; no more than all, and no less than none."""
    for end_v, share in ((300.0, 300 / 350), (400.0, 1.0), (-5.0, 0.0)):
        m = measured(fit=fitted(end=about(end_v)))
        assert judge._expected_constant(m, HAZEL) == pytest.approx(RC_S * share)
    assert judge._expected_constant(measured(), Vehicle(precharge=Precharge())) is None
    assert judge._expected_constant(measured(pack=PackLevel(0.0, 1.0)), HAZEL) == RC_S


def test_without_a_pack_the_highest_level_says_how_long_a_contactor_waits() -> None:
    """From 0 to 95 % it is ln 20; from half of 320 V ln 10."""
    assert judge._waits(measured(pack=None, top_v=320.0), 0.95) == pytest.approx(log(20))
    assert judge._waits(measured(pack=None, top_v=320.0, start_v=160.0), 0.95) == pytest.approx(log(10))
    assert judge._waits(measured(start_v=332.6), 0.95) == 0.0


def test_a_lagging_link_may_have_charged_ever_since_its_onset_as_far_as_its_pack() -> None:
    """From 1.0 to 1.55 s with 0.12 s; nothing without the onset, R·C or pack."""
    fit = fitted(explained_behind_lag=lambda *_, few_do=False: few_do)
    closing = closed(200.0, 210.0)
    m = measured(fit=fit, start_v=50.0)
    found = judge._highest_behind_lag(closing, m, RC_S, HAZEL.precharge)
    assert found == pytest.approx(350 - 300 * exp(-0.55 / 0.12))
    for other in (
        measured(fit=None),
        measured(fit=fitted(onset=None, explained_behind_lag=fit.explained_behind_lag)),
        measured(fit=fit, pack=None),
    ):
        assert judge._highest_behind_lag(closing, other, RC_S, HAZEL.precharge) == -inf
    assert judge._highest_behind_lag(closing, m, None, HAZEL.precharge) == -inf
