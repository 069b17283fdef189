"""Two parts at common moments by hand-made tables, and the ratio that they keep to by its closed form and by draws."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.paired import common_moments, kept_ratio, known_at, lag_allowance_s, on_at, steady_at
from logscope.signals import Part


def part(time_s: list[float], value: list[float], step: float | None = None) -> Part:
    times, values = np.array(time_s), np.array(value)
    return Part("battery_voltage", times, values, "V", "Made.Part", step, on=values != 0)


@pytest.mark.parametrize(
    ("at_s", "known"),
    [(-0.1, np.nan), (0.0, 20.0), (1.99, 20.0), (2.0, 30.0), (9.99, 40.0), (10.01, np.nan)],
)
def test_the_newest_value_is_known_for_three_periods(at_s: float, known: float) -> None:
    np.testing.assert_equal(known_at(part([0.0, 2.0, 4.0], [20.0, 30.0, 40.0]), np.array([at_s])), [known])


def test_two_samples_have_a_period_and_one_has_none() -> None:
    np.testing.assert_equal(known_at(part([0.0, 2.0], [20.0, 30.0]), np.array([1.0, 8.0, 8.1])), [20.0, 30.0, np.nan])
    np.testing.assert_equal(known_at(part([0.0], [20.0]), np.array([0.0])), [np.nan])


def test_a_fast_part_is_known_for_three_tenths_of_a_second() -> None:
    fast = part([0.0, 0.01, 0.02], [1.0, 2.0, 3.0])
    np.testing.assert_equal(known_at(fast, np.array([0.31, 0.33])), [3.0, np.nan])


def test_messages_show_one_moment_within_two_periods_of_the_slower() -> None:
    slow, fast = part([0.0, 1.0, 2.0], [1.0, 1.0, 1.0]), part([0.0, 0.01, 0.02, 0.03], [1.0] * 4)
    assert lag_allowance_s(slow, fast) == lag_allowance_s(fast, slow) == pytest.approx(2.0)
    assert lag_allowance_s(fast) == pytest.approx(0.25)
    assert common_moments(fast, slow).tolist() == [0.0, 1.0, 2.0]
    assert common_moments(part(list(range(50_000)), [1.0] * 50_000)).size == pytest.approx(20_000, rel=0.2)


def test_a_state_is_known_from_its_first_sample_on() -> None:
    state = part([1.0, 2.0, 3.0], [1.0, 0.0, 1.0])
    assert on_at(state, np.array([0.5, 1.0, 1.5, 2.0, 3.5])).tolist() == [False, True, True, False, True]


@pytest.mark.parametrize(
    ("before", "after", "step", "steady"),
    [
        (100.0, 100.0, None, True),
        (103.9, 96.1, None, True),  # 4 % to either side
        (104.1, 100.0, None, False),
        (100.0, 95.9, None, False),
        (104.9, 95.1, 1.0, True),  # and a step of the definition
        (100.0, 105.1, 1.0, False),
    ],
)
def test_a_value_is_steady_where_it_was_and_will_be_the_same(
    before: float, after: float, step: float | None, steady: bool
) -> None:
    made = part([0.0, 1.0, 2.0], [before, 100.0, after], step)
    value, level = steady_at(made, np.array([1.0]), 1.0)
    assert (value.tolist(), level.tolist()) == ([100.0], [steady])


def test_limits_of_a_kept_ratio_are_those_of_a_median() -> None:
    """√(π/2)·σ/√n, which leaves it 1.25 times as unsure as a mean (any textbook), and as draws scatter."""
    noise, found = np.random.default_rng(2911), []
    for _ in range(300):
        true = 320.0 + noise.normal(0.0, 3.0, 60)
        first, second = (true * (1.0 + noise.normal(0.0, 0.005, true.size)) for _ in range(2))
        kept = kept_ratio(np.arange(60.0), 1.07 * first, second, np.ones(60, bool))
        assert kept is not None
        found.append(np.log([kept.low, kept.ratio, kept.high]))
    low, ratio, high = np.array(found).T
    deviation = np.sqrt(np.pi / 2) * 0.005 * np.sqrt(2) / np.sqrt(60)
    assert np.mean(high - ratio) == pytest.approx(1.96 * deviation, rel=0.03)
    assert np.mean(ratio - low) == pytest.approx(1.96 * deviation, rel=0.03)
    assert np.std(ratio) == pytest.approx(deviation, rel=0.1)
    assert np.mean(ratio) == pytest.approx(np.log(1.07), abs=4 * deviation / np.sqrt(300))


def test_a_ratio_is_that_of_most_moments_and_says_when_it_holds() -> None:
    """Two thirds of the readings lie at one ratio, the others at a half; zeros and unknown readings do not count."""
    at_s = np.arange(30.0)
    second = np.geomspace(100.0, 200.0, 30)
    first = np.where(at_s % 3 == 0, 0.5, -2.0) * second
    first[1], second[2] = 0.0, np.nan
    kept = kept_ratio(at_s, first, second, np.ones(30, bool), expected=2.0)
    assert kept is not None
    assert kept.ratio == pytest.approx(2.0)
    assert kept.at_s.tolist() == [t for t in at_s if t % 3 and t > 2]
    assert kept.share == kept.agree == pytest.approx(18 / 28)
    assert 1.6 < kept.span <= 2.0
    other = kept_ratio(at_s, first, second, np.ones(30, bool), expected=0.5)
    assert other is not None
    assert other.agree == pytest.approx(10 / 28)
    assert kept_ratio(at_s, first, second, at_s < 9) is None  # seven moments
    assert kept_ratio(at_s, first, second, at_s < 10) is not None


def test_limits_narrow_with_the_root_of_the_moments() -> None:
    """Logarithms of ±0.01 in turn have a deviation of 0.01; of 16, √(π/2)·0.01/4 is that of their median."""
    second = np.full(16, 200.0)
    first = 200.0 * np.exp(np.where(np.arange(16) % 2, 0.01, -0.01))
    kept = kept_ratio(np.arange(16.0), first, second, np.ones(16, bool))
    assert kept is not None
    half = 1.96 * np.sqrt(np.pi / 2) * 0.01 / 4
    assert (kept.low, kept.ratio, kept.high) == pytest.approx((np.exp(-half), 1.0, np.exp(half)), rel=1e-6)


@pytest.mark.parametrize(("apart", "share", "agree"), [(0.059, 1.0, 1.0), (0.061, 0.5, 1.0), (0.16, 0.5, 0.5)])
def test_ratios_within_six_percent_are_one_and_agree_within_fifteen(apart: float, share: float, agree: float) -> None:
    second = np.geomspace(100.0, 200.0, 20)
    kept = kept_ratio(np.arange(20.0), second * np.exp(np.repeat([0.0, apart], 10)), second, np.ones(20, bool))
    assert kept is not None
    assert (kept.share, kept.agree) == (share, agree)
    held = second if share == 1.0 else second[:10]
    assert kept.span == pytest.approx(float(np.quantile(held, 0.98) / np.quantile(held, 0.02)))
    assert kept.at_s.tolist() == list(range(held.size))
