"""Near trips, patterns and what is said of a cause: each guard on both sides of its edge, expected by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.trips.cause import Cause, _before, _nothing_missed, _wanted_s, _what_would_decide
from logscope.checks.trips.check import _current_in_words, _gathered, _marks, _none, _window
from logscope.checks.trips.current_signs import goes_on
from logscope.checks.trips.near import near_trips
from logscope.checks.trips.order import Moment, sharpest
from logscope.checks.trips.pattern import _range, pattern
from logscope.checks.trips.sign import Sign
from logscope.checks.trips.signs import _rise
from logscope.checks.trips.text import next_step, title
from logscope.findings import Event, Evidence, Finding, Measured, Severity
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Peak, Surge
from logscope.vehicle import Limits, Vehicle

T = np.arange(0.0, 20.0, 0.01)
LIMITED = Vehicle(limits=Limits(motor_current_A=400))


def bumps(*spans: tuple[float, float, float]) -> np.ndarray:
    amps = np.full(T.size, 100.0)
    for begin_s, end_s, level in spans:
        amps[np.searchsorted(T, begin_s - 1e-9) : np.searchsorted(T, end_s - 1e-9)] = level
    return amps


@pytest.mark.parametrize(
    ("spans", "events"),
    [
        (((5.0, 6.0, 360.0),), [(5.0, 5.99)]),  # nine tenths of 400 A
        (((5.0, 6.0, 359.0),), []),
        (((5.0, 6.0, -380.0),), [(5.0, 5.99)]),
        (((5.0, 6.0, 370.0), (6.48, 7.0, 390.0)), [(5.0, 6.99)]),  # 0.49 s apart
        (((5.0, 6.0, 370.0), (6.51, 7.0, 390.0)), [(5.0, 5.99), (6.51, 6.99)]),
    ],
)
def test_a_current_near_its_limit_is_one_event_until_half_a_second_below(spans, events):
    current = part("motor_current", T, bumps(*spans))
    found = near_trips(signals(current), LIMITED, [])
    got = [] if not found else [(e.start_s, e.end_s) for e in found[0].events] or [(found[0].start_s, found[0].end_s)]
    assert got == [pytest.approx(each) for each in events]
    if found:
        assert found[0].measured["count"].value == len(events)
        assert found[0].measured["peak_current_A"].value == max(abs(each[2]) for each in spans)
        assert found[0].expected["peak_current_A"] == Measured(None, "A", None, 400.0)
    assert near_trips(signals(current), Vehicle(), []) == []


def test_times_near_the_limit_half_a_second_apart_are_one():
    at = np.arange(0.0, 8.0, 1 / 64)  # sums are exact
    for gap_rows, count in ((32, 1), (33, 2)):
        amps = np.where((at == 2.0) | (at == 2.0 + gap_rows / 64), 380.0, 100.0)
        (found,) = near_trips(signals(part("motor_current", at, amps)), LIMITED, [])
        assert found.measured["count"].value == count


@pytest.mark.parametrize(("begin_s", "end_s", "near"), [(9.48, 10.6, True), (9.52, 10.6, False), (9.6, 10.72, True)])
def test_half_a_second_about_a_trip_belongs_to_it(begin_s, end_s, near):
    """The trip came between 10.0 and 10.2 s."""
    current = part("motor_current", T, bumps((begin_s, end_s, 380.0)))
    trip = Trip(10.0, 10.2, overcurrent=True, name="Overcurrent", code=3.0)
    assert bool(near_trips(signals(current), LIMITED, [trip])) is near


def trip_finding(cause: str | None, lead_s: float | None, before_a: float | None, at_s: float = 5.0) -> Finding:
    measured = {"lead_time_s": Measured(lead_s, "s"), "current_before_A": Measured(before_a, "A")}
    return Finding(
        "trip.overcurrent", Severity.DANGER, at_s, at_s + 0.1, "", "", "", (), measured=measured, evidence=Evidence(),
        cause=cause,
    )  # fmt: skip


def test_a_pattern_is_two_trips_of_one_cause_with_their_ranges():
    made = [
        trip_finding("encoder", 0.02, 150.0), trip_finding("limit", 0.5, 390.0), trip_finding("encoder", 0.03, 210.0),
        trip_finding("encoder", 0.08, None), trip_finding("undetermined", None, 10.0),
    ]  # fmt: skip
    (found,) = pattern(made, signals(part("motor_current", T, T)))
    assert (found.cause, found.measured["count"].value) == ("encoder", 3.0)
    assert found.measured["lead_time_s"] == Measured(0.03, "s", 0.02, 0.08)
    assert found.measured["current_before_A"] == Measured(180.0, "A", 150.0, 210.0)
    assert found.title == "3 of 5 overcurrent trips share a cause: a speed disturbance"
    assert "by 20 to 80 ms, all from above 150 A" in found.explanation
    assert pattern(made[:2], signals()) == []
    assert pattern([made[4]] * 3, signals()) == []
    assert _range([made[4]], "lead_time_s", "s") == Measured(None, "s")


EVENT = Moment(9.98, 10.0)


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        (None, ""),
        (Moment(9.90, 9.95), ", 50 ms before it (30 to 100 ms)"),
        (Moment(9.97, 9.99), ", within 30 ms of it, before or after"),
        (Moment(10.02, 10.06), ", 60 ms after it (20 to 80 ms)"),
        (Moment(9.93, 9.98), ", 20 ms before it (0 to 70 ms)"),
        (Moment(9.98, 10.04), ", within 60 ms of it, before or after"),
    ],
)
def test_a_lead_is_said_with_what_the_samples_leave(moment, said):
    """At least to the last sample without the event, at most from the last without the sign."""
    assert _before(Sign("speed", seen=True, words="", moment=moment), EVENT) == said


FINE = np.arange(0.0, 12.0, 1 / 64)  # sums are exact


def test_a_demand_that_is_back_at_once_rises_all_the_same():
    event = Moment(10.0, 10.0 + 1 / 64)
    spike = part("throttle", FINE, np.where(FINE == 9.875, 60.0, 10.0))
    assert _rise(spike, event) == Moment(9.875 - 1 / 64, 9.875)
    pair = part("throttle", np.array([9.9, 9.99]), np.array([10.0, 60.0]))
    assert _rise(pair, event) == Moment(9.9, 9.99)


def test_three_readings_show_that_a_current_continues():
    for count, seen in ((3, True), (2, None)):
        at = np.append(FINE[FINE <= 10.1], FINE[FINE > 10.1][:count])
        assert goes_on(part("motor_current", at, np.full(at.size, 200.0)), None, 10.0).seen is seen


def test_a_collapse_as_sharp_as_the_fault_leaves_the_fault():
    current = part("motor_current", FINE, np.where(FINE <= 10.0, 200.0, 0.0))
    for rows, what in ((1, "the trip"), (2, "the current's collapse")):
        trip = Trip(10.03125, 10.03125 + rows / 64, overcurrent=True, name="OC", code=3.0)
        assert sharpest(trip, None, current)[1] == what


def study_of(update_s: float) -> Any:
    return SimpleNamespace(model=SimpleNamespace(update_s=update_s))


def current_of(period_s: float) -> Any:
    at = np.arange(0.0, 10.0, period_s)
    return signals(part("motor_current", at, np.sin(at)))


@pytest.mark.parametrize(
    ("speed_s", "amps_s", "signs", "missed"),
    [
        (0.015, 0.015, {}, True),
        (0.016, 0.010, {}, False),
        (0.010, 0.016, {}, False),
        (0.010, 0.010, {"link": None}, False),
        (0.010, 0.010, {"slow": None, "far": None, "goes_on": None}, True),
        (0.100, 0.100, {"far": True}, True),
        (None, 0.010, {}, False),
    ],
)
def test_a_sudden_fault_needs_samples_in_which_nothing_hides(speed_s, amps_s, signs, missed):
    found = tuple(Sign(name, seen=signs.get(name, False), words="") for name in ("speed", "link", "slow", "far"))
    study = None if speed_s is None else study_of(speed_s)
    assert _nothing_missed(found, current_of(amps_s), study) is missed


@pytest.mark.parametrize(
    ("speed_s", "amps_s", "wanted_s"),
    [
        (0.02, 0.01, 0.01),
        (0.01, 0.02, 0.01),
        (0.01, 0.0118, 0.005),
        (0.01, 0.0122, 0.01),
        (0.004, 0.002, 0.001),
        (None, 0.01, 0.005),
    ],
)
def test_what_hid_it_is_to_be_logged_every_10_ms_or_twice_as_often(speed_s, amps_s, wanted_s):
    study = None if speed_s is None else study_of(speed_s)
    assert _wanted_s(current_of(amps_s), study) == pytest.approx(wanted_s, rel=0.01)
    assert _wanted_s(signals(), None) == 0.01


@pytest.mark.parametrize(
    ("likelihood", "open_", "said"), [(0.84, True, True), (0.85, True, False), (0.5, False, False)]
)
def test_what_would_decide_a_cause_is_said_where_it_is_open(likelihood, open_, said):
    found = (Sign("link", seen=None if open_ else False, words=""), Sign("speed", seen=True, words=""))
    text = _what_would_decide(found, (("encoder", likelihood),), 0.005)
    assert text == ("To decide it, record DC-link voltage every 5 ms or faster." if said else "")


@pytest.mark.parametrize(
    ("name", "likelihood", "low_s", "certain"),
    [
        ("encoder", 0.85, 0.0, True),
        ("encoder", 0.84, 0.0, False),
        ("encoder", 0.95, -0.001, False),
        ("encoder", 0.95, None, True),
        ("undetermined", 0.95, None, False),
    ],
)
def test_a_cause_is_certain_from_85_per_cent_on_where_its_order_is_proven(name, likelihood, low_s, certain):
    lead = Measured(None if low_s is None else 0.05, "s", low_s, 0.1)
    cause = Cause(name, "", "", ((name, likelihood),), None, lead)
    assert (cause.certain, cause.likelihood) == (certain, likelihood)
    led = "preceded by a speed disturbance"
    wanted = ", cause not determined" if name == "undetermined" else f", {led}" if certain else f", probably {led}"
    assert title(False, cause) == f"Overcurrent trip{wanted}"
    assert title(True, cause).startswith("Probable overcurrent trip")
    assert next_step(cause).endswith("before power is applied again.") is (name == "encoder" and not certain)


def test_trips_again_and_again_are_one_finding_with_their_list():
    first = trip_finding("encoder", 0.02, 150.0)
    named = ((5.0, "OC"), (12.0, "Again"), (31.0, "Again"))
    group = [Trip(at_s - 0.02, at_s, overcurrent=True, name=name, code=3.0) for at_s, name in named]
    found = _gathered(group, first)
    assert (found.start_s, found.end_s, found.measured["count"].value) == (5.0, 31.0, 3.0)
    assert found.events == (Event(5.0, 5.1), Event(11.98, 12.0), Event(30.98, 31.0))
    assert found.title.endswith("; 3 times in 26 s")
    assert found.explanation.startswith("The same fault came 3 times within 26 s: ")
    assert "before the first “OC”." in found.explanation
    assert _gathered(group[:1], first) is first


@pytest.mark.parametrize(("period_s", "unit_s"), [(0.05, 1.0), (0.1, 1.5)])
def test_the_chart_shows_a_second_or_fifteen_samples_before_a_trip(period_s, unit_s):
    trip = Trip(9.9, 10.0, overcurrent=True, name="OC", code=3.0)
    current = current_of(period_s)["motor_current"]
    assert _window(trip, current) == pytest.approx((10.0 - unit_s, 10.0 + unit_s / 3), rel=1e-3)
    assert _window(trip, None) == pytest.approx((9.0, 10.0 + 1 / 3))


def test_a_surge_is_said_and_marked_in_order_of_time():
    surge, peak = Surge(9.9, 9.95, 9.97, 120.0, 410.0), Peak(9.97, 410.0, Measured(410.0, "A"))
    assert _current_in_words(None, None) == "The motor current before it is not logged."
    assert _current_in_words(None, peak) == "The current reached 410 A; the sampling shows no surge."
    assert _current_in_words(surge, peak) == ("The current rose from 120 A at 9.900 s to 410 A at 9.970 s or higher.")
    sign = Sign("speed", seen=True, words="", moment=Moment(9.85, 9.9))
    marks = _marks(Trip(9.98, 10.0, True, "OC", 3.0), surge, Cause("encoder", "", "", (("encoder", 0.9),), sign))
    assert [(mark.time_s, mark.label) for mark in marks] == [
        (9.9, "speed disturbance"), (9.95, "surge sets in"), (10.0, "trip"),
    ]  # fmt: skip


@pytest.mark.parametrize(("fault", "restarts", "good"), [(True, 0, True), (True, 2, False), (False, 0, False)])
def test_no_trip_is_good_where_a_fault_is_logged_and_nothing_restarted(fault, restarts, good):
    lost = [SimpleNamespace(restart=True, shown=True)] * restarts + [SimpleNamespace(restart=True, shown=False)]
    made = signals(*([part("fault", T, 0 * T)] if fault else [part("motor_current", T, T)]))
    found = _none(made, SimpleNamespace(lost=lost))  # type: ignore[arg-type]
    assert found.severity is (Severity.GOOD if good else Severity.INFO)
    assert ("2 restarts at speed" in found.title) is (restarts == 2)
