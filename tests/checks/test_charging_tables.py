"""What went wrong in a charge, guard by guard: each row of a table needs one of them.

Expected by hand from the made session: a capacitor behind a resistance, 20 A until 333 V, then 20·exp(−t/RC)
(first-order RC circuit, any textbook of circuits).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_traces import VEHICLE, Made
from one_check import findings_of

from logscope.checks.charging.check import charging
from logscope.checks.charging.margins import find_margins
from logscope.findings import Finding, Severity
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.vehicle import Charging, Limits, Vehicle


def judged(signals: Signals, vehicle: Vehicle = VEHICLE) -> dict[str, Finding]:
    return {finding.kind.removeprefix("charge."): finding for finding in findings_of(charging, signals, vehicle)}


def with_part(signals: Signals, part: Part) -> Signals:
    return replace(signals, parts={**signals.parts, part.name: part})


def falling(signals: Signals, since_s: float, lasts_s: float) -> Signals:
    """The same with the charger's and the battery's current brought down along a straight line."""
    for name in ("charger_current", "battery_current"):
        part = signals.parts[name]
        left = np.clip(1.0 - (part.time_s - since_s) / lasts_s, 0.0, 1.0)
        signals = with_part(signals, replace(part, value=np.round(part.value * left, 1)))
    return signals


@pytest.mark.parametrize(("lasts_s", "goes_on"), [(0.5, False), (2.5, False), (4.5, False), (9.0, True)])
def test_a_charger_may_ramp_down_for_five_seconds_after_its_request_is_withdrawn(lasts_s: float, goes_on: bool) -> None:
    """Common practice, no published source. The request is sent five times a second."""
    made = Made(ends_s=310.0, request_ends_s=300.0).signals()
    assert ("not_stopping" in judged(falling(made, 300.0, lasts_s))) is goes_on


@pytest.mark.parametrize("lasts_s", [0.4, 2.0, 5.0])
def test_a_plug_opens_under_the_current_that_flows_then_however_soon_that_ends(lasts_s: float) -> None:
    """20·exp(−161/400) = 13.4 A at 300.5 s; the plug's message follows within a second, and then the current falls."""
    found = judged(falling(Made(ends_s=310.0, plug_out_s=300.5).signals(), 301.6, lasts_s))
    assert found["plug_out"].measured["current_A"].value == pytest.approx(13.4, abs=0.5)


# part; the limit; whether it is an upper one; a value within it and one beyond
LIMITED: dict[str, tuple[str, Limits, Charging, bool, float, float]] = {
    "battery_max_V": ("battery_voltage", Limits(battery_max_V=340.0), Charging(), True, 335.0, 345.0),
    "cell_max_V": ("cell_voltage_highest", Limits(cell_max_V=4.2), Charging(), True, 4.15, 4.25),
    "charge_current_A": ("charger_current", Limits(charge_current_A=32.0), Charging(), True, 20.0, 36.0),
    "charger_max_current_A": ("charger_current", Limits(), Charging(charger_max_current_A=32.0), True, 20.0, 36.0),
    "charger_max_power_W": ("charger_current", Limits(), Charging(charger_max_power_W=10_000.0), True, 20.0, 36.0),
    "charger_max_V": ("charger_voltage", Limits(), Charging(charger_max_V=340.0), True, 333.0, 346.0),
    "battery_temperature_max_C": (
        "battery_temperature_highest", Limits(battery_temperature_max_C=55.0), Charging(), True, 40.0, 60.0,
    ),
    "battery_temperature_min_C": (
        "battery_temperature_lowest", Limits(battery_temperature_min_C=0.0), Charging(), False, 5.0, -6.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize("key", LIMITED)
def test_each_limit_of_a_charge_is_kept_on_one_side_and_passed_on_the_other(key: str) -> None:
    """The distance to it by hand; of a power at 330 V."""
    name, limits, rated, upper, within, beyond = LIMITED[key]
    vehicle = Vehicle(limits=limits, charging=rated)
    made = Made(constant_s=900.0, ends_s=300.0, without=("battery_voltage",) * (name != "battery_voltage")).signals()
    limit = getattr(limits, key, None) or getattr(rated, key, None) or 0.0
    for value, passed in ((within, False), (beyond, True)):
        at = np.arange(0.05, made.end_s, 0.5)
        flows = (at > 20.0) & (at < 300.0) if name == "charger_current" else np.ones(at.size, dtype=bool)
        unit = {"V": "V", "A": "A", "W": "A", "C": "°C"}[key[-1]]
        signals = with_part(made, Part(name, at, np.where(flows, value, 0.0), unit, f"Made.{name}", 0.01))
        volts = Part("charger_voltage", at, np.full(at.size, 330.0), "V", "Made.Volts", 0.1)
        signals = signals if name == "charger_voltage" else with_part(signals, volts)
        (session,) = Observations(signals, vehicle).charges
        (margin,) = find_margins(session, signals, vehicle)
        read = value * 330.0 if key.endswith("W") else value
        assert margin.key == key
        assert margin.left == pytest.approx(limit - read if upper else read - limit, abs=1e-6)
        assert margin.passed is passed


def test_a_battery_charged_below_its_lowest_temperature_is_a_danger() -> None:
    """Lithium plates out in a cell that is charged cold (handbooks of cells; common practice)."""
    vehicle = VEHICLE.model_copy(update={"limits": Limits(battery_max_V=340.0, battery_temperature_min_C=0.0)})
    made = Made().signals()
    at = np.arange(0.3, made.end_s, 1.0)
    for celsius, severity in ((8.0, None), (1.0, None), (-6.0, Severity.DANGER)):
        cold = Part("battery_temperature_lowest", at, np.full(at.size, celsius), "°C", "Made.Cold", 1.0)
        found = judged(with_part(made, cold), vehicle)
        assert (found["over_limit"].severity if "over_limit" in found else None) is severity
        if severity is None:
            assert found["complete"].measured["battery_cold_margin_K"].value == pytest.approx(celsius)


@pytest.mark.parametrize("load_a", [0.0, 3.0, 6.0])
def test_a_battery_is_full_by_its_own_current_whatever_a_converter_takes_beside_it(load_a: float) -> None:
    """Down to 4.7 A of a stated end of 5 A; the charger gives that and what the converter takes."""
    assert "complete" in judged(Made(load_a=load_a).signals())
