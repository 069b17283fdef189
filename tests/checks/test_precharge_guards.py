"""What an attempt was, guard by guard: each number beside what a resistor does to a capacitor.

Expected by hand from v(t) = V − (V − V0)·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from math import exp, log
from types import SimpleNamespace
from typing import cast

import pytest

from logscope.checks.precharge import ending, judge
from logscope.checks.precharge.compare import Verdict, _shown_by, _verdict
from logscope.checks.precharge.contactor_closing import Closing
from logscope.checks.precharge.measure import Measurement
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.observations.dc_link.rises import Attempt
from logscope.vehicle import Limits, Precharge, Vehicle

PACK_V, RC_S = 350.0, 0.15
HAZEL = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
    limits=Limits(battery_min_V=240, battery_max_V=344),
)


def about(value: float, share: float = 0.01) -> Estimate:
    """Limits so wide to either side, and those of a claim one and a half times as wide."""
    off = share * value
    return Estimate(value, value - off, value + off, value - 1.5 * off, value + 1.5 * off)


def measured(**fields: object) -> Measurement:
    """An attempt with what a guard asks for, of a pack of 350 V."""
    usual = {
        "start_v": 0.0, "reached_v": 349.0, "top_v": 350.0, "pack_v": PACK_V, "rise_s": 0.5, "settled": True,
        "fit": None, "inside": 10, "unsure_s": 0.0, "missing_s": 0.0, "closing": None, "attempt": None,
    }  # fmt: skip
    made = SimpleNamespace(**{**usual, **fields})
    made.fraction = lambda volts: None if made.pack_v is None else volts / made.pack_v
    return cast(Measurement, made)


def fitted(
    tau_s: float = RC_S, end_v: float = PACK_V, shape: Shape = Shape.EXPONENTIAL, **more: object
) -> SimpleNamespace:
    return SimpleNamespace(time_constant=about(tau_s), end=about(end_v), shape=shape, lag=None, onset=None, **more)


@pytest.mark.parametrize(("share", "hot"), [(0.0, False), (0.6, False), (0.94, False), (0.95, True), (1.0, True)])
def test_a_restart_is_hot_from_the_closing_threshold_on_alone(share: float, hot: bool) -> None:
    """Below it the contactor has something to wait for, and may close too early."""
    assert judge._is_hot(measured(start_v=share * PACK_V), 0.95) is hot


@pytest.mark.parametrize("start_v", [0.0, 175.0])
@pytest.mark.parametrize(("of_the_time", "charged"), [(0.97, False), (1.03, True)])
def test_a_link_comes_to_the_threshold_in_the_time_that_a_resistor_takes(
    start_v: float, of_the_time: float, charged: bool
) -> None:
    takes_s = RC_S * log((PACK_V - start_v) / (0.05 * PACK_V))
    assert ending.charged_in_time(measured(start_v=start_v, rise_s=of_the_time * takes_s), RC_S, 0.95) is charged
    assert judge._waits(measured(start_v=start_v), 0.95) == pytest.approx(takes_s / RC_S)


def test_without_a_constant_only_the_start_says_what_was_charged_before() -> None:
    assert not ending.charged_in_time(measured(start_v=320.0), None, 0.95)
    assert ending.charged_in_time(measured(start_v=340.0), None, 0.95)


@pytest.mark.parametrize(("off_v", "possible"), [(-1.0, True), (1.0, False)])
def test_a_rise_may_be_part_of_one_to_the_fullest_pack(off_v: float, possible: bool) -> None:
    top_v = 20.0 + (344.0 - 20.0) * (1 - exp(-0.2 / RC_S)) + off_v
    assert ending.may_be_part_way(measured(start_v=20.0, top_v=top_v, rise_s=0.2), RC_S, HAZEL) is possible


def test_a_closing_leads_as_far_as_the_link_charges_in_what_stamps_and_an_unseen_lag_leave() -> None:
    """By 20 ms of stamps and a period of 10 ms; where no curve is there, by the time between two readings as well."""
    closing = cast(Closing, SimpleNamespace(high_v=300.0, start_s=1.00, end_s=1.05))
    seen = measured(fit=fitted(), unsure_s=0.02)
    assert judge._highest_at_closing(closing, seen, RC_S, 0.0, 0.01) == pytest.approx(350 - 50 * exp(-0.03 / RC_S))
    lagging = measured(fit=SimpleNamespace(time_constant=about(RC_S), lag=about(0.03)), unsure_s=0.02)
    assert judge._highest_at_closing(closing, lagging, RC_S, 0.0, 0.01) == pytest.approx(350 - 50 * exp(-0.02 / RC_S))
    unseen = measured(unsure_s=0.02, inside=2)
    assert judge._highest_at_closing(closing, unseen, RC_S, 0.0, 0.01) == pytest.approx(350 - 50 * exp(-0.08 / RC_S))
    assert judge._highest_at_closing(closing, unseen, None, 0.0, 0.01) == PACK_V


@pytest.mark.parametrize(("constants", "held"), [(4.9, False), (5.1, True)])
def test_a_relay_that_stays_in_for_five_constants_has_brought_the_curve_to_its_end(
    constants: float, held: bool
) -> None:
    """99.3 % are there after five (handbook table)."""
    attempt = Attempt(0, 1, 2, True, "fall", relay_s=2.0, relay_end_s=2.0 + constants * RC_S)
    assert ending.held(attempt, RC_S) is held
    assert not ending.held(Attempt(0, 1, 2, True, "fall"), RC_S)


@pytest.mark.parametrize(("constants", "broke_off"), [(2.9, True), (3.1, False)])
def test_a_relay_that_drops_out_within_three_constants_broke_the_rise_off(constants: float, broke_off: bool) -> None:
    """95 % are there after three (handbook table)."""
    attempt = Attempt(0, 1, 2, True, "fall", relay_s=2.0, relay_end_s=2.0 + constants * RC_S)
    m = measured(attempt=attempt, reached_v=200.0)
    assert ending.broke_off(m, 0.1, HAZEL.precharge) is broke_off


@pytest.mark.parametrize(("share", "too_soon"), [(0.97, True), (1.03, False)])
def test_a_rise_that_was_over_sooner_than_a_load_makes_it_was_cut_off(share: float, too_soon: bool) -> None:
    """A load that holds the link at 4/7 of the pack shortens R·C to 4/7 of it; 20 % less is within the tolerance."""
    bound_s = share * 4 / 7 * 0.8 * RC_S
    assert ending._over_too_soon(measured(reached_v=200.0), bound_s, HAZEL.precharge) is too_soon


def test_a_load_shortens_the_expected_constant_as_it_lowers_the_end() -> None:
    """900 Ω across the link: 900/1050 of the pack, and of R·C (Thévenin)."""
    loaded = measured(fit=fitted(end_v=PACK_V * 900 / 1050))
    assert judge._expected_constant(loaded, HAZEL) == pytest.approx(RC_S * 900 / 1050)
    for plain in (
        measured(), measured(fit=fitted(end_v=300.0), settled=False), measured(fit=fitted(end_v=300.0), pack_v=None),
        measured(fit=fitted(end_v=300.0, shape=Shape.CONSTANT_POWER)), measured(fit=fitted(end_v=360.0)),
    ):  # fmt: skip
        assert judge._expected_constant(plain, HAZEL) == pytest.approx(RC_S)


def test_without_the_packs_voltage_the_vehicle_files_range_says_what_is_enough() -> None:
    """95 % of 240 V are 228 V, of 344 V 327 V; the limits of a claim are 1.5 % off."""
    for end_v, below, above in (
        (224.0, True, False),
        (227.0, False, False),
        (325.0, False, False),
        (333.0, False, True),
    ):
        m = measured(fit=fitted(end_v=end_v))
        assert (ending.below_any_pack(m, 0.95, HAZEL), ending.above_any_pack(m, 0.95, HAZEL)) == (below, above)


def test_a_link_stops_short_where_its_curve_leads_further_beyond_doubt() -> None:
    assert ending.stops_short(measured(fit=fitted(end_v=350.0), settled=False, top_v=330.0), 1.0)
    assert not ending.stops_short(measured(fit=fitted(end_v=350.0), settled=False, top_v=343.0), 1.0)
    assert not ending.stops_short(measured(fit=fitted(end_v=350.0), settled=True, top_v=330.0), 1.0)


@pytest.mark.parametrize(("missing_s", "hole"), [(0.14, False), (0.16, True)])
def test_a_gap_of_a_constant_hides_how_the_link_was_charged(missing_s: float, hole: bool) -> None:
    assert judge._has_hole(measured(fit=fitted(), missing_s=missing_s)) is hole


@pytest.mark.parametrize(
    ("low_s", "high_s", "drift_s", "verdict"),
    [
        (0.181, 0.189, 0.0, Verdict.SLOW),
        (0.179, 0.189, 0.0, Verdict.OPEN),
        (0.181, 0.189, 0.002, Verdict.OPEN),  # what stamps may stretch is cleared, too
        (0.110, 0.119, 0.0, Verdict.FAST),
        (0.110, 0.121, 0.0, Verdict.OPEN),
        (0.110, 0.119, 0.002, Verdict.OPEN),
        (0.140, 0.160, 0.0, Verdict.IN_BAND),
        (0.100, 0.200, 0.0, Verdict.OPEN),
    ],
)
def test_a_constant_is_off_where_all_of_its_limits_are(
    low_s: float, high_s: float, drift_s: float, verdict: Verdict
) -> None:
    """150 ms ± 20 %: 120 to 180 ms."""
    constant = Estimate((low_s + high_s) / 2, low_s, high_s, low_s, high_s)
    assert _verdict(constant, RC_S, 0.2, drift_s) is verdict
    assert _verdict(constant, None, 0.2, drift_s) is Verdict.NOT_COMPARED


def test_what_the_reading_settles_with_is_its_lag() -> None:
    slower, faster = about(0.15), about(0.03)
    assert _shown_by((slower, faster), (), lag_is_faster=True)[0] is slower
    assert _shown_by((slower, faster), (), lag_is_faster=False)[0] is faster
    assert _shown_by((slower, faster), (), None) == (None, None)
