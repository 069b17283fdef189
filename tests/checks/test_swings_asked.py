"""What is asked of a swing before it is one, and what is made of those that are left; expected by hand.

Oracles: scipy's Hann window and Student's t. A window of 64 readings, 64 a second, spans 63/64 s.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_loops import loop
from motor_traces import part
from scipy import stats
from scipy.signal import windows

from logscope.checks.current_control import swinging
from logscope.checks.current_control.loop import Loop
from logscope.checks.current_control.swinging import _lasts, _per_turn, _ring_at, _searched, _stands_out, find_swinging
from logscope.findings import Measured
from logscope.statistics.oscillation import Swings
from logscope.statistics.ringing import DampedSinusoid

PERIOD_S = 1.0 / 64.0
T = np.arange(0.0, 32.0, PERIOD_S)
SINE = 4.0 * np.sin(2 * np.pi * 8.0 * T)


def asked(target: Any = 50.0, error: Any = 0.0, rpm: Any = None) -> Loop:
    goal, off = (np.broadcast_to(np.asarray(each, float), T.shape) for each in (target, error))
    speed = None if rpm is None else part("motor_speed", T, np.broadcast_to(np.asarray(rpm, float), T.shape))
    one = replace(loop(), measured=part("torque", T, goal + off), target=part("torque_target", T, goal))
    return replace(one, error=off, speed=speed)


def found_windows(count: int, hz: Any = 8.0, size: Any = 4.0, episodes: Any = None, first: int = 0) -> Swings:
    """Windows of 64 samples that overlap by half."""
    frequency, amplitude = (np.broadcast_to(np.asarray(each, float), (count,)) for each in (hz, size))
    whole = (slice(0, count),) if episodes is None else episodes
    return Swings(first + 32 * np.arange(count), np.full(count, 64), frequency, amplitude, whole, 0.5, 60, 64, 2.0)


def test_the_swings_that_are_left_are_summed_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two episodes, the second up to the end of the log; windows that overlap by half count as half as many."""
    size = np.array([3.0, 4.0, 5.0, 6.0, 9.0])
    made = found_windows(5, 8.0 + 0.1 * np.arange(5), size, (slice(0, 2), slice(2, 5)))
    made = replace(made, first=np.array([64, 96, 256, 288, T.size - 40]))
    monkeypatch.setattr(swinging, "_searched", lambda _: (np.zeros(T.size), made))
    monkeypatch.setattr(swinging, "_ring", lambda *_: None)
    found, searched = find_swinging(asked(rpm=np.where(T < 2.0, 900.0, 1200.0)))
    assert searched is made
    assert found is not None
    assert found.events == ((T[64], T[96 + 63]), (T[256], T[-1]))
    reach = stats.t.ppf(0.975, 4) * np.std(size, ddof=1) / np.sqrt(5 / 2)
    assert (found.amplitude.value, found.amplitude.low, found.amplitude.high) == pytest.approx(
        (5, 5 - reach, 5 + reach)
    )
    assert found.frequency == Measured(pytest.approx(8.2), "Hz")
    assert found.rpm.tolist() == [900.0, 1200.0, 1200.0, 1200.0, 1200.0]  # from their middles, at 1.5 and 2 s on
    assert found.size is made.amplitude


@pytest.mark.parametrize("at", [0, 40])
@pytest.mark.parametrize(("factor", "out"), [(1.03, True), (0.97, False)])
def test_what_the_answers_leave_weighs_as_the_windows_samples_do(at: int, factor: float, out: bool) -> None:
    """A remainder of 1 in some samples of a window, which Hann's weights make so much of; three times √2 of that."""
    inside = (np.arange(64) >= at) & (np.arange(64) < at + 24)
    weight = windows.hann(64) ** 2
    left = np.sqrt(2.0 * weight[inside].sum() / weight.sum())
    shifted = np.tile(inside.astype(float), 4)
    rest: Any = SimpleNamespace(shifted=shifted, unlike=0.0 * shifted)
    made = replace(found_windows(4, size=3.0 * factor * left), first=64 * np.arange(4))
    assert _stands_out(T[: shifted.size], rest, made, slice(0, 4)) is out


def test_a_window_that_reaches_beyond_the_log_is_weighed_as_far_as_it_goes() -> None:
    ones = np.ones(100)
    rest: Any = SimpleNamespace(shifted=ones, unlike=0.0 * ones)
    made = replace(found_windows(2, size=4.4), first=np.array([0, 64]))
    assert _stands_out(T[:100], rest, made, slice(0, 2))


@pytest.mark.parametrize(
    ("guess_hz", "low_hz", "high_hz"),
    [
        (8.0, 8.0 - 128 / 63, 8.0 + 128 / 63),  # two bins of the window to either side
        (3.0, 128 / 63, 3.0 + 128 / 63),
        (31.0, 31.0 - 128 / 63, 32.0),  # half the sampling rate: beyond it the same ring again
    ],
)
def test_a_ring_is_looked_for_within_the_lobe_of_its_window(
    guess_hz: float, low_hz: float, high_hz: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: list[Any] = []
    answer = DampedSinusoid(guess_hz, 0.0, 1.0, 0.0, 0.1, 0.1, 0.0, 50, 1.0, 0.9)

    def fit(time_s: Any, value: Any, low: float, high: float, order: int) -> DampedSinusoid:
        handed.append((float(time_s[0]), time_s.size, value.tolist(), low, high, order))
        return answer

    monkeypatch.setattr(swinging, "fit_damped_sinusoid", fit)
    made = found_windows(3, guess_hz, first=10)
    assert _ring_at(asked(), T, made, 1) is answer
    (start_s, size, values, low, high, order) = handed[0]
    assert (start_s, size, values, order) == (T[42], 64, T[42:106].tolist(), 1)
    assert (low, high) == pytest.approx((low_hz, high_hz))
    for off_hz, taken in ((2.0, True), (2.1, False)):
        answer = replace(answer, frequency_hz=guess_hz - off_hz)
        assert (_ring_at(asked(), T, made, 1) is not None) is taken


def test_one_move_of_the_target_leaves_no_time_between_two() -> None:
    """Nothing of a swing that is gone before it, or after it, lies between two moves."""
    made = found_windows(60)
    for target in (np.where(T < 16.0, 50.0, 90.0), np.where(T < 30.5, 50.0, 90.0)):
        assert _lasts(asked(target), SINE * (T < 16.0), made, slice(0, 60))


@pytest.mark.parametrize(("late", "lasts"), [(1.0, True), (0.5, False)])
def test_a_swing_about_one_move_is_compared_where_it_lies_between_others(late: float, lasts: bool) -> None:
    """Moves at 4, 16 and 28 s, the swing from 8 to 24 s: weaker in the second half of each time between two moves."""
    target = np.select([T < 4.0, T < 16.0, T < 28.0], [50.0, 90.0, 50.0], 90.0)
    error = SINE * np.where(((T >= 10.0) & (T < 16.0)) | (T >= 22.0), late, 1.0)
    made = found_windows(31, first=512)
    assert _lasts(asked(target), error, made, slice(0, 31)) is lasts


@pytest.mark.parametrize(("hz", "lasts"), [(0.52, False), (0.48, True)])
def test_what_dies_away_between_two_moves_has_a_turn_for_it(hz: float, lasts: bool) -> None:
    """They are 2 s apart: a swing of half a hertz turns once."""
    error = SINE * np.where(T % 2.0 < 1.0, 1.0, 0.3)
    assert _lasts(asked(50.0 + 40.0 * (T // 2.0 % 2)), error, found_windows(60, hz), slice(0, 60)) is lasts


@pytest.mark.parametrize(("count", "follows"), [(3, True), (2, False)])
def test_three_windows_show_that_a_swing_follows_the_shaft(count: int, follows: bool) -> None:
    """At 5, 10 and 15 turns a second, a second each; a bin is 1 Hz wide."""
    turns_hz = 5.0 * (1 + np.arange(count))
    rpm = 300.0 * (1 + np.minimum(np.arange(T.size) // 64, count - 1))
    made = replace(found_windows(count, turns_hz), first=64 * np.arange(count))
    assert _per_turn(asked(rpm=rpm), made) == (1, follows)
    for off_hz, order in ((0.95, 1), (1.05, None)):
        assert _per_turn(asked(rpm=rpm), replace(made, frequency_hz=turns_hz + off_hz))[0] == order


@pytest.mark.parametrize(("lacks", "kept"), [((), 1), (("_is_in_error",), 0), (("_stands_out",), 0), (("_lasts",), 0)])
def test_a_swing_is_kept_where_all_that_is_asked_of_it_is_so(
    lacks: tuple[str, ...], kept: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, none = found_windows(4), found_windows(0, episodes=())
    searched = iter((made, none))
    monkeypatch.setattr(swinging, "find_swings", lambda *_, **__: next(searched))
    for name in ("_is_in_error", "_stands_out", "_lasts"):
        monkeypatch.setattr(swinging, name, lambda *_, so=name not in lacks: so)
    _, found = _searched(asked())
    assert len(found.episodes) == kept


def test_the_echo_of_a_swing_that_is_kept_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """1 Nm beside 4 Nm at one frequency; where the larger one is not kept, the smaller one stands."""
    made = found_windows(8, size=np.repeat([4.0, 1.0], 4), episodes=(slice(0, 4), slice(4, 8)))
    for louder, sizes in ((True, [4.0]), (False, [1.0])):
        monkeypatch.setattr(swinging, "find_swings", lambda *_, **__: made)
        monkeypatch.setattr(swinging, "_is_in_error", lambda _, __, e, so=louder: so or e.start == 4)
        monkeypatch.setattr(swinging, "_stands_out", lambda *_: True)
        monkeypatch.setattr(swinging, "_lasts", lambda *_: True)
        assert np.unique(_searched(asked())[1].amplitude).tolist() == sizes


@pytest.mark.parametrize(("along", "lasts", "kept"), [(True, True, 1), (True, False, 0), (False, True, 0)])
def test_a_swing_that_the_target_makes_too_is_looked_for_in_the_whole_error(
    along: bool, lasts: bool, kept: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: list[Any] = []
    answers = iter((found_windows(0, episodes=()), found_windows(4), found_windows(4)))

    def find(_: Any, value: Any, __: Any, **more: Any) -> Swings:
        handed.append((value, "doubtful" in more))
        return next(answers)

    monkeypatch.setattr(swinging, "find_swings", find)
    monkeypatch.setattr(swinging, "_swings_along", lambda *_: along)
    monkeypatch.setattr(swinging, "_lasts", lambda *_: lasts)
    one = asked(error=SINE)
    rest, found = _searched(one)
    assert len(found.episodes) == kept
    assert (rest is one.error) is bool(kept)
    assert [doubtful for _, doubtful in handed] == [True, False, False]
    assert handed[1][0].tolist() == one.target.value.tolist()
    assert handed[2][0] is one.error
