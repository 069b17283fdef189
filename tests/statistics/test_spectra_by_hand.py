"""Rings, orders, linear responses and importance sampling piece by piece: by hand, numpy, scipy and statsmodels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats
from scipy.optimize import curve_fit

from logscope.arrays import FloatArray
from logscope.statistics.importance import (
    Posterior,
    _effective,
    _moments,
    _regular,
    _tempered,
    _weighted,
    sample_posterior,
)
from logscope.statistics.linear_response import Unexplained, _by_folds, _without_response, unexplained
from logscope.statistics.order_spectrum import amplitudes, order_line
from logscope.statistics.ringing import (
    DampedSinusoid,
    _best_of_grid,
    _covariance,
    fit_damped_sinusoid,
    pooled_sinusoids,
)

AT = 0.01 * np.arange(150)


def ring(hz: float = 5.0, decay: float = 2.0, amplitude: float = 3.0, phase: float = 0.6) -> FloatArray:
    return np.asarray(amplitude * np.exp(-decay * AT) * np.cos(2 * np.pi * hz * AT + phase))


def test_a_ring_on_a_trend_has_all_its_fields() -> None:
    """scipy.optimize.curve_fit of the seven parameters: frequency, decay, size, phase and a parabola."""
    noise = np.random.default_rng(3).normal(0.0, 0.2, AT.size)
    value = ring() + 4.0 - 2.0 * AT + AT**2 + noise
    found = fit_damped_sinusoid(AT + 50.0, value, 2.0, 12.0)
    assert found is not None

    def model(t: FloatArray, hz: float, decay: float, size: float, phase: float, *trend: float) -> FloatArray:
        return np.asarray(size * np.exp(-decay * t) * np.cos(2 * np.pi * hz * t + phase) + np.polyval(trend, t))

    fitted, covariance = curve_fit(model, AT, value, (5.0, 2.0, 3.0, 0.6, 1.0, -2.0, 4.0))
    error = np.sqrt(np.diag(covariance))
    assert (found.frequency_hz, found.decay_per_s, found.amplitude, found.phase) == pytest.approx(fitted[:4], rel=1e-3)
    assert (found.frequency_error, found.decay_error) == pytest.approx(error[:2], rel=1e-3)
    assert found.correlation == pytest.approx(covariance[0, 1] / error[0] / error[1], abs=1e-3)
    assert found.freedom == AT.size - 7
    left = value - model(AT, *fitted)
    assert found.scatter == pytest.approx(np.sqrt(np.sum(left**2) / (AT.size - 7)), rel=1e-4)
    flat = value - np.polyval(np.polyfit(AT, value, 2), AT)
    assert found.explained == pytest.approx(1.0 - np.sum(left**2) / np.sum(flat**2), rel=1e-4)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "rows", "order", "found"),
    [
        (2.0, 12.0, 150, 2, True), (5.5, 12.0, 150, 2, True), (5.6, 12.0, 150, 2, False), (2.0, 4.56, 150, 2, True),
        (2.0, 4.5, 150, 2, False), (2.0, 12.0, 14, 2, True), (2.0, 12.0, 13, 2, False), (2.0, 12.0, 13, 1, True),
    ],
)  # fmt: skip
def test_a_ring_lies_within_a_tenth_of_its_band_and_has_twelve_rows(
    low_hz: float, high_hz: float, rows: int, order: int, found: bool
) -> None:
    value = ring(decay=0.5) if rows == 150 else ring(hz=8.0, decay=0.5)
    fit = fit_damped_sinusoid(AT[:rows], value[:rows], low_hz, high_hz, order)
    assert (fit is not None) is found


def test_the_grid_starts_near_the_best_frequency_and_decay() -> None:
    flat = ring(6.0, 6.0 * 2 * np.pi * 0.1)
    base = np.linalg.qr(np.vander(AT, 1))[0]
    frequency, decay = _best_of_grid(AT, flat - base @ (base.T @ flat), base, 2.0, 12.0)
    assert frequency == pytest.approx(6.0, rel=0.03)
    assert decay == pytest.approx(0.1 * 2 * np.pi * frequency)


@pytest.mark.parametrize("decay", [-0.2, 0.0, 0.1, 0.25, 0.5, 1.0])
def test_a_ring_of_the_grid_is_found_in_it_beside_a_trend(decay: float) -> None:
    """Two turns of the slowest and seven of a faster one; decays in parts of 2π times the frequency."""
    base = np.linalg.qr(np.vander(AT, 3))[0]
    for hz in np.geomspace(4.0 / AT[-1], 30.0 / AT[-1], 40)[[0, 25]]:
        flat = ring(hz, decay * 2 * np.pi * hz) + 30.0 * AT**2
        found = _best_of_grid(AT, flat - base @ (base.T @ flat), base, 4.0 / AT[-1], 30.0 / AT[-1])
        assert found == pytest.approx((hz, decay * 2 * np.pi * hz))


RING = DampedSinusoid(5.0, 2.0, 3.0, 0.0, 0.05, 0.3, 0.5, 20, 0.5, 0.9)


def test_rings_are_pooled_by_the_square_of_their_size_over_noise() -> None:
    """Weights 36 and 4 of 40; a single one has Student's limits of its freedom, its damping δ/√(δ² + (2πf)²)."""
    np.testing.assert_allclose(_covariance(RING), [[0.0025, 0.0075], [0.0075, 0.09]])
    frequency, damping = pooled_sinusoids([RING, replace(RING, frequency_hz=5.01, amplitude=1.0)])
    assert frequency.value == pytest.approx(0.9 * 5.0 + 0.1 * 5.01)
    alone, own = pooled_sinusoids([RING])
    reach = stats.t.ppf(0.975, 20) * 0.05
    assert (alone.low, alone.high, alone.unit) == (
        pytest.approx(5.0 - reach, rel=1e-3),
        pytest.approx(5.0 + reach, rel=1e-3),
        "Hz",
    )
    assert own.value == pytest.approx(2.0 / np.hypot(2.0, 10.0 * np.pi))
    assert own.unit == "1"
    half = stats.t.ppf(0.975, 20) * 0.3 / np.hypot(2.0, 10.0 * np.pi)
    assert own.high is not None
    assert own.low is not None
    assert (own.high - own.low) / 2 == pytest.approx(half, rel=0.05)
    assert damping.value is not None


TURNS = np.cumsum(np.linspace(0.01, 0.06, 400))


def test_an_amplitude_is_numpys_least_squares_of_sine_and_cosine() -> None:
    value = 2.0 * np.cos(2 * np.pi * 3.0 * TURNS + 1.0) + np.random.default_rng(2).normal(size=400)
    orders = np.array([1.0, 3.0, 4.5])
    expected = []
    for order in orders:
        columns = np.column_stack([np.cos(2 * np.pi * order * TURNS), np.sin(2 * np.pi * order * TURNS)])
        expected.append(float(np.linalg.norm(np.linalg.lstsq(columns, value)[0])))
    assert amplitudes(TURNS, value, orders) == pytest.approx(expected)


def test_a_line_is_its_power_less_the_noise_aside_over_segments() -> None:
    """Mean and Student's limits of the roots of what is left (numpy, scipy); the chance is of Fisher's distribution."""
    rng = np.random.default_rng(5)
    segments = [
        (TURNS + k, size * np.sin(6 * np.pi * TURNS) + 0.5 * rng.normal(size=400))
        for k, size in enumerate((1.0, 1.2, 0.9))
    ]
    aside = np.array([1.3, 4.7, 5.9])
    found = order_line(segments, 3.0, aside)
    power = np.array([amplitudes(t, v, np.append(3.0, aside)) ** 2 for t, v in segments])
    above = np.sqrt(power[:, 0] - power[:, 1:].mean(axis=1))
    low, high = stats.t.interval(0.95, 2, above.mean(), stats.sem(above))
    assert (found.order, found.amplitude, found.low, found.high) == pytest.approx(
        (3.0, above.mean(), max(low, 0.0), high)
    )
    assert found.p_value == pytest.approx(stats.f.sf(power[:, 0].mean() / power[:, 1:].mean(), 6, 18))
    none = order_line([(t, v) for t, v in segments], 4.7, np.array([3.0]))
    assert (none.amplitude, none.low) == (0.0, 0.0)


def answered(size: int = 1200, rest: float = 0.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pulses of both signs, at rest for most of the time; what a damped loop makes of them; a swing beside."""
    sizes = np.random.default_rng(8).uniform(5.0, 10.0, size // 80 + 1) * np.tile([1.0, -1.0], size // 160 + 1)
    at = np.arange(size)
    driver = np.where((at % 80 >= 20) & (at % 80 < 55), sizes[at // 80], 0.0)
    system = signal.dlti([0.3], [1.0, -1.2, 0.5])
    _, answer = signal.dlsim(system, driver - driver[0])
    swing = rest * np.sin(np.arange(size))
    return driver, answer[:, 0], swing


def test_the_answer_to_another_signal_is_taken_off_and_a_swing_beside_it_left() -> None:
    """scipy.signal.dlsim: a discrete loop of second order; its answers fade within 25 samples."""
    driver, answer, swing = answered(rest=0.1)
    found = unexplained(answer + swing + 0.01 * np.random.default_rng(1).normal(size=1200), driver, 30, 0.05)
    calm = (np.arange(1200) % 80 > 40) & (np.arange(1200) % 80 < 55)  # away from the steep part of the answers
    assert np.std(found.value[calm]) == pytest.approx(np.std(swing[calm]), rel=0.5)
    assert np.std(answer) > 10 * np.std(found.value)


@pytest.mark.parametrize(
    ("driver", "lags"), [(np.full(100, 5.0), 10), (np.where(np.arange(100) < 50, 0.0, 9.0), 10), (np.arange(100.0), 0)]
)
def test_what_never_moves_or_moves_once_explains_nothing(driver: FloatArray, lags: int) -> None:
    value = np.random.default_rng(4).normal(5.0, 1.0, 100)
    found = unexplained(value, driver, lags, 0.1)
    assert found.value.tolist() == (value - np.median(value)).tolist()
    assert not found.shifted.any()
    assert not found.unlike.any()


def test_a_part_takes_the_response_of_the_other_parts_moves() -> None:
    driver, answer, _ = answered()
    left = answer - np.median(answer)
    fold = np.minimum(4 * np.arange(1200) // 1200, 3)
    rest, on = _by_folds(left, driver, fold, 30, 0.01, False)
    assert not on
    assert np.std(rest.value) < 0.1 * np.std(left)
    lone = np.where(np.arange(1200) < 300, driver, driver[299])  # moves in the first part only
    untouched, _ = _by_folds(left, lone, fold, 30, 0.01, False)
    np.testing.assert_array_equal(untouched.value[300:], left[300:])


def test_a_response_that_rings_on_is_a_swing_of_its_own() -> None:
    driver, _, _ = answered()
    moves = np.diff(driver, prepend=driver[0])
    for fade, on in ((0.8, False), (0.995, True)):
        kernel = fade ** np.arange(30) * np.sin(0.8 * np.arange(30))
        value = np.convolve(moves, kernel)[:1200]
        found, rings_on = _without_response(value, driver, moves, 30, 0.01, False)
        assert rings_on is on
        assert isinstance(found, Unexplained)


def test_what_stamps_and_unlike_responses_leave_goes_with_the_rest() -> None:
    """0.3 periods of the slope, and a tenth of the response itself, weighed as the rest is: what is steep counts least.

    Value and response are weighed alike, so that the weight is what both add up to, over the value.
    """
    driver, answer, _ = answered()
    found, _ = _without_response(answer, driver, np.diff(driver, prepend=driver[0]), 30, 0.01, False)
    at = np.flatnonzero(np.abs(answer) > 0.1)
    weight = (found.value + 10.0 * found.unlike)[at] / answer[at]
    explained = np.zeros(answer.size)
    explained[at] = 10.0 * found.unlike[at] / weight
    inner = np.isin(at - 1, at) & np.isin(at + 1, at)
    assert (found.shifted[at] / weight)[inner] == pytest.approx(0.3 * np.gradient(explained)[at][inner], abs=1e-6)
    room = np.hypot(0.3 * np.gradient(explained)[at], 0.1 * explained[at])[inner]
    known = 0.1 * room.max()
    assert weight[inner] == pytest.approx(known**2 / (known**2 + room**2), rel=0.15)


def test_a_response_that_is_over_at_once_is_taken_in_few_lags() -> None:
    """Two samples long, beside noise: eight lags bring less noise along than sixty."""
    driver, _, _ = answered()
    moves = np.diff(driver, prepend=driver[0])
    value = 0.5 * moves + 0.25 * np.roll(moves, 1) + 0.3 * np.random.default_rng(6).normal(size=1200)
    long, eight = unexplained(value, driver, 60, 0.3), unexplained(value, driver, 8, 0.3)
    assert long.value.tolist() == eight.value.tolist()


def test_draws_have_the_density_of_scipys_multivariate_t() -> None:
    """scipy.stats.multivariate_t with five degrees of freedom."""
    centre, covariance = np.array([1.0, -2.0]), np.array([[2.0, 0.6], [0.6, 0.5]])
    draws, densities, log_weights = _weighted(lambda d: d[:, 0], centre, covariance, 400, np.random.default_rng(3))
    expected = stats.multivariate_t(centre, covariance, df=5).logpdf(draws)
    assert densities == pytest.approx(draws[:, 0])
    assert densities - log_weights == pytest.approx(expected)
    assert np.median(draws, axis=0) == pytest.approx(centre, abs=0.25)


def test_weights_are_flattened_until_a_tenth_of_the_draws_count() -> None:
    even = np.zeros(100)
    weights, share = _tempered(even)
    assert weights.tolist() == pytest.approx([0.01] * 100)
    assert share == 1.0
    steep = -0.5 * np.arange(100.0)
    weights, share = _tempered(steep)
    raw = np.exp(steep) / np.exp(steep).sum()
    assert share == pytest.approx(1.0 / np.sum(raw**2) / 100)
    assert 1.0 / np.sum(weights**2) >= 10.0
    assert weights.sum() == pytest.approx(1.0)
    # by 0.7 again and again: the last power but one leaves less than a tenth
    powers = 0.7 ** np.arange(20)
    counts = [1.0 / np.sum((np.exp(p * steep) / np.exp(p * steep).sum()) ** 2) for p in powers]
    first = next(p for p, count in zip(powers, counts, strict=True) if count >= 10.0)
    assert weights == pytest.approx(np.exp(first * steep) / np.exp(first * steep).sum())
    assert _effective(np.log([1.0, 1.0, 2.0])) == pytest.approx(16.0 / 6.0)


def test_moments_and_a_regular_matrix_are_numpys() -> None:
    draws, weights = np.random.default_rng(1).normal(size=(50, 2)), np.random.default_rng(2).uniform(size=50)
    weights /= weights.sum()
    centre, covariance = _moments(draws, weights)
    assert centre == pytest.approx(np.average(draws, axis=0, weights=weights))
    assert covariance == pytest.approx(np.cov(draws.T, aweights=weights, ddof=0))
    sound = np.array([[4.0, 1.0], [1.0, 9.0]])
    assert _regular(sound) == pytest.approx(sound)
    flat = np.array([[4.0, 6.0], [6.0, 9.0]])
    assert np.linalg.eigvalsh(_regular(flat))[0] > 0.0
    assert _regular(flat) == pytest.approx(flat, abs=1e-6)


def test_quantiles_of_weighted_draws_lie_between_them() -> None:
    made = Posterior(np.zeros((4, 1)), np.array([0.1, 0.2, 0.3, 0.4]), 0.0, densities=np.array([0.0, 3.0, 1.0, 2.0]))
    values = np.array([40.0, 10.0, 30.0, 20.0])
    # in order 10, 20, 30, 40 with 0.2, 0.4, 0.3, 0.1: their middles at 0.1, 0.4, 0.75 and 0.95
    assert made.quantiles(values, 0.1, 0.25, 0.4, 0.95, 0.99) == pytest.approx((10.0, 15.0, 20.0, 40.0, 40.0))
    assert replace(made, draws=np.arange(4.0)[:, None]).likeliest.tolist() == [1.0]


def test_the_evidence_is_the_integral_of_the_density() -> None:
    """A normal density times 7: ln 7 (scipy.stats)."""
    law = stats.multivariate_normal([1.0, 2.0], [[1.0, 0.3], [0.3, 2.0]])
    found = sample_posterior(lambda d: law.logpdf(d) + np.log(7.0), np.array([0.0, 0.0]), np.eye(2))
    assert found is not None
    assert found.log_evidence == pytest.approx(np.log(7.0), abs=0.03)
    assert found.weights.sum() == pytest.approx(1.0)
    assert found.weights @ found.draws == pytest.approx([1.0, 2.0], abs=0.08)
    assert found.sure
