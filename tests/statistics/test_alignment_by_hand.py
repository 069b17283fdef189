"""The pieces of bringing two clocks together, on signals whose offset is put in by hand."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from logscope.arrays import FloatArray
from logscope.statistics.alignment import (
    Alignment,
    NotAligned,
    _changes,
    _coarse,
    _on_scale_of_second,
    _shared_memory,
    _window,
    _windows,
    align_clocks,
)

AT = 0.05 * np.arange(1200)


def wave(at_s: FloatArray) -> FloatArray:
    """Five swings of no common period, so that no offset but one fits."""
    return np.asarray(sum(100.0 * np.sin(2 * np.pi * at_s / period + period) for period in (3.1, 4.7, 7.3, 11.9, 23.3)))


def test_changes_are_over_a_second_about_each_moment_and_unknown_at_the_ends() -> None:
    """Of t² the change from t − ½ to t + ½ is 2·t."""
    at = 0.1 * np.arange(60)
    change, known = _changes(at + 3.0, at**2)
    inside = known == 1.0
    assert np.flatnonzero(inside)[[0, -1]].tolist() == [10, known.size - 11]
    assert inside[10:-10].all()
    t = 0.05 * np.arange(known.size)
    np.testing.assert_allclose(change[inside], 2.0 * t[inside], atol=0.02)
    assert not change[~inside].any()
    assert known.size == 118  # 5.9 s
    assert not _changes(at[:10], at[:10])[1].any()


@pytest.mark.parametrize(("gap_s", "known"), [(1.0, True), (1.1, False)])
def test_across_a_gap_of_more_than_a_second_nothing_is_known(gap_s: float, known: bool) -> None:
    at = np.concatenate([0.25 * np.arange(16), 3.75 + gap_s + 0.25 * np.arange(16)])
    inside = _changes(at, at)[1]
    assert bool(inside[10:-10].all()) is known
    if not known:  # from half a second before the gap to half a second after it
        t = 0.05 * np.arange(inside.size)
        off = t[(inside == 0.0) & (t > 1.0) & (t < t[-1] - 1.0)]
        assert (off[0], off[-1]) == pytest.approx((3.25, 3.75 + gap_s + 0.5), abs=0.11)


def test_memory_is_bartletts_sum_over_both_autocorrelations() -> None:
    """A box of 8 samples: its autocorrelation falls along a line, 1 − k/8; white noise remembers nothing."""
    box = np.zeros(64)
    box[20:28] = 1.0
    assert _shared_memory(box, box) == pytest.approx(1.0 + 2.0 * sum((1 - k / 8) ** 2 for k in range(1, 8)))
    pulse = np.zeros(64)
    pulse[3] = 1.0
    assert _shared_memory(box, pulse) == _shared_memory(pulse, pulse) == 1.0
    assert _shared_memory(np.tile([1.0, -1.0], 8), box) == 1.0  # less than one sample counts as one


def test_the_first_signal_takes_scale_and_level_of_the_second_in_the_overlap() -> None:
    second_s, offset_s = AT[:600], 20.0
    first = wave(AT)
    first[AT > 55.0] = 1e6  # not seen by both
    second = 3.0 * np.interp(second_s + offset_s, AT, wave(AT)) - 50.0
    found = _on_scale_of_second(AT, first, second_s[:600], second, offset_s)
    np.testing.assert_allclose(found[AT < 55.0], 3.0 * wave(AT)[AT < 55.0] - 50.0, atol=1e-6)


@pytest.mark.parametrize("lag_s", [0.0, 0.123, -0.2])
def test_a_window_gives_the_offset_between_samples_with_its_error(lag_s: float) -> None:
    """Least squares: a shift is known to noise over the root of the sum of squared slopes (Gauss and Markov)."""
    rng = np.random.default_rng(6)
    time_s = AT[200:400]
    value = wave(time_s + 5.0 + lag_s) + rng.normal(0.0, 4.0, 200)
    found = _window(AT, wave(AT), time_s, value, 5.0, 0.6)
    assert found is not None
    offset_s, deviation = found
    slope = np.gradient(wave(time_s + 5.0 + lag_s), time_s)
    expected = 4.0 / np.sqrt(np.sum(slope**2))
    assert deviation == pytest.approx(expected, rel=0.15)
    assert abs(offset_s - 5.0 - lag_s) < 4.0 * expected + 1e-3


@pytest.mark.parametrize(
    ("value", "rows", "lag_s", "known"),
    [
        ("wave", 20, 0.0, True), ("wave", 19, 0.0, False), ("still", 200, 0.0, False), ("wave", 200, 0.7, False),
        ("noisy", 200, 0.0, False), ("less noisy", 200, 0.0, True),
    ],
)  # fmt: skip
def test_a_window_takes_twenty_samples_that_fit_within_the_search(
    value: str, rows: int, lag_s: float, known: bool
) -> None:
    """A correlation of 0.95 leaves 9.75 % of the variance: noise of a third of the signal's deviation."""
    time_s = AT[200 : 200 + rows]
    own = wave(time_s + 5.0 + lag_s)
    share = {"noisy": 0.4, "less noisy": 0.25}.get(value, 0.0)
    own = own + share * own.std() * np.random.default_rng(9).standard_normal(rows)
    own = np.full(rows, 7.0) if value == "still" else own
    assert (_window(AT, wave(AT), time_s, own, 5.0, 0.6) is not None) is known


def test_windows_lie_side_by_side_in_the_overlap() -> None:
    """60 s of the first clock; the second's 45 s begin at its 10th second: 45 s in twelve windows of 8 s at least."""
    second_s = AT[:900]
    middles, offsets, deviations = _windows(AT, wave(AT), second_s, wave(second_s + 10.0), 10.0)
    assert offsets == pytest.approx(10.0, abs=1e-3)
    search = 0.6 + 2e-3 * (second_s[-1] - second_s[0]) / 2
    assert middles[0] == pytest.approx(search + 4.0, abs=0.1)
    assert np.diff(middles)[:4] == pytest.approx([8.0] * 4, abs=0.1)
    assert middles.size == 5
    cut = _windows(AT, wave(AT), second_s[:820], wave(second_s[:820] + 10.0), 10.0)[0]
    # 40.95 s less the search at either end: the fifth begins at 32.64 s, and ends with what there is, at 40.31 s
    assert cut[-1] == pytest.approx((32.64 + 40.31) / 2, abs=0.03)
    assert (deviations < 1e-3).all()
    long_s = 0.5 * np.arange(2400)  # 1200 s: twelve of 60 s at most
    assert np.diff(_windows(long_s, wave(long_s), long_s, wave(long_s), 0.0)[0])[0] == pytest.approx(60.0, abs=0.6)


def test_the_coarse_search_gives_offset_overlap_and_agreement() -> None:
    second_s = AT[:900] + 7.0  # its first sample lies 12 s into the first log
    found = _coarse(AT + 100.0, wave(AT), second_s, wave(second_s + 5.0))
    assert not isinstance(found, NotAligned)
    offset_s, correlation, overlap_s = found
    assert offset_s == pytest.approx(105.0, abs=0.05)
    assert correlation == pytest.approx(1.0, abs=0.01)
    assert overlap_s == pytest.approx(44.0, abs=0.2)  # less half a second at either end


@pytest.mark.parametrize(
    ("second_s", "second", "why"),
    [
        (AT[:19], wave(AT[:19]), "only a few samples"), (AT[:600], wave(AT[:600]), "too short for an overlap of 30 s"),
        (AT[:660], wave(AT[:660]), None), (AT, np.random.default_rng(1).normal(size=AT.size), "agree by no more than"),
        (AT, np.where(AT < 30.0, 0.0, 50.0), "agree by no more than"),
    ],
)  # fmt: skip
def test_what_keeps_two_logs_apart_is_said(second_s: FloatArray, second: FloatArray, why: str | None) -> None:
    found = _coarse(AT, wave(AT), second_s, second)
    assert isinstance(found, NotAligned) is (why is not None)
    if isinstance(found, NotAligned):
        assert why is not None
        assert why in found.reason


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (np.where(AT < 30.0, 0.0, 100.0), "change too little"),  # one step gives no drift
        (100.0 * np.sin(2 * np.pi * AT / 50.0), "agreement by chance"),  # a slow swing agrees with any other
    ],
)
def test_agreement_alone_does_not_determine_the_clocks(value: FloatArray, why: str) -> None:
    found = align_clocks(AT, value, AT, value)
    assert isinstance(found, NotAligned)
    assert why in found.reason


@pytest.mark.parametrize(("drift", "aligned"), [(1e-4, True), (-1.5e-3, True), (2.5e-3, False)])
def test_a_drift_is_given_with_its_sign_and_refused_where_no_clock_has_it(drift: float, aligned: bool) -> None:
    """The first clock runs faster by the drift: first = second + 10 + drift · (second − 30)."""
    second_s = AT[60:1140]
    true_s = second_s + 10.0 + drift * (second_s - 30.0)
    found = align_clocks(AT + 10.0, wave(AT + 10.0), second_s, wave(true_s))
    if not aligned:
        assert isinstance(found, NotAligned)
        assert "clocks would have to differ by" in found.reason
        return
    assert isinstance(found, Alignment)
    assert found.drift == pytest.approx(drift, abs=3e-5)
    assert found.offset_s == pytest.approx(10.0 + drift * (found.middle_s - 30.0), abs=2e-3)
    assert found.offset_low_s <= found.offset_s <= found.offset_high_s
    assert found.drift_low <= found.drift <= found.drift_high
    assert 20.0 < found.middle_s < 40.0
    assert 3 <= found.windows <= 8
    assert found.residual_s < 2e-3
    assert found.overlap_s == pytest.approx(53.0, abs=0.3)


def test_a_clock_that_jumps_follows_no_line() -> None:
    """The middle third late by a fifth of a second, of samples each 50 ms."""
    true_s = AT + np.where((AT > 20.0) & (AT < 40.0), 0.2, 0.0)
    found = align_clocks(AT, wave(AT), AT, wave(true_s))
    assert isinstance(found, NotAligned)
    assert "scatters by" in found.reason
    assert "samples 50 ms apart" in found.reason


@pytest.mark.parametrize(
    ("offsets", "why"),
    [
        ([5.0, 5.004, 4.996, 5.0], None), ([5.0, 5.0, 5.0], None), ([5.0, 5.0], "change too little"),
        ([5.0, 5.0199, 5.0398, 5.0597], None), ([5.0, 5.0201, 5.0402, 5.0603], "clocks would have to differ by 0.20 %"),
        ([5.0, 4.9799, 4.9598, 4.9397], "clocks would have to differ by"),
        ([5.0, 5.026, 4.974, 5.0], None), ([5.0, 5.0267, 4.9733, 5.0], "scatters by 25 ms"),
    ],
)  # fmt: skip
def test_windows_of_one_clock_lie_on_a_line(
    monkeypatch: pytest.MonkeyPatch, offsets: list[float], why: str | None
) -> None:
    """statsmodels OLS: scatter about the line, with two degrees of freedom less; at most half of 50 ms.

    Windows every 10 s, so that 20 ms from one to the next are 0.2 %.
    """
    middles, found_s = 10.0 * np.arange(len(offsets)), np.array(offsets)
    monkeypatch.setattr("logscope.statistics.alignment._coarse", lambda *_: (5.0, 0.97, 40.0))
    monkeypatch.setattr(
        "logscope.statistics.alignment._windows", lambda *_: (middles, found_s, np.full(middles.size, 0.01))
    )
    found = align_clocks(AT, wave(AT), AT, wave(AT))
    if why is not None:
        assert isinstance(found, NotAligned)
        assert why in found.reason
        return
    assert isinstance(found, Alignment)
    line = sm.OLS(found_s, sm.add_constant(middles)).fit()
    assert found.residual_s == pytest.approx(line.mse_resid**0.5, abs=1e-9)
    assert (found.drift, found.offset_s) == pytest.approx((line.params[1], found_s.mean()), abs=1e-9)
    assert (found.correlation, found.overlap_s, found.windows) == (0.97, 40.0, len(offsets))
    assert found.drift_high - found.drift == pytest.approx(found.drift - found.drift_low)
    assert found.offset_high_s - found.offset_s == pytest.approx(found.offset_s - found.offset_low_s)
    assert found.middle_s == pytest.approx(middles.mean())
