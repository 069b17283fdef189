"""What readings and their stamps are worth, against scipy and statsmodels.

Sources: first-order autoregressive errors from statsmodels; the range of possible periods from a linear programme
solved by scipy; the mean and deviation over a uniform error by scipy's quadrature.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import linprog
from statsmodels.tsa.arima_process import arma_generate_sample

from logscope.curves.reading_error import over_stamp_error, wider_by_correlation
from logscope.curves.timestamps import counted_times, sensor_clock


@pytest.mark.parametrize("noise", [0.1, 0.001])  # most of the deviation, or next to none of it
def test_mean_and_deviation_over_the_error_of_a_stamp_are_those_of_the_integral(noise: float) -> None:
    error_s, tau = 0.05, 0.4
    reach = np.sqrt(3) * error_s
    mean, deviation = over_stamp_error(
        lambda t: np.exp(-t / tau), np.array([1.0]), np.array([noise]), np.array([error_s])
    )

    def moment(power: int) -> float:
        return float(quad(lambda t: np.exp(-t / tau) ** power, 1 - reach, 1 + reach)[0]) / (2 * reach)

    assert mean[0, 0] == pytest.approx(moment(1), rel=1e-4)
    assert deviation[0, 0] == pytest.approx(np.sqrt(noise**2 + moment(2) - moment(1) ** 2), rel=0.01)


@pytest.mark.parametrize("r", [0.0, 0.4, 0.7])
def test_limits_grow_as_the_mean_of_correlated_errors_scatters(r: float) -> None:
    """The mean of n such errors scatters by √((1 + r) / (1 − r)) more: measured here on statsmodels' draws."""
    rng = np.random.default_rng(61)
    drawn = [arma_generate_sample([1, -r], [1], 400, distrvs=rng.standard_normal, burnin=200) for _ in range(300)]
    means, scale = np.array([each.mean() for each in drawn]), np.array([each.std() for each in drawn])
    scatter = float(np.std(means / scale)) * np.sqrt(400)
    assert np.median([wider_by_correlation(each) for each in drawn]) == pytest.approx(scatter, rel=0.1)


@pytest.mark.parametrize(("period_s", "grid_s"), [(0.0201, 0.05), (0.0503, 0.05), (0.013, 0.01), (0.03, 0.05)])
def test_counted_messages_are_as_regular_as_the_stamps_allow(period_s: float, grid_s: float) -> None:
    """The range of periods is that of the linear programme over all lines that pass every stamp within one step."""
    sent_s = 0.0123 + period_s * np.arange(600)
    stamps = np.ceil(sent_s / grid_s) * grid_s
    counted = counted_times(stamps)
    assert counted is not None
    rows = np.column_stack([np.ones(600), np.arange(600)])
    bounds = np.concatenate([stamps, grid_s - stamps])
    ends = [
        linprog([0, sign], A_ub=np.vstack([rows, -rows]), b_ub=bounds, bounds=[(None, None)] * 2).x[1]
        for sign in (1, -1)
    ]
    shortest, longest = counted.time_s[1] - counted.time_s[0] + np.array([-1, 1]) * counted.scale_error * period_s
    assert (shortest, longest) == pytest.approx(ends, rel=1e-4)
    assert shortest <= period_s <= longest
    assert np.ptp(counted.time_s - sent_s) <= 599 * (longest - shortest)


def test_stamps_of_a_period_as_coarse_as_their_grid_tell_it_to_within_clocks() -> None:
    counted = counted_times(np.round(np.arange(100) * 0.05, 6))
    assert counted is not None
    assert counted.scale_error == pytest.approx(2e-4, rel=0.01)


@pytest.mark.parametrize(("sensor_s", "message_s"), [(0.059, 0.05), (0.1095, 0.05), (0.0123, 0.01), (0.156, 0.1)])
def test_a_sensors_clock_is_as_sure_as_the_first_messages_allow(sensor_s: float, message_s: float) -> None:
    """The range of clocks is that of the linear programme over all that bring each reading within one message."""
    taken_s = 0.0123 + sensor_s * np.arange(20)
    first_s = np.ceil((taken_s - 0.004) / message_s) * message_s + 0.004
    clock = sensor_clock(first_s, np.arange(20.0), message_s)
    assert clock is not None
    rows = np.column_stack([np.ones(20), np.arange(20)])
    bounds = np.concatenate([first_s, message_s - first_s])
    shortest, longest = (
        linprog([0, sign], A_ub=np.vstack([rows, -rows]), b_ub=bounds, bounds=[(None, None)] * 2).x[1]
        for sign in (1, -1)
    )
    most_s = max(longest - clock.period_s, clock.period_s - shortest)
    assert clock.most_error * clock.period_s == pytest.approx(most_s, rel=1e-3)
    assert clock.scale_error <= clock.most_error
    assert abs(clock.period_s - sensor_s) <= most_s
    assert np.abs(clock.begin_s + clock.period_s * np.arange(20) - taken_s).max() <= 2 * message_s
    read_s = clock.begin_s + clock.period_s * np.arange(
        20
    )  # in the middle of where all readings come with their message
    earlier, later = (first_s - message_s - read_s).max(), (first_s - read_s).min()
    assert later == pytest.approx(-earlier, abs=1e-9)


def test_readings_without_an_even_clock_have_none() -> None:
    rng = np.random.default_rng(63)
    assert sensor_clock(np.cumsum(rng.uniform(0.05, 0.25, 40)), np.arange(40.0), 0.05) is None


def test_one_message_less_on_a_grid_as_coarse_as_the_period_is_not_counted() -> None:
    """It looks like a slip of two clocks, and would make the whole log longer."""
    assert counted_times(np.delete(np.round(np.arange(200) * 0.02, 6), 97)) is None


def test_stamps_that_no_count_explains_stay() -> None:
    rng = np.random.default_rng(62)
    sent_s = np.cumsum(rng.uniform(0.01, 0.09, 300))
    assert counted_times(np.ceil(sent_s / 0.05) * 0.05) is None
    regular = np.ceil(np.arange(300) * 0.02 / 0.05) * 0.05
    assert counted_times(np.delete(regular, slice(100, 120))) is None
    assert counted_times(np.arange(300) * 0.0201234) is None
