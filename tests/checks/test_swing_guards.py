"""What of a loop's oscillation is the loop's: each question asked of a swing, on both sides of its edge.

Made windows and sines; a sine's frequency, size and decay are known in closed form.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part

from logscope.checks.current_control import swinging
from logscope.checks.current_control.loop import Loop
from logscope.checks.current_control.swinging import (
    _answering,
    _by_band,
    _earliest_s,
    _echoes,
    _is_in_error,
    _kept,
    _lasts,
    _per_turn,
    _ring,
    _samples,
    _stands_out,
    _swings_along,
    _target_swings,
    find_swinging,
    smallest_seen,
)
from logscope.findings import Measured
from logscope.statistics.oscillation import Swings
from logscope.statistics.ringing import DampedSinusoid

PERIOD_S = 1.0 / 64.0
T = np.arange(0.0, 32.0, PERIOD_S)
TURNING = 2 * np.pi * T


def swings(
    frequency_hz: Any, amplitude: Any = 4.0, episodes: tuple[slice, ...] = (slice(0, 8),), first: int = 0
) -> Swings:
    """Windows of 64 samples, half overlapping, from a sample on."""
    count = episodes[-1].stop
    frequency, size = (np.broadcast_to(np.asarray(each, float), (count,)) for each in (frequency_hz, amplitude))
    return Swings(
        first + 32 * np.arange(count), np.full(count, 64), frequency, size, episodes, 0.5, 60, 64, 2.0
    )  # fmt: skip


def loop(error: Any = 0.0, target: Any = 50.0, rpm: Any = None, later_s: float = 0.0, noise: float = 0.5) -> Loop:
    asked, off = (np.broadcast_to(np.asarray(each, float), T.shape) for each in (target, error))
    speed = None if rpm is None else part("motor_speed", T, np.broadcast_to(np.asarray(rpm, float), T.shape))
    goal = part("torque_target", T + later_s, asked)
    return Loop(part("torque", T, asked + off), goal, "Nm", off, noise, speed, 9000.0, 100.0)


def test_the_smallest_swing_seen_is_1_8_noises_of_a_whole_window() -> None:
    assert smallest_seen(swings(8.0)) == pytest.approx(0.9)
    half = Swings(*(getattr(swings(8.0), name) for name in Swings.__slots__[:7]), 32, 2.0)
    assert smallest_seen(half) == pytest.approx(0.9 * 2**0.5)


def test_a_standing_swing_is_found_with_its_frequency_size_and_band() -> None:
    """5 Nm at 9.3 Hz from 8 to 20 s, at 1000 rpm; its damping is none."""
    inside = (T >= 8.0) & (T < 20.0)
    noise = np.random.default_rng(1).normal(0.0, 0.1, T.size)
    one = loop(5.0 * np.sin(9.3 * TURNING) * inside + noise, rpm=np.where(inside, 1000.0, 5000.0), noise=0.1)
    found, searched = find_swinging(one)
    assert found is not None
    ((since_s, until_s),) = found.events
    assert (since_s, until_s) == (pytest.approx(8.0, abs=0.6), pytest.approx(20.0, abs=0.6))
    assert found.frequency.value == pytest.approx(9.3, rel=2e-3)
    assert found.frequency.low < 9.3 < found.frequency.high  # type: ignore[operator]
    assert found.amplitude.value == pytest.approx(5.0, rel=0.05)
    reach = found.amplitude.value - found.amplitude.low  # type: ignore[operator]
    assert 0.0 < reach < 0.5
    assert found.amplitude.high == pytest.approx(found.amplitude.value + reach)  # type: ignore[operator]
    assert found.damping.value == pytest.approx(0.0, abs=0.01)
    assert found.by_band["low"] == pytest.approx(100.0, abs=10.0)
    assert set(found.by_band) == {"low", "middle"}
    assert (found.with_target, found.per_turn, found.follows_shaft) == (False, None, False)
    assert found.rpm.size == found.size.size == searched.first.size
    assert np.median(found.rpm) == pytest.approx(1000.0)


def test_an_oscillation_of_which_the_target_swings_too_is_found_with_it() -> None:
    inside = (T >= 8.0) & (T < 20.0)
    target = 50.0 + 20.0 * np.sin(6.0 * TURNING) * inside
    noise = np.random.default_rng(1).normal(0.0, 0.1, T.size)
    found, _ = find_swinging(loop(5.0 * np.sin(6.0 * TURNING + 1.0) * inside + noise, target, noise=0.1))
    assert found is not None
    assert found.with_target
    assert found.frequency.value == pytest.approx(6.0, rel=0.01)
    assert find_swinging(loop(noise, 50.0))[0] is None


@pytest.mark.parametrize(
    ("own", "own_hz", "echo"), [(1.9, 10.0, True), (2.1, 10.0, False), (1.9, 10.9, True), (1.9, 11.1, False)]
)
def test_a_swing_of_less_than_half_at_the_same_frequency_is_an_echo(own: float, own_hz: float, echo: bool) -> None:
    both = (slice(0, 4), slice(4, 8))
    made = swings(np.repeat([own_hz, 10.0], 4), np.repeat([own, 4.0], 4), both)
    assert _echoes(made, *both) is echo
    assert not _echoes(made, both[1], both[0])


@pytest.mark.parametrize(
    ("hz", "first", "along"), [(10.8, 0, True), (11.2, 0, False), (10.0, 287, True), (10.0, 288, False)]
)
def test_the_target_swings_along_at_the_same_frequency_and_time(hz: float, first: int, along: bool) -> None:
    """The swing at 10 Hz lasts from sample 0 up to 288; 10 % of the frequency are the edge."""
    assert _swings_along(swings(10.0), slice(0, 8), swings(hz, first=first)) is along
    assert _samples(swings(10.0), slice(0, 8)) == (0, 288)
    assert _samples(swings(10.0), slice(2, 5)) == (64, 192)
    assert _swings_along(swings(10.0, first=287), slice(0, 8), swings(10.0)) is True
    assert _swings_along(swings(10.0, first=288), slice(0, 8), swings(10.0)) is False


def test_what_is_kept_of_the_swings_stays_in_order() -> None:
    made = swings(np.arange(9.0), 10.0 + np.arange(9.0), (slice(0, 2), slice(2, 5), slice(6, 9)))
    found = _kept(made, [slice(2, 5), slice(6, 9)])
    assert found.episodes == (slice(0, 3), slice(3, 6))
    assert found.frequency_hz.tolist() == [2.0, 3.0, 4.0, 6.0, 7.0, 8.0]
    assert found.amplitude.tolist() == [12.0, 13.0, 14.0, 16.0, 17.0, 18.0]
    assert found.first.tolist() == [64, 96, 128, 192, 224, 256]
    assert (found.noise, found.windows) == (0.5, 60)
    assert _kept(made, []).episodes == ()


def test_the_time_of_a_swing_is_shared_by_band() -> None:
    """Half of the log at 1000 rpm, half at 8000 of 9000: 64 windows apart by half; 8 of the low ones swing."""
    one = loop(rpm=np.where(T < 16.0, 1000.0, 8000.0))
    made = swings(8.0)
    middle = T[made.first + 32]
    assert _by_band(one, made, middle) == {"low": pytest.approx(25.0), "high": 0.0}
    assert _by_band(loop(), made, middle) == {}
    long = Swings(
        np.array([0]), np.array([64 * 40]), np.array([1.0]), np.array([1.0]), (slice(0, 1),), 0.5, 60, 64, 2.0
    )
    assert _by_band(one, long, np.array([2.0]))["low"] == 100.0  # never more than all


@pytest.mark.parametrize(
    ("move", "later_s", "marked"),
    [
        # the move at row 640 shows there; in one message its stamp is right, and the answer lasts for 4 periods
        (2.0, 0.0, (640, 644)),
        (1.4, 0.0, None),  # three noises of 0.5 are an answer's least
        (2.0, 0.001, (639, 645)),  # seen one row later; it may have moved 1.1 periods before its own stamp
    ],
)
def test_samples_right_after_a_move_of_the_target_may_be_its_answer(
    move: float, later_s: float, marked: tuple[int, int] | None
) -> None:
    one = loop(target=np.where(np.arange(T.size) >= 640, 50.0 + move, 50.0), later_s=later_s)
    at = 10 + np.flatnonzero(_answering(one)[10:])
    assert ((int(at[0]), int(at[-1])) if at.size else None) == marked
    seen = 641 if later_s else 640
    wanted_s = T[640] + later_s - (1.1 * PERIOD_S if later_s else 0.0)
    assert _earliest_s(one, np.array([seen])).tolist() == pytest.approx([wanted_s])


@pytest.mark.parametrize(("share", "there"), [(0.52, True), (0.48, False)])
def test_a_swing_is_in_the_error_where_that_swings_by_half_as_much(share: float, there: bool) -> None:
    one = loop(4.0 * share * np.sin(8.0 * TURNING + 0.7) + 3.0)
    assert _is_in_error(one, swings(8.0), slice(0, 8)) is there
    for windows, enough in ((4, True), (3, False)):  # half of eight
        part_of = loop(4.0 * np.sin(8.0 * TURNING) * (np.arange(T.size) < 32 * windows + 16))
        assert _is_in_error(part_of, swings(8.0), slice(0, 8)) is enough


@pytest.mark.parametrize(
    ("late", "lasts"),
    [(0.66, True), (0.60, False), (1.0, True)],  # of the size: 0.4 of its power
)
def test_a_swing_that_feeds_itself_is_as_strong_late_after_a_step_as_soon_after_it(late: float, lasts: bool) -> None:
    """The target steps every 2 s; what answers it is left out for 4 samples."""
    since = T % 2.0
    error = 4.0 * np.sin(8.0 * TURNING) * np.where(since < 1.0, 1.0, late)
    one = loop(error, 50.0 + 40.0 * (T // 2.0 % 2))
    made = swings(8.0, episodes=(slice(0, 60),))
    assert _lasts(one, error, made, slice(0, 60)) is lasts
    assert _lasts(loop(error), error, made, slice(0, 60))  # no step says otherwise
    small = loop(error, 50.0 + 3.9 * (T // 2.0 % 2))
    assert _lasts(small, error, made, slice(0, 60))  # smaller than the swing
    slow = swings(0.45, episodes=(slice(0, 60),))
    assert _lasts(one, error, slow, slice(0, 60))  # between two steps it does not turn once


@pytest.mark.parametrize(("hz", "swings_too"), [(8.5, True), (10.0, False)])
def test_the_target_swings_where_it_has_the_frequency(hz: float, swings_too: bool) -> None:
    noise = np.random.default_rng(2).normal(0.0, 0.05, T.size)
    assert _target_swings(loop(target=50.0 + 5.0 * np.sin(hz * TURNING) + noise), 8.0) is swings_too


def test_a_ring_of_an_episode_is_that_of_its_strong_windows() -> None:
    """It dies away by 0.3 per second at 8 Hz, in the windows of one episode; the next one is another frequency."""
    rest = 6.0 * np.exp(-0.3 * T) * np.sin(8.0 * TURNING) + np.random.default_rng(3).normal(0.0, 0.02, T.size)
    made = swings(8.1, 6.0 * np.exp(-0.15 * np.arange(8.0)))
    found = _ring(loop(rest), rest, made, slice(0, 8))
    assert found is not None
    assert found.frequency_hz == pytest.approx(8.0, rel=1e-3)
    assert found.decay_per_s == pytest.approx(0.3, rel=0.1)
    assert _ring(loop(rest), rest, swings(12.0), slice(0, 8)) is None  # further off than the window's lobe


@pytest.mark.parametrize(
    ("following", "order", "follows"), [(16, 1, True), (15, 1, False), (10, 1, False), (9, None, False)]
)
def test_a_swing_follows_the_shaft_in_four_fifths_of_its_windows(
    following: int, order: int | None, follows: bool
) -> None:
    """Of twenty; where half of them have its frequency it may be the shaft's."""
    fast = np.linspace(300.0, 1500.0, T.size)
    turns_hz = np.array([np.mean(fast[96 * k : 96 * k + 64]) for k in range(20)]) / 60.0
    made = Swings(
        96 * np.arange(20), np.full(20, 64), np.where(np.arange(20) < following, turns_hz, turns_hz + 4.0),
        np.full(20, 4.0), (slice(0, 20),), 0.5, 60, 64, 2.0,
    )  # fmt: skip
    assert _per_turn(loop(rpm=fast), made) == (order, follows)


@pytest.mark.parametrize(("shifted", "unlike", "out"), [(1.0, 0.0, True), (0.75, 0.75, True), (1.0, 0.5, False)])
def test_both_stamps_and_unlike_answers_count_against_a_swing(shifted: float, unlike: float, out: bool) -> None:
    """√2 of what both leave, three times: 4.243 for 1 alone, 4.5 for 1.06 of both."""
    ones = np.ones(T.size)
    rest: Any = SimpleNamespace(shifted=shifted * ones, unlike=unlike * ones)
    assert _stands_out(T, rest, swings(8.0, 4.52), slice(0, 8)) is out


def test_the_halves_of_the_time_between_two_steps_are_compared_as_wholes() -> None:
    """Full for a third of it, gone for a sixth, then 0.55 of the size: 0.30 of the power against 0.4 · 0.67."""
    since = T % 2.0
    target = 50.0 + 40.0 * (T // 2.0 % 2)
    made = swings(8.0, episodes=(slice(0, 60),))
    for late, lasts in ((0.55, True), (0.48, False)):
        size = np.where(since < 2.0 / 3.0, 1.0, np.where(since < 1.0, 0.0, late))
        error = 4.0 * np.sin(8.0 * TURNING) * size
        assert _lasts(loop(error, target), error, made, slice(0, 60)) is lasts


def test_a_swing_of_which_no_ring_can_be_fitted_has_a_frequency_without_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    inside = (T >= 8.0) & (T < 20.0)
    noise = np.random.default_rng(1).normal(0.0, 0.1, T.size)
    monkeypatch.setattr(swinging, "_ring", lambda *_: None)
    found, searched = find_swinging(loop(5.0 * np.sin(9.3 * TURNING) * inside + noise, noise=0.1))
    assert found is not None
    assert found.frequency == Measured(float(np.median(searched.frequency_hz)), "Hz")
    assert found.frequency.value == pytest.approx(9.3, abs=0.3)
    assert found.damping == Measured(None, "1")


def test_the_middle_ring_of_those_that_scatter_alike_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows by size: the fifth is not looked at; one scatters by more than half as much again."""
    made = swings(8.0, np.array([5.0, 9.0, 7.0, 8.0, 6.0]), (slice(0, 5),))
    hz = {0: 7.0, 1: 8.0, 2: 8.2, 3: 8.4, 4: 9.9}
    scatter = {0: 1.0, 1: 1.0, 2: 1.49, 3: 1.51, 4: 1.2}
    ring = DampedSinusoid(8.0, 0.0, 1.0, 0.0, 0.1, 0.1, 0.0, 50, 1.0, 0.9)
    monkeypatch.setattr(
        swinging, "_ring_at", lambda _loop, _rest, _swings, at: replace(ring, frequency_hz=hz[at], scatter=scatter[at])
    )
    found = _ring(loop(), np.zeros(T.size), made, slice(0, 5))
    assert found is not None
    assert found.frequency_hz == 8.2  # of 8.0, 8.2 and 9.9
    monkeypatch.setattr(swinging, "_ring_at", lambda *_: None)
    assert _ring(loop(), np.zeros(T.size), made, slice(0, 5)) is None
