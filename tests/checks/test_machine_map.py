"""Made motors of known efficiency, slip and onset of field weakening; true by construction, no published source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tuning_traces import TICK_S, logged, signals

from logscope.checks.machine.check import machine
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.signals import Signals
from logscope.vehicle import Motor, Vehicle


def run(
    seed: int, efficiency: float = 0.88, onset_rpm: float = 4000.0, utilisation: bool = False, one_slip: bool = False
) -> Signals:
    """Runs up to 6000 rpm; torque per ampere peaks at 3 Hz slip and falls above the onset."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 120, TICK_S)
    rpm = 3100 - 2900 * np.cos(2 * np.pi * t / 40)
    slip = 1 + 5 * rng.uniform(0, 1, 121)[(t).astype(int)]
    slip = np.full(t.size, 3.0) if one_slip else slip
    amps = 120 + 60 * np.sin(2 * np.pi * t / 7)
    per_amp = 0.6 * 2 * (slip / 3) / (1 + (slip / 3) ** 2) * np.minimum(1.0, onset_rpm / np.maximum(rpm, 1))
    torque = amps * per_amp
    power = torque * rpm * np.pi / 30
    parts = [
        logged(rng, "motor_speed", rpm, 0.01, 2, 1),
        logged(rng, "torque", torque, 0.01, 0.3, 0.1),
        logged(rng, "motor_current", amps, 0.01, 0.5, 0.1),
        logged(rng, "slip", slip, 0.01, 0.02, 0.01),
        logged(rng, "battery_voltage", np.full(t.size, 320.0), 0.05, 0.15, 0.1),
        logged(rng, "battery_current", power / efficiency / 320.0, 0.05, 0.3, 0.1),
    ]
    if utilisation:
        parts.append(logged(rng, "voltage_utilisation", np.minimum(100 * rpm / onset_rpm, 99.0), 0.01, 0.3, 0.1))
    return signals(*parts)


def outcomes(made: Signals) -> dict[str, Finding]:
    return {each.kind.removeprefix("machine."): each for each in machine(made, Vehicle())}


def test_efficiency_lies_within_its_limits() -> None:
    held = 0
    for seed in range(900, 912):
        value = outcomes(run(seed))["operating_points"].measured["efficiency_percent"]
        assert value.value == pytest.approx(88, abs=1.0)
        assert value.low is not None
        assert value.high is not None
        held += value.low - 0.2 <= 88 <= value.high + 0.2  # messages of different period, up to 50 ms apart
    assert held >= 10


def test_more_than_all_of_the_energy_is_a_wrong_scale() -> None:
    found = outcomes(run(1, efficiency=1.3))["operating_points"]
    assert found.severity is Severity.WARNING
    assert "scale" in found.next_step


def test_torque_per_ampere_peaks_at_its_slip() -> None:
    peak = outcomes(run(2, onset_rpm=1e5))["slip"].measured["slip_Hz"]
    assert peak.low is not None
    assert peak.high is not None
    assert peak.low <= 3.0 <= peak.high


def test_slip_follows_from_the_stator_frequency_and_the_pole_pairs() -> None:
    """By definition: stator frequency less pole pairs times turns per second."""
    made = run(6, onset_rpm=1e5)
    speed, slip = made["motor_speed"], made["slip"]
    stator = replace(
        slip, name="stator_frequency", value=slip.value + 2 * np.interp(slip.time_s, speed.time_s, speed.value) / 60
    )
    other = signals(*(part for name, part in made.parts.items() if name != "slip"), stator)
    (found,) = [f for f in machine(other, Vehicle(motor=Motor(pole_pairs=2))) if f.kind == "machine.slip"]
    peak = found.measured["slip_Hz"]
    assert peak.low is not None
    assert peak.high is not None
    assert peak.low <= 3.0 <= peak.high


@pytest.mark.parametrize("utilisation", [True, False], ids=["utilisation", "torque per ampere"])
def test_field_weakening_begins_where_it_was_made_to(utilisation: bool) -> None:
    onset = outcomes(run(3, utilisation=utilisation, one_slip=True))["field_weakening"].measured["onset_rpm"]
    assert onset.value == pytest.approx(4000, abs=700)  # torque per ampere shows it a tenth later


def test_a_motor_that_never_reaches_it_gives_a_bound() -> None:
    onset = outcomes(run(4, onset_rpm=20_000, utilisation=True))["field_weakening"].measured["onset_rpm"]
    assert onset.value is None
    assert onset.low is not None
    assert onset.low > 5000


def test_a_motor_at_rest_holds_nothing_to_check() -> None:
    rng = np.random.default_rng(5)
    none = np.zeros(20_000)
    with pytest.raises(NothingToCheck):
        machine(
            signals(logged(rng, "motor_speed", none, 0.01, 1, 1), logged(rng, "torque", none, 0.01, 0.1, 0.1)),
            Vehicle(),
        )
