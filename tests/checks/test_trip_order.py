"""What comes before a trip, by tables of made samples: each sign at its borders, in every order and sampling.

Expected by hand from the moments at which the samples are taken: a change is known to lie between the last sample
without it and the first with it, and "cannot be determined" is right only where the samples hide it.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.checks.trips.cause import likelihoods
from logscope.checks.trips.current_signs import far, goes_on, level, slow, swings
from logscope.checks.trips.order import Moment, first_disturbance, lead_of, sharpest
from logscope.checks.trips.sign import Sign
from logscope.checks.trips.signs import signs
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Surge, surge_before
from logscope.signals import Part, Signals

EVENT = Moment(10.000, 10.010)  # the surge sets in between these two samples of the current
END_S = 12.0


def every(period_s: float) -> FloatArray:
    return np.arange(0.003, END_S, period_s)


def made(name: str, period_s: float, value: np.ndarray | float, **more: object) -> Part:
    at = every(period_s)
    return Part(name, at, np.broadcast_to(np.asarray(value, float), at.shape), "", f"Made.{name}", **more)


def stepped(name: str, period_s: float, at_s: float, before: float = 10.0, after: float = 60.0) -> Part:
    return made(name, period_s, np.where(every(period_s) >= at_s, after, before))


def sign(name: str, *parts: Part, event: Moment = EVENT) -> Sign:
    found = signs(event, None, Signals({p.name: p for p in parts}, 0.0, END_S), None, 350.0, event.seen_s)
    (one,) = [each for each in found if each.name == name]
    return one


@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.02, 0.05])
@pytest.mark.parametrize(
    ("before_s", "seen"),
    [(0.2, True), (0.1, True), (0.06, True), (-0.06, False), (-0.2, False), (0.36, False), (2.0, False)],
)
def test_a_demand_leads_to_a_surge_only_where_it_steps_up_shortly_before(
    before_s: float, seen: bool, period_s: float
) -> None:
    """A quarter of a second is what a demand has to lead; the step lies between two of its own samples."""
    found = sign("command", stepped("throttle", period_s, 10.0 - before_s))
    assert found.seen is seen
    if seen:
        assert found.moment is not None
        assert found.moment.sound_s < 10.0 - before_s <= found.moment.seen_s
        assert found.moment.known_to_s == pytest.approx(period_s)


DEMANDS: dict[str, tuple[list[Part], Moment, bool | None]] = {
    "pedal let go": ([stepped("throttle", 0.02, 9.9, 60.0, 10.0)], EVENT, False),
    "a pedal that moves a little": ([stepped("throttle", 0.02, 9.9, 10.0, 28.0)], EVENT, False),
    "torque asked for, one fifth of the largest and more": (
        [made("torque_target", 0.02, np.where(every(0.02) < 2, 100.0, np.where(every(0.02) < 9.9, 10.0, 33.0)))],
        EVENT, True,
    ),
    "torque asked for, less": (
        [made("torque_target", 0.02, np.where(every(0.02) < 2, 100.0, np.where(every(0.02) < 9.9, 10.0, 27.0)))],
        EVENT, False,
    ),
    "braking torque asked for": ([stepped("torque_target", 0.02, 9.9, 0.0, -80.0)], EVENT, True),
    "down and up again": (
        [made("throttle", 0.02, np.interp(every(0.02), [9.80, 9.84, 9.90, 9.92], [60.0, 10.0, 10.0, 60.0]))],
        EVENT, True,
    ),
    "a target of the current, pedal logged and still": (
        [stepped("motor_current_target", 0.02, 9.9), made("throttle", 0.02, 50.0)], EVENT, False,
    ),
    "a target of the current, neither pedal nor torque logged": (
        [stepped("motor_current_target", 0.02, 9.9)], EVENT, True,
    ),
    "a pedal logged too seldom": ([stepped("throttle", 0.1, 9.9)], EVENT, None),
    "a current logged too seldom": ([stepped("throttle", 0.02, 9.9)], Moment(10.0, 10.04), None),
    "nothing logged": ([], EVENT, None),
    "samples missing before it": (
        [(p := made("throttle", 0.02, 50.0)).where((p.time_s < 9.8) | (p.time_s > 9.99))], EVENT, None,
    ),
    "just switched on": (
        [stepped("throttle", 0.02, 9.5), stepped("motor_current_target", 0.01, 9.85, 0.0, 100.0)], EVENT, None,
    ),
    "switched on well before": (
        [made("throttle", 0.02, 50.0), stepped("motor_current_target", 0.01, 9.3, 0.0, 100.0)], EVENT, False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DEMANDS)
def test_a_demand_is_open_only_where_the_samples_hide_it(name: str) -> None:
    parts, event, seen = DEMANDS[name]
    assert sign("command", *parts, event=event).seen is seen


def contactor(name: str, off_s: float, period_s: float = 0.05) -> Part:
    on = every(period_s) < off_s
    return made(name, period_s, on.astype(float), on=on)


SUPPLY: dict[str, tuple[list[Part], bool | None]] = {
    "holds": ([made("dc_link_voltage", 0.01, 330.0)], False),
    "sags by a tenth": ([stepped("dc_link_voltage", 0.01, 9.95, 330.0, 297.0)], False),
    "falls by a fifth": ([stepped("dc_link_voltage", 0.01, 9.95, 330.0, 264.0)], True),
    "rises by a fifth": ([stepped("dc_link_voltage", 0.01, 9.95, 330.0, 396.0)], True),
    "falls by a fifth, long before": ([stepped("dc_link_voltage", 0.01, 9.7, 330.0, 264.0)], False),
    "falls by a fifth, afterwards": ([stepped("dc_link_voltage", 0.01, 10.03, 330.0, 264.0)], False),
    "is logged too seldom": ([stepped("dc_link_voltage", 0.05, 9.95, 330.0, 264.0)], None),
    "is not logged": ([], None),
    "a contactor opens before": ([contactor("main_contactor", 9.9)], True),
    "the negative one opens before": ([contactor("negative_contactor", 9.9)], True),
    "a contactor opens within the last fifth of a second": (
        [contactor("main_contactor", 9.83), made("dc_link_voltage", 0.01, 330.0)],
        True,
    ),
    "a contactor opens one period of its message earlier": (
        [contactor("main_contactor", 9.79), made("dc_link_voltage", 0.01, 330.0)],
        True,
    ),
    "a contactor opens afterwards": ([contactor("main_contactor", 10.1), made("dc_link_voltage", 0.01, 330.0)], False),
    "a contactor opens long before": ([contactor("main_contactor", 9.6), made("dc_link_voltage", 0.01, 330.0)], False),
}


@pytest.mark.parametrize("name", SUPPLY)
def test_a_supply_leads_to_a_trip_only_where_it_changes_shortly_before(name: str) -> None:
    parts, seen = SUPPLY[name]
    assert sign("link", *parts).seen is seen


@pytest.mark.parametrize(
    ("sound_s", "seen_s", "off_s", "fits"),
    [
        (9.985, 9.995, 0.0, True),
        (9.895, 9.905, 0.0, True),  # 95 ms before: as long as regulators and messages take
        (9.880, 9.890, 0.0, False),  # 110 ms before
        (9.880, 9.890, 0.02, True),  # the stamps may be 20 ms off
        (10.005, 10.015, 0.0, True),  # may still have come first
        (10.012, 10.022, 0.0, False),  # surely came second
        (10.012, 10.022, 0.005, True),
    ],
)
def test_a_disturbance_of_the_speed_may_be_first_as_far_as_its_samples_say(
    sound_s: float, seen_s: float, off_s: float, fits: bool
) -> None:
    speed = SimpleNamespace(time_s=np.array([0.0, sound_s, seen_s, 11.0]))
    study = cast(SpeedAnalysis, SimpleNamespace(speed=speed, steps=np.array([2]), lost=np.array([], dtype=int)))
    found = first_disturbance(study, EVENT, off_s)
    assert found == (Moment(sound_s, seen_s) if fits else None)


def test_a_lead_is_known_to_no_better_than_both_spans_together() -> None:
    """By hand: seen 40 ms apart; at least 10.000 − 9.970, at most 10.010 − 9.960."""
    lead = lead_of(Moment(9.960, 9.970), EVENT)
    assert (lead.value, lead.low, lead.high) == pytest.approx((0.040, 0.030, 0.050))


def test_the_sharpest_moment_is_the_surge_then_the_collapse_then_the_fault() -> None:
    trip = SimpleNamespace(time_s=10.06, sound_s=9.96)
    current = made("motor_current", 0.01, np.where(every(0.01) < 10.0, 200.0, 0.0))
    surge = Surge(9.97, 9.98, 9.99, 100.0, 300.0)
    assert sharpest(cast(Trip, trip), surge, current) == (Moment(9.97, 9.98), "the current surge")
    collapse, what = sharpest(cast(Trip, trip), None, current)
    assert what == "the current's collapse"
    assert collapse.sound_s < 10.0 <= collapse.seen_s
    assert sharpest(cast(Trip, trip), None, None) == (Moment(9.96, 10.06), "the trip")


def with_surge(peak: float, rise_s: float, period_s: float = 0.001, level_a: float = 100.0) -> tuple[Part, Surge]:
    """A level, then a ramp to a peak at 10 s that holds for 21 ms, then nothing; a pull of 300 A long before."""
    at = every(period_s)
    amps = np.interp(at, [3.0, 3.5, 4.0, 4.5, 10.0 - rise_s, 10.0], [level_a, 300, 300, level_a, level_a, peak])
    current = Part("motor_current", at, np.where(at < 10.021, amps, 0.0), "A", "Made.I")
    surge = surge_before(current, 10.05)
    assert surge is not None
    return current, surge


@pytest.mark.parametrize(
    ("rise_s", "period_s", "seen"),
    [(0.004, 0.001, False), (0.012, 0.001, False), (0.03, 0.001, True), (0.03, 0.01, True), (0.012, 0.02, None)],
)
def test_a_surge_is_slow_where_even_its_shortest_rise_is(rise_s: float, period_s: float, seen: bool | None) -> None:
    assert slow(*with_surge(340.0, rise_s, period_s)).seen is seen


@pytest.mark.parametrize(
    ("peak", "period_s", "seen"),
    [(600.0, 0.001, True), (500.0, 0.001, False), (500.0, 0.01, None), (600.0, 0.01, True)],
)
def test_a_surge_is_far_past_its_limit_from_half_as_much_again_on(
    peak: float, period_s: float, seen: bool | None
) -> None:
    """1.5 · 350 A = 525 A; a lower peak between samples may have been higher."""
    current, surge = with_surge(peak, 0.02, period_s)
    assert far(current, surge, Moment(surge.sound_s, surge.onset_s), 350.0).seen is seen


def test_a_surge_is_not_far_past_what_the_rest_of_the_log_reaches() -> None:
    current, surge = with_surge(600.0, 0.02)
    assert far(current, surge, EVENT, 150.0).seen is True  # 600 A is twice the pull's 300 A
    current, surge = with_surge(430.0, 0.02)
    assert far(current, surge, EVENT, 150.0).seen is False  # 300 · 1.5 = 450 A
    assert far(current, surge, EVENT, None).seen is None


@pytest.mark.parametrize(
    ("count", "growth", "ends_s", "seen"),
    [(8, 1.3, 10.0, True), (8, 1.0, 10.0, True), (0, 1.0, 10.0, False), (1, 1.0, 10.0, None), (8, 1.2, 9.6, False)],
)
def test_swings_lead_to_a_trip_where_they_last_until_it(
    count: int, growth: float, ends_s: float, seen: bool | None
) -> None:
    """Half swings of 25 ms about 200 A, by 50 A or growing up to it; a single one there and back leaves it open."""
    at = every(0.002)
    phase = (at - (ends_s - 0.05 * count)) / 0.05
    on = (phase >= 0) & (phase < count)
    size = 60.0 * growth ** (np.floor(phase) - count) * on
    amps = 200.0 + size * np.sin(2 * np.pi * phase)
    current = Part("motor_current", at, np.where(at < 10.005, amps, 0.0), "A", "Made.I")
    assert swings(current, Moment(9.999, 10.001), 10.001).seen is seen


def test_a_current_that_goes_on_after_the_fault_is_seen_by_current_and_torque() -> None:
    steady = made("motor_current", 0.02, 200.0)
    ended = made("motor_current", 0.02, np.where(every(0.02) < 10.03, 200.0, 0.0))
    torque = made("torque", 0.02, np.where(every(0.02) < 10.03, 100.0, 0.0))
    assert goes_on(steady, None, 10.0).seen is True
    assert goes_on(ended, None, 10.0).seen is False
    assert goes_on(steady, torque, 10.0).seen is False
    assert goes_on(made("motor_current", 0.3, 200.0), None, 10.0).seen is None
    assert goes_on(made("motor_current", 0.02, np.where(every(0.02) < 5.0, 200.0, 0.0)), None, 10.0).seen is None


@pytest.mark.parametrize(("amps", "seen"), [(350.0, True), (342.0, True), (250.0, False)])
def test_a_level_leads_by_the_limit_where_it_stands_at_it(amps: float, seen: bool) -> None:
    current = made("motor_current", 0.01, np.where(every(0.01) < 9.0, 100.0, amps))
    assert bool(level(current, None, EVENT, 350.0, None).seen) is seen


def of(**seen: bool) -> tuple[Sign, ...]:
    names = ("speed", "command", "swings", "link", "level", "slow", "far", "goes_on")
    return tuple(Sign(name, seen.get(name), "") for name in names)


def test_likelihoods_follow_bayes_rule() -> None:
    """By hand, from the table of how often each sign is seen: 0.95, 0.03, 0.03, 0.05, 0.02, 0.03 for the speed."""
    assert dict(likelihoods(of(), 0.01)) == pytest.approx(dict.fromkeys(dict(likelihoods(of(), 0.01)), 1 / 6))
    assert dict(likelihoods(of(speed=True), 0.01))["encoder"] == pytest.approx(0.95 / 1.11)
    assert dict(likelihoods(of(speed=False), 0.01))["encoder"] == pytest.approx(0.05 / 4.89)
    # a value every 30 ms misses half of the disturbances, which last 15 ms: 0.475 in place of 0.95
    assert dict(likelihoods(of(speed=True), 0.03))["encoder"] == pytest.approx(0.475 / 0.635)
    both = dict(likelihoods(of(command=True, slow=True), 0.01))
    every_cause = (0.15 * 0.40, 0.95 * 0.70, 0.10 * 0.70, 0.10 * 0.50, 0.15 * 0.20, 0.05 * 0.05)
    assert both["demand"] == pytest.approx(0.95 * 0.70 / sum(every_cause))
    ranked = likelihoods(of(swings=True), 0.01)
    assert ranked[0][0] == "oscillation"
    assert [value for _, value in ranked] == sorted((value for _, value in ranked), reverse=True)


def test_a_ramp_before_a_surge_is_no_part_of_it() -> None:
    """The pedal asks for 200 A within a second; at 9.98 s the current shoots to 340 A."""
    at = every(0.002)
    amps = np.interp(at, [9.0, 9.9, 9.98, 10.0], [20.0, 200.0, 216.0, 340.0])
    surge = surge_before(Part("motor_current", at, np.where(at < 10.001, amps, 0.0), "A", "Made.I"), 10.05)
    assert surge is not None
    assert surge.sound_s <= 9.98 <= surge.onset_s
    assert surge.before == pytest.approx(216.0, abs=2.0)
    assert surge.peak == pytest.approx(340.0, abs=10.0)


@pytest.mark.parametrize(
    ("level_a", "peak", "pull_a", "is_one"),
    [(340.0, 435.0, 0.0, False), (340.0, 450.0, 0.0, True), (40.0, 90.0, 300.0, False), (40.0, 120.0, 300.0, True)],
)
def test_a_surge_is_more_than_regulation_about_its_level_and_than_what_trips_nothing(
    level_a: float, peak: float, pull_a: float, is_one: bool
) -> None:
    """More than 30 % of the current before it, and than 20 % of the log's highest (common practice, no source)."""
    at = every(0.001)
    pull_a = pull_a or level_a
    amps = np.interp(at, [3.0, 3.5, 4.0, 4.5, 9.98, 10.0], [level_a, pull_a, pull_a, level_a, level_a, peak])
    found = surge_before(Part("motor_current", at, np.where(at < 10.021, amps, 0.0), "A", "Made.I"), 10.05)
    assert (found is not None) is is_one
