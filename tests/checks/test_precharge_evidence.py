"""What is drawn and stated of a precharge: curves, marks, levels and residuals, and a link that did not rise; by hand.

v(t) = V − (V − V0)·exp(−t/RC); behind a lag as the two-pole step response (Alexander & Sadiku, Fundamentals of Electric
Circuits, chapters 7 and 8). 95 % of a normal noise lie within 1.96 deviations (ISO 3534-1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part
from precharge_pieces import ATTEMPT, HAZEL, about, closed, fitted, judged, measured, sound

from logscope.checks.precharge import check, stress, witness
from logscope.checks.precharge.compare import Constant, Verdict
from logscope.checks.precharge.evidence import evidence
from logscope.checks.precharge.values import measured_values
from logscope.checks.precharge.witness import _constants, _from_current, _from_voltage, witnesses
from logscope.curves.rise_shapes import Shape
from logscope.findings import Level, Mark, Measured, Severity, Style
from logscope.observations.dc_link.flags import NoRise
from logscope.signals import Signals
from logscope.vehicle import Limits, Precharge, Vehicle

AT = 0.95 + 0.01 * np.arange(70)
RISE_V = 350 * (1 - np.exp(-np.maximum(AT - 1.0, 0.0) / 0.15))
LINK = link_of(part("dc_link_voltage", AT, RISE_V + 0.5), noise_v=0.4)


def test_marks_and_levels_are_those_of_the_attempt() -> None:
    found = evidence(judged("complete", sound(), measured(closing=closed(330.0, 340.0))), LINK)
    assert found.marks == (Mark(1.0, "rise begins"), Mark(1.525, "contactor closes"))
    assert found.levels == (Level(332.5, "closing threshold, 95 % of the pack", "dc_link_voltage"),)
    assert [curve.label for curve in found.curves] == ["fitted curve", "expected from R·C, with its tolerance"]
    bare = evidence(judged("undetermined", None, measured(pack=None, inside=2, fit=None)), LINK)
    assert bare.marks == (Mark(1.0, "rise begins"),)
    assert (bare.levels, bare.curves, bare.charts) == ((), (), ())
    free = evidence(judged("complete", sound(), expected_s=None), LINK)
    assert [curve.label for curve in free.curves] == ["fitted curve"]


def test_the_fitted_and_the_expected_curve_are_drawn_over_the_rise() -> None:
    """From the fitted start to the pack's voltage with 150 ms, and with 180 and 120 ms as its edges."""
    m = measured(fit=fitted(0.27, start=about(20.0), end=about(340.0)), end_s=1.8)
    fit, expected = evidence(judged("slow", Constant(Verdict.SLOW, about(0.27)), m), LINK).curves
    assert (fit.part, expected.part) == ("dc_link_voltage", "dc_link_voltage")
    assert (fit.time_s[0], fit.time_s[-1]) == (1.0, 1.8)
    assert fit.value == pytest.approx(350 * (1 - np.exp(-(fit.time_s - 1.0) / 0.27)))
    after_s = expected.time_s - 1.0
    for found, tau_s in ((expected.value, 0.15), (expected.low, 0.18), (expected.high, 0.12)):
        assert found == pytest.approx(20 + 330 * (1 - np.exp(-after_s / tau_s)))
    unknown = evidence(judged("slow", Constant(Verdict.SLOW, about(0.27)), replace(m, pack=None)), LINK).curves[1]
    assert unknown.value == pytest.approx(20 + 320 * (1 - np.exp(-after_s / 0.15)))


def test_the_expected_curve_is_seen_through_the_same_lag() -> None:
    expected = evidence(judged("complete", sound(lag=about(0.03))), LINK).curves[1]
    after_s = expected.time_s - 1.0
    for found, tau_s in ((expected.value, 0.15), (expected.low, 0.18), (expected.high, 0.12)):
        fraction = 1 - (tau_s * np.exp(-after_s / tau_s) - 0.03 * np.exp(-after_s / 0.03)) / (tau_s - 0.03)
        assert found == pytest.approx(350 * fraction)


def test_residuals_are_reading_less_curve_beside_the_noise_of_a_reading() -> None:
    """Each reading is 0.5 V above the curve; the noise of 0.4 V is ± 0.784 V with 95 %."""
    m = measured(window=slice(5, 50))
    (chart,) = evidence(judged("complete", sound(), m), LINK).charts
    noise, readings = chart.series
    assert readings.x == pytest.approx(AT[5:50] - 1.0)
    assert readings.y == pytest.approx(0.5)
    assert readings.style is Style.POINTS
    assert noise.x == pytest.approx([0.0, 0.44])
    assert noise.low == pytest.approx([-0.784, -0.784], abs=1e-3)
    assert noise.high == pytest.approx([0.784, 0.784], abs=1e-3)
    assert noise.y == pytest.approx([0.0, 0.0])
    assert (chart.x_unit, chart.y_unit, chart.y_name) == ("s", "V", "reading less fitted curve")


# --- values that need a curve


def test_the_values_of_a_fitted_curve_are_stated_with_their_limits() -> None:
    asked: list[float] = []

    def crossing(level_v: float) -> Any:
        asked.append(level_v)
        return about(0.45)

    fit = fitted(start=about(20.0), end=about(340.0), crossing=crossing, heating=about(0.1))
    found = measured_values(judged("complete", sound(), measured(fit=fit)), HAZEL)
    assert found["start_voltage_V"] == Measured(20.0, "V", *limits(20.0))
    assert found["end_voltage_V"] == Measured(340.0, "V", *limits(340.0))
    assert found["time_to_threshold_s"] == Measured(0.45, "s", *limits(0.45))
    assert found["fit_residual_V"] == Measured(0.25, "V")
    grown = found["resistor_growth_percent"]
    assert (grown.value, grown.low, grown.high) == pytest.approx((10.0, 9.9, 10.1))
    assert "missing_s" not in found
    measured_values(judged("complete", sound(), measured(fit=fit, pack=None)), HAZEL)
    assert asked == pytest.approx([332.5, 323.0])  # 95 % of the pack, else of where the curve leads
    never = measured_values(judged("complete", sound(), measured(missing_s=0.02)), HAZEL)
    assert (never["time_to_threshold_s"], never["missing_s"]) == (Measured(None, "s"), Measured(0.02, "s"))


def limits(value: float) -> tuple[float, float]:
    return about(value).low, about(value).high


def test_a_third_constant_leaves_no_lower_limit() -> None:
    both = (about(0.3), about(0.05))
    for third, low in ((False, both[1].low), (True, None)):
        one = judged("undetermined", Constant(Verdict.OPEN, None, both=both), measured(fit=fitted(third=third)))
        found = measured_values(one, HAZEL)
        assert found["time_constant_s"] == Measured(None, "s", low, both[0].high)
        assert found["slower_constant_s"] == Measured(0.3, "s", *limits(0.3))
        assert found["faster_constant_s"] == Measured(0.05, "s", *limits(0.05))


def test_how_far_a_link_came_is_a_share_of_its_pack_or_of_the_emptiest() -> None:
    loaded = measured(fit=fitted(end=about(210.0)), reached_v=210.0)
    stalled, cut = (measured_values(judged(kind, None, loaded), HAZEL) for kind in ("stalled", "interrupted"))
    assert stalled["fraction_reached"] == cut["fraction_reached"] == Measured(0.6, "1")
    assert "parallel_load_ohm" in stalled
    assert "parallel_load_ohm" not in cut  # its end says nothing of a load
    unknown = replace(loaded, pack=None)
    assert measured_values(judged("stalled", None, unknown), HAZEL)["fraction_reached"] == Measured(
        None, "1", None, 0.875
    )
    assert "fraction_reached" not in measured_values(judged("complete", None, unknown), HAZEL)
    bare = Vehicle(precharge=HAZEL.precharge, limits=Limits())
    assert "fraction_reached" not in measured_values(judged("stalled", None, unknown), bare)


def test_heat_of_earlier_attempts_is_stated_where_there_were_any() -> None:
    energy, peak, held = Measured(60.0, "J", 59.0, 61.0), Measured(800.0, "W"), Measured(90.0, "J", 70.0, 110.0)
    one = stress.Stress(1.0, 2.0, True, energy, peak)
    both = {"resistor_energy_J": energy, "resistor_peak_power_W": peak}
    assert stress.stress_values(one, None) == both
    assert stress.stress_values(one, held) == {**both, "resistor_heat_J": held}
    assert stress.stress_values(None, held) == {}
    stalled = replace(one, stall=stress.Stall(2.0, Measured(130.0, "W"), Measured(260.0, "J")))
    assert stress.stress_values(stalled, None) == {
        **both,
        "stalled_s": Measured(2.0, "s"),
        "stalled_power_W": Measured(130.0, "W"),
        "stalled_energy_J": Measured(260.0, "J"),
    }


def test_a_load_of_constant_power_is_its_share_of_the_packs_square_over_the_resistor() -> None:
    """P·R/V² = 0.1 at 300 V and 150 Ω: 60 W."""
    load = about(0.1, 0.1)
    fit = fitted(end=about(300.0), shape=Shape.CONSTANT_POWER, load=load)
    found = measured_values(judged("complete", None, measured(fit=fit)), HAZEL)["load_power_W"]
    assert (found.value, found.low, found.high) == pytest.approx((60.0, 54.0, 66.0))
    none = fitted(end=about(300.0), shape=Shape.CONSTANT_POWER)
    assert "load_power_W" not in measured_values(judged("complete", None, measured(fit=none)), HAZEL)


def test_a_load_is_that_of_the_level_that_the_closing_itself_shows() -> None:
    """345 V by the link's own sensor: 340.9 V are held down by 1.2 %, 342.2 V by 0.8 %, which is left to the noise."""
    for end_v, stated in ((340.9, True), (342.2, False)):
        m = measured(fit=fitted(end=about(end_v, 1e-4)), closing=replace(closed(340.0, 341.0, 4.0), level_v=345.0))
        found = measured_values(judged("complete", None, m), HAZEL)
        assert ("parallel_load_ohm" in found) is stated
        if stated:
            share = end_v / 345.0
            assert found["parallel_load_ohm"].value == pytest.approx(150 * share / (1 - share))
            assert found["load_power_W"].value == pytest.approx(end_v * (345.0 - end_v) / 150)


# --- the findings of the check


@pytest.mark.parametrize(
    ("kind", "pack", "severity"),
    [
        ("complete", True, Severity.GOOD), ("complete", False, Severity.INFO), ("slow", True, Severity.WARNING),
        ("fast", False, Severity.WARNING), ("stalled", True, Severity.DANGER), ("interrupted", True, Severity.DANGER),
        ("closed_early", True, Severity.DANGER), ("bypassed", False, Severity.DANGER),
        ("undetermined", True, Severity.INFO),
    ],
)  # fmt: skip
def test_an_outcome_is_as_severe_as_it_is_dangerous(kind: str, pack: bool, severity: Severity) -> None:
    m = measured() if pack else measured(pack=None)
    assert check._severity(judged(kind, None, m)) is severity


@pytest.mark.parametrize(
    ("closing", "end_s"), [(None, 1.6), (closed(1.0, 2.0, at_s=1.7), 1.75), (closed(1.0, 2.0, at_s=0.5), 1.0)]
)
def test_a_finding_lasts_from_the_onset_to_the_closing(closing: Any, end_s: float) -> None:
    signals = Signals({"dc_link_voltage": LINK.part}, 0.0, 5.0)
    found = check._finding(judged("complete", sound(), measured(closing=closing)), LINK, signals, HAZEL, None, None)
    assert (found.kind, found.start_s, found.end_s) == ("precharge.complete", 1.0, pytest.approx(end_s))
    assert found.parts == ("dc_link_voltage",)
    assert found.expected["time_constant_s"].value == 0.15


@pytest.mark.parametrize(
    ("by", "start_s", "name", "level_v", "moved_v"),
    [
        ("precharge_relay", 1.0, "precharge relay", 4.0, 2.0),
        ("main_contactor", 1.0, "main contactor", 4.0, 2.0),
        ("precharge_relay", 1.31, "precharge relay", 4.0, 2.0),  # two readings alone: those of 0.15 s around it
    ],
)
def test_a_link_that_did_not_rise_is_described_by_its_level(
    by: str, start_s: float, name: str, level_v: float, moved_v: float
) -> None:
    """3, 4 and 5 V in turn, every 20 ms, of a pack of 350 V."""
    at = 0.02 * np.arange(200)
    volts = part("dc_link_voltage", at, 4.0 + (np.arange(200) % 3 - 1))
    link = link_of(volts)
    event = NoRise(start_s, 1.34, by)
    signals = Signals({"dc_link_voltage": volts}, 0.0, 5.0)
    found = check._no_rise(event, signals, link, HAZEL)
    assert (found.kind, found.severity) == ("precharge.no_rise", Severity.DANGER)
    assert (found.start_s, found.end_s) == (start_s, 1.34)
    assert found.title == f"Incomplete precharge: the link did not rise while the {name} was closed"
    told = (
        f"The {name} reported closed for {1.34 - start_s:.2f} s; the link voltage stayed at {level_v:.1f} V and moved"
    )
    assert told in found.explanation
    assert f"moved by {moved_v:.1f} V at most" in found.explanation
    assert found.measured["start_voltage_V"] == found.measured["end_voltage_V"] == Measured(level_v, "V")
    assert found.measured["fraction_reached"].value == pytest.approx(4.0 / 350.0)
    assert found.evidence.marks == (Mark(start_s, f"{name} closes"), Mark(1.34, f"{name} opens"))
    unknown = check._no_rise(event, signals, link_of(volts, full_v=None), HAZEL)
    assert "fraction_reached" not in unknown.measured


# --- heat and witnesses of made attempts


@pytest.mark.parametrize(
    ("kind", "fields", "until_s", "seen"),
    [
        ("complete", {"closing": closed(330.0, 340.0)}, 1.525, True),
        ("complete", {}, 1.6, True),
        ("complete", {"attempt": replace(ATTEMPT, ended_by="log end")}, 1.6, False),
        ("stalled", {"attempt": replace(ATTEMPT, relay_s=1.0, relay_end_s=3.0)}, 3.0, True),
        ("stalled", {"attempt": replace(ATTEMPT, relay_s=1.0)}, 9.0, False),
        ("stalled", {"attempt": replace(ATTEMPT, ended_by="fall")}, 1.55, True),
        ("stalled", {}, 1.55, False),
    ],
)
def test_the_resistor_carries_the_charge_until_its_end(kind: str, fields: Any, until_s: float, seen: bool) -> None:
    signals = Signals({}, 0.0, 9.0)
    found = stress._carries_until(judged(kind, None, measured(**fields)), signals, LINK)
    assert found == (pytest.approx(until_s), seen)


def test_a_whole_rise_costs_what_the_capacitor_stores_and_a_slow_one_that_of_its_own_resistor() -> None:
    """½·C·V² for 1 mF and 350 V is 61.25 J; 270 ms are 270 Ω at 1 mF: as much heat, but 350²/270 W."""
    signals = Signals({}, 0.0, 9.0)
    m = measured(end_s=3.0)
    one = stress.stress(judged("complete", sound(), m), signals, LINK, HAZEL)
    assert one is not None
    assert (one.start_s, one.end_s, one.whole, one.stall) == (1.0, 3.0, True, None)
    assert one.energy_J.value == pytest.approx(61.25, rel=1e-3)
    assert one.peak_power_W.value == pytest.approx(350**2 / 150)
    assert (one.peak_power_W.low, one.peak_power_W.high) == pytest.approx(
        ((350 * 0.985) ** 2 / 150, (350 * 1.015) ** 2 / 150)
    )
    slow = judged("slow", Constant(Verdict.SLOW, about(0.27)), measured(fit=fitted(0.27), end_s=4.0))
    other = stress.stress(slow, signals, LINK, HAZEL)
    assert other is not None
    assert other.energy_J.value == pytest.approx(61.25, rel=1e-3)
    after_s = np.linspace(0.0, 3.0, 30001)  # a pack that reads 5.25 V too low, and the constant's upper limit
    most_j = float(np.trapezoid((5.25 + 350 * np.exp(-after_s / 0.2727)) ** 2, after_s)) / 270
    assert other.energy_J.high == pytest.approx(1.8 * most_j, rel=1e-3)  # or 270 ms of the file's resistor
    assert other.peak_power_W.value == pytest.approx(350**2 / 270)
    assert other.peak_power_W.high == pytest.approx((350 * 1.015) ** 2 / 150)  # or that of the file's resistor
    begun = replace(m, attempt=replace(ATTEMPT, onset_seen=False))
    part_of = stress.stress(judged("complete", sound(), begun), signals, LINK, HAZEL)
    assert part_of is not None
    assert (part_of.whole, part_of.energy_J.value, part_of.peak_power_W.value) == (False, None, None)
    ends = replace(m, attempt=replace(ATTEMPT, ended_by="log end"))
    cut = stress.stress(judged("complete", sound(), ends), signals, LINK, HAZEL)
    assert cut is not None
    assert (cut.whole, cut.energy_J.high, cut.peak_power_W.value) == (False, None, pytest.approx(350**2 / 150))
    for none in (judged("complete", sound(), replace(m, pack=None)), judged("complete", None, replace(m, fit=None))):
        assert stress.stress(none, signals, LINK, HAZEL) is None
    assert stress.stress(judged("complete", sound(), m), signals, LINK, Vehicle(precharge=Precharge())) is None


def test_a_stall_costs_its_rise_and_what_comes_after_three_constants() -> None:
    """Held at 210 V of 350 V through 150 Ω: 140²/150 = 130.7 W from 1.0 + 3 · 0.09 s until the relay opens at 3 s."""
    at = 0.9 + 0.01 * np.arange(300)
    link = link_of(part("dc_link_voltage", at, 210 * (1 - np.exp(-np.maximum(at - 1.0, 0.0) / 0.09))))
    m = measured(
        fit=fitted(0.09, end=about(210.0)),
        reached_v=210.0,
        top_v=210.0,
        attempt=replace(ATTEMPT, relay_s=1.0, relay_end_s=3.0),
    )
    one = stress.stress(judged("stalled", None, m), Signals({}, 0.0, 9.0), link, HAZEL)
    assert one is not None
    assert one.stall is not None
    assert one.stall.lasted_s == pytest.approx(1.73)
    assert one.stall.power_W.value == pytest.approx(140**2 / 150, rel=0.02)
    after_s = np.linspace(0.0, 2.0, 20001)
    power_w = (350 - 210 * (1 - np.exp(-after_s / 0.09))) ** 2 / 150
    assert one.energy_J.value == pytest.approx(float(np.trapezoid(power_w, after_s)), rel=2e-3)


def current(peak_a: float, count: int = 60, before: int = 10, noise_a: float = 0.1) -> Any:
    """At rest at 3 A, then falling with 150 ms from 1.0 s on."""
    at = 1.0 + 0.01 * np.arange(-before, count)
    amps = 3.0 + np.where(at >= 1.0 - 1e-9, peak_a * np.exp(-(at - 1.0) / 0.15), 0.0)
    return part("battery_current", at, amps + noise_a * np.where(np.arange(at.size) % 2, 1.0, -1.0))


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was handed to the fit: times, voltages, rounding step, whether the onset is seen."""
    handed: list[Any] = []

    def fit(time_s: Any, volts: Any, step_v: float, *, onset_seen: bool) -> Any:
        handed.append((time_s, volts, step_v, onset_seen))
        return fitted()

    monkeypatch.setattr(witness, "fit_curve", fit)
    return handed


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_fall_of_a_current_after_its_peak_is_fitted_as_a_rise(sign: float, fits: list[Any]) -> None:
    """From the reading after the peak on, by how far it has fallen: |50 A| · (1 − exp(−t/150 ms))."""
    assert _from_current(current(50.0 * sign, noise_a=0.0), 1.0, 1.5) is not None
    ((time_s, fallen_a, step_a, onset_seen),) = fits
    assert time_s == pytest.approx(1.0 + 0.01 * np.arange(1, time_s.size + 1))
    assert fallen_a == pytest.approx(50 * (1 - np.exp(-(time_s - 1.0) / 0.15)))
    assert (time_s[-1], step_a, onset_seen) == (pytest.approx(1.5), 0.0, False)


@pytest.mark.parametrize(
    ("amps", "end_s", "fitted_one"),
    [
        (current(50.0, before=4), 1.5, False),  # five readings up to the onset
        (current(50.0, before=5), 1.5, True),
        (current(50.0), 1.055, False),  # its peak, and five of its fall
        (current(50.0), 1.065, True),
        (current(1.0, noise_a=0.3), 1.5, False),
        (current(20.0, noise_a=0.3), 1.5, True),
    ],
)
def test_a_current_is_fitted_where_it_stands_out_of_its_rest(
    amps: Any, end_s: float, fitted_one: bool, fits: list[Any]
) -> None:
    assert (_from_current(amps, 1.0, end_s) is not None) is fitted_one
    assert len(fits) == fitted_one


@pytest.mark.parametrize(("step_a", "fitted_one"), [(6.0, True), (6.5, False)])
def test_a_current_stands_out_by_eight_of_its_steps(step_a: float, fitted_one: bool, fits: list[Any]) -> None:
    """50 A."""
    assert (_from_current(replace(current(50.0, noise_a=0.0), step=step_a), 1.0, 1.5) is not None) is fitted_one


def test_a_second_voltage_is_fitted_with_a_fifth_of_a_second_before_the_rise(fits: list[Any]) -> None:
    early = part("dc_link_voltage_second", np.arange(0.0, 3.0, 0.05), np.arange(60.0), step=1.0)
    assert _from_voltage(early, 1.02, 1.6) is not None
    ((time_s, volts, step_v, onset_seen),) = fits
    assert (time_s[0], time_s[-1]) == pytest.approx((0.85, 1.6))
    assert (volts[0], step_v, onset_seen) == (17.0, 1.0, True)


def test_witnesses_are_asked_in_turn_for_the_time_of_the_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times 150 and 20 ms from the onset on, and no longer than the curve."""
    asked: list[tuple[str, float, float]] = []

    def shown(one: Any, onset_s: float, end_s: float) -> Any:
        asked.append((one.name, onset_s, end_s))
        return fitted(0.15, lag=about(0.01))

    monkeypatch.setattr(witness, "_from_current", shown)
    monkeypatch.setattr(witness, "_from_voltage", shown)
    second = part("dc_link_voltage_second", AT, RISE_V)
    signals = Signals({"battery_current": current(50.0), "dc_link_voltage_second": second}, 0.0, 9.0)
    fit = fitted(lag=about(0.02))
    for end_s, until_s in ((5.0, 1.68), (1.5, 1.5)):
        found = witnesses(signals, fit, end_s)
        assert [one.part for one in found] == ["battery_current", "dc_link_voltage_second"]
        assert all(one.constants == (about(0.15), about(0.01)) for one in found)
        assert asked == [(one.part, 1.0, pytest.approx(until_s)) for one in found]
        asked.clear()
    assert witnesses(signals, fitted(onset=None), 5.0) == []
    assert _constants(fitted()) == (about(0.15),)
