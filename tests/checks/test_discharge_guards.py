"""What a fall was, guard by guard, and against which time it was judged.

Expected by hand from v(t) = V0·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, log
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from logscope.checks.discharge.judge import JudgedDischarge, Limit, judge_discharge
from logscope.checks.discharge.measure import (
    DischargeCurve,
    _seen_crossing,
    _time_to_safe,
    allowing_for,
    constants_differ,
)
from logscope.checks.discharge.text import _span
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate
from logscope.observations.dc_link.openings import Opening
from logscope.vehicle import DcLink, Precharge, Vehicle

HAZEL = Vehicle(precharge=Precharge(resistance_ohm=150, capacitance_uF=1000), dc_link=DcLink(bleeder_ohm=47000))
PLAIN = Vehicle()
OPENING = Opening(2.0, 2.1, 2.1, 99.0, "main_contactor", 350.0, restarted=False)
ASKED_S = 47.0 * 1.2 * log(350 / 60)  # of its bleeder at the slow end of the tolerance: 99.5 s


def times(low: float, high: float) -> Estimate:
    return Estimate((low + high) / 2, low, high, low, high)


def fit(shape: Shape = Shape.RESISTOR, constant: Estimate | None = None, **more: Any) -> Any:
    return SimpleNamespace(**{"shape": shape, "time_constant": constant, "misfit": False, "falls": True, **more})


def fall(time: Estimate | None, **more: Any) -> DischargeCurve:
    made = fit(constant=times(40.0, 50.0))
    usual = {
        "opening": OPENING, "level_v": 350.0, "end_v": 100.0, "pack_v": 350.0, "fit": made, "late": made,
        "time_to_safe": time, "crossed": False, "length_s": 60.0, "still": False,
    }  # fmt: skip
    return DischargeCurve(**{**usual, **more})


@pytest.mark.parametrize(
    ("low_s", "high_s", "kind"),
    [
        (60.0, 0.99 * ASKED_S, "discharged"),
        (60.0, 1.01 * ASKED_S, "undetermined"),  # its middle is in time, and not all of it
        (0.99 * ASKED_S, 2 * ASKED_S, "undetermined"),  # its middle is late, and not all of it
        (1.01 * ASKED_S, 2 * ASKED_S, "slow_discharge"),
        (10.1 * ASKED_S, 20 * ASKED_S, "stays_live"),
        (9.9 * ASKED_S, inf, "slow_discharge"),
    ],
)
def test_a_fall_is_in_time_or_late_where_all_of_its_limits_are(low_s: float, high_s: float, kind: str) -> None:
    judged = judge_discharge(fall(times(low_s, high_s)), HAZEL)
    assert judged.kind == kind
    assert judged.limit is Limit.BLEEDER
    assert judged.limit_s == pytest.approx(ASKED_S)


def test_the_vehicle_files_limit_goes_before_its_bleeder_and_either_before_the_reference() -> None:
    """LV 123: 120 s for a passive discharge (from memory)."""
    stated = HAZEL.model_copy(update={"dc_link": DcLink(bleeder_ohm=47000, discharge_limit_s=30.0)})
    some = fall(times(60.0, 70.0))
    bleeder, capacitance = Vehicle(dc_link=HAZEL.dc_link), Vehicle(precharge=HAZEL.precharge)  # either alone is none
    for vehicle, limit_s, limit in (
        (stated, 30.0, Limit.FILE),
        (PLAIN, 120.0, Limit.REFERENCE),
        (bleeder, 120.0, Limit.REFERENCE),
        (capacitance, 120.0, Limit.REFERENCE),
    ):
        judged = judge_discharge(some, vehicle)
        assert (judged.limit_s, judged.limit) == (limit_s, limit)


def test_a_bleeder_beyond_its_tolerance_is_slow_even_where_60_v_come_in_time() -> None:
    slow = fit(constant=times(57.0, 60.0))  # 56.4 s at the slow end
    in_time = times(60.0, 70.0)
    assert judge_discharge(fall(in_time, fit=slow, late=slow), HAZEL).kind == "slow_discharge"
    as_configured = fit(constant=times(56.0, 60.0))
    assert judge_discharge(fall(in_time, fit=as_configured, late=as_configured), HAZEL).kind == "discharged"
    for none in (None, fit(constant=times(57.0, 60.0), misfit=True)):  # no constant, but 60 V in view
        assert judge_discharge(fall(in_time, fit=none, late=none, crossed=True), HAZEL).kind == "discharged"


@pytest.mark.parametrize(("high_s", "active"), [(4.9, True), (5.1, False)])
def test_what_is_down_within_five_seconds_was_discharged_on_purpose(high_s: float, active: bool) -> None:
    """LV 123 (from memory), and no bleeder is so fast."""
    assert judge_discharge(fall(times(2.0, high_s)), HAZEL).active is active


def test_a_link_below_60_v_throughout_is_discharged_whatever_its_time() -> None:
    assert judge_discharge(fall(times(0.0, 0.0), level_v=59.0, end_v=50.0), HAZEL).kind == "discharged"


def test_a_crossing_that_the_log_shows_counts_from_the_opening_whenever_in_its_bracket_that_was() -> None:
    """Seen between 10.0 and 10.1 s, opened between 2.0 and 2.1 s, read up to 0.05 s late."""
    found = _time_to_safe(OPENING, None, None, (10.0, 10.1), 350.0, 0.05)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((10.0 - 0.05 - 2.1, 10.1 - 2.0))


@pytest.mark.parametrize(
    ("shape", "high_s"),
    [(Shape.RESISTOR, 90.0), (Shape.BENT, 90.0), (Shape.RESTING, 90.0), (Shape.CURRENT, inf), (Shape.POWER, inf)],
)
def test_a_converter_that_draws_the_link_down_may_cut_out_on_the_way(shape: Shape, high_s: float) -> None:
    late = fit(shape, crossing_from=lambda *_: times(80.0, 90.0))
    found = _time_to_safe(OPENING, late, late, None, 350.0, 0.05)
    assert found is not None
    assert (found.low, found.high, found.claim_high) == (80.0, high_s, high_s)


def test_60_v_are_passed_where_readings_are_clear_of_them_for_good() -> None:
    """Noise of 1 V: above from 63 V, below from 57 V on."""
    at = np.arange(6.0)
    assert _seen_crossing(at, np.array([350.0, 100.0, 62.0, 58.0, 56.0, 50.0]), 1.0) == (1.0, 4.0)
    assert _seen_crossing(at, np.array([350.0, 56.0, 100.0, 62.0, 58.0, 56.0]), 1.0) == (2.0, 5.0)
    assert _seen_crossing(at, np.array([350.0, 100.0, 62.0, 61.0, 60.0, 58.0]), 1.0) is None
    assert _seen_crossing(at, np.array([350.0, 100.0, 63.0, 57.0, 56.0, 50.0]), 1.0) == (2.0, 3.0)
    assert _seen_crossing(at, np.array([60.0, 50.0, 40.0, 30.0, 20.0, 10.0]), 1.0) is None


def test_what_is_extrapolated_is_as_unsure_as_the_links_falls_differ() -> None:
    """By a factor of 1.5: of 60 s seen and 30 to 60 s more to go, 20 to 90 s more."""
    found = allowing_for(fall(times(90.0, 120.0)), 1.5).time_to_safe
    assert found is not None
    assert (found.low, found.high) == pytest.approx((60.0 + 30.0 / 1.5, 60.0 + 60.0 * 1.5))
    seen = allowing_for(fall(times(50.0, 55.0), crossed=True), 1.5).time_to_safe
    assert (seen.low, seen.high) == (50.0, 55.0) if seen else False


def test_constants_differ_where_their_limits_are_apart() -> None:
    falls = [replace(fall(None), late=fit(constant=times(value - 1.0, value + 1.0))) for value in (24.0, 31.0)]
    assert constants_differ(falls) == pytest.approx(31 / 24)
    alike = [replace(fall(None), late=fit(constant=times(value - 4.0, value + 4.0))) for value in (24.0, 31.0)]
    assert constants_differ(alike) == 1.0


@pytest.mark.parametrize(
    ("time", "crossed", "said"),
    [
        (times(80.0, 90.0), True, "60 V 85.0\xa0s"),
        (times(80.0, 90.0), False, "60 V (extrapolated) 85.0\xa0s"),
        (times(80.0, inf), False, "60 V (extrapolated) not before 80 s"),
        (times(2e5, inf), False, "60 V (extrapolated) not within a day"),
    ],
)
def test_a_time_without_an_upper_limit_is_said_as_the_earliest_alone(time: Estimate, crossed: bool, said: str) -> None:
    one = SimpleNamespace(fall=SimpleNamespace(crossed=crossed))
    text = _span(cast(JudgedDischarge, one), time)
    assert text.startswith(said)
    assert ("inf" in text) is False


@pytest.mark.parametrize(
    ("level_v", "first_v", "safe"),
    [
        (None, 350.0, False),  # a log that begins, or goes on, with the path open: nothing shows the level before
        (None, 55.0, True),
        (350.0, 350.0, False),
        (350.0, 55.0, False),  # down before its first reading
        (55.0, 350.0, False),
        (55.0, 55.0, True),
    ],
)
def test_a_link_needs_no_time_to_60_v_where_all_that_is_known_of_it_lies_below(
    level_v: float | None, first_v: float, safe: bool
) -> None:
    late = fit(crossing_from=lambda *_: times(80.0, 90.0))
    opening = replace(OPENING, level_v=level_v)
    found = _time_to_safe(opening, late, late, None, first_v, 0.05)
    assert found is not None
    assert (found.low, found.high) == ((0.0, 0.0) if safe else (80.0, 90.0))
    few = _time_to_safe(opening, None, None, None, first_v, 0.05)  # readings too few for a curve
    assert (few is not None) is safe
