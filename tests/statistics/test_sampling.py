"""Interpolation and integration of samples; oracles are numpy and scipy.integrate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, trapezoid

from logscope.statistics.integral import integrate
from logscope.statistics.sampling import between_samples, last_sample, stretches

T = np.arange(0, 10, 0.1)


def test_between_samples_is_numpy_interp_but_for_gaps_and_ends() -> None:
    """numpy.interp."""
    at = np.array([0.05, 3.33, 9.85])
    assert between_samples(T, T**2, at) == pytest.approx(np.interp(at, T, T**2))
    holed = T[(T < 2) | (T > 4)]
    assert np.isnan(between_samples(holed, holed, np.array([-1.0, 3.0, 11.0]))).all()


def test_last_sample_is_the_newest() -> None:
    assert last_sample(np.array([1.0, 2.0]), np.array([5.0, 6.0]), np.array([0.5, 1.0, 1.9, 7.0]))[1:].tolist() == [
        5,
        5,
        6,
    ]


def test_stretches_join_what_is_near() -> None:
    first, last = stretches(np.array([1, 0, 1, 0, 0, 0, 1], bool), np.arange(7.0), 2.0)
    assert (first.tolist(), last.tolist()) == ([0, 6], [2, 6])


def test_integral_is_the_trapezium_rule_and_its_limits_hold_the_true_one() -> None:
    """scipy.integrate: trapezoid for the rule, quad for the truth."""
    t = np.arange(0, 60, 0.05)
    value = 100 + 80 * np.sin(2 * np.pi * 1.7 * t)
    ours = integrate(t, value)
    truth, _ = quad(lambda x: 100 + 80 * np.sin(2 * np.pi * 1.7 * x), 0, t[-1], limit=500)
    assert ours.value == pytest.approx(trapezoid(value, t))
    assert ours.low <= truth <= ours.high


def test_a_gap_is_left_out_of_an_integral() -> None:
    t = np.concatenate([np.arange(0, 10, 0.1), np.arange(60, 70, 0.1)])
    ours = integrate(t, np.ones(t.size))
    assert ours.value == pytest.approx(19.8, abs=0.15)
    assert ours.covered_s == pytest.approx(19.8, abs=0.15)
