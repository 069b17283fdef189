"""The values of a precharge finding, each beside the circuit that they are of.

Oracles: scipy's solver of linear systems for the inrush; the voltage divider and Ohm's law by hand (Alexander & Sadiku,
Fundamentals of Electric Circuits, chapters 2 and 8) for a load on the link.
"""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy.signal import lti, step

from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.values import _closing_values, _implied_resistance, _parallel_load
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.observations.dc_link.link import PackLevel
from logscope.physics.rc import LOOP_H, LOOP_OHM
from logscope.vehicle import Precharge, Vehicle

R_OHM, C_F, PACK_V, WITHIN_V = 150.0, 1e-3, 350.0, 2.0
HAZEL = Vehicle(precharge=Precharge(resistance_ohm=R_OHM, capacitance_uF=1e6 * C_F))


def made(**fields: Any) -> Any:
    pack = PackLevel(PACK_V, WITHIN_V)
    usual = {"pack": pack, "pack_v": PACK_V, "closing": None, "fit": None, "settled": True}
    return SimpleNamespace(**{**usual, **fields})


def about(value: float, off: float) -> Estimate:
    return Estimate(value, value - off, value + off, value - 2 * off, value + 2 * off)


@cache
def peak_a_per_v() -> float:
    """Of the current when one volt is closed onto the link: scipy.signal.step of C·s/(L·C·s² + R·C·s + 1)."""
    loop = lti([C_F, 0.0], [LOOP_H * C_F, LOOP_OHM * C_F, 1.0])
    return float(step(loop, T=np.linspace(0.0, 5e-4, 3_000))[1].max())


def peak_a(across_v: float) -> float:
    return across_v * peak_a_per_v()


@pytest.mark.parametrize(("low_v", "high_v"), [(0.0, 5.0), (300.0, 310.0), (330.0, 330.0), (344.0, 351.0)])
def test_an_inrush_is_bounded_by_the_highest_pack_and_the_lowest_link(low_v: float, high_v: float) -> None:
    """Pack 348 to 352 V; the difference and the fraction with their limits by hand."""
    found = _closing_values(made(closing=SimpleNamespace(low_v=low_v, high_v=high_v)), HAZEL)
    apart = found["close_difference_V"]
    middle_v = (low_v + high_v) / 2
    assert (apart.value, apart.low, apart.high) == pytest.approx((350.0 - middle_v, 348.0 - high_v, 352.0 - low_v))
    share = found["fraction_at_close"]
    assert (share.value, share.low) == pytest.approx((middle_v / 350.0, low_v / 352.0))
    assert share.high == pytest.approx(high_v / 348.0)
    bound = found["inrush_bound_A"].value
    assert bound == pytest.approx(peak_a(352.0 - low_v), rel=2e-3)
    for pack_v in (348.0, 350.0, 352.0):  # whatever link and pack truly were
        for link_v in (low_v, high_v):
            assert bound is not None
            assert bound >= 0.998 * peak_a(max(pack_v - link_v, 0.0))


def test_without_a_closing_or_a_pack_nothing_is_said_of_an_inrush() -> None:
    for m in (made(), made(closing=SimpleNamespace(low_v=300.0, high_v=310.0), pack=None, pack_v=None)):
        found = _closing_values(m, HAZEL)
        assert "inrush_bound_A" not in found
        assert {each.value for each in found.values()} == {None}


@pytest.mark.parametrize("load_ohm", [200.0, 900.0, 3000.0])
def test_a_load_on_the_link_is_that_of_the_voltage_divider(load_ohm: float) -> None:
    end_v = PACK_V * load_ohm / (R_OHM + load_ohm)
    fit = SimpleNamespace(end=about(end_v, 0.5), shape=Shape.EXPONENTIAL, load=None)
    found = _parallel_load(made(fit=fit), HAZEL)
    ohm, power = found["parallel_load_ohm"], found["load_power_W"]
    assert ohm.value == pytest.approx(load_ohm)
    assert power.value == pytest.approx(end_v**2 / load_ohm)
    for of, low_v, high_v in ((ohm, end_v - 0.5, end_v + 0.5),):
        assert (of.low, of.high) == pytest.approx(tuple(R_OHM * v / (PACK_V - v) for v in (low_v, high_v)))
    watts = [v * (PACK_V - v) / R_OHM for v in (end_v - 0.5, end_v + 0.5)]
    assert (power.low, power.high) == pytest.approx((min(watts), max(watts)))


@pytest.mark.parametrize(
    "m",
    [
        made(),
        made(fit=SimpleNamespace(end=about(300.0, 0.5), shape=Shape.EXPONENTIAL), settled=False),
        made(fit=SimpleNamespace(end=about(300.0, 0.5), shape=Shape.EXPONENTIAL), pack_v=None),
        made(fit=SimpleNamespace(end=about(342.0, 0.5), shape=Shape.EXPONENTIAL)),  # two sensors differ by as much
        made(fit=SimpleNamespace(end=about(336.0, 5.0), shape=Shape.EXPONENTIAL)),  # it may end as high
    ],
)
def test_no_load_is_stated_where_the_link_may_come_up_to_its_pack(m: Any) -> None:
    """3 % are what pack and link sensors differ by (common practice, no published source): 339.5 V."""
    assert _parallel_load(m, HAZEL) == {}


def test_a_constant_that_is_off_implies_a_resistance_in_the_same_proportion() -> None:
    """R = τ/C: 200 to 220 ms over 1 mF are 200 to 220 Ω."""
    constant = SimpleNamespace(time_constant=Estimate(0.21, 0.20, 0.22, 0.19, 0.23))
    off = cast(Judged, SimpleNamespace(constant=constant, factor=1.4, expected_s=R_OHM * C_F))
    found = _implied_resistance(off, HAZEL)["implied_resistance_ohm"]
    assert (found.value, found.low, found.high) == pytest.approx((210.0, 200.0, 220.0))
    as_expected = cast(Judged, SimpleNamespace(constant=constant, factor=None, expected_s=R_OHM * C_F))
    assert _implied_resistance(as_expected, HAZEL) == {}


def test_where_no_capacitance_is_stated_an_inrush_is_that_of_a_millifarad() -> None:
    """The middle of what inverters carry (common practice, no published source); a quarter of it makes less."""
    m = made(closing=SimpleNamespace(low_v=300.0, high_v=310.0))
    stated = {
        uf: _closing_values(m, Vehicle(precharge=Precharge(capacitance_uF=uf)))["inrush_bound_A"].value
        for uf in (None, 250.0, 1000.0)
    }
    assert stated[None] == stated[1000.0] == pytest.approx(peak_a(52.0), rel=2e-3)
    assert stated[250.0] < stated[1000.0]


@pytest.mark.parametrize(("end_v", "stated"), [(338.5, True), (339.2, False)])
def test_a_load_holds_a_link_three_per_cent_below_its_pack(end_v: float, stated: bool) -> None:
    """0.5 V are left to either side: 339.5 V are the edge."""
    fit = SimpleNamespace(end=about(end_v, 0.5), shape=Shape.EXPONENTIAL, load=None)
    assert bool(_parallel_load(made(fit=fit), HAZEL)) is stated
    assert _parallel_load(made(fit=fit), Vehicle()) == {}
