"""What the battery check says, draws and states of made loads: each sentence and value by hand.

Ohm's law; pulses by IEC 62660-1. A line's slope through made points is exact.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.battery import check
from logscope.checks.battery.check import energy_words, resistance_words, undetermined_words
from logscope.checks.battery.energy import Energy
from logscope.checks.battery.resistance import Pulses, Resistance
from logscope.checks.battery.sag import Sag, find_sag
from logscope.findings import Level, Mark, Measured, Severity, Style
from logscope.observations.under_load import UnderLoad
from logscope.statistics.integral import Integral
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Limits, Vehicle

T = np.arange(0.0, 100.0, 0.05)
SLOPE = Slope(0.2, 0.16, 0.24, 0.1, 9)
LEFT = Measured(12e3, "W", 10e3, 14e3)


def plain(text: str) -> str:
    return text.replace("\xa0", " ").replace("\u202f", " ")


def load_of(volts: Any = 300.0, amps: Any = 100.0, lag_s: float = 0.0, **more: Any) -> UnderLoad:
    size = T.size
    made = UnderLoad(
        T, np.broadcast_to(volts, size).astype(float), np.broadcast_to(amps, size).astype(float), np.zeros(size), lag_s,
        0.05, 0.05, 0.1, 0.1,
    )  # fmt: skip
    return replace(made, **more)


def pulses(low: float, high: float, count: int = 6) -> Pulses:
    return Pulses(np.arange(float(count)), np.full(count, (low + high) / 2), (low + high) / 2, low, high, 0.3)


def found(**fields: Any) -> Resistance:
    return Resistance(**{"slope": SLOPE, "span_s": 1.0, "load": load_of(), "pulses": None, **fields})


def sagging(left: Measured | None = LEFT) -> Sag:
    return Sag(20.25, 300.0, 100.0, 30e3, Measured(20.0, "V", 16.0, 24.0), Measured(320.0, "V", 316.0, 324.0), left)


def test_a_resistance_is_said_with_its_sag_and_the_power_left() -> None:
    said = resistance_words(found(), sagging(), 240.0, None)
    assert plain(said.title) == "Battery resistance: 200 mΩ within 1 s, 20 V sag at 30.0 kW"
    assert plain(said.explanation) == (
        "Within 1 s: 200 mΩ (95 %: 160 to 240 mΩ). At the highest power, 30.0 kW at 20.25 s, the voltage sags to "
        "300 V. "
        "Extrapolated power left before 240 V: 12.0 kW (95 %: 10.0 to 14.0 kW), less for a longer pull."
    )
    assert said.next_step.startswith("Keep this log and compare")
    assert plain(said.method).endswith(
        "Voltage every 50 ms against current, the current shifted 0 ms earlier, where the two match best."
    )
    unknown = resistance_words(found(), sagging(None), None, None)
    assert unknown.explanation.endswith("Power left: unknown without battery_min_V in the vehicle file.")
    assert unknown.next_step.startswith("Keep this log")


@pytest.mark.parametrize(("low_w", "lower"), [(1.0, False), (0.0, True), (-5.0, True)])
def test_power_is_to_be_lowered_where_none_may_be_left(low_w: float, lower: bool) -> None:
    said = resistance_words(found(), sagging(Measured(5.0, "W", low_w, 9.0)), 240.0, None)
    assert said.next_step.startswith("Do not raise the power, and lower it") is lower
    one = check._resistance(
        found(load=load_of(240.0 if lower else 300.0)), signals(), Vehicle(limits=Limits(battery_min_V=240))
    )
    assert one.severity is (Severity.WARNING if lower else Severity.GOOD)


@pytest.mark.parametrize(("lag_s", "shift"), [(0.04, "shifted 40 ms earlier"), (-0.04, "shifted 40 ms later")])
def test_the_shift_of_the_current_has_its_direction(lag_s: float, shift: str) -> None:
    assert shift in resistance_words(found(load=load_of(lag_s=lag_s)), sagging(), 240.0, None).method


def test_clear_steps_are_counted() -> None:
    for clusters, counted in ((1, "From 1 clear step of current within"), (3, "From 3 clear steps of current within")):
        said = resistance_words(found(slope=replace(SLOPE, clusters=clusters), by_steps=True), sagging(), 240.0, None)
        assert said.method.startswith(counted)
        assert "shifted" not in said.method


@pytest.mark.parametrize(
    ("low", "high", "agrees"), [(0.24, 0.30, True), (0.241, 0.30, False), (0.10, 0.16, True), (0.10, 0.159, False)]
)
def test_pulses_agree_where_their_limits_meet_those_of_the_line(low: float, high: float, agrees: bool) -> None:
    one = check._resistance(found(pulses=pulses(low, high)), signals(), Vehicle())
    ohm = one.measured["pulse_resistance_ohm"]
    assert (ohm.value, ohm.low, ohm.high) == ((low + high) / 2, low, high)
    assert one.measured["pulse_count"] == Measured(6.0, "1")
    assert ("which agrees." in one.method) is agrees
    assert ("which does not agree" in one.method) is not agrees
    assert "6 clean steps of current give" in one.method
    assert "after 300 ms" in one.method
    single = check._resistance(found(pulses=pulses(0.2, 0.3, 1)), signals(), Vehicle())
    assert "1 clean step of current gives" in single.method


def test_a_resistance_is_stated_with_what_follows_from_it() -> None:
    volts, amps = np.full(T.size, 320.0), np.zeros(T.size)
    volts[400:420], amps[400:420] = 300.0, 100.0
    one = found(load=load_of(volts, amps))
    stated = check._resistance(
        one, signals(part("battery_voltage", T, volts)), Vehicle(limits=Limits(battery_min_V=240))
    )
    sag = find_sag(one, 240.0)
    assert stated.measured == {
        "resistance_ohm": Measured(0.2, "ohm", 0.16, 0.24),
        "span_s": Measured(1.0, "s"),
        "open_circuit_V": sag.open_circuit,
        "peak_power_W": Measured(30e3, "W"),
        "sag_V": sag.sag,
        "power_left_W": sag.power_left,
    }
    assert (stated.start_s, stated.end_s, stated.parts) == (
        pytest.approx(20.0),
        pytest.approx(20.0),
        ("battery_voltage",),
    )
    assert "power_left_W" not in check._resistance(one, signals(), Vehicle()).measured


def test_the_chart_shows_the_samples_and_the_line_at_the_highest_power() -> None:
    """320 V less 0.2 Ω times the current, from 0 A or the most that flowed back to the most that was drawn."""
    amps = np.linspace(-40.0, 100.0, T.size)
    evidence = check._evidence(found(load=load_of(320.0, amps)), sagging(), 240.0)
    assert evidence.marks == (Mark(20.25, "highest power"),)
    assert evidence.levels == (Level(240.0, "lowest permitted", "battery_voltage"),)
    assert evidence.window == (15.25, 25.25)
    samples, line = evidence.charts[0].series
    assert samples.x.size == 1000  # every other one of 2000: no more than 1500
    assert samples.style is Style.POINTS
    assert (line.x.tolist(), line.y.tolist()) == ([-40.0, 100.0], [328.0, 300.0])
    assert (evidence.charts[0].x_unit, evidence.charts[0].y_unit) == ("A", "V")
    drawn = check._evidence(found(load=load_of(320.0, amps + 50.0)), sagging(), None)
    assert drawn.charts[0].series[1].x.tolist() == [0.0, 150.0]
    assert drawn.levels == ()


def test_without_a_resistance_the_movement_of_the_current_is_said() -> None:
    one = check._undetermined(load_of(350.0, np.linspace(3.0, 15.0, T.size)), signals())
    assert one.measured == {"current_span_A": Measured(pytest.approx(12.0), "A")}
    assert (one.severity, one.start_s, one.end_s) == (Severity.INFO, 0.0, pytest.approx(99.95))
    assert "here it moves within 12 A, sampled every 50 ms." in one.explanation
    assert "within about 1 s that move" in undetermined_words("why").explanation


WAY = Integral(12.0, 11.0, 13.0, 99.0)


def energy(way: Integral | None = WAY, charged: float = 0.0, way_by: str = "vehicle speed") -> Energy:
    drawn, returned = Integral(2000.0, 1900.0, 2100.0, 600.0), Integral(300.0, 280.0, 320.0, 600.0)
    return Energy(drawn, returned, Integral(charged, charged, charged, 600.0), way, way_by)


USED, SHARE = Measured(140.0, "Wh/km", 130.0, 150.0), Measured(15.0, "%", 13.0, 17.0)
AMOUNTS = "2.00 kWh (95 %: 1.90 to 2.10 kWh) drawn, 300 Wh returned by braking."


@pytest.mark.parametrize(
    ("one", "consumption", "share", "title", "said"),
    [
        (
            energy(),
            USED,
            SHARE,
            "Consumption: 140 Wh/km",
            f"{AMOUNTS} Distance: 12.0 km, by vehicle speed. 15.0 % (95 %: 13.0 to 17.0 %) of the energy drawn "
            f"was returned.",
        ),
        (
            energy(),
            USED,
            Measured(None, "%"),
            "Consumption: 140 Wh/km",
            f"{AMOUNTS} Distance: 12.0 km, by vehicle speed.",
        ),
        (
            energy(Integral(0.15, 0.1, 0.2, 9.0)),
            None,
            SHARE,
            "Energy: 2.00 kWh drawn",
            f"{AMOUNTS} Distance: 0.150 km, too short for a consumption (at least 0.2 km).",
        ),
        (energy(None), None, SHARE, "Energy: 2.00 kWh drawn", f"{AMOUNTS} Consumption: no speed is logged."),
        (
            energy(None, charged=20.1),
            None,
            SHARE,
            "Energy: 2.00 kWh drawn",
            f"{AMOUNTS} Consumption: no speed is logged. While the vehicle stood, 20.1 Wh flowed into the "
            f"battery; this is "
            "not counted as returned by braking.",
        ),
        (
            energy(None, charged=19.9),
            None,
            SHARE,
            "Energy: 2.00 kWh drawn",
            f"{AMOUNTS} Consumption: no speed is logged.",
        ),
    ],
)
def test_energy_is_said_with_its_distance(
    one: Energy, consumption: Any, share: Measured, title: str, said: str
) -> None:
    """A hundredth of 2 kWh is what counts as charged."""
    words = energy_words(one, consumption, share)
    assert (plain(words.title), plain(words.explanation)) == (title, said)
    assert words.method.startswith("Over 600 s with samples.")
    assert not words.hands_near_hv


def test_energies_are_stated_from_zero_on_and_a_charge_at_rest_apart() -> None:
    one = replace(energy(charged=5.0), returned=Integral(1.0, -3.0, 5.0, 600.0))
    whole = check._energy(one, load_of(), signals())
    assert (whole.start_s, whole.end_s) == (0.0, pytest.approx(99.95))
    stated = whole.measured
    assert stated["drawn_Wh"] == Measured(2000.0, "Wh", 1900.0, 2100.0)
    assert stated["returned_Wh"] == Measured(1.0, "Wh", 0.0, 5.0)
    assert stated["charged_standing_Wh"] == Measured(5.0, "Wh", 5.0, 5.0)
    assert stated["way_km"] == Measured(12.0, "km", 11.0, 13.0)
    assert "charged_standing_Wh" not in check._energy(energy(), load_of(), signals()).measured
    edge = replace(energy(), way=Integral(0.3, 0.2, 0.4, 9.0))
    assert "consumption_Wh_per_km" in check._energy(edge, load_of(), signals()).measured


@pytest.mark.parametrize(("drawn_wh", "returned_wh", "count"), [(0.5, 0.5, 2), (0.5, 0.49, 1)])
def test_energy_is_a_finding_from_a_watt_hour_on(
    drawn_wh: float, returned_wh: float, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []

    def sums(lag_s: float, apart_s: float, *_: Any) -> Energy:
        asked.append((lag_s, apart_s))
        return replace(energy(), drawn=Integral(drawn_wh, 0.1, 1.0, 9.0), returned=Integral(returned_wh, 0.1, 1.0, 9.0))

    monkeypatch.setattr(check, "find_energy", sums)
    made = signals(part("battery_voltage", T, np.full(T.size, 350.0)), part("battery_current", T, np.full(T.size, 5.0)))
    for resistance_of, lag, apart_s in (
        (None, 0.0, 0.05),
        (found(load=load_of(lag_s=0.02)), 0.02, 0.0125),
        (found(load=load_of(lag_s=0.0), by_steps=True), 0.0, 0.05),  # steps know no lag
    ):
        monkeypatch.setattr(check, "find_resistance", lambda _, one=resistance_of: one)
        assert len(check.battery(made, Any, Vehicle())) == count  # type: ignore[arg-type]
        assert asked[-1] == pytest.approx((lag, apart_s))
