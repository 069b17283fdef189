"""What a discharge finding says of made falls, sentence by sentence; the numbers in each by hand."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest
from discharge_pieces import OPENING, between, fall, fit, judged

from logscope.checks.discharge import text
from logscope.checks.discharge.judge import JudgedDischarge, Limit
from logscope.checks.discharge.measure import Stop
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate

SEEN = between(60.0, 62.0)
UNLOGGED, BEGUN = replace(OPENING, unlogged_s=0.8), replace(OPENING, shown_by="", level_v=None)
RESTARTED, BY_VOLTAGE = replace(OPENING, restarted=True), replace(OPENING, shown_by="dc_link_voltage")
NEVER = Estimate(inf, inf, inf, inf, inf)
HELD = fit(falls=False, rate=between(-1e-4, 1e-3))


def plain(of: str) -> str:
    return of.replace("\xa0", " ").replace("\u202f", " ")


@pytest.mark.parametrize(
    ("one", "title"),
    [
        (judged("discharged"), "DC link discharges by itself: 60 V (extrapolated) 85.0 s after the contactors opened"),
        (
            judged("discharged", fall(crossed=True, time_to_safe=SEEN), active=True),
            "DC link discharges actively: 60 V 61.0 s after the contactors opened",
        ),
        (judged("discharged", fall(level_v=55.0)), "DC link at 55 V when the contactors opened, not above 60 V"),
        (judged("discharged", fall(level_v=60.0)), "DC link at 60 V when the contactors opened, not above 60 V"),
        (
            judged("slow_discharge", fall(time_to_safe=Estimate(200.0, 150.0, inf, 140.0, inf), opening=UNLOGGED)),
            "DC link discharges too slowly: 60 V (extrapolated) not before 150 s after its first reading",
        ),
        (judged("stays_live", fall(opening=BEGUN)), "DC link stays live: 100 V, 60 s after the log begins"),
        (
            judged("undetermined", fall(missing_s=31.0)),
            "DC link: discharge cannot be determined, 31 s of 60 s are missing from the log",
        ),
        (
            judged("undetermined", fall(stopped=Stop(3.0, 80.4))),
            "DC link: active discharge stopped at 80 V; what follows is too short to extrapolate",
        ),
        (judged("undetermined"), "DC link: discharge logged for 60 s, too short to extrapolate"),
    ],
)
def test_the_title_says_when_60_v_come(one: JudgedDischarge, title: str) -> None:
    assert plain(text._title(one)) == title


@pytest.mark.parametrize(
    ("opening", "begins", "said", "seen"),
    [
        (
            OPENING, "contactors open",
            "The link stood at 350.0 V when the contactors opened and at 100.0 V 60 s later, where the log ends.",
            "The opening is seen by the state of the main contactor, to within 500 ms.",
        ),
        (
            RESTARTED, "contactors open",
            "The link stood at 350.0 V when the contactors opened and at 100.0 V 60 s later, then was charged again.",
            "The opening is seen by the state of the main contactor, to within 500 ms.",
        ),
        (
            BY_VOLTAGE, "contactors open",
            "The link stood at 350.0 V when the contactors opened and at 100.0 V 60 s later, where the log ends.",
            "The opening is seen by the voltage alone, to within 500 ms.",
        ),
        (
            UNLOGGED, "first reading of the link",
            "The link's first reading, 350.0 V, comes 800 ms after the main contactor reported open.",
            "Times count from that reading.",
        ),
        (
            BEGUN, "log begins", "The log begins with the link at 350.0 V and no contactor opening in view.",
            "Times count from the beginning of the log.",
        ),
    ],
)  # fmt: skip
def test_times_count_from_what_shows_the_opening(opening: Any, begins: str, said: str, seen: str) -> None:
    one = judged("discharged", fall(opening=opening))
    assert text.begins_with(opening) == begins
    assert text._opened(one) == [said]
    assert text._how_seen(one) == [seen]


def test_what_is_missing_of_a_fall_is_said() -> None:
    assert text._missing(judged("discharged")) == []
    assert text._missing(judged("discharged", fall(missing_s=29.0))) == ["29 s of that are missing from the log."]
    (most,) = text._missing(judged("undetermined", fall(missing_s=31.0)))
    assert most.endswith("The link may have been charged and opened again meanwhile.")


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (fall(fit=None), "Too few samples to fit a curve."),
        (fall(fit=HELD), "No fall is seen: the 95 % interval of its rate includes zero."),
        (fall(fit=fit(falls=False, rate=between(1e-5, 1e-3))), "A fall is hardly seen: in one case of a thousand"),
        (
            fall(stopped=Stop(3.0, 80.4)),
            "An active discharge stopped at 80 V, 3 s after the contactors opened; what follows is fitted alone.",
        ),
        (fall(fit=fit(misfit=True)), "perhaps a load switches off on the way; its time constant means little."),
        (
            fall(fit=fit(misfit=True), late=fit()),
            "perhaps a load switches off on the way; its last stretch is fitted alone.",
        ),
        (fall(), "The fall is an exponential towards 0 V, residual 0.25 V (root mean square)."),
        (
            fall(fit=fit(shape=Shape.RESTING, rest=between(40.0, 60.0))),
            "towards a level of its own, residual 0.25 V (root mean square). That level is 50 V (95 %: 40 to 60 V).",
        ),
    ],
)
def test_how_the_fall_was_fitted_is_in_the_method(one: Any, said: str) -> None:
    assert said in plain(text._curve(judged("discharged", one))[0])


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (judged("undetermined", fall(time_to_safe=None)), ""),
        (judged("discharged", fall(level_v=59.0, end_v=50.0)), ""),
        (
            judged("discharged", fall(level_v=61.0, end_v=50.0, crossed=True)),
            "It passed 60 V after 85.0 s (95 %: 80.0 to 90.0 s).",
        ),
        (judged("stays_live", fall(time_to_safe=NEVER)), "It is not decaying towards 60 V."),
        (judged("undetermined", fall(time_to_safe=NEVER)), ""),
        (judged("stays_live", fall(time_to_safe=Estimate(inf, 400.0, inf, 300.0, inf))), "60 V: not before 400 s."),
        (judged("stays_live", fall(time_to_safe=Estimate(inf, 86401.0, inf, 300.0, inf))), "60 V: not within a day."),
        (judged("stays_live", fall(time_to_safe=Estimate(inf, 86400.0, inf, 300.0, inf))), "60 V: not before 86400 s."),
        (
            judged("discharged"),
            "Time to 60 V, extrapolated as an exponential towards 0 V: 85.0 s (95 %: 80.0 to 90.0 s).",
        ),
        (
            judged("discharged", fall(differs=1.25)),
            "Time to 60 V, extrapolated as an exponential towards 0 V: 85.0 s (95 %: 80.0 to 90.0 s). The time "
            "constants of this "
            "link's falls differ by a factor of 1.25, so no single exponential holds; the interval allows for as much "
            "again.",
        ),
    ],
)
def test_the_time_to_60_v_is_said_with_its_limits_or_as_the_earliest(one: JudgedDischarge, said: str) -> None:
    assert plain(" ".join(text._time(one))) == said


FASTER = "Faster than the bleeder alone"


@pytest.mark.parametrize(
    ("one", "said", "faster"),
    [
        (
            judged("discharged"),
            "Time constant 47.0 s (95 %: 46.0 to 48.0 s); 47.0 kΩ discharges the link, for the configured "
            "capacitance; expected 37.6 to 56.4 s from bleeder and capacitance.",
            False,
        ),
        (
            judged("discharged", capacitance_f=None),
            "Time constant 47.0 s (95 %: 46.0 to 48.0 s); expected 37.6 to 56.4 s",
            False,
        ),
        (judged("discharged", expected_s=None), "47.0 kΩ discharges the link, for the configured capacitance.", False),
        # limits of a claim up to 37.5 s, and 37.6 s are expected
        (judged("discharged", fall(fit=fit(time_constant=between(34.0, 37.0)))), "", False),
        (judged("discharged", fall(fit=fit(time_constant=between(33.5, 36.5)))), "", True),
        (judged("discharged", fall(fit=fit(time_constant=between(33.5, 36.5))), active=True), "", False),
    ],
)
def test_the_constant_is_that_of_a_bleeder_and_is_compared_with_it(
    one: JudgedDischarge, said: str, faster: bool
) -> None:
    text_of = plain(" ".join(text._constant(one)))
    assert said in text_of
    assert (FASTER in text_of) is faster
    assert ("expected" in text_of) is (one.expected_s is not None)


def test_a_constant_without_bound_or_of_a_misfit_is_not_said() -> None:
    for one in (fit(time_constant=None), fit(time_constant=Estimate(99.0, 90.0, inf, 80.0, inf)), fit(misfit=True)):
        assert text._constant(judged("discharged", fall(fit=one))) == []


@pytest.mark.parametrize(
    ("kind", "at_pack", "still", "said"),
    [
        ("stays_live", True, False, ["It stands at the pack's level"]),
        ("stays_live", False, True, ["That is not the pack's level (350 V)", "No reading differs from the one before"]),
        ("stays_live", None, False, []),
        ("slow_discharge", True, True, []),
    ],
)
def test_what_a_live_link_may_hang_on_is_said(kind: str, at_pack: Any, still: bool, said: list[str]) -> None:
    found = text._verdict(judged(kind, fall(still=still), at_pack=at_pack))
    assert len(found) == len(said)
    assert all(one.startswith(start) for one, start in zip(found, said, strict=True))


def test_the_limit_is_named_with_where_it_comes_from() -> None:
    assert text._references(judged("discharged")) == [
        "Judged by 100 s to 60 V (bleeder and capacitance of the vehicle file, with their tolerance); local rules come "
        "first."
    ]
    assert "requires 60 V within 5 s" in text._references(judged("discharged", active=True))[1]


@pytest.mark.parametrize(
    ("kind", "limit", "begins", "has"),
    [
        ("discharged", Limit.FILE, "Nothing to do.", "wait longer than that"),
        ("slow_discharge", Limit.FILE, "With the power off", "measure the bleeder"),
        ("stays_live", Limit.FILE, "Treat the link as live.", "second source"),
        ("undetermined", Limit.FILE, "Keep the log running", "below 60 V or for 100 s, with"),
        ("undetermined", Limit.BLEEDER, "Keep the log running", "below 60 V, with contactor states"),
    ],
)
def test_the_next_step_is_that_of_the_outcome(kind: str, limit: Limit, begins: str, has: str) -> None:
    said = text.describe_discharge(judged(kind, limit=limit))
    assert said.next_step.startswith(begins)
    assert has in said.next_step
    assert said.hands_near_hv
    assert said.explanation.startswith("The link stood at 350.0 V")
    assert said.method.startswith("The opening is seen")
    assert said.method.endswith("local rules come first.")
