"""Correlations at shifts, moments that fit, and the grid they stand on: by numpy one by one, or by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from logscope.errors import RequestError
from logscope.seeking.correlation import Line, correlate, false_positive_rate, line
from logscope.seeking.events import _changes, _fits
from logscope.seeking.follow import _best_shift, _surrogate, read_series
from logscope.seeking.scene import grid, held

STEP_S = 0.1


def noise(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count)


@pytest.mark.parametrize(("shift", "factor"), [(3, 2.0), (-4, 0.5), (5, 1.0), (-5, 1.0), (2, -3.0), (0, 1.0)])
def test_a_field_that_follows_later_has_a_delay_above_zero(shift: int, factor: float) -> None:
    template = noise(2000)
    found = correlate((factor * np.roll(template, shift) + 7.0)[None], template, STEP_S)
    assert found.best[0] == pytest.approx(np.sign(factor))
    assert found.delay_s[0] == pytest.approx(shift * STEP_S)
    assert found.chance.max() < 0.12  # 200 windows of 11 shifts of 2000 points: 4.5 standard deviations of 1/√2000


@pytest.mark.parametrize("shift", [6, -6])
def test_half_a_second_is_the_longest_delay(shift: int) -> None:
    template = noise(2000)
    assert abs(correlate(np.roll(template, shift)[None], template, STEP_S).best[0]) < 0.2


def test_a_part_with_a_sign_of_its_own_is_not_followed_the_other_way_round() -> None:
    template = noise(2000)
    assert correlate(-template[None], template, STEP_S, signed=False).best[0] < 0.2
    assert correlate(template[None], template, STEP_S, signed=False).best[0] == pytest.approx(1.0)
    slow = np.sin(np.linspace(0.0, 3.0, 2000))  # it follows the other way round at every delay
    turned = correlate(-slow[None], slow, STEP_S, signed=False)
    assert (turned.best[0], turned.delay_s[0]) == (0.0, 0.0)
    assert turned.chance.max() > 0.9  # elsewhere it follows
    assert correlate(-slow[None], slow, STEP_S).best[0] == pytest.approx(-1.0)


def test_likeness_at_shifts_that_cannot_be_true_is_chance_and_a_constant_has_none() -> None:
    template = noise(2000)
    found = correlate(np.array([np.roll(template, 1000), np.full(2000, 5.0)]), template, STEP_S)
    assert found.chance.max() > 0.99
    assert found.best[0] < 0.2
    assert (found.best[1], found.delay_s[1]) == (0.0, 0.0)
    # windows of 11 shifts side by side, all of them at least a twentieth of the time away
    assert found.chance.size == (2000 - 2 * 100) // 11


@pytest.mark.parametrize(("score", "rate"), [(0.9, 1 / 5), (0.8, 2 / 5), (0.5, 4 / 5), (0.1, 1.0), (0.801, 1 / 5)])
def test_the_rate_of_false_positives_counts_the_log_itself(score: float, rate: float) -> None:
    assert false_positive_rate(score, np.array([0.5, 0.8, 0.2, 0.6])) == pytest.approx(rate)


def test_the_limits_of_a_line_are_students_of_tukeys_pseudo_values() -> None:
    """Stretches left out one by one: numpy.polyfit, pseudo-values (Tukey 1958) and scipy.stats.t with 9 degrees."""
    rng = np.random.default_rng(8)
    raw = rng.uniform(0.0, 100.0, 60)
    reference = 0.3 * raw - 2.0 + rng.uniform(-1.0, 1.0, 60)  # bounded: no point lies three deviations off
    found = line(reference, raw)
    whole = np.polyfit(raw, reference, 1)
    rest = [np.polyfit(np.delete(raw, s), np.delete(reference, s), 1) for s in np.split(np.arange(60), 10)]
    pseudo = 10 * whole - 9 * np.array(rest)
    half = stats.t.ppf(0.975, 9) * stats.sem(pseudo, axis=0)
    assert (found.scale, found.offset) == pytest.approx(tuple(whole))
    assert found.scale_limits == pytest.approx((whole[0] - half[0], whole[0] + half[0]), rel=1e-3)
    assert found.offset_limits == pytest.approx((whole[1] - half[1], whole[1] + half[1]), rel=1e-3)


@pytest.mark.parametrize(("points", "limits"), [(12, True), (11, False)])
def test_a_line_of_ten_points_in_each_part_has_limits(points: int, limits: bool) -> None:
    found = line(2.0 * np.arange(points) + 0.01 * (-1.0) ** np.arange(points), np.arange(float(points)))
    assert (found.scale_limits is not None) is limits
    assert found.scale == pytest.approx(2.0, abs=0.01)


def test_a_line_is_said_with_its_limits() -> None:
    fit = Line(0.1, -40.0, (0.09, 0.11), (-41.0, -39.0))
    assert fit.in_words("vehicle speed", "rpm") == (
        "Fitted to vehicle speed by a straight line: scale 0.09 to 0.11 rpm per count, offset -41 to -39 rpm (95 %)."
    )
    assert Line(0.1, -40.0).in_words("vehicle speed", "rpm") == "Fitted to vehicle speed by a straight line."


@pytest.mark.parametrize(
    ("at", "size", "moments", "score"),
    [
        ([1.0, 2.0, 10.0], [1.0, 1.0, 4.0], [1.5, 20.0], 0.5 * 2 / 6),
        ([1.0, 2.0, 10.0], [1.0, 1.0, 4.0], [1.5, 10.0], 1.0),
        ([10.0, 2.0, 1.0], [4.0, 1.0, 1.0], [1.5, 10.0], 1.0),  # in any order
        ([0.5, 2.5], [1.0, 1.0], [1.5], 1.0),  # a second to either side, both ends included
        ([0.49, 2.5], [1.0, 1.0], [1.5], 0.5), ([0.5, 2.51], [1.0, 1.0], [1.5], 0.5),
        ([1.0, 10.0], [1.0, 4.0], [1.0, 10.0], 0.5),  # a quarter of the largest change is none
        ([1.0, 10.0], [1.1, 4.0], [1.0, 10.0], 1.0),
        ([1.2], [3.0], [1.0, 1.5], 1.0),  # moments that share a change count it once
        ([5.0], [1.0], [1.0, 9.0], 0.0),
    ],
)  # fmt: skip
def test_changes_fit_moments_by_both_shares(
    at: list[float], size: list[float], moments: list[float], score: float
) -> None:
    assert _fits(np.array(at), np.array(size), np.array(moments), 1.0) == pytest.approx(score)


def test_a_change_is_where_the_new_value_is_first_seen() -> None:
    at, size = _changes(np.array([0.0, 1.0, 2.0, 3.0]), np.array([5.0, 5.0, 2.0, 3.0]))
    assert (at.tolist(), size.tolist()) == ([2.0, 3.0], [3.0, 1.0])


@pytest.mark.parametrize("lag", [-30, -7, 0, 13, 50])
def test_the_best_shift_is_that_of_numpys_correlation_of_each_overlap(lag: int) -> None:
    """numpy.corrcoef at every shift with an overlap of half of the shorter series."""
    row, template = noise(80, 4), noise(60, 5)
    inside = np.arange(max(lag, 0), min(lag + 60, 80))
    row[inside] = 2.0 * template[inside - lag] + 0.05 * row[inside]
    best, at = _best_shift(np.array([row, np.full(80, 3.0)]), template)
    tried = {}
    for shift in range(-60, 81):
        over = np.arange(max(shift, 0), min(shift + 60, 80))
        if over.size >= 30:
            tried[shift] = abs(np.corrcoef(row[over], template[over - shift])[0, 1])
    expected = max(tried, key=lambda shift: tried[shift])
    assert expected == lag
    assert (at[0], best[0]) == (lag, pytest.approx(tried[lag]))
    assert best[1] == 0.0


@pytest.mark.parametrize(("count", "length", "overlap"), [(80, 60, 29), (38, 30, 19)])
def test_an_overlap_of_less_than_half_and_of_less_than_twenty_points_is_not_tried(
    count: int, length: int, overlap: int
) -> None:
    """Half of 60 points are 30; half of 30 are fewer than 20."""
    row, template = noise(count, 4), noise(length, 5)
    row[:overlap] = template[-overlap:]
    assert _best_shift(row[None], template)[0][0] < 0.9
    row[: overlap + 1] = template[-overlap - 1 :]
    assert _best_shift(row[None], template)[0][0] == pytest.approx(1.0)


def test_a_surrogate_keeps_spectrum_and_mean_and_no_more() -> None:
    series = np.cumsum(noise(256, 6)) + 100.0
    made = _surrogate(series, np.random.default_rng(1))
    assert made.mean() == pytest.approx(series.mean())
    assert np.abs(np.fft.rfft(made))[1:-1] == pytest.approx(np.abs(np.fft.rfft(series))[1:-1])
    assert abs(np.corrcoef(made, series)[0, 1]) < 0.9


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("time_s,speed\n0,1\n2,3\n1,2\n", "speed"),
        ("speed [km/h];Time\n1,0;0,0\n3,0;2,0\n2,0;1,0\n", "speed"),
        ("speed [km/h]\tt\n1\t0\n3\t2\n2\t1\n", "speed [km/h]"),
        ("first,other,speed\n0,9,1\n2,9,3\nx,9,9\n5,9,\n1,9,2\n", "speed"),
    ],
)
def test_a_series_is_in_the_order_of_its_times_without_what_is_no_number(
    tmp_path: Path, text: str, column: str
) -> None:
    path = tmp_path / "series.csv"
    path.write_text(text, encoding="utf-8")
    time_s, values = read_series(path, column)
    assert (time_s.tolist(), values.tolist()) == ([0.0, 1.0, 2.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("time_s,speed\n0,1\n", "speed", "too few rows"),
        ("time_s,speed\n0,1\n1,x\n2,3\n", "speed", "too few numbers"),
        ("time_s,speed\n0,1\n1,2\n2,3\n", "time_s", "too few numbers"),
        ("time_s,speed\n4,1\n4,2\n4,3\n", "speed", "span 0 s"),
        ("time_s,speed\n0,1\n1,2\n8640001,3\n", "speed", "span 8.64e"),
        ("time_s,speed\n0,1\n1,2\n2,3\n", "sped", "(?s)no column.*[^a-z]speed"),
        ("time_s,speed\n0,1\n1,2\n2,3\n", "voltage", "(?s)no column.*It has: time_s, speed"),
    ],
)
def test_a_series_that_cannot_be_used_is_refused(tmp_path: Path, text: str, column: str, words: str) -> None:
    path = tmp_path / "series.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RequestError, match=words):
        read_series(path, column)


def test_a_series_may_be_short(tmp_path: Path) -> None:
    path = tmp_path / "series.csv"
    path.write_text("time_s,speed\n0,1\n0.1,2\n0.3,3\n", encoding="utf-8")
    assert read_series(path, "speed")[0].tolist() == [0.0, 0.1, 0.3]


def test_a_hundred_days_are_in_seconds(tmp_path: Path) -> None:
    path = tmp_path / "series.csv"
    path.write_text("time_s,speed\n0,1\n1,2\n8640000,3\n", encoding="utf-8")
    assert read_series(path, "speed")[0][-1] == 8_640_000.0


@pytest.mark.parametrize(
    ("start_s", "end_s", "step_s", "points"),
    [
        (5.0, 65.0, 0.02, 3000),
        (0.0, 163.84, 0.02, 8192),
        (0.0, 8192.0, 1.0, 8192),
        (500.0, 8692.0, 1.0, 8192),
        (3.0, 3.0, 0.02, 2),
    ],
)
def test_the_grid_is_as_fine_as_is_of_use(start_s: float, end_s: float, step_s: float, points: int) -> None:
    found = grid(start_s, end_s)
    assert found[0] == start_s
    assert np.diff(found) == pytest.approx(step_s)
    assert abs(found.size - points) <= 1  # a last point may lie on the end by rounding


def test_a_value_holds_until_the_next_and_the_first_before_it() -> None:
    at = np.array([0.5, 1.0, 1.9, 2.0, 9.0])
    assert held(np.array([1.0, 2.0]), np.array([10.0, 20.0]), at).tolist() == [10.0, 10.0, 10.0, 20.0, 20.0]
