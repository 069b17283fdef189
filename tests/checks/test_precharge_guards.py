"""What an attempt was, guard by guard: each number beside what a resistor does to a capacitor.

Expected by hand from v(t) = V − (V − V0)·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from math import exp, inf, log
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from motor_traces import part

from logscope.checks.precharge import check, ending, judge, measure
from logscope.checks.precharge.compare import Constant, Verdict, _shown_by, _verdict
from logscope.checks.precharge.contactor_closing import Closing
from logscope.checks.precharge.measure import Measurement
from logscope.checks.precharge.text import _perhaps_lag
from logscope.curves.behind_lag import LONGEST_LAG_S
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.observations.dc_link.link import Link, PackLevel
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Signals
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
    usual = {"time_constant": about(tau_s), "end": about(end_v), "shape": shape, "lag": None, "onset": None}
    return SimpleNamespace(**{**usual, **more})


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


@pytest.mark.parametrize("start_v", [0.0, 100.0])
@pytest.mark.parametrize(("explained", "after_s"), [(True, 0.2), (True, 0.4), (False, 0.2)])
def test_a_link_behind_its_sensing_may_have_charged_since_the_onset_by_its_fastest_resistor(
    explained: bool, after_s: float, start_v: float
) -> None:
    """150 ms less 20 %: 120 ms. What is not explained by a lag says nothing."""
    fit = fitted(onset=about(1.0), explained_behind_lag=lambda _, few_do: explained)
    closing = cast(Closing, SimpleNamespace(high_v=200.0, start_s=1.0, end_s=1.0 + after_s))
    highest_v = judge._highest_behind_lag(closing, measured(fit=fit, start_v=start_v), RC_S, HAZEL.precharge)
    charged_v = PACK_V - (PACK_V - start_v) * exp(-after_s / 0.12)
    assert highest_v == (pytest.approx(charged_v) if explained else -inf)


@pytest.mark.parametrize(("start_share", "mostly"), [(0.0, False), (0.70, False), (0.80, True), (0.9, True)])
def test_the_last_of_a_rise_comes_through_the_contactor(start_share: float, mostly: bool) -> None:
    """By hand: from 0.7 of the pack to the threshold of 0.95 are 83 % of what was left, from 0.8 on 75 %."""
    assert judge._mostly_closing(measured(start_v=start_share * PACK_V), HAZEL.precharge) is mostly


@pytest.mark.parametrize(("level_v", "below"), [(335.0, False), (325.0, False), (315.0, True), (None, False)])
def test_what_leads_to_less_than_the_pack_as_far_as_that_is_known_is_no_closing(
    level_v: float | None, below: bool
) -> None:
    """350 V ± 10 V, and a link whose sensor reads 5 % less: 323 V."""
    closing = cast(Closing, SimpleNamespace(level_v=level_v))
    assert measure._ends_below(closing, PackLevel(350.0, 10.0)) is below
    assert not measure._ends_below(closing, None)


def judged(kind: str, tau_s: float | None, bound_s: float | None = None, **more: object) -> judge.Judged:
    """An attempt of such an outcome, expected at 150 ms."""
    constant = None if tau_s is None else Constant(Verdict.OPEN, about(tau_s), shown_by=cast(str, more.get("shown_by")))
    closing = more.get("closing")
    return judge.Judged(kind, measured(closing=closing), constant, RC_S, 0.2, 0.95, bound_s, 0.01)


@pytest.mark.parametrize(
    ("one", "factor", "least"),
    [
        (judged("slow", 0.27), 1.8, None),
        (judged("fast", 0.03), 0.2, None),
        (judged("complete", 0.15), None, None),
        (judged("closed_early", 0.27), None, None),
        (judged("fast", None, 0.05), None, 3.0),
        (judged("bypassed", None, 0.05), None, None),
        (judged("slow", None), None, None),
    ],
)
def test_only_a_slow_or_a_fast_one_is_off_by_a_factor(
    one: judge.Judged, factor: float | None, least: float | None
) -> None:
    assert one.factor == (None if factor is None else pytest.approx(factor))
    assert one.least_factor == (None if least is None else pytest.approx(least))


@pytest.mark.parametrize(
    ("one", "lag_s"),
    [
        (judged("fast", 0.06), 0.06),
        (judged("slow", 0.27), None),  # no sensing is so slow
        (judged("fast", 0.06, shown_by="battery_current"), None),  # the current shows whose it is
        (judged("fast", None, 0.05), 0.05),
        (judged("fast", None, 0.4), LONGEST_LAG_S),
        (judged("complete", None), None),
    ],
)
def test_a_constant_may_be_the_sensings_where_nothing_shows_whose_it_is(one: judge.Judged, lag_s: float | None) -> None:
    assert _perhaps_lag(one) == lag_s


@pytest.mark.parametrize(("high_v", "early"), [(320.0, True), (340.0, False)])
def test_a_reading_below_the_threshold_at_the_closing_may_be_too_early(high_v: float, early: bool) -> None:
    """95 % of 350 V are 332.5 V."""
    one = judged("complete", 0.15, closing=SimpleNamespace(high_v=high_v, low_v=high_v))
    assert one.may_have_closed_early is early
    assert not judged("complete", 0.15).may_have_closed_early


def test_a_constant_that_may_be_the_lags_is_no_drift_of_the_resistor() -> None:
    def attempt(onset_s: float, constant: Constant | None) -> judge.Judged:
        return cast(judge.Judged, SimpleNamespace(constant=constant, measurement=SimpleNamespace(onset_s=onset_s)))

    sure = Constant(Verdict.IN_BAND, about(0.15))
    others = [None, Constant(Verdict.OPEN, None), Constant(Verdict.SLOW, about(0.3), or_lag=True)]
    found = check._fitted([attempt(1.0, sure), *(attempt(2.0, other) for other in others)])
    assert [(one.start_s, one.constant.value) for one in found] == [(1.0, 0.15)]


@pytest.mark.parametrize(
    ("bound_s", "missing_s", "shown"),
    [
        (0.119, 0.0, 0.119),  # 150 ms and 20 % less are 120 ms
        (0.121, 0.0, None),
        (0.150, 0.0, None),
        (0.179, 0.0, None),
        (None, 0.0, None),
        (0.100, 0.2, None),  # a hole in the log hides how it charged
    ],
)
def test_a_link_charges_too_fast_where_a_bound_before_the_closing_lies_below_the_band(
    bound_s: float | None, missing_s: float, shown: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge, "bound_before_closing", lambda *_: bound_s)
    m = measured(fit=fitted(), missing_s=missing_s)
    assert judge._too_fast(cast(Link, None), m, HAZEL.precharge) == shown
    assert judge._too_fast(cast(Link, None), m, Precharge()) is None  # without R·C no band


@pytest.mark.parametrize(
    ("first", "later"),
    [
        ((0.5, 0.9), (1.6, 4.4)),  # half a second before the rise at 1 s goes before what comes after its end at 1.5 s
        ((2.6, 2.95), (3.1, 4.4)),  # and the half second after the attempt's end at 2.5 s before all that follows
    ],
)
def test_the_packs_voltage_is_that_of_the_earliest_time_that_shows_one(
    first: tuple[float, float], later: tuple[float, float]
) -> None:
    at = np.concatenate([np.arange(*first, 0.01), np.arange(*later, 0.01)])
    pack = part("battery_voltage", at, np.where(at < first[1], 350.0, 330.0))
    found = measure._pack_to_reach(Signals({"battery_voltage": pack}, 0.0, 9.0), 1.0, 1.5, 2.5)
    assert found is not None
    assert found.volts == pytest.approx(350.0)
