"""What the disturbances follow beside current and speed: switching, the pedal, the link; true by construction.

The regression itself is checked against statsmodels in tests/statistics/test_count_regression.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from motor_traces import HAZEL, FloatArray, part, signals
from one_check import findings_of

from logscope.checks.encoder.check import encoder
from logscope.checks.encoder.disturbance_rate import Stretches, rate_law
from logscope.findings import Finding, Severity
from logscope.observations.motor_speed import model as speed_model
from logscope.statistics.excursions import impossible_steps
from logscope.vehicle import Motor, Vehicle


def steady(seconds: float = 240.0) -> tuple[FloatArray, FloatArray]:
    time = np.arange(0, seconds, 0.01)
    return time, 2500 + 800 * np.sin(time / 9) + np.random.default_rng(1).normal(0, 2, time.size)


def noise(time: FloatArray, value: FloatArray, at_s: FloatArray, **states: FloatArray) -> Finding:
    """The finding on all disturbances, with one sample wrong at each of some times."""
    value = value.copy()
    value[np.unique(np.searchsorted(time, at_s))] += 700
    parts = [part("motor_speed", time, np.round(value), step=1.0)]
    for name, of in states.items():
        on = {"on": of == 1} if name.endswith(("relay", "contactor")) else {}
        parts.append(part(name, time, of, **on))
    return next(f for f in findings_of(encoder, signals(*parts), HAZEL) if f.kind == "encoder.noise")


def test_disturbances_at_a_relays_switching_are_told() -> None:
    time, value = steady()
    relay = (np.floor(time / 7.0) % 2).astype(float)
    edges = time[1:][np.diff(relay) != 0]
    found = noise(time, value, edges[::2] + 0.02, precharge_relay=relay)
    assert "precharge relay switches" in found.title
    assert found.severity is Severity.WARNING
    assert found.measured["rate_ratio_at_switching"].low is not None
    assert found.measured["rate_ratio_at_switching"].low > 5
    assert "suppressor" in found.next_step


def test_disturbances_at_random_are_not_put_down_to_switching() -> None:
    time, value = steady()
    relay = (np.floor(time / 7.0) % 2).astype(float)
    for seed in range(20):
        at = np.random.default_rng(seed).uniform(5, 230, 25)
        found = noise(time, value, at, precharge_relay=relay)
        assert "rate_ratio_at_switching" not in found.measured


def test_at_the_same_current_the_pedal_is_told_where_it_matters() -> None:
    """The rate rises by 2 for each 10 % of pedal; current wanders by itself."""
    time, value = steady(600.0)
    rng = np.random.default_rng(4)
    throttle = 20 + 15 * np.sin(time / 3.1)
    current = 120 + 80 * np.sin(time / 5.3)
    rate = 0.02 * 2 ** (throttle / 10)
    at = time[rng.random(time.size) < rate * 0.01]
    found = noise(time, value, at, throttle=throttle, motor_current=current)
    assert "of the throttle, the rate ×" in found.method
    assert "includes no effect" not in found.method
    plain = noise(time, value, np.sort(rng.uniform(1, 599, 60)), throttle=throttle, motor_current=current)
    assert "includes no effect" in plain.method


def test_noise_alone_passes_the_limit_of_a_step_as_rarely_as_it_is_set_for() -> None:
    """A step of normal noise passes z√2 standard deviations with the probability 2Φ(−z): scipy's normal distribution.

    At the check's own z of 6 that is 2·10⁻⁹, which no test can wait for; lower ones are counted.
    """
    from scipy import stats

    rng, slow = np.random.default_rng(2), Vehicle(motor=Motor(max_torque_Nm=1e-3, rotor_inertia_kgm2=1.0))
    time = np.arange(400_000) * 0.01
    speed = part("motor_speed", time, 3000 + rng.normal(0, 20, time.size))
    for z in (2.5, 3.0, 3.5):
        before = speed_model.NOISE_Z
        speed_model.NOISE_Z = z
        try:
            passed = impossible_steps(speed.value, speed_model.speed_model(speed, slow).reach).size
        finally:
            speed_model.NOISE_Z = before
        nominal = 2 * stats.norm.sf(z) * (time.size - 1)
        assert abs(passed - nominal) < 6 * np.sqrt(nominal) + 0.05 * nominal


def test_limits_of_the_factor_hold_it_where_bursts_last_for_several_stretches() -> None:
    """By construction: e^0.8 per 100 A; the rate of each four stretches in a row times one gamma variate."""
    study = LimitsStudy()
    for seed in range(80):
        rng = np.random.default_rng([seed, 84])
        rows = 600
        amps = 150 + 140 * np.sin(np.arange(rows) / rng.uniform(8, 20))
        mean = np.exp(-1.5 + 0.8 * amps / 100) * np.repeat(rng.gamma(0.5, 2.0, rows // 4), 4)
        whole = np.ones(rows)
        law = rate_law(
            Stretches(
                rng.poisson(mean).astype(float), whole, amps, 0 * whole, np.arange(rows), np.ones(rows, bool), whole
            )
        )
        assert law is not None
        study.add(0.8, *np.log([law.current.value, law.current.low, law.current.high]))
    study.judge()


@pytest.mark.parametrize(("low_A", "high_A"), [(150.0, 250.0), (10.0, 210.0), (100.0, 150.0), (0.0, 40.0)])
def test_few_disturbances_grow_with_the_current_by_the_ratio_of_their_rates(low_A: float, high_A: float) -> None:
    """Two in a minute at the one, six in a minute at the other: a factor of 3 for the difference, so 3^(100/difference)
    for each 100 A (by hand)."""
    time = np.arange(0, 120, 0.01)
    value = 2500 + np.random.default_rng(1).normal(0, 2, time.size)
    at = np.concatenate([[15.0, 45.0], 65.0 + 9.0 * np.arange(6)])
    factor = noise(time, value, at, motor_current=np.where(time < 60, low_A, high_A)).measured["rate_ratio_per_100A"]
    assert factor.value == pytest.approx(3 ** (100 / (high_A - low_A)), rel=0.01)
    assert factor.low is not None
    assert factor.low < factor.value
