"""Turning points, windows and episodes of swings, by hand; spectra against numpy's own periodogram."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from logscope.arrays import FloatArray
from logscope.statistics.oscillation import (
    Swings,
    _beside,
    _episodes,
    _filled,
    _joined,
    _lobe,
    _means,
    _sine,
    _spectra,
    _spectra_of,
    _window,
    find_swings,
    find_swings_at,
    without_spikes,
)
from logscope.statistics.swings import reversals


@pytest.mark.parametrize(
    ("value", "smallest", "turns"),
    [
        ([0.0, 2.0, 0.0], 2.0, [1]), ([0.0, 1.99, 0.0], 2.0, []), ([2.0, 0.0, 2.0], 2.0, [1]),
        ([1.0, 2.0, 0.0, 2.0], 2.0, [1, 2]),  # the first swing begins inside
        ([1.0, 0.0, 2.0, 0.0], 2.0, [1, 2]), ([5.0, 3.0, 3.0, 6.0, 1.0], 2.0, [1, 3]),
        ([0.0, 3.0, 3.0, 0.0], 2.0, [1]), ([0.0, 3.0, 2.0, 4.0, 3.0, 0.0], 2.0, [3]),
        ([0.0, 3.0, 1.0, 2.0, 0.5, 4.0], 2.0, [1, 4]), ([0.0, -3.0, -1.0, -2.0, -0.5, -4.0], 2.0, [1, 4]),
        ([3.0, 3.0, 3.0, 1.0, 3.0], 2.0, [3]), ([7.0], 1.0, []),
    ],
)  # fmt: skip
def test_a_signal_turns_where_it_swings_by_the_smallest_or_more(
    value: list[float], smallest: float, turns: list[int]
) -> None:
    assert reversals(np.array(value), smallest) == turns


def sines(*hz: float, size: int = 64, amplitude: float = 1.0, phase: float = 0.3) -> FloatArray:
    """One row a frequency, in turns a window."""
    at = np.arange(size) / size
    return np.array([amplitude * np.sin(2 * np.pi * f * at + phase) for f in hz])


def test_a_spectrum_is_that_of_scipys_hann_window_without_mean_and_slope() -> None:
    """scipy.signal.detrend and get_window('hann')."""
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(3, 64)) + sines(9.0)[0] * 4.0 + 0.3 * np.arange(64) + 5.0
    found = _spectra_of(rows, 0.0)
    window = signal.get_window("hann", 64)
    flat = signal.detrend(signal.detrend(rows, type="constant"), type="linear")
    np.testing.assert_allclose(found.power, np.abs(np.fft.rfft(flat * window)) ** 2, atol=1e-9)
    assert found.gain == pytest.approx(np.sum(window**2))
    assert found.peak.tolist() == [9, 9, 9]
    np.testing.assert_allclose(found.lobe, found.power[:, 7:12].sum(axis=1))
    np.testing.assert_allclose(
        found.noise, np.median(np.delete(found.power[:, 3:-1], np.arange(4, 9), axis=1), axis=1) / np.log(2.0)
    )
    coarse = _spectra_of(sines(9.0), 0.5)  # nothing is known better than the step allows
    assert coarse.noise[0] == pytest.approx(0.25 / 12.0 * coarse.gain)


@pytest.mark.parametrize(("turns", "peak"), [(5.0, None), (6.0, 6), (31.0, 31), (20.0, 20)])
def test_a_line_has_six_turns_in_a_window_at_least(turns: float, peak: int | None) -> None:
    found = int(_spectra_of(sines(turns), 0.0).peak[0])
    assert found == peak if peak is not None else found >= 6


def test_a_lobe_is_two_bins_to_each_side() -> None:
    assert _lobe(np.array([6, 31]), 33).tolist() == [[4, 5, 6, 7, 8], [29, 30, 31, 32, 32]]


def test_noise_beside_a_line_is_the_median_of_white_noise_over_ln_2() -> None:
    """Power of white noise in a bin is exponential, whose median is ln 2 of its mean (any textbook)."""
    power = np.tile(np.arange(33.0), (1, 1))
    # bins 3 to 31 without 8 to 12: 24 values, median between 19 and 20
    assert _beside(power, np.array([10]))[0] == pytest.approx(19.5 / np.log(2.0))


def test_spikes_are_cut_off_at_four_scatters_and_blind_a_window() -> None:
    """MAD of ±1 is 1: room for 4 · 1.4826 = 5.93 about the median."""
    row = np.tile([1.0, -1.0], 32)
    none = np.zeros((1, 64), dtype=bool)
    for spike, blind in ((5.9, False), (6.0, True)):
        spiked = row.copy()
        spiked[10] = spike
        assert _spectra(spiked[np.newaxis], none, 0.0)[1].tolist() == [blind]
    cut = row.copy()
    cut[10] = 4 * 1.482602218505602
    spiked[10] = 500.0
    np.testing.assert_allclose(
        _spectra(spiked[np.newaxis], none, 0.0)[0].power, _spectra_of(cut[np.newaxis], 0.0).power
    )


def swing_of(*, spoilt: float, share: float = 0.1) -> tuple[FloatArray, np.ndarray]:
    row = sines(8.0, size=64, amplitude=1.0)[0] + 0.02 * np.cos(np.arange(64) ** 2)
    doubtful = np.zeros(64, dtype=bool)
    doubtful[20 : 20 + round(share * 64)] = True
    row[doubtful] += spoilt
    return row[np.newaxis], doubtful[np.newaxis]


def test_what_is_in_doubt_and_does_not_fit_gives_its_place_to_the_sine() -> None:
    true = sines(8.0)[0]
    rows, doubtful = swing_of(spoilt=1.0)
    filled, where = _filled(rows, doubtful, 0.0)
    assert where.tolist() == doubtful.tolist()
    assert np.abs(filled[0] - true).max() < 0.1
    np.testing.assert_array_equal(filled[~doubtful], rows[~doubtful])
    rows, doubtful = swing_of(spoilt=0.0)
    assert _filled(rows, doubtful, 0.0)[1].sum() <= 2
    rows, doubtful = swing_of(spoilt=1.0, share=0.4)  # more than a quarter: as it was
    filled, where = _filled(rows, doubtful, 0.0)
    assert not where.any()
    np.testing.assert_array_equal(filled, rows)


def test_a_sine_with_its_slope_comes_back_from_the_sound_samples() -> None:
    """numpy's least squares of four columns at the known frequency."""
    at = np.arange(64) / 64
    row = 3.0 + 2.0 * (at - 0.5) + sines(8.0, amplitude=1.5)[0]
    sound = np.ones((1, 64), dtype=bool)
    sound[0, 5:9] = False
    spoilt = row.copy()
    spoilt[5:9] += 9.0
    np.testing.assert_allclose(_sine(row[np.newaxis], spoilt[np.newaxis], sound, 0.0)[0], row, atol=0.03)


@pytest.mark.parametrize(("period_s", "window"), [(0.0249, 64), (0.0251, 32), (0.01, 64), (0.05, 32)])
def test_a_window_lasts_no_longer_than_can_be(period_s: float, window: int) -> None:
    assert _window(period_s * np.arange(200)) == window


def test_means_are_over_whole_groups() -> None:
    assert _means(np.array([1.0, 3.0, 5.0, 9.0, 100.0]), 2).tolist() == [2.0, 7.0]


def episodes(swings: str, *, blind: str = "", peaks: list[int] | None = None, high: list[float] | None = None,
             first: list[int] | None = None) -> list[list[int]]:  # fmt: skip
    """The windows of each, of windows that swing (x) or not (.)."""
    size = len(swings)
    found = _episodes(
        np.array(first if first else [32 * k for k in range(size)]), 32, np.array([c == "x" for c in swings]),
        np.array([c == "x" for c in blind.ljust(size, ".")]), np.array(peaks or [9] * size),
        np.array(high or [1.0] * size),
    )  # fmt: skip
    return [each.tolist() for each in found]


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (episodes("xxx"), [[0, 1, 2]]), (episodes("xx"), []), (episodes("xx.xx"), []), (episodes("xxx.xxx"), [[0, 1,
         2], [4, 5, 6]]),
        # over windows with a spike in them, two at most
        (episodes("xx.x", blind="..x."), [[0, 1, 3]]), (episodes("xx..x", blind="..xx."), [[0, 1, 4]]),
        (episodes("xx...x", blind="..xxx."), []), (episodes("xx..x", blind="..x.."), []), (episodes("x.x.x",
         blind=".x.x."), []),
        # at one frequency, to two bins
        (episodes("xxx", peaks=[9, 11, 9]), [[0, 1, 2]]), (episodes("xxx", peaks=[9, 12, 9]), []),
        (episodes("xxx", peaks=[9, 7, 9]), [[0, 1, 2]]), (episodes("xxx", peaks=[9, 6, 9]), []),
        # a ring falls below six tenths from one to the next
        (episodes("xxx", high=[1.0, 0.61, 0.38]), [[0, 1, 2]]), (episodes("xxx", high=[1.0, 0.59, 0.55]), []),
        (episodes("xxx", high=[1.0, 9.0, 9.0]), [[0, 1, 2]]),
        (episodes("xx.x", blind="..x.", high=[1.0, 1.0, 0.0, 0.37]), [[0, 1, 3]]),
        (episodes("xx.x", blind="..x.", high=[1.0, 1.0, 0.0, 0.35]), []),
        (episodes("xxx", first=[0, 32, 96]), []),  # a gap of the log
    ],
)  # fmt: skip
def test_an_episode_is_three_windows_in_a_row_that_do_not_die_away(
    found: list[list[int]], expected: list[list[int]]
) -> None:
    assert found == expected


def some(first: list[int], hz: list[float], *spans: tuple[int, int], samples: int = 64) -> Swings:
    return Swings(
        np.array(first, dtype=np.intp), np.full(len(first), samples), np.array(hz), np.ones(len(first)),
        tuple(slice(*span) for span in spans), 0.1, 50, 64, 9.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("begins", "hz", "kept"),
    [(200, 5.0, True), (0, 5.0, False), (64, 5.0, True), (63, 5.0, False), (200, 10.8, True), (200, 10.81, False)],
)
def test_slower_swings_are_kept_beside_the_found_ones_where_they_do_not_overlap(
    begins: int, hz: float, kept: bool
) -> None:
    """Found from sample 0 to 128; slower ones of means of two samples each."""
    found = some([0, 32, 64], [20.0, 21.0, 22.0], (0, 3))
    joined = _joined(found, some([begins, begins + 32], [hz, hz], (0, 2)), 2, 10.8)
    assert joined.episodes == ((slice(0, 3), slice(3, 5)) if kept else (slice(0, 3),))
    assert joined.first.tolist() == [0, 32, 64] + [2 * begins, 2 * begins + 64] * kept
    assert joined.samples.tolist() == [64] * 3 + [128, 128] * kept
    assert joined.frequency_hz.tolist() == [20.0, 21.0, 22.0] + [hz, hz] * kept
    before = _joined(some([400, 432, 464], [20.0] * 3, (0, 3)), some([100, 136], [5.0, 5.0], (0, 2)), 2, 10.8)
    assert len(before.episodes) == 2  # up to sample 400
    over = _joined(some([400, 432, 464], [20.0] * 3, (0, 3)), some([100, 137], [5.0, 5.0], (0, 2)), 2, 10.8)
    assert len(over.episodes) == 1


AT = 0.01 * np.arange(1000)


def test_a_swing_has_its_frequency_amplitude_and_noise() -> None:
    """10 Hz between two bins of 1.5625 Hz, of an amplitude of 2 beside noise of 0.1; windows from 2 to 6 s."""
    noise = np.random.default_rng(8).normal(0.0, 0.1, AT.size)
    value = noise + np.where((AT >= 2.0) & (AT < 6.0), 2.0 * np.sin(2 * np.pi * 10.0 * AT), 0.0)
    found = find_swings_at(AT, value, 0.0, 64)
    (episode,) = found.episodes
    assert np.median(found.frequency_hz[episode]) == pytest.approx(10.0, abs=0.1)
    assert np.median(found.amplitude[episode]) == pytest.approx(2.0, rel=0.05)
    assert found.noise == pytest.approx(0.1, rel=0.25)
    assert (found.windows, found.window, found.lowest_hz) == (30, 64, pytest.approx(6 / 0.64))
    assert set(found.samples.tolist()) == {64}
    begins = found.first[episode].tolist()  # all that lie within it by three quarters, and none by less than a third
    assert set(range(192, 545, 32)) <= set(begins) <= set(range(160, 577, 32))
    short = find_swings_at(AT[:127], value[:127], 0.0, 64)
    assert (short.windows, short.window, short.episodes) == (0, 64, ())
    assert not any(each.size for each in (short.first, short.samples, short.frequency_hz, short.amplitude))
    assert find_swings_at(AT[:128], value[:128], 0.0, 64).windows == 3
    gap = np.where(AT < 5.0, AT, AT + 1.0)  # no window lies across
    assert find_swings_at(gap, value, 0.0, 64).windows == 28
    # means of 2 and 4 samples go down to half and a quarter; of 8 there are no two windows
    for slowest_hz, halves in ((9.4, 1), (9.3, 2), (4.7, 2), (4.6, 4), (2.0, 4)):
        assert find_swings(AT, value, 0.0, slowest_hz).lowest_hz == pytest.approx(6 / 0.64 / halves)


def test_a_spike_is_bridged_and_beside_a_step_a_smaller_one() -> None:
    """Of 1, 0 and −1 by turns the median of the deviations is 1: 4 · 1.4826 are a spike, in doubt half of that."""
    value = np.tile([1.0, 0.0, -1.0], 34)
    for high, doubtful, bridged in ((5.9, False, False), (6.0, False, True), (2.9, True, False), (3.0, True, True)):
        spiked = value.copy()
        spiked[50] = high
        where = None if not doubtful else np.ones(102, dtype=bool)
        found = without_spikes(0.01 * np.arange(102), spiked, where)
        assert found[50] == (0.5 if bridged else high)
        inside = np.r_[35:50, 51:65]  # away from the ends, at which the median has less to go by
        np.testing.assert_array_equal(found[inside], value[inside])
    short = value[:63]
    assert without_spikes(0.01 * np.arange(63), short) is short
