"""Every value of a precharge design by hand, from formulas of any textbook on circuits, with the edges of tolerances.

Hazel's link: 320 V (240 to 344 V), 1000 µF ± 10 %, 160 Ω ± 5 %, closing at 95 %: three time constants, ln 20 = 2.99573.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, isinf, log

import pytest
from scipy.integrate import quad, solve_ivp

from logscope.physics.rc import inrush_peak_a
from logscope.sizing.choose import Choice, choose, closing_time_s, nominal, slowest_s, why_never
from logscope.sizing.circuit import Circuit, link_curve, rise
from logscope.sizing.discharge import discharge_values
from logscope.sizing.precharge import PrechargeDesign, _lower_root, _rest, _rounded_up, size_precharge
from logscope.sizing.requirements import PrechargeRequirements

HAZEL = PrechargeRequirements(320.0, 1000.0, 0.5, min_voltage_V=240.0, max_voltage_V=344.0)
GIVEN = replace(HAZEL, time_s=None, resistance_ohm=160.0)
RATED = replace(HAZEL, rated_power_W=10.0, pulse_rating_J=200.0)
BY_HAND = {
    "time_constant_s": (0.16, 0.1368, 0.1848, "s"),
    "time_to_close_s": (0.479317, 0.409816, 0.553611, "s"),
    "resting_voltage_V": (320.0, 240.0, 344.0, "V"),
    "fraction_at_rest": (1.0, 1.0, 1.0, "1"),
    "peak_current_A": (2.0, 240.0 / 168.0, 344.0 / 152.0, "A"),
    "peak_power_W": (640.0, 342.857, 778.526, "W"),
    "pulse_energy_J": (51.072, 25.8552, 64.922088, "J"),  # ½·C·Vs² but for (1 − 0.95)² of it
    "mean_power_W": (106.552, 57.0813, 129.615, "W"),  # independent of C
    "stored_energy_J": (51.2, 25.92, 65.0848, "J"),
    "let_through_A2s": (0.3192, 0.1539, 0.427119, "A²s"),
    "spare_load_W": (30.4, 16.2857, 36.98, "W"),  # 0.95·0.05·Vs²/R
    "timeout_s": (0.77, None, None, "s"),  # 0.5536 s, a fifth and 0.1 s more, in two figures
    "shorted_energy_J": (492.8, 264.0, 599.465, "J"),
    "half_way_s": (0.26, None, None, "s"),  # 0.1848·ln 2 = 0.1281 s
    "shorted_half_way_J": (166.4, 89.1429, 202.417, "J"),
    "close_difference_V": (16.0, 12.0, 17.2, "V"),
    "required_pulse_J": (130.1696, None, None, "J"),
    "repeated_starts_power_W": (19.52544, None, None, "W"),
    "retry_interval_s": (6.50848, None, None, "s"),
    "tries_in_a_row": (3.0, None, None, "1"),
}


@pytest.fixture(scope="module")
def design() -> PrechargeDesign:
    return size_precharge(RATED)


@pytest.mark.parametrize("name", BY_HAND)
def test_a_value_and_its_edges_are_those_of_the_formula(design: PrechargeDesign, name: str) -> None:
    value, low, high, unit = BY_HAND[name]
    found = design.values[name]
    assert (found.value, found.unit) == (pytest.approx(value, rel=1e-4), unit)
    assert found.low == (None if low is None else pytest.approx(low, rel=1e-4))
    assert found.high == (None if high is None else pytest.approx(high, rel=1e-4))


def test_a_design_without_ratings_and_loads_says_nothing_of_them() -> None:
    plain = size_precharge(HAZEL).values
    assert set(BY_HAND) - set(plain) == {"retry_interval_s", "tries_in_a_row"}
    assert set(plain) - set(BY_HAND) == {
        "inrush_bound_A", "bleeder_ohm", "bleeder_power_W", "bleeder_time_to_60V_s", "active_discharge_ohm",
        "active_discharge_power_W", "active_discharge_time_to_60V_s",
    }  # fmt: skip


def test_an_inrush_goes_through_the_loop_at_each_end() -> None:
    """A loop without inductance to speak of passes ΔV/R."""
    found = size_precharge(replace(GIVEN, loop_ohm=0.1, loop_H=1e-10)).values["inrush_bound_A"]
    assert (found.value, found.low, found.high) == pytest.approx((160.0, 120.0, 172.0), rel=0.01)
    swings = size_precharge(replace(GIVEN, loop_ohm=0.1, loop_H=1e-5)).values["inrush_bound_A"]
    assert swings.low == pytest.approx(inrush_peak_a(12.0, 0.1, 1e-5, 0.9e-3))
    assert swings.value == pytest.approx(inrush_peak_a(16.0, 0.1, 1e-5, 1e-3))
    assert swings.high == pytest.approx(inrush_peak_a(17.2, 0.1, 1e-5, 1.1e-3))


LOADED = replace(
    GIVEN, min_voltage_V=300.0, resistance_ohm=100.0, resistor_tolerance=0.0, load_ohm=10000.0, load_W=30.0,
    load_cut_in_V=150.0,
)  # fmt: skip


def test_loads_on_the_link_take_part_in_every_value() -> None:
    """Thévenin: 320 V·100/101 behind 99.0099 Ω; the roots of V² − 316.832·V + 30·99.0099."""
    values = size_precharge(LOADED).values
    open_v, ohm = 320.0 / 1.01, 10000.0 / 101.0
    upper = open_v / 2 + (open_v**2 / 4 - 30.0 * ohm) ** 0.5
    assert values["resting_voltage_V"].value == pytest.approx(upper)
    assert values["fraction_at_rest"].value == pytest.approx(upper / 320.0)
    assert values["lower_resting_voltage_V"].value == pytest.approx(30.0 * ohm / upper)
    assert values["most_load_W"].value == pytest.approx(open_v**2 / 4 / ohm)
    assert values["most_load_W"].unit == "W"
    assert values["time_constant_s"].value == pytest.approx(1e-3 * ohm)
    # 304 V: 48.64 W pass, 9.2416 W go into the resistor across the link and 30 W into the load
    assert values["spare_load_W"].value == pytest.approx(48.64 - 9.2416 - 30.0)
    assert values["power_at_rest_W"].value == pytest.approx((320.0 - upper) ** 2 / 100.0)
    assert values["load_time_to_60V_s"].value == pytest.approx(10.0 * log(320.0 / 60.0))
    assert values["load_time_to_60V_s"].high == pytest.approx(11.0 * log(344.0 / 60.0))
    assert values["load_time_to_60V_s"].low == pytest.approx(9.0 * log(300.0 / 60.0))
    # what it takes with a load is more than the link stores
    assert values["required_pulse_J"].value == pytest.approx(2 * max(values["pulse_energy_J"].high, 65.0848))


def test_power_at_rest_is_there_with_either_load() -> None:
    for given in ({"load_ohm": 10000.0}, {"load_W": 30.0, "load_cut_in_V": 150.0}):
        values = size_precharge(replace(GIVEN, min_voltage_V=300.0, resistance_ohm=100.0, **given)).values
        assert "power_at_rest_W" in values
        assert ("most_load_W" in values) is ("load_W" in given)
        assert ("load_time_to_60V_s" in values) is ("load_ohm" in given)


def test_a_pulse_with_a_load_may_be_more_than_the_link_stores() -> None:
    needs = replace(GIVEN, resistance_ohm=100.0, load_ohm=2100.0, resistor_tolerance=0.0)
    values = size_precharge(needs).values
    assert values["pulse_energy_J"].high > values["stored_energy_J"].high
    assert values["required_pulse_J"].value == pytest.approx(2 * values["pulse_energy_J"].high)


def test_a_closing_fraction_below_half_is_looked_at_before_half() -> None:
    values = size_precharge(PrechargeRequirements(320.0, 1000.0, None, 0.3, resistance_ohm=100.0)).values
    # 0.11·1.05 s · ln(1/0.7), a fifth and 0.1 s more
    assert values["half_way_s"].value == pytest.approx(0.15)
    assert values["timeout_s"].value == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(0.64, 0.64), (0.6401, 0.65), (1.0, 1.0), (1.01, 1.1), (9.91, 10.0), (0.0991, 0.1), (12.1, 13.0), (99.1, 100.0)],
)
def test_a_timeout_is_rounded_up_to_two_figures(seconds: float, shown: float) -> None:
    assert _rounded_up(seconds) == shown


@pytest.mark.parametrize("fraction", [0.0, 0.5, 0.75, 0.9])
def test_a_stall_holds_the_link_where_its_load_does(design: PrechargeDesign, fraction: float) -> None:
    """The heat by quadrature (scipy) of (344 V − v)²/152 Ω, v rising with (R∥R_load)·1.1 mF, for 0.77 s."""
    (stall,) = (each for each in design.stalls if each.fraction == fraction)
    assert stall.link_V == pytest.approx(344.0 * fraction)
    assert stall.power_W == pytest.approx((344.0 * (1 - fraction)) ** 2 / 152.0)
    # the divider of any textbook: R_load/(R + R_load) is the fraction
    assert stall.load_ohm / (152.0 + stall.load_ohm) == pytest.approx(fraction)
    tau = 1.1e-3 * 152.0 * fraction

    def power(at: float) -> float:
        return (344.0 - 344.0 * fraction * (1.0 - exp(-at / tau))) ** 2 / 152.0

    heat = quad(power, 0.0, 0.77, epsabs=1e-9)[0] if fraction else 344.0**2 / 152.0 * 0.77
    assert stall.energy_J == pytest.approx(heat, rel=1e-6)
    # the rest of 200 J comes at the power of the stall
    assert stall.allowed_s == pytest.approx(0.77 + (200.0 - heat) / stall.power_W, rel=1e-6)
    (unrated,) = (each for each in size_precharge(HAZEL).stalls if each.fraction == fraction)
    assert unrated == replace(stall, allowed_s=None)


def test_neighbours_of_the_choice_fit_or_not(design: PrechargeDesign) -> None:
    """E24 about 160 Ω; the time allows 166.9 Ω."""
    below, own, above = design.alternatives
    assert [each.resistance_ohm for each in design.alternatives] == [150.0, 160.0, 180.0]
    assert [each.fits for each in design.alternatives] == [True, True, False]
    assert own.time_to_close_s == design.values["time_to_close_s"]
    assert own.peak_current_A == design.values["peak_current_A"]
    assert below.time_to_close_s.value == pytest.approx(0.15 * 2.995732, rel=1e-6)
    assert above.peak_current_A.high == pytest.approx(344.0 / 171.0)


def fits(**given: object) -> list[bool]:
    return [each.fits for each in size_precharge(replace(HAZEL, **given)).alternatives]


def test_a_neighbour_fits_by_time_current_and_by_whether_it_gets_there() -> None:
    assert fits(time_s=None, resistance_ohm=160.0) == [True, True, True]
    # 344 V, 152 Ω and 142.5 Ω
    assert fits(time_s=None, resistance_ohm=160.0, peak_current_A=2.27) == [False, True, True]
    assert fits(time_s=None, resistance_ohm=160.0, peak_current_A=2.26) == [False, False, True]
    # 180 Ω and 5 % more behind 3,600 Ω reach 94.9 %, 168 Ω reach 95.5 %
    found = size_precharge(replace(HAZEL, time_s=None, resistance_ohm=160.0, load_ohm=3550.0)).alternatives
    assert [each.fits for each in found] == [True, True, False]
    assert isinf(found[2].time_to_close_s.high)


def test_a_circuit_rests_at_its_upper_root_or_about_its_cut_in() -> None:
    hunts = Circuit(400.0, 100.0, 1e-3, load_w=900.0, cut_in_v=390.0)
    assert (_rest(hunts), _lower_root(hunts)) == (390.0, 0.0)
    held = Circuit(400.0, 50.0, 2e-3, load_w=300.0, cut_in_v=100.0)
    assert _rest(held) == pytest.approx(358.113883)
    assert _lower_root(held) == pytest.approx(41.886117)


def test_times_are_nominal_or_those_of_the_slowest_corner() -> None:
    assert closing_time_s(HAZEL, nominal(HAZEL, 100.0)) == pytest.approx(0.2995732)
    assert slowest_s(HAZEL, 100.0) == pytest.approx(0.2995732 * 1.05 * 1.1)
    assert slowest_s(replace(HAZEL, load_ohm=1900.0), 100.0) == inf
    needs = replace(HAZEL, close_fraction=0.9)
    assert closing_time_s(needs, nominal(needs, 100.0)) == pytest.approx(0.1 * log(10.0))


def test_a_choice_just_at_its_limits_is_taken() -> None:
    """47 Ω in 0.047·ln 20 s; and 400 V onto 47 Ω less 5 %."""
    needs = PrechargeRequirements(400.0, 1000.0, 0.047 * log(20.0), capacitor_tolerance=0.0)
    assert choose(needs).resistance_ohm == 47.0
    assert choose(replace(needs, time_s=0.0469 * log(20.0))).resistance_ohm == 43.0
    exact = replace(needs, peak_current_A=400.0 / (47.0 * 0.95))
    assert choose(exact).resistance_ohm == 47.0
    found = choose(replace(needs, resistor_tolerance=0.0))
    assert found == Choice(47.0, 8.0, pytest.approx(47.0), pytest.approx(47.0))


NEVER = [
    (
        Circuit(400.0, 150.0, 1e-3, load_ohm=2350.0),
        "with 150 Ω the load holds the link at 376 V, 94.0 % of 400 V: the closing fraction of 95 % is never reached",
    ),
    (
        Circuit(400.0, 100.0, 1e-3, load_w=900.0, cut_in_v=200.0),
        "the load takes 900 W, but 100 Ω pass at most 400 W at 400 V: the link has no steady state and hunts around "
        "200 V",
    ),
    (
        Circuit(400.0, 50.0, 2e-3, load_w=300.0, cut_in_v=41.0),
        "a load of 300 W that starts at 41 V pulls the link down: with 50 Ω at 400 V it must start above 41.89 V",
    ),
]


@pytest.mark.parametrize(("circuit", "said"), NEVER)
def test_why_a_link_never_gets_there_is_said_with_the_numbers(circuit: Circuit, said: str) -> None:
    assert why_never(HAZEL, circuit).replace("\N{NO-BREAK SPACE}", " ") == said


STAGED = Circuit(400.0, 50.0, 2e-3, load_ohm=4000.0, load_w=300.0, cut_in_v=200.0)


@pytest.mark.parametrize(("from_v", "to_v"), [(0.0, 150.0), (0.0, 200.0), (0.0, 330.0), (100.0, 330.0), (250.0, 330.0)])
def test_a_rise_takes_time_and_heat_in_stages(from_v: float, to_v: float) -> None:
    """Quadrature (scipy) of C·dV/i, and of the heat, with the load from its cut-in on."""

    def slope(v: float) -> float:
        load_a = v / 4000.0 + (300.0 / v if v > 200.0 else 0.0)
        return ((400.0 - v) / 50.0 - load_a) / 2e-3

    middle = [min(max(200.0, from_v), to_v)]
    time = quad(lambda v: 1 / slope(v), from_v, to_v, points=middle)[0]
    heat = quad(lambda v: (400.0 - v) ** 2 / 50.0 / slope(v), from_v, to_v, points=middle)[0]
    assert rise(STAGED, to_v, from_v) == pytest.approx((time, heat), rel=1e-6)


@pytest.mark.parametrize(
    ("circuit", "to_v", "reaches"),
    [
        (STAGED, 350.0, True),
        (STAGED, 360.0, False),  # it rests at 353.1 V
        (replace(STAGED, cut_in_v=41.9), 330.0, False),  # below the lower root, 41.96 V, it falls back
        (replace(STAGED, cut_in_v=42.0), 330.0, True),
        (replace(STAGED, load_w=800.0), 330.0, False),
        (replace(STAGED, load_w=800.0), 200.0, True),
        (replace(STAGED, load_w=0.0), 395.0, True),
        (replace(STAGED, load_w=0.0), 396.0, False),
    ],
)
def test_a_rise_is_endless_where_the_link_rests_before(circuit: Circuit, to_v: float, reaches: bool) -> None:
    """Thévenin: 395.06 V behind 49.38 Ω, which pass at most 790 W."""
    time_s, heat_j = rise(circuit, to_v)
    assert (isinf(time_s), isinf(heat_j)) == (not reaches, not reaches)


def test_a_drawn_link_follows_its_equation_and_rests() -> None:
    times = [0.0, 0.02, 0.05, 0.1, 0.3, 5.0]
    solved = solve_ivp(
        lambda _, v: [((400.0 - v[0]) / 50.0 - v[0] / 4000.0 - (300.0 / v[0] if v[0] > 200.0 else 0.0)) / 2e-3],
        (0.0, 5.0), [0.0], t_eval=times, rtol=1e-9, atol=1e-9, max_step=1e-2,
    )  # fmt: skip
    assert link_curve(STAGED, times).tolist() == pytest.approx(solved.y[0].tolist(), abs=0.2)
    assert link_curve(STAGED, times)[-1] == pytest.approx(353.106, abs=0.01)
    hunts = link_curve(replace(STAGED, load_w=800.0), times)
    assert hunts[-1] == 200.0
    assert hunts[1] == pytest.approx(solved.y[0][1], abs=0.2)


def test_a_discharge_is_that_of_the_largest_capacitor_from_the_highest_voltage() -> None:
    """120 s / (1.1 mF · ln(344/60)) are 62,470 Ω, 5 s 2,603 Ω: 62 kΩ and 2.4 kΩ of E24; R·C·ln(V/60) at each end."""
    found = discharge_values(replace(HAZEL, load_ohm=10_000.0))
    by_hand = {
        "bleeder_ohm": (62_000.0, None, None, "ohm"),
        "bleeder_power_W": (1.908645, None, None, "W"),
        "bleeder_time_to_60V_s": (103.7862, 77.3552, 119.0994, "s"),
        "active_discharge_ohm": (2400.0, None, None, "ohm"),
        "active_discharge_power_W": (49.30667, None, None, "W"),
        "active_discharge_time_to_60V_s": (4.017531, 2.994396, 4.610300, "s"),
        "load_time_to_60V_s": (16.73976, 12.47665, 19.20959, "s"),
    }
    assert list(found) == list(by_hand)
    for name, (value, low, high, unit) in by_hand.items():
        measured = found[name]
        assert (measured.value, measured.unit) == (pytest.approx(value, rel=1e-4), unit)
        assert measured.low == (None if low is None else pytest.approx(low, rel=1e-4))
        assert measured.high == (None if high is None else pytest.approx(high, rel=1e-4))
    assert "load_time_to_60V_s" not in discharge_values(HAZEL)
    assert discharge_values(PrechargeRequirements(48.0, 1000.0, 0.5, max_voltage_V=60.0)) == {}
    just = discharge_values(PrechargeRequirements(48.0, 1000.0, 0.5, max_voltage_V=60.1))
    assert just["bleeder_time_to_60V_s"].low == 0.0  # 48 V are there already
