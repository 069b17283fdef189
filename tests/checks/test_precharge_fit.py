"""The curve fit against certified and library results."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from seeds import seeds

from logscope.checks.precharge.breakpoint import find_break
from logscope.curves.rise import fit_curve
from logscope.curves.rise_likelihood import Rest
from logscope.curves.timestamps import Known, Timestamps

# NIST StRD, Misra1a: y = b1·(1 − exp(−b2·x)), the charging curve; certified values with standard deviations.
MISRA1A = np.array(
    [
        (77.6, 10.07), (114.9, 14.73), (141.1, 17.94), (190.8, 23.93), (239.9, 29.61), (289.0, 35.18), (332.8, 40.02),
        (378.4, 44.82), (434.8, 50.76), (477.3, 55.05), (536.8, 61.01), (593.1, 66.40), (689.1, 75.47), (760.0, 81.78),
    ]
)  # fmt: skip
CERTIFIED_END, CERTIFIED_END_SD = 2.3894212918e02, 2.7070075241e00
CERTIFIED_RATE, CERTIFIED_RATE_SD = 5.5015643181e-04, 7.2668688436e-06


def test_misra1a_is_reproduced() -> None:
    """NIST/ITL StRD Misra1a, with the origin as a sample, for there the curve begins.

    The certified values are those of the curve through the origin. Ours has a start level besides, so its
    value is compared with scipy's fit of the same three parameters, and its limits must hold the certified ones.
    """
    x, y = np.concatenate([[0.0], MISRA1A[:, 0]]), np.concatenate([[0.0], MISRA1A[:, 1]])
    through_origin, deviations = curve_fit(lambda t, b1, b2: b1 * (1 - np.exp(-b2 * t)), *MISRA1A.T, p0=[250, 5e-4])
    assert through_origin == pytest.approx([CERTIFIED_END, CERTIFIED_RATE], rel=1e-5)
    assert np.sqrt(np.diag(deviations)) == pytest.approx([CERTIFIED_END_SD, CERTIFIED_RATE_SD], rel=1e-3)

    values, covariance = curve_fit(lambda t, a, b1, b2: a + b1 * (1 - np.exp(-b2 * t)), x, y, p0=[0, 250, 5e-4])
    fit = fit_curve(x, y, 0.01, onset_seen=False)
    assert fit is not None
    end, end_deviation = values[0] + values[1], float(np.sqrt(covariance[1, 1]))
    assert fit.end.value == pytest.approx(end, abs=0.3 * end_deviation)
    assert fit.end.low < CERTIFIED_END < fit.end.high
    assert (fit.end.high - fit.end.low) / 3.92 == pytest.approx(end_deviation, rel=0.2)
    assert fit.time_constant.value == pytest.approx(1 / values[2], abs=0.3 * np.sqrt(covariance[2, 2]) / values[2] ** 2)
    assert fit.time_constant.low < 1 / CERTIFIED_RATE < fit.time_constant.high


def _charge(seed: int, *, tau: float, lag: float = 0.0, noise: float = 0.3, step: float = 0.0):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1.5, 0.01)
    x = np.maximum(t - 0.2037, 0.0)
    remaining = (tau * np.exp(-x / tau) - lag * np.exp(-x / (lag or 1.0))) / (tau - lag)
    shape = 1 - remaining
    volts = 5 + 315 * shape + rng.normal(0, noise, t.size)
    return t, np.round(volts / step) * step if step else volts


def test_with_plain_noise_the_fit_agrees_with_least_squares() -> None:
    """scipy.optimize.curve_fit: same model, normal noise; value and standard deviation alike."""
    t, volts = _charge(3, tau=0.15)

    def model(t, start, end, tau, onset):  # type: ignore[no-untyped-def]
        return end - (end - start) * np.exp(-np.maximum(t - onset, 0.0) / tau)

    values, covariance = curve_fit(model, t, volts, p0=[5, 320, 0.15, 0.2])
    fit = fit_curve(t, volts, 0.0, onset_seen=True)
    assert fit is not None
    deviation = float(np.sqrt(covariance[2, 2]))
    assert fit.time_constant.value == pytest.approx(values[2], abs=0.5 * deviation)
    assert (fit.time_constant.high - fit.time_constant.low) / 3.92 == pytest.approx(deviation, rel=0.35)


def test_a_sensing_lag_is_recognised_and_both_constants_are_found() -> None:
    t, volts = _charge(1, tau=0.098, lag=0.065, noise=0.2, step=1.0)
    fit = fit_curve(t, volts, 1.0, onset_seen=True)
    assert fit is not None
    assert fit.lag is not None
    assert fit.time_constant.low < 0.098 < fit.time_constant.high
    assert fit.lag.low < 0.065 < fit.lag.high


def test_a_plain_exponential_is_not_given_a_lag() -> None:
    for seed in range(5):
        fit = fit_curve(*_charge(seed, tau=0.15, step=0.5), 0.5, onset_seen=True)
        assert fit is not None
        assert fit.lag is None


def test_one_wild_sample_does_not_move_the_constant() -> None:
    t, volts = _charge(5, tau=0.15)
    volts[35] = 900.0
    fit = fit_curve(t, volts, 0.0, onset_seen=True)
    assert fit is not None
    assert fit.time_constant.value == pytest.approx(0.15, rel=0.02)


def test_too_little_to_fit_gives_no_fit() -> None:
    assert fit_curve(np.arange(3.0), np.arange(3.0), 0.1, onset_seen=True) is None
    assert fit_curve(np.arange(9.0), np.full(9, 12.0), 0.1, onset_seen=True) is None


def test_a_contactor_that_closes_onto_the_curve_is_seen_as_its_end() -> None:
    t, volts = _charge(2, tau=0.15)
    closes = 0.2037 + 3 * 0.15
    volts = np.where(t > closes, 320.0 + np.random.default_rng(9).normal(0, 0.3, t.size), volts)
    broken = find_break(t[18:90], volts[18:90], 0.3)
    assert broken is not None
    assert broken.visible
    assert t[18:90][broken.last] == pytest.approx(closes, abs=0.02)


def test_an_unbroken_curve_has_no_end_but_its_own() -> None:
    for seed in range(10):
        t, volts = _charge(seed, tau=0.15)
        broken = find_break(t[18:90], volts[18:90], 0.3)
        assert broken is None or not broken.visible  # none, or one that no one could have seen


def test_a_trace_that_does_not_rise_has_no_curve() -> None:
    t = np.arange(0.0, 1.0, 0.1)
    falling = 20.0 * np.exp(-t / 0.3)
    assert fit_curve(t, np.round(falling, 1), 0.1, onset_seen=False) is None
    scattered = np.array([0.7, 0.7, 0.9, 0.3, 0.9])  # on some points of the search's grid the line falls
    found = fit_curve(t[:5], scattered, 0.1, onset_seen=False)
    assert found is None or found.end.value > found.start.value


def _repeated(shape, seed: int):  # type: ignore[no-untyped-def]
    """A sensor of 10.34 ms in messages of 5 ms: the age of a reading drifts from 0 to 5 ms and back within the rise."""
    stamp = np.arange(0.0, 0.6, 0.005)
    taken = np.floor(stamp / 0.01034) * 0.01034
    volts = np.round((205 * shape(taken - 0.1) + np.random.default_rng(seed).normal(0, 0.1, taken.size)) / 0.5) * 0.5
    first = np.concatenate([[True], taken[1:] > taken[:-1]])
    rest = Rest(0.18, 0.1, Timestamps(0.005 / np.sqrt(12), Known.SURELY))
    return fit_curve(stamp[first], volts[first], 0.5, onset_seen=True, rest=rest)


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_readings_whose_age_drifts_are_no_other_curve(seed: int) -> None:
    """The closed form of the exponential; one that bends on the way is none, however late its readings may be."""
    fit = _repeated(lambda t: np.where(t > 0, 1 - np.exp(-np.maximum(t, 0) / 0.0432), 0.0), seed)
    assert fit is not None
    assert not fit.misfit
    assert fit.time_constant.low < 0.0432 < fit.time_constant.high
    bent = _repeated(lambda t: np.interp(t, [0.0, 0.02, 0.2, 0.22, 0.5], [0.0, 0.4, 0.5, 0.95, 1.0]), seed)
    assert bent is not None
    assert bent.misfit


@pytest.mark.parametrize("seed", seeds(1, of=3))
@pytest.mark.parametrize("average_s", [0.06, 0.0985, 0.15])
def test_a_moving_average_as_long_as_the_constant_is_found(average_s: float, seed: int) -> None:
    """numpy's convolution of the closed form: far from two poles, so that they fit no better than an exponential."""
    fine_s = np.arange(-0.4, 0.7, 0.0005)
    link = 64 + 291.5 * np.where(fine_s > 0, 1 - np.exp(-np.maximum(fine_s, 0) / 0.1028), 0.0)
    width = round(average_s / 0.0005)
    shown = np.convolve(link, np.full(width, 1 / width))[: link.size]
    t = np.arange(-0.1, 0.5, 0.01)
    volts = np.interp(t, fine_s, shown) + np.random.default_rng(seed).normal(0, 0.16, t.size)
    rest = Rest(0.18, 0.16, Timestamps(5e-5, Known.COUNTED))
    fit = fit_curve(t, np.round(volts / 0.1) * 0.1, 0.1, onset_seen=True, rest=rest, cut_off=True)
    assert fit is not None
    assert not fit.misfit
    assert fit.averaged
    assert fit.time_constant.value == pytest.approx(0.1028, rel=0.01)
