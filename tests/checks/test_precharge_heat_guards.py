"""Heat in the precharge resistor, its rating, and the drift of its constant, each by made numbers.

Oracles: scipy.integrate.quad of ΔV²/R; Newton's law of cooling by hand; the closed
form of a line's deviation with scipy.stats.t. Sensors that differ by 1.5 % are common practice, no published source.
"""

from __future__ import annotations

from math import exp, inf, log
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from contactor_pieces import link_of, part
from scipy import stats
from scipy.integrate import quad

from logscope.checks.precharge import stress
from logscope.checks.precharge.compare import _overlaps, is_bypassed, step_constant_bound
from logscope.checks.precharge.drift import Attempted, drift
from logscope.checks.precharge.ending import broke_off, kept_without_relay, let_go_within_s
from logscope.checks.precharge.overload import overload
from logscope.checks.precharge.stress import Stall, Stress
from logscope.checks.precharge.witness import IndependentMeasurement, distinguished
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured, Severity
from logscope.observations.dc_link.flags import NoRise
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Signals
from logscope.vehicle import Precharge, Vehicle

RC_S, OHM, PACK_V = 0.15, 150.0, 350.0
HAZEL = Vehicle(precharge=Precharge(resistance_ohm=OHM, capacitance_uF=1000, resistor_energy_J=400))


def about(value: float, off: float = 0.0) -> Estimate:
    return Estimate(value, value - off, value + off, value - 2 * off, value + 2 * off)


def judged(kind: str = "complete", start_v: float = 20.0, end_v: float = 330.0, **more: Any) -> Any:
    fit = SimpleNamespace(
        start=about(start_v), end=about(end_v), shape=Shape.EXPONENTIAL, time_constant=about(RC_S), lag=None
    )
    m = SimpleNamespace(onset_s=1.0, fit=fit, reached_v=more.pop("reached_v", end_v), **more)
    return SimpleNamespace(kind=kind, measurement=m, constant=None)


def heat_j(elapsed_s: float, start_v: float, end_v: float, tau_s: float) -> float:
    def power_w(t: float) -> float:
        return (PACK_V - end_v + (end_v - start_v) * exp(-t / tau_s)) ** 2 / OHM

    return float(quad(power_w, 0.0, elapsed_s)[0])


@pytest.mark.parametrize("tau_s", [0.1, 0.2])
@pytest.mark.parametrize("elapsed_s", [0.05, 0.6])
def test_the_heat_of_a_rise_is_the_integral_of_its_power(tau_s, elapsed_s):
    found = stress._rise_j(judged(), PACK_V, tau_s, 1.0 + elapsed_s, OHM)
    assert found == pytest.approx(heat_j(elapsed_s, 20.0, 330.0, tau_s), rel=1e-6)
    assert stress._rise_j(judged(), PACK_V, tau_s, 0.5, OHM) == 0.0


def test_the_heat_of_a_creeping_rise_is_that_of_its_own_curve():
    """From 0 to 100 V within a second: ∫(350 − 100·t)² dt over R, by hand."""
    made = judged()
    made.measurement.fit.shape, made.measurement.fit.voltage = Shape.CONSTANT_POWER, lambda t: 100.0 * (t - 1.0)
    found = stress._rise_j(made, PACK_V, 0.1, 2.0, OHM)
    assert found == pytest.approx((PACK_V**3 - (PACK_V - 100.0) ** 3) / 300.0 / OHM, rel=1e-4)


def test_after_the_relay_drops_out_the_resistor_carries_nothing():
    """It had come from 20 V to 200 V on its way to 330 V: that takes τ · ln(310/130)."""
    cut = judged("interrupted", reached_v=200.0)
    for until_s, elapsed_s in ((3.0, 0.15 * log(310 / 130)), (1.05, 0.05)):
        assert stress._rise_j(cut, PACK_V, 0.15, until_s, OHM) == pytest.approx(
            heat_j(elapsed_s, 20.0, 330.0, 0.15), rel=1e-6
        )


def test_the_limits_of_a_heat_are_those_of_the_sensors_and_the_constant():
    found = np.array(stress._edges(400.0, about(0.2, 0.01)))
    assert found == pytest.approx(np.array([(400.0, 0.2), (394.0, 0.19), (406.0, 0.21)]))


@pytest.mark.parametrize(
    ("lag", "given", "limits"),
    [
        (None, None, (0.15, 0.14, 0.16)),
        (about(0.03, 0.005), None, (0.15, 0.025, 0.16)),  # either may be the link's
        (about(0.03, 0.005), about(0.1, 0.02), (0.1, 0.08, 0.12)),
    ],
)
def test_the_constant_of_a_heat_is_the_links_or_the_range_of_both(lag, given, limits):
    one = judged()
    one.measurement.fit.time_constant, one.measurement.fit.lag = about(0.15, 0.01), lag
    one.constant = SimpleNamespace(time_constant=given)
    found = stress._constants(one)
    assert (found.value, found.low, found.high) == pytest.approx(limits)


def test_a_stall_costs_its_mean_power_for_as_long_as_it_lasts():
    """280 V and 210 V in turn, a second each: (70² + 140²)/2/150 W, over 2.2 s; limits with a pack 5.25 V off."""
    time_s = np.linspace(1.0, 3.0, 2001)
    link = link_of(part("dc_link_voltage", time_s, np.where(time_s < 2.0, 280.0, 210.0)))
    found = stress._stall(link, PACK_V, 0.9, 3.1, OHM)
    assert found is not None
    watts = [((70 + off) ** 2 + (140 + off) ** 2) / 2 / OHM for off in (0.0, -5.25, 5.25)]
    assert found.lasted_s == pytest.approx(2.2)
    for value, times in ((found.power_W, 1.0), (found.energy_J, 2.2)):
        assert (value.value, value.low, value.high) == pytest.approx(tuple(times * w for w in watts), rel=2e-3)
    assert stress._stall(link, PACK_V, 2.9995, 3.4, OHM) is None  # one reading


def test_a_link_above_its_pack_heats_nothing():
    time_s = np.linspace(1.0, 3.0, 201)
    found = stress._stall(link_of(part("dc_link_voltage", time_s, np.full(201, 360.0))), PACK_V, 1.0, 3.0, OHM)
    assert found is not None
    assert (found.power_W.value, found.power_W.high) == (0.0, 0.0)


@pytest.mark.parametrize(("factor", "limits"), [(0.5, (4.0, 12.0)), (2.0, (8.0, 24.0)), (1.0, (8.0, 12.0))])
def test_limits_reach_to_the_resistance_of_the_file(factor, limits):
    found = stress._reaching(Measured(10.0, "J", 8.0, 12.0), factor)
    assert (found.value, found.low, found.high) == (10.0, *limits)


def test_a_heat_that_the_log_shows_in_part_is_a_lower_bound():
    assert stress._at_least(Measured(10.0, "J", 8.0, 12.0)) == Measured(None, "J", 8.0, None)
    both = stress._added(Measured(10.0, "J", 8.0, 12.0), Measured(5.0, "J", 3.0, 9.0))
    assert both == Measured(15.0, "J", 11.0, 21.0)
    assert stress._added(Measured(None, "J", 8.0, None), Measured(5.0, "J", 3.0, 9.0)) == Measured(None, "J", 11.0)


def pulse(end_s: float, heat: Measured, whole: bool = True, stall: Stall | None = None) -> Stress:
    return Stress(end_s - 0.5, end_s, whole, heat, Measured(800.0, "W"), stall)


def test_heat_of_attempts_adds_up_less_what_has_cooled():
    """60 s apart; the resistor cools with 60 s, or with 20 to 300 s: exp(−1), exp(−3) and exp(−1/5) are left."""
    one, other = Measured(100.0, "J", 90.0, 120.0), Measured(50.0, "J", 40.0, 60.0)
    first, second = stress.accumulated([pulse(10.0, one), pulse(70.0, other)])
    assert (first.value, first.low, first.high) == (100.0, 90.0, 120.0)
    assert (second.value, second.low, second.high) == pytest.approx(
        (50 + 100 * exp(-1), 40 + 90 * exp(-3), 60 + 120 * exp(-0.2))
    )
    part_of = stress.accumulated([pulse(10.0, Measured(None, "J", 90.0), whole=False), pulse(70.0, other)])
    assert [(each.value, each.high) for each in part_of] == [(None, None)] * 2
    assert part_of[1].low == pytest.approx(40 + 90 * exp(-3))
    assert stress.accumulated([]) == []


@pytest.mark.parametrize(
    ("by", "ohm", "pack_v", "known"),
    [("precharge_relay", OHM, 330.0, True), ("main_contactor", OHM, 330.0, False),
     ("precharge_relay", None, 330.0, False), ("precharge_relay", OHM, None, False)],
)  # fmt: skip
def test_a_link_that_never_rises_may_put_all_of_it_into_the_resistor(by, ohm, pack_v, known):
    """At most (330 − 30)²/150 = 600 W for 2.5 s."""
    time_s = np.arange(0.0, 10.0, 0.1)
    parts = {} if pack_v is None else {"battery_voltage": part("battery_voltage", time_s, np.full(100, pack_v))}
    event = cast(NoRise, SimpleNamespace(by=by, start_s=2.0, end_s=4.5))
    vehicle = Vehicle(precharge=Precharge(resistance_ohm=ohm))
    found = stress.no_rise_values(event, 30.0, Signals(parts, 0.0, 10.0), vehicle)
    wanted = {
        "resistor_energy_J": Measured(None, "J", 0.0, 1500.0),
        "resistor_peak_power_W": Measured(None, "W", 0.0, 600.0),
    }
    assert found == (wanted if known else {})


@pytest.mark.parametrize(
    ("held", "severity"),
    [
        (Measured(400.0, "J", 390.0, 410.0), None),
        (Measured(401.0, "J", 390.0, 410.0), Severity.WARNING),
        (Measured(420.0, "J", 401.0, 440.0), Severity.DANGER),
        (Measured(None, "J", 401.0), Severity.DANGER),
        (Measured(None, "J", 399.0), None),
    ],
)
def test_a_resistor_is_overloaded_beyond_its_rating_and_surely_so_by_the_lower_limit(held, severity):
    found = overload([pulse(1.0, held)], [held], 400.0)
    assert [each.severity for each in found] == ([] if severity is None else [severity])
    assert overload([pulse(1.0, held)], [held], None) == []


def test_the_worst_attempt_names_the_heat_and_each_one_beyond_the_rating_counts():
    heats = [Measured(450.0, "J", 405.0, 460.0), Measured(380.0, "J"), Measured(600.0, "J", 390.0, 700.0)]
    own = [Measured(450.0, "J"), Measured(300.0, "J"), Measured(250.0, "J")]
    stall = Stall(2.0, Measured(90.0, "W"), Measured(180.0, "J"))
    pulses = [pulse(10.0 * k, each, stall=stall) for k, each in enumerate(own, 1)]
    (found,) = overload(pulses, heats, 400.0)
    assert found.severity is Severity.DANGER  # the first surely is
    assert found.measured["resistor_heat_J"] == heats[2]
    assert found.measured["resistor_energy_J"] == own[2]
    assert found.measured["count"].value == 2.0
    assert [event.start_s for event in found.events] == [9.5, 29.5]
    assert found.expected["resistor_heat_J"] == Measured(None, "J", None, 400.0)
    assert "2 earlier attempts it held 390 to 700 J" in found.explanation
    assert "180 J came after the rise had stalled: 90.0 W for 2 s" in found.explanation


@pytest.mark.parametrize(
    ("own_j", "advice"),
    [(100.0, "by 86.3 s or more"), (399.0, "by 1797 s or more"), (400.0, "One such attempt is too much")],
)
def test_attempts_are_to_be_spaced_by_what_the_slowest_cooling_takes(own_j, advice):
    """H = E/(1 − exp(−T/300 s)) of at most 400 J: 300 s · ln(4/3) = 86.3 s; of 399 J 300 s · ln 400."""
    heat = Measured(500.0, "J", 450.0, 550.0)
    (found,) = overload([pulse(1.0, Measured(own_j, "J"))], [heat], 400.0)
    assert advice in found.next_step


def attempts(taus_s: list[float], off: float = 0.001) -> list[Attempted]:
    return [
        Attempted(10.0 * k, Estimate(tau, tau * exp(-1.96 * off), tau * exp(1.96 * off), 0.0, inf))
        for k, tau in enumerate(taus_s)
    ]


@pytest.mark.parametrize(
    ("per_cent", "count", "severity"),
    [(2.1, 5, Severity.WARNING), (1.9, 5, None), (-2.5, 5, Severity.INFO), (2.1, 3, None), (2.1, 4, Severity.WARNING)],
)
def test_a_constant_drifts_by_two_per_cent_over_four_attempts(per_cent, count, severity):
    """τ grows evenly in its logarithm, so that the weighted line has a closed form."""
    change = np.linspace(0.0, per_cent / 100, count)
    found = drift(attempts(list(0.15 * np.exp(change)), off=1e-4))
    assert [each.severity for each in found] == ([] if severity is None else [severity])
    if found:
        measured = found[0].measured["drift_percent"]
        assert measured.value == pytest.approx(100 * np.expm1(per_cent / 100), rel=1e-3)
        assert measured.low <= measured.value <= measured.high
        assert found[0].measured["count"].value == count
        assert f"{'grows' if per_cent > 0 else 'falls'} by {abs(measured.value):.1f} %" in found[0].title


def test_a_drift_is_known_as_well_as_the_constants():
    """Each to 1 %, 10 s apart: the slope's deviation is 0.01/√1000, over 40 s; Student's with 3 (scipy.stats.t)."""
    (found,) = drift(attempts(list(0.15 * np.exp(np.linspace(0.0, 0.2, 5))), off=0.01))
    reach = stats.t.ppf(0.975, 3) * 0.01 / 1000**0.5 * 40.0
    measured = found.measured["drift_percent"]
    assert (measured.low, measured.high) == pytest.approx(
        (100 * np.expm1(0.2 - reach), 100 * np.expm1(0.2 + reach)), rel=1e-3
    )


def test_what_scatters_does_not_drift():
    """0.15 s off by ±3 % in turn, with a slope of 2.5 % in all: by chance alone as often as not."""
    taus = 0.15 * np.exp(np.linspace(0.0, 0.025, 6) + np.tile([0.03, -0.03], 3))
    assert drift(attempts(list(taus), off=0.03)) == []


@pytest.mark.parametrize(
    ("own", "agrees"),
    [
        (about(0.119), True),  # within 20 %
        (about(0.121), False),
        (about(0.081), True),
        (about(0.079), False),
        (about(0.15, 0.04), True),  # the limits of 0.1 s reach to 0.11 s, these from there
        (about(0.15, 0.03), False),
    ],
)
def test_a_witness_shows_a_constant_that_agrees_with_its_own(own, agrees):
    link, other = about(0.1, 0.01 if own.high > own.low else 0.0), about(0.5)
    witness = IndependentMeasurement("battery_current", (own,))
    assert witness.agrees(link) is agrees
    assert distinguished((other, link), [witness]) == ((link, witness) if agrees else None)
    both = IndependentMeasurement("battery_current", (own, other))
    if agrees:
        assert distinguished((other, link), [both]) is None


@pytest.mark.parametrize(
    ("fastest_s", "expected_s", "bypassed"),
    [(0.029, 0.15, True), (0.030, 0.15, False), (0.0049, None, True), (0.005, None, False)],
)
def test_a_link_is_bypassed_that_charges_in_less_than_a_fifth_of_its_constant(fastest_s, expected_s, bypassed):
    """Without R·C 5 ms (judgement)."""
    assert is_bypassed(fastest_s, expected_s) is bypassed


def test_a_link_within_a_tenth_of_its_rise_has_taken_its_constant_times_ln_10():
    """300 of 300 V up to 30 V short of it in 20 ms."""
    assert step_constant_bound(300.0, 30.0, 0.02) == pytest.approx(0.02 / log(10.0))
    assert step_constant_bound(300.0, 300.0, 0.02) > 1e6


@pytest.mark.parametrize(("value", "may"), [(0.111, True), (0.109, False), (0.189, True), (0.191, False)])
def test_a_constant_may_lie_in_the_band_by_its_limits(value, may):
    """120 to 180 ms, ± 10 ms."""
    assert _overlaps(about(value, 0.01), 0.15, 0.2) is may


@pytest.mark.parametrize(
    ("low_s", "timeout_s", "fields", "within_s"),
    [
        (10.9, None, {}, 10.2),
        (11.1, None, {}, None),  # 10 s at the most
        (3.9, 3.0, {}, 3.2),
        (4.1, 3.0, {}, None),
        (2.0, None, {"pack_v": 350.0}, None),
        (2.0, None, {"closing": object()}, None),
        (2.0, None, {"attempt": Attempt(0, 1, 2, True, "fall", contactor_s=1.5)}, None),
    ],
)
def test_a_link_let_go_soon_after_its_rise_may_never_have_reached_its_pack(low_s, timeout_s, fields, within_s):
    usual = {"pack_v": None, "closing": None, "attempt": Attempt(0, 1, 2, True, "fall"), "onset_s": 1.0}
    openings: Any = [SimpleNamespace(low_s=0.5, high_s=1.0), SimpleNamespace(low_s=low_s, high_s=low_s + 0.3)]
    m: Any = SimpleNamespace(**{**usual, **fields})
    found = let_go_within_s(m, openings, Precharge(timeout_s=timeout_s))
    assert found == (None if within_s is None else pytest.approx(within_s))


@pytest.mark.parametrize(
    ("kept_v", "until_s", "relay_s", "kept"),
    [
        (181.0, 9.0, 0.4, True),
        (179.0, 9.0, 0.4, False),  # less than nine tenths of 200 V
        (181.0, 1.99, 0.4, False),  # the log has to show the 0.6 s after 1.4 s
        (181.0, 2.05, 0.4, True),
        (181.0, 9.0, 0.46, False),  # three constants: a sound link would have been up
    ],
)
def test_a_link_that_keeps_its_voltage_without_the_relay_has_no_load(kept_v, until_s, relay_s, kept):
    """200 V of 350 V: a load at f = 4/7 drains it with R·C · f/(1 − f) = 0.2 s, three times of that after it."""
    time_s = np.arange(1.0, until_s, 0.01)
    link = link_of(part("dc_link_voltage", time_s, np.where(time_s < 1.45, 200.0, kept_v)))
    attempt = Attempt(0, 1, 2, True, "fall", relay_s=1.4 - relay_s, relay_end_s=1.4)
    m: Any = SimpleNamespace(
        attempt=attempt, reached_v=200.0, closing=None, settled=True, fit=None, end_s=1.4, fraction=lambda v: v / PACK_V
    )
    assert kept_without_relay(link, m, HAZEL.precharge) is kept
    m.settled = False
    assert not kept_without_relay(link, m, HAZEL.precharge)


def test_a_rise_that_did_not_settle_broke_off():
    fit = SimpleNamespace(time_constant=about(0.15))
    for settled in (True, False):
        m: Any = SimpleNamespace(settled=settled, fit=fit, reached_v=200.0, fraction=lambda v: v / PACK_V)
        assert broke_off(m, None, HAZEL.precharge) is not settled


def test_an_overload_is_said_with_its_size_its_stall_and_its_range():
    alone = Measured(450.0, "J", 405.0, 460.0)
    (found,) = overload([pulse(1.0, alone)], [alone], 400.0)
    assert found.title == "The precharge resistor took 450 J, more than the 400 J it is rated for"
    assert found.explanation.startswith(
        "The attempt alone put 450 J into it. Range 405 to 460 J, for sensors that differ"
    )
    assert "The rating of 400 J for one pulse" in found.explanation
    assert found.next_step.startswith("One such attempt is too much for it")
    assert (found.start_s, found.end_s) == (0.5, 1.0)
    least = Measured(None, "J", 405.0)
    (part_of,) = overload([pulse(1.0, least, whole=False)], [least], 400.0)
    assert part_of.title.startswith("The precharge resistor took at least 405 J")
    assert part_of.explanation.startswith("The attempt alone put at least 405 J into it. The rating")
    stalled = pulse(1.0, alone, stall=Stall(2.5, Measured(90.0, "W"), Measured(225.0, "J")))
    (stall,) = overload([stalled], [alone], 400.0)
    assert "225 J came after the rise had stalled: 90.0 W for 2.5 s." in stall.explanation
    assert stall.next_step.startswith("Shorten the time-out of the sequence")
    second = [Measured(300.0, "J", 290.0, 310.0), Measured(450.0, "J", 380.0, 470.0)]
    (after,) = overload([pulse(1.0, second[0]), pulse(30.0, second[0])], second, 400.0)
    assert "With what was left of 1 earlier attempt it held 380 to 470 J" in after.explanation
    assert after.severity is Severity.WARNING


def test_a_drift_is_said_with_its_ends_its_trend_and_its_chance():
    """From 150 ms on by a twentieth in all, over 40 s."""
    (found,) = drift(attempts(list(0.15 * np.exp(np.linspace(0.0, 0.05, 5))), off=1e-4))
    assert found.title == "Precharge: time constant grows by 5.1 % over 5 attempts"
    assert found.explanation.startswith(
        "In 5 attempts over 40 s it went from 150 ms to 158 ms: a trend of +5.1 % (95 %: +"
    )
    assert "A resistor that warms from attempt to attempt" in found.explanation
    assert [event.start_s for event in found.events] == [0.0, 10.0, 20.0, 30.0, 40.0]
    (falls,) = drift(attempts(list(0.15 * np.exp(np.linspace(0.0, -0.05, 5))), off=1e-4))
    assert falls.title == "Precharge: time constant falls by 4.9 % over 5 attempts"
    assert "a trend of -4.9 %" in falls.explanation
    assert "so does a capacitor that fades" in falls.explanation
