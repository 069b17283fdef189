"""The ends of what a precharge circuit may be, and the notes on its parts: closed forms by hand."""

from __future__ import annotations

from dataclasses import replace
from math import log

import pytest

from logscope.errors import RequestError
from logscope.sizing.choose import choose, corners, nominal
from logscope.sizing.circuit import Circuit, rest_v, resting_voltages, rise
from logscope.sizing.component_notes import component_notes
from logscope.sizing.precharge import Stall, size_precharge
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.show import alternative_row, stall_row

HAZEL = PrechargeRequirements(320.0, 1000.0, 0.5, min_voltage_V=240.0, max_voltage_V=344.0)


def test_the_ends_of_the_resistor_are_those_of_the_closed_form() -> None:
    """R = t/(C·ln 20) nominal; the slow edge is 1.05 · 1.1 times as slow; 344 V onto the low edge of the resistor."""
    found = choose(HAZEL)
    assert found.max_ohm == pytest.approx(0.5 / (1e-3 * log(20.0)))
    assert found.band_ohm == pytest.approx(0.5 / (1e-3 * log(20.0)) / (1.05 * 1.1), rel=1e-6)
    assert found.min_ohm == pytest.approx(344.0 / 50.0 / 0.95)
    assert found.resistance_ohm == 160.0
    given = choose(replace(HAZEL, time_s=None, resistance_ohm=47.0))
    assert (given.resistance_ohm, given.max_ohm, given.band_ohm) == (47.0, None, None)


def test_every_end_of_voltage_and_tolerances_is_a_corner() -> None:
    needs = replace(HAZEL, load_ohm=5000.0, load_W=30.0, load_cut_in_V=150.0)
    found = list(corners(needs, 100.0))
    assert len(found) == 27
    assert {c.source_v for c in found} == {240.0, 320.0, 344.0}
    assert sorted({round(c.resistance_ohm, 9) for c in found}) == [95.0, 100.0, 105.0]
    assert sorted({round(c.capacitance_f, 12) for c in found}) == [0.9e-3, 1e-3, 1.1e-3]
    assert all((c.load_ohm, c.load_w, c.cut_in_v) == (5000.0, 30.0, 150.0) for c in found)
    assert nominal(needs, 100.0) == Circuit(320.0, 100.0, 1e-3, 5000.0, 30.0, 150.0)


@pytest.mark.parametrize(
    "given",
    [
        {"close_fraction": 0.0}, {"close_fraction": 1.0}, {"resistor_tolerance": -0.01}, {"capacitor_tolerance": 1.0},
        {"max_voltage_V": 319.0}, {"min_voltage_V": 321.0}, {"voltage_V": 0.0}, {"capacitance_uF": -1.0},
        {"load_ohm": 0.0}, {"loop_H": 0.0}, {"discharge_s": float("inf")}, {"load_cut_in_V": 100.0},
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_at_its_edge(given: dict[str, float]) -> None:
    with pytest.raises(RequestError):
        replace(HAZEL, **given)  # type: ignore[arg-type]


def test_what_just_makes_sense_is_taken() -> None:
    needs = replace(
        HAZEL, close_fraction=0.999, resistor_tolerance=0.0, capacitor_tolerance=0.0, min_voltage_V=320.0,
        max_voltage_V=320.0,
    )  # fmt: skip
    assert (needs.lowest_v, needs.highest_v, needs.capacitance_f) == (320.0, 320.0, pytest.approx(1e-3))
    bare = PrechargeRequirements(320.0, 1000.0, 0.5)
    assert (bare.lowest_v, bare.highest_v) == (320.0, 320.0)


@pytest.mark.parametrize(
    ("cut_in_v", "rests_v"),
    [(41.9, 358.113883), (41.8, None), (399.9, 358.113883), (400.0, 400.0), (401.0, 400.0)],
)
def test_a_load_that_never_starts_leaves_the_link_at_its_pack(cut_in_v: float, rests_v: float | None) -> None:
    """400 V, 50 Ω, 300 W: the roots of V² − 400·V + 15 000."""
    found = rest_v(Circuit(400.0, 50.0, 2e-3, load_w=300.0, cut_in_v=cut_in_v))
    assert found == (None if rests_v is None else pytest.approx(rests_v))


def test_the_greatest_power_that_passes_holds_the_link_at_half() -> None:
    """400²/(4 · 50) = 800 W."""
    assert resting_voltages(Circuit(400.0, 50.0, 2e-3, load_w=800.0)) == (200.0, 200.0)
    assert resting_voltages(Circuit(400.0, 50.0, 2e-3, load_w=800.1)) is None
    assert resting_voltages(Circuit(400.0, 50.0, 2e-3, load_w=799.99)) == pytest.approx(
        (200 - 0.5**0.5, 200 + 0.5**0.5)
    )
    assert rest_v(Circuit(400.0, 50.0, 2e-3, load_w=0.5)) is None  # it starts at once, below its root of 62 mV


def test_of_the_edges_that_never_get_there_the_lowest_is_named() -> None:
    """5 kΩ across the link and 1 kΩ + 5 % hold it at 5/6.05 of 240 V."""
    needs = replace(HAZEL, time_s=None, resistance_ohm=1000.0, load_ohm=5000.0)
    with pytest.raises(RequestError, match=r"with 1050 Ω the load holds the link at 198\.3 V, 82\.6 % of 240 V"):
        choose(needs)
    near = replace(needs, resistance_ohm=255.0)  # at the upper edge alone: 5/5.268 are 94.9 %, nominal 95.1 %
    with pytest.raises(RequestError, match=r"with 267\.8 Ω"):
        choose(near)


def test_requirements_that_exclude_each_other_are_named() -> None:
    """344 V over 0.95 Ω and 50 A are 7.24 Ω; 3 τ of 1 mF in 21, 22, 24 ms are 7.0, 7.3, 8.0 Ω; E24 has 7.5 Ω."""
    for time_s, said in ((0.021, "closing within 0.021 s needs at most 7.01 Ω"), (0.0220, "no value of E12 lies")):
        with pytest.raises(RequestError, match=said):
            choose(replace(HAZEL, time_s=time_s, series="E12"))
    assert choose(replace(HAZEL, time_s=0.024, series="E24")).resistance_ohm == 7.5


def test_a_link_that_is_there_already_takes_neither_time_nor_heat() -> None:
    assert rise(Circuit(400.0, 50.0, 2e-3), 300.0, 300.0) == (0.0, 0.0)


def test_notes_and_rows_hold_the_numbers_of_the_design_in_their_units() -> None:
    design = size_precharge(replace(HAZEL, loop_ohm=0.012, loop_H=1.5e-6, load_W=30.0, load_cut_in_V=150.0))
    said = dict(component_notes(design))
    assert "12 mΩ and 1.5 µH" in said["Main contactor"]
    assert "reached 95 % of the pack voltage" in said["Controller"]
    assert "344 V DC" in said["Precharge relay"]
    assert "beyond its 30 W" in said["Load"]
    assert "Voltage class" not in said
    low = dict(component_notes(size_precharge(PrechargeRequirements(48.0, 1000.0, 0.5, max_voltage_V=60.0))))
    assert "60 V DC" in low["Voltage class"]
    assert "Load" not in low
    stalled = Stall(fraction=0.75, load_ohm=0.0, link_V=258.0, power_W=50.0, energy_J=20.0, allowed_s=None)
    assert stall_row(stalled)[0::4] == ("75 %", "")
    assert stall_row(stalled)[1] == "a short circuit"
    (_, own, above) = design.alternatives
    assert (alternative_row(own)[-1], alternative_row(above)[-1]) == ("yes", "no")
