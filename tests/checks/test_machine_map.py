"""Made motors of known efficiency, slip and onset of field weakening; true by construction, no published source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from limits_study import LimitsStudy
from one_check import findings_of
from scipy import stats
from tuning_traces import TICK_S, logged, signals

from logscope.checks.machine.check import machine
from logscope.checks.machine.points import Points, by_bins, find_efficiency
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.signals import Part, Signals
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
    return {each.kind.removeprefix("machine."): each for each in findings_of(machine, made, Vehicle())}


def test_efficiency_lies_within_its_limits() -> None:
    """The two messages are up to 50 ms apart, of which the limits know nothing but that."""
    study = LimitsStudy()
    for seed in range(900, 920):
        value = outcomes(run(seed))["operating_points"].measured["efficiency_percent"]
        assert value.value == pytest.approx(88, abs=1.0)
        study.of(88, value)
    study.judge()


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
    (found,) = [f for f in findings_of(machine, other, Vehicle(motor=Motor(pole_pairs=2))) if f.kind == "machine.slip"]
    peak = found.measured["slip_Hz"]
    assert peak.low is not None
    assert peak.high is not None
    assert peak.low <= 3.0 <= peak.high


@pytest.mark.parametrize("lag_s", [0.0, 0.03, 0.12])
@pytest.mark.parametrize("period_s", [0.005, 0.02, 0.05])
@pytest.mark.parametrize("wild", [False, True])
def test_slip_of_a_synchronous_motor_is_the_lag_of_its_speed(lag_s: float, period_s: float, wild: bool) -> None:
    """By definition: pole pairs times turns a second is the frequency; a first-order filter trails by its constant."""
    rng = np.random.default_rng(8)
    t = np.arange(0, 120, TICK_S)
    torque = np.interp(t, np.arange(0, 121, 2), 120 * rng.uniform(-0.4, 1, 61))
    rpm = 400 + np.maximum(np.cumsum(torque - 35) * TICK_S * 12, 0)
    read = rpm.copy()
    if lag_s:
        for k in range(1, t.size):
            read[k] = read[k - 1] + (rpm[k] - read[k - 1]) * TICK_S / lag_s
    if wild:  # it restarts at speed, twice
        read[(t > 40) & (t < 41.5) | (t > 80) & (t < 81.5)] = 0.0
    made = signals(
        logged(rng, "motor_speed", read, period_s, 2, 1),
        logged(rng, "torque", torque, period_s, 0.3, 0.1),
        logged(rng, "motor_current", np.abs(torque) * 2, period_s, 0.5, 0.1),
        logged(rng, "stator_frequency", rpm * 4 / 60, period_s, 0.05, 0.1),
    )
    kinds = {each.kind: each for each in findings_of(machine, made, Vehicle(motor=Motor(pole_pairs=4)))}
    assert "machine.slip" not in kinds
    lag = kinds["machine.synchronous"].measured["lag_s"]
    assert lag.value == pytest.approx(lag_s, abs=0.7 * period_s + 0.003)  # the two messages lie apart by up to that


@pytest.mark.parametrize("lag_s", [0.0, 0.12])
@pytest.mark.parametrize("rated_hz", [0.8, 3.0])
def test_an_induction_motor_is_not_called_synchronous(lag_s: float, rated_hz: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(0, 120, TICK_S)
    torque = np.interp(t, np.arange(0, 121, 2), 120 * rng.uniform(-0.4, 1, 61))
    rpm = 400 + np.maximum(np.cumsum(torque - 35) * TICK_S * 12, 0)
    read = np.interp(t - lag_s, t, rpm)
    made = signals(
        logged(rng, "motor_speed", read, 0.01, 2, 1),
        logged(rng, "torque", torque, 0.01, 0.3, 0.1),
        logged(rng, "motor_current", np.abs(torque) * 2, 0.01, 0.5, 0.1),
        logged(rng, "stator_frequency", rpm * 2 / 60 + rated_hz * torque / 120, 0.01, 0.05, 0.01),
    )
    assert "machine.synchronous" not in {f.kind for f in findings_of(machine, made, Vehicle(motor=Motor(pole_pairs=2)))}


@pytest.mark.parametrize("utilisation", [True, False], ids=["utilisation", "torque per ampere"])
def test_field_weakening_begins_where_it_was_made_to(utilisation: bool) -> None:
    onset = outcomes(run(3, utilisation=utilisation, one_slip=True))["field_weakening"].measured["onset_rpm"]
    assert onset.value == pytest.approx(4000, abs=700)  # torque per ampere shows it a tenth later


@pytest.mark.parametrize("utilisation", [True, False])
def test_limits_of_the_onset_hold_it_and_are_mostly_one_bin_wide(utilisation: bool) -> None:
    """Where the voltage is used up to 95 %, or torque per ampere has fallen by a tenth, by the formulas above."""
    widths = []
    for seed in range(20, 30):
        made_rpm = np.random.default_rng(seed).uniform(2500, 4800)
        made = run(seed, onset_rpm=made_rpm, utilisation=utilisation, one_slip=True)
        onset = outcomes(made)["field_weakening"].measured["onset_rpm"]
        assert onset.low is not None
        assert onset.high is not None
        assert onset.low <= (0.95 * made_rpm if utilisation else made_rpm / 0.9) <= onset.high
        widths.append(onset.high - onset.low)
    assert np.median(widths) < 1.5 * 6000 / 24


def test_a_motor_that_never_reaches_it_gives_a_bound() -> None:
    onset = outcomes(run(4, onset_rpm=20_000, utilisation=True))["field_weakening"].measured["onset_rpm"]
    assert onset.value is None
    assert onset.low is not None
    assert onset.low > 5000


def test_a_motor_at_rest_holds_nothing_to_check() -> None:
    rng = np.random.default_rng(5)
    none = np.zeros(20_000)
    with pytest.raises(NothingToCheck):
        findings_of(
            machine,
            signals(logged(rng, "motor_speed", none, 0.01, 1, 1), logged(rng, "torque", none, 0.01, 0.1, 0.1)),
            Vehicle(),
        )


def test_limits_of_the_efficiency_are_those_of_a_ratio_over_blocks() -> None:
    """Cochran, Sampling Techniques (1977), 6.4, from memory, by hand: six blocks, 1 kW in and 0.8 or 0.9 kW out.

    Residuals ±0.05 kW: a standard error of √(6·0.05²·6/5)/6, times Student's 2.571 of five degrees of freedom (scipy).
    """
    time_s = np.arange(0.0, 30.0, 0.1)
    watts = np.where((time_s // 5) % 2 == 0, 800.0, 900.0)
    rpm = np.full(time_s.size, 3000.0)
    points = Points(time_s, np.full(time_s.size, 0.1), rpm, watts / (3000.0 * np.pi / 30))
    parts = {
        name: Part(name, time_s, np.full(time_s.size, value), unit, f"P.{name}")
        for name, value, unit in (("battery_voltage", 250.0, "V"), ("battery_current", 4.0, "A"))
    }
    found = find_efficiency(points, Signals(parts, 0.0, 30.0))
    reach = 100 * stats.t.ppf(0.975, 5) * np.sqrt(6 * 0.05**2 * 6 / 5) / 6
    assert found is not None
    assert (found.low, found.value, found.high) == pytest.approx((85 - reach, 85.0, 85 + reach))


@pytest.mark.parametrize("rows", [30, 200])
def test_limits_of_a_median_by_bins_hold_it_as_often_as_they_say(rows: int) -> None:
    """Twelve bins of normal values about a known median, so many in each; order statistics leave a rank to spare."""
    study = LimitsStudy(widest=1.3)
    for seed in range(10):
        rng = np.random.default_rng([seed, rows])
        at = np.repeat(np.arange(12.0), rows) + rng.uniform(0.0, 0.99, 12 * rows)
        found = by_bins(np.append(at, [0.0, 12.0]), np.append(rng.normal(5.0, 1.0, at.size), [5.0, 5.0]))
        assert found is not None
        for median, low, high in zip(found.median, found.low, found.high, strict=True):
            study.add(5.0, float(median), float(low), float(high))
    study.judge()
