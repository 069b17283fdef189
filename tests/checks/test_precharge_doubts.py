"""What stays open of a precharge, in words: each doubt where it holds, and none where the next case begins."""

from __future__ import annotations

from dataclasses import replace

import pytest
from precharge_pieces import ATTEMPT, about, closed, fitted, judged, measured, sound

from logscope.checks.precharge.compare import Constant, Verdict
from logscope.checks.precharge.doubt import doubt_of
from logscope.checks.precharge.judge import Judged
from logscope.curves.estimate import Estimate

FAST, SLOW = Constant(Verdict.FAST, about(0.06)), Constant(Verdict.SLOW, about(0.27))
BEYOND = measured(fit=fitted(end=about(400.0)), highest_v=352.0)  # from 396 V on
UNKNOWN, BY_LINK = measured(pack=None), measured(pack_by_link=True)
EARLY = measured(closing=closed(300.0, 332.0))
LOG_END, OPEN = (measured(attempt=replace(ATTEMPT, **how)) for how in ({"ended_by": "log end"}, {"stayed_open": True}))
CURVE = measured(fit=fitted())


def open_constant(low_s: float, high_s: float) -> Constant:
    return Constant(Verdict.OPEN, Estimate((low_s + high_s) / 2, low_s, high_s, 0.0, 9.0))


@pytest.mark.parametrize(
    ("one", "said"),
    [
        # 150 ms are a constant, from 1.0 to 1.6 s
        (
            judged("undetermined", None, measured(missing_s=0.151)),
            "151 ms of the 600 ms of the rise are missing from the log",
        ),
        (judged("complete", sound(), measured(missing_s=0.149)), ""),
        (
            judged("stalled", None, measured(attempt=replace(ATTEMPT, saws=3))),
            "Then it fell and rose again 3 times between",
        ),
        (judged("stalled"), ""),
        (
            judged("bypassed", None, bound_s=0.01, period_s=0.031),
            "between two samples, 31 ms apart, would look the same.",
        ),
        (judged("bypassed", None, bound_s=0.01, period_s=0.029), ""),  # a fifth of 150 ms
        (judged("bypassed", None, bound_s=0.01, period_s=0.031, expected_s=None), ""),
        (
            judged("undetermined", fast_or_closed_early=True),
            "Either the link charges too fast, or the contactor closed before",
        ),
        (
            judged("undetermined", closing_unseen=True),
            "A contactor that closed far too early, seen through a sensing lag,",
        ),
        (judged("undetermined", None, BEYOND), "bend as if towards more than the pack's voltage"),
        (
            judged("undetermined", None, bound_s=0.04),
            "between two samples, 10 ms apart: its time constant is at most 40 ms.",
        ),
        (
            judged("undetermined", SLOW, EARLY),
            "The last reading before the contactor closed is below the closing threshold",
        ),
        (
            judged("undetermined", FAST, EARLY),
            "cannot be determined. If it did, the time constant is that of the voltage sensing",
        ),
        (judged("undetermined", None, measured(closing=closed(300.0, 333.0)), expected_s=None), ""),
        (judged("undetermined", None, LOG_END), "The log ends before the precharge did."),
        (
            judged("undetermined", None, OPEN),
            "The main contactor stayed open: the link may have stalled below the pack",
        ),
        (judged("complete", sound(), OPEN), ""),
        (judged("undetermined", let_go_within_s=0.4), "The link fell again within 400 ms"),
        (judged("stalled", None, UNKNOWN), "It settled below battery_min_V"),
        (judged("undetermined", SLOW, BY_LINK), "but the link stands below battery_min_V"),
        (judged("undetermined", sound(), BY_LINK), "but the link stands below battery_min_V"),
        (judged("undetermined", FAST, BY_LINK), "That is faster than expected. A load that holds the link below"),
        (
            judged("undetermined", FAST, UNKNOWN),
            "Where the contactor closed during the rise, the time constant is that of the",
        ),
        (judged("undetermined", FAST), ""),
        (
            judged("complete", sound(), BY_LINK),
            "Pack voltage not logged, no step seen: that the link reached it follows",
        ),
        (judged("complete", sound(), UNKNOWN), "Whether the link reached the pack is not shown"),
        (judged("undetermined", None, measured(inside=2)), "Too few samples lie on the steep part for a time constant"),
        (judged("undetermined", None, measured(inside=3)), ""),
        (judged("undetermined", Constant(Verdict.OPEN, None)), ""),
        (judged("complete", sound()), ""),
        (
            judged("undetermined", Constant(Verdict.OPEN, about(0.27), or_lag=True)),
            "A link that charges too slowly, 270 ms, and one as expected, 150 ms, seen through a sensing lag",
        ),
        (
            judged("undetermined", open_constant(0.17, 0.19), measured(fit=fitted(misfit=True))),
            "The samples do not follow the fitted curve",
        ),
        (judged("undetermined", open_constant(0.181, 0.190)), "The 95 % interval is outside the expected band"),
        (judged("undetermined", open_constant(0.110, 0.119)), "The 95 % interval is outside the expected band"),
        (judged("undetermined", open_constant(0.179, 0.190)), "The interval crosses the edge of the expected band"),
        (judged("undetermined", open_constant(0.110, 0.121)), "The interval crosses the edge of the expected band"),
    ],
)
def test_each_doubt_is_said_where_it_holds(one: Judged, said: str) -> None:
    """The band is 120 to 180 ms; 332 V are below the closing threshold of 332.5 V, 333 V above it."""
    text = " ".join(doubt_of(one)).replace("\xa0", " ")
    assert said in text
    assert bool(text) is bool(said)


@pytest.mark.parametrize(
    ("one", "curve", "hole", "wanted_s"),
    [
        (judged("complete"), True, False, 0.03),
        (judged("complete", None, measured(inside=2)), True, False, 0.03),
        (judged("complete", None, measured(inside=2, start_v=333.0)), False, False, 0.03),
        (judged("complete", None, measured(inside=3, start_v=333.0)), True, False, 0.03),
        (judged("undetermined", None, measured(inside=3)), True, False, 0.03),
        (judged("undetermined", None, measured(inside=2)), False, False, 0.03),
        (judged("undetermined", bound_s=0.1), False, False, 0.03),
        (judged("undetermined", bound_s=0.1, expected_s=None), False, False, 0.02),
        (judged("undetermined", expected_s=None), True, False, None),
        (judged("complete", None, BEYOND), False, False, 0.03),
        (judged("complete", None, measured(fit=None, missing_s=9.0)), False, False, 0.03),
        (judged("complete", None, measured(missing_s=0.16)), True, True, 0.03),
    ],
)
def test_an_outcome_knows_what_of_its_curve_stands(
    one: Judged, curve: bool, hole: bool, wanted_s: float | None
) -> None:
    """Five samples a constant (common practice, no published source): 150 ms / 5, 100 ms / 5."""
    assert (one.curve is not None, one.has_hole) == (curve, hole)
    assert one.wanted_period_s == (None if wanted_s is None else pytest.approx(wanted_s))
    assert one.shows_pack
    assert not judged("complete", None, UNKNOWN).shows_pack
