"""What is said of a loop that answers its target, or swings: severities at their edges, figures and words by hand."""

from __future__ import annotations

from dataclasses import replace
from math import log, pi
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_loops import T, answer, loop
from motor_traces import part

from logscope.checks.current_control import check
from logscope.checks.current_control.check import _answering, _overlaid
from logscope.checks.current_control.pooled import behaviours
from logscope.checks.current_control.text import (
    calm_words,
    fast_words,
    no_step_words,
    response_words,
    swinging_words,
    unsearched_words,
)
from logscope.findings import Measured, Severity


@pytest.mark.parametrize(
    ("damping", "peak_share", "error", "severity"),
    [
        (0.7, 0.05, 1.0, Severity.GOOD),
        (0.30, 0.2, 1.0, Severity.WARNING),  # overshoots by 37 %
        (0.30, 0.09, 1.0, Severity.GOOD),  # the samples do not show it themselves
        (0.30, 0.10, 1.0, Severity.GOOD),
        (0.30, 0.101, 1.0, Severity.WARNING),
        (0.41, 0.3, 1.0, Severity.GOOD),  # its lower limit is below 25 %
        (0.37, 0.3, 1.0, Severity.WARNING),
        (0.7, 0.05, 6.0, Severity.INFO),  # 5.5 and more of 100 are off
        (0.7, 0.05, 5.4, Severity.GOOD),  # the lower limit is 4.9
        (0.7, 0.05, -6.0, Severity.INFO),
    ],
)
def test_a_loop_that_rings_warns_and_one_that_is_off_is_noted(
    damping: float, peak_share: float, error: float, severity: Severity
) -> None:
    """The limits of an overshoot come of a relative error of the damping of 1 %, twice."""
    found = _answering(loop(), [answer(log_damping=log(damping), peak_share=peak_share, error=error)])
    assert (found.kind, found.severity) == ("current_control.response", severity)
    assert ("Lower the proportional gain" in found.next_step) is (severity is Severity.WARNING)
    assert ("target's scale" in found.next_step) is (severity is Severity.INFO)
    assert ("Nothing to change" in found.next_step) is (severity is Severity.GOOD)


def test_answers_are_judged_by_the_worst_band_and_listed() -> None:
    speed = part("motor_speed", T, np.where(T < 4.0, 1000.0, 8000.0))
    answers = [
        answer(), answer(start_s=5.0, log_damping=log(0.5), before=20.0), answer(start_s=6.0, fast=True, within_s=0.04)
    ]  # fmt: skip
    found = _answering(loop(speed=speed), answers)
    assert found.measured["overshoot_percent"].value == pytest.approx(16.3, abs=0.1)  # of ζ = 0.5
    assert found.measured["damping_ratio"].value == pytest.approx(0.5)
    assert found.measured["natural_frequency_Hz"].value == pytest.approx(40.0 / (2 * pi))
    assert found.measured["count"].value == 2.0
    late = found.measured["delay_s"]
    assert (late.low, late.value, late.high) == pytest.approx((0.018, 0.025, 0.032))
    assert [(each.start_s, each.end_s) for each in found.events] == [(2.0, 2.0), (5.0, 5.0)]
    assert found.parts == ("torque", "torque_target", "motor_speed")
    assert "At low speed, 1 step: overshoot" in found.method
    assert "At high speed, 1 step: overshoot" in found.method
    assert [one.band for one in behaviours(loop(speed=speed), answers)] == ["low", "high"]
    assert [(one.band, one.count) for one in behaviours(loop(), answers)] == [("unknown", 2)]


def test_answers_too_quick_for_their_samples_are_bounded_by_the_middle_one() -> None:
    fast = [answer(fast=True, within_s=each) for each in (0.02, 0.03, 0.5)]
    found = _answering(loop(), fast)
    assert (found.kind, found.severity) == ("current_control.undetermined", Severity.INFO)
    assert found.measured["rise_time_s"] == Measured(None, "s", None, 0.03)
    assert found.measured["count"].value == 3.0
    assert "responds within 30 ms, too fast to resolve at 15.6 ms sampling" in found.title
    none = _answering(loop(), [])
    assert (none.start_s, none.end_s) == (0.0, T[-1])
    assert "never steps" in none.title


def test_answers_are_drawn_over_one_another_the_largest_first() -> None:
    quick = answer(300.0, 1.0, fast=True)
    many = [quick, *(answer(10.0 * (k + 1), 2.0 + 0.1 * k, before=5.0) for k in range(10))]
    found = _overlaid(loop(), many)
    (chart,) = found.charts
    assert len(chart.series) == 8
    assert chart.series[0].label == "step at 2.90 s"
    assert chart.series[0].x.tolist() == pytest.approx([0.0, 0.1])
    assert chart.series[0].y.tolist() == pytest.approx([0.0, 1.0])
    assert (found.marks[0].time_s, found.window) == (pytest.approx(2.9), pytest.approx((2.6, 3.9)))
    assert len(found.curves) == 1
    assert _overlaid(loop(), [quick]).curves == ()


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


ONE = SimpleNamespace(
    band="low", count=2,
    figures={
        "overshoot_percent": Measured(30.0, "%", 26.0, 35.0), "rise_time_s": Measured(0.05, "s", 0.04, 0.06),
        "settling_time_s": Measured(0.2, "s", 0.15, 0.25), "damping_ratio": Measured(0.36, "1", 0.3, 0.4),
    },
)  # fmt: skip


def test_a_response_is_said_with_its_figures() -> None:
    made: Any = ONE
    late, error = Measured(0.02, "s", 0.01, 0.03), Measured(4.0, "Nm", 3.0, 5.0)
    words = response_words(loop(), [made], made, late, error, True, True)
    assert plain(words.title) == "Torque control: 30.0 % overshoot, rise time 50.0 ms"
    assert plain(words.explanation) == (
        "Overshoot 30.0 % (95 %: 26.0 to 35.0 %), delay 20 ms (95 %: 10 to 30 ms). Once settled it is "
        "4.0 Nm (95 %: 3.0 to 5.0 Nm) off the target."
    )
    assert words.next_step.startswith("Lower the proportional gain")
    assert "Check the target's scale" in words.next_step
    assert words.hands_near_hv
    assert "At low speed, 2 steps: overshoot 30.0 %" in plain(words.method)
    assert "rise 10 to 90 % 50 ms" in plain(words.method)
    assert "within 5 % after 200 ms" in plain(words.method)
    assert "damping ratio 0.36" in plain(words.method)
    calm = response_words(loop(), [made], made, late, error, False, False)
    assert (calm.hands_near_hv, calm.next_step.startswith("Nothing to change")) == (False, True)


def test_too_fast_and_too_little_are_said_with_the_sampling() -> None:
    error = Measured(4.0, "Nm", 3.0, 5.0)
    words = fast_words(loop(), 1, 0.03, error, True)
    assert words.next_step.startswith("Check the target's scale")
    assert words.method.startswith("1 step of the target.")
    assert fast_words(loop(), 2, 0.03, error, False).next_step.startswith("For rise time")
    assert "2 steps of the target" in fast_words(loop(), 2, 0.03, error, False).method
    assert no_step_words(loop()).method == "The target is logged every 15.6 ms."
    none = unsearched_words(loop())
    assert "two windows of 64 samples" in none.explanation
    assert "Logged: 512 samples, one every 15.6 ms" in none.explanation
    for said in (words, no_step_words(loop()), none):
        assert not said.hands_near_hv


def test_a_calm_loop_says_how_small_and_how_slow_an_oscillation_would_have_shown() -> None:
    """1.8 noises of 0.5 Nm; half of the window sees √2 of that; 2.5 windows of 64 samples are 2.5 s."""
    searched: Any = SimpleNamespace(window=64, noise=0.5, lowest_hz=2.0)
    words = calm_words(loop(), searched)
    assert plain(words.title) == "Torque control: no oscillation above ±0.900 Nm"
    assert "from 2.00 Hz to 32.0 Hz" in plain(words.explanation)
    assert "lasting 2.5 s or 30 turns" in words.explanation
    assert "±1.27 Nm" in plain(calm_words(loop(), SimpleNamespace(**{**vars(searched), "window": 32})).title)


SWING: Any = SimpleNamespace(
    events=((1.0, 2.0), (3.0, 5.0)), frequency=Measured(8.0, "Hz", 7.9, 8.1),
    amplitude=Measured(20.0, "Nm", 18.0, 22.0), damping=Measured(-0.05, "1", -0.08, -0.02),
    by_band={"low": 12.5, "high": 100.0},
    with_target=False, per_turn=None, follows_shaft=False,
)  # fmt: skip


def swing(**other: Any) -> Any:
    return SimpleNamespace(**{**vars(SWING), **other})


@pytest.mark.parametrize(
    ("other", "growing", "title_ends", "who", "do"),
    [
        ({}, True, "at 8.00 Hz, and it grows", "The target does not oscillate", "Do not drive on"),
        ({}, False, "at 8.00 Hz", "The target does not oscillate", "Lower the proportional gain"),
        ({"with_target": True}, False, "at 8.00 Hz", "The target oscillates as well", "Lower the proportional gain"),
        ({"per_turn": 2, "follows_shaft": True}, False, "at 8.00 Hz, twice a turn", "Its frequency follows",
         "Check the encoder's seat"),
        ({"per_turn": 1}, False, "at 8.00 Hz", "it is also once a turn of the shaft", "Lower the proportional gain"),
    ],
)  # fmt: skip
def test_an_oscillation_says_who_swings(
    other: dict[str, Any], growing: bool, title_ends: str, who: str, do: str
) -> None:
    words = swinging_words(loop(), swing(**other), growing=growing, small=False)
    assert plain(words.title).startswith("Torque control: oscillates by ±20.0 Nm")
    assert plain(words.title).endswith(title_ends)
    assert words.explanation.startswith("2 episodes, 12.5 % of the time at low speed; 100 % of the time at high speed.")
    assert who in words.explanation
    assert words.next_step.startswith(do)
    assert words.hands_near_hv
    assert ("negative: the oscillation grows" in words.method) is growing
    assert ("about zero" in words.method) is (not growing and not other.get("follows_shaft"))
    assert "32.0 Hz" in plain(words.method)


def test_a_small_oscillation_is_left_alone() -> None:
    words = swinging_words(loop(), swing(events=((1.0, 2.0),), by_band={}), growing=False, small=True)
    assert (words.next_step.startswith("Leave it"), words.hands_near_hv) == (True, False)
    assert words.explanation.startswith("1 episode, at unknown speed.")
    assert "below a hundredth of full scale" in words.method


@pytest.mark.parametrize(
    ("size", "damping_high", "per_turn", "severity", "cause"),
    [
        (1.0, -0.02, None, Severity.DANGER, None),  # a hundredth of full scale is felt
        (0.99, -0.02, None, Severity.INFO, None),
        (20.0, 0.0, None, Severity.WARNING, None),
        (20.0, -0.02, 1, Severity.DANGER, "undetermined"),
    ],
)
def test_a_swing_is_a_finding_with_its_figures(
    size: float, damping_high: float, per_turn: int | None, severity: Severity, cause: str | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    made = swing(
        amplitude=Measured(size, "Nm", size, size), damping=Measured(-0.05, "1", -0.08, damping_high),
        per_turn=per_turn, rpm=np.array([np.nan, np.nan]), size=np.array([size, size]),
    )  # fmt: skip
    monkeypatch.setattr(check, "find_swinging", lambda _: (made, None))
    found = check._swinging(loop())
    assert (found.severity, found.cause) == (severity, cause)
    assert found.measured["count"] == Measured(2.0, "1")
    assert found.measured["swing_Hz"] == made.frequency
    assert found.measured["amplitude_Nm"] == made.amplitude
    assert found.measured["damping_ratio"] == made.damping
    assert found.measured["low_speed_percent"] == Measured(12.5, "%")
    assert found.evidence.charts == ()  # no speed to draw it against
    assert found.parts == ("torque", "torque_target")
    assert found.evidence.window == (3.0, 5.0)


def test_answers_come_in_order_of_time_without_those_that_may_fold(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is fitted to the rows that its step leaves; a torque keeps its sign, and folds nowhere."""
    asked: list[tuple[float, float, float, float, float]] = []
    made = {5.0: answer(start_s=5.0), 2.0: answer(start_s=2.0), 3.0: None}

    def fit(time_s: Any, value: Any, step: Any, period_s: float, noise: float, apart_s: float) -> Any:
        asked.append((float(time_s[0]), float(time_s[-1]), period_s, noise, apart_s))
        return made[step.start_s]

    steps_ = [SimpleNamespace(start_s=s, low_s=s - 1.0, until_s=s + 1.5) for s in (5.0, 2.0, 3.0)]
    monkeypatch.setattr(check, "find_steps", lambda *_: steps_)
    monkeypatch.setattr(check, "fit_step_response", fit)
    one = loop(target=np.where(T < 2.0, 0.0, 80.0))
    assert check._answers(one) == [made[2.0], made[5.0]]
    assert asked[0] == (4.0, 6.5, one.measured.period_s, 1.0, 0.0)
    amps = replace(one, measured=replace(one.measured, name="motor_current"))
    folds = {2.0: True, 5.0: False}
    monkeypatch.setattr(
        type(made[2.0]), "may_fold", lambda self, noise, period_s: folds[self.step.start_s], raising=True
    )
    assert check._answers(amps) == [made[5.0]]
    assert len(check._answers(one)) == 2


def test_without_a_swing_a_loop_is_calm_or_was_not_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    searched = SimpleNamespace(window=64, noise=0.5, lowest_hz=2.0, windows=7)
    monkeypatch.setattr(check, "find_swinging", lambda _: (None, searched))
    calm = check._swinging(loop())
    assert (calm.kind, calm.severity, calm.caution) == ("current_control.calm", Severity.GOOD, "")
    assert calm.measured["smallest_seen_Nm"].value == pytest.approx(0.9)
    assert (calm.start_s, calm.end_s) == (0.0, T[-1])
    monkeypatch.setattr(check, "find_swinging", lambda _: (None, SimpleNamespace(**{**vars(searched), "windows": 0})))
    none = check._swinging(loop())
    assert (none.kind, none.severity, none.measured) == ("current_control.undetermined", Severity.INFO, {})


def test_the_longest_swing_is_shown_for_three_seconds_with_its_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    made = swing(
        events=((1.0, 2.0), (3.0, 7.5)), rpm=np.array([1000.0, 2000.0]), size=np.array([20.0, 21.0]), per_turn=1,
        follows_shaft=True,
    )  # fmt: skip
    monkeypatch.setattr(check, "find_swinging", lambda _: (made, None))
    found = check._swinging(loop())
    assert found.evidence.window == (3.0, 6.0)
    (chart,) = found.evidence.charts
    assert (chart.series[0].x.tolist(), chart.series[0].y.tolist()) == ([1000.0, 2000.0], [20.0, 21.0])
    assert found.measured["damping_ratio"].value is None
    assert (found.cause, found.severity) == ("shaft", Severity.WARNING)
