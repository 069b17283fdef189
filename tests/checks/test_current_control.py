"""Loops of known frequency and damping; the answers are made by scipy."""

from __future__ import annotations

from functools import partial
from itertools import product

import numpy as np
import pytest
from limits_study import LimitsStudy
from loop_traces import loop_log
from one_check import findings_of
from restamped import in_bursts, on_grid
from tuning_traces import TICK_S, logged, signals

from logscope.checks.current_control import check
from logscope.checks.current_control.check import current_control
from logscope.checks.current_control.loop import find_loop
from logscope.checks.current_control.steps import find_steps
from logscope.checks.current_control.swinging import Swinging
from logscope.findings import Finding, Measured, NothingToCheck, Severity
from logscope.physics.second_order import overshoot_share
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Motor, Vehicle

HAZEL = Vehicle(motor=Motor(max_speed_rpm=9000))


def outcomes(made: Signals) -> dict[str, Finding]:
    return {each.kind.removeprefix("current_control."): each for each in findings_of(current_control, made, HAZEL)}


@pytest.mark.parametrize("ramp_s", [pytest.param(1e-4, marks=pytest.mark.study), 0.15], ids=["steps", "ramps"])
def test_overshoot_frequency_and_damping_lie_within_their_limits(ramp_s: float) -> None:
    """Truth by the textbook's formula (Ogata); a fixed small part of the score."""
    studies = [LimitsStudy() for _ in range(3)]
    for seed in range(700, 720):
        rng = np.random.default_rng(seed)
        frequency, damping = rng.uniform(3, 10), rng.uniform(0.15, 0.7)
        measured = outcomes(loop_log(rng, frequency, damping, seconds=7.0, ramp_s=ramp_s))["response"].measured
        truth = (100 * overshoot_share(damping), frequency, damping)
        for study, name, true in zip(
            studies, ("overshoot_percent", "natural_frequency_Hz", "damping_ratio"), truth, strict=True
        ):
            study.of(true, measured[name])
    for study in studies:
        study.judge()


def test_limits_hold_where_stamps_lie_on_a_grid_or_come_in_bursts() -> None:
    """Values every 10 ms, stamped as loggers do; truth by the textbook's formula (Ogata), four draws for each way."""
    study = LimitsStudy()
    ways = [*(partial(on_grid, grid_s=each) for each in (0.01, 0.02, 0.05)), partial(in_bursts, size=3)]
    for seed, kept in product(range(770, 774), ways):
        rng = np.random.default_rng(seed)
        frequency, damping = rng.uniform(3, 8), rng.uniform(0.15, 0.6)
        measured = outcomes(kept(loop_log(rng, frequency, damping, seconds=7.0)))["response"].measured
        for name, truth in (("natural_frequency_Hz", frequency), ("damping_ratio", damping)):
            study.of(truth, measured[name])
    study.judge()


@pytest.mark.parametrize("grid_s", [0.01, 0.02, 0.05, 0.1])
@pytest.mark.parametrize("ramp_s", [1e-4, 0.02, 0.04, 0.15])
def test_a_ramp_within_one_stamp_is_a_step_that_may_have_begun_a_stamp_earlier(grid_s: float, ramp_s: float) -> None:
    made = on_grid(loop_log(np.random.default_rng(8), 8, 0.7, ramp_s=ramp_s), grid_s)
    target = made["motor_current_target"]
    steps = find_steps(target, target.value)
    assert len(steps) >= 4
    for step in steps:
        assert step.ramp_s >= 0
        assert step.ramp_s > 0 or step.early_s > 0.99 * min(grid_s, 0.05)


def test_a_lightly_damped_loop_warns_and_a_well_damped_one_is_good() -> None:
    rng = np.random.default_rng(1)
    assert outcomes(loop_log(rng, 8, 0.15))["response"].severity is Severity.WARNING
    good = outcomes(loop_log(rng, 8, 0.7))
    assert good["response"].severity is Severity.GOOD
    assert good["calm"].severity is Severity.GOOD


def test_a_ring_that_goes_on_into_the_next_step_does_not_hide_it() -> None:
    """A loop of 3 Hz and damping 0.1 still rings by a tenth when the next step comes after a second.

    It stands 300 A off its target, so that no swing reaches nought.
    """
    found = outcomes(loop_log(np.random.default_rng(7), 3, 0.1, added=300.0))["response"]
    value = found.measured["damping_ratio"]
    assert value.low is not None
    assert value.high is not None
    assert value.low <= 0.1 <= value.high
    assert found.measured["count"].value is not None
    assert found.measured["count"].value >= 3


def test_a_magnitude_that_folds_at_nought_is_no_answer() -> None:
    """Steps down overshoot to the other side of nought; only the steps up are left, and they are many enough."""
    found = outcomes(loop_log(np.random.default_rng(8), 8, 0.15, seconds=20))["response"]
    times = [event.start_s for event in found.events]
    made = loop_log(np.random.default_rng(8), 8, 0.15, seconds=20)["motor_current_target"]
    after = [made.value[np.searchsorted(made.time_s, at) + 3] for at in times]
    assert len(after) >= 4
    assert min(after) > 100


def test_a_rise_faster_than_the_sampling_is_only_bounded() -> None:
    """A 100 Hz loop rises in 5 ms; logged every 50 ms nothing but the bound is left."""
    found = outcomes(loop_log(np.random.default_rng(2), 100, 0.6, period_s=0.05))
    rise = found["undetermined"].measured["rise_time_s"]
    assert rise.value is None
    assert rise.high is not None
    assert 0.005 < rise.high <= 0.151
    assert "too fast to resolve" in found["undetermined"].title


def test_a_value_that_settles_off_its_target_is_told_with_the_error() -> None:
    found = outcomes(loop_log(np.random.default_rng(3), 8, 0.7, gain=0.85))["response"]
    assert found.severity is Severity.INFO
    assert "scale" in found.next_step
    error = found.measured["steady_error_A"].value
    assert error is not None
    assert error < -5


def test_limits_of_the_steady_error_hold_it_as_often_as_they_say() -> None:
    """True by construction: a sensor that reads 10 A less, in noise of 1 A."""
    study = LimitsStudy()
    for seed in range(720, 734):
        made = loop_log(np.random.default_rng(seed), 8, 0.7, seconds=9.0, added=-10.0)
        study.of(-10.0, outcomes(made)["response"].measured["steady_error_A"])
    study.judge()


def test_a_loop_that_rings_at_speed_only_is_seen_there() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0, 40, TICK_S)
    speed = np.interp(t, [0, 20, 22, 40], [1000, 1000, 7000, 7000])
    swing = np.where(t > 22, 8 * np.sin(2 * np.pi * 31 * t), 0)
    found = outcomes(loop_log(rng, 60, 0.8, seconds=40, noise_a=1.5, speed=speed, added=swing))["oscillation"]
    assert found.measured["swing_Hz"].value == pytest.approx(31, abs=0.1)
    assert found.measured["amplitude_A"].value == pytest.approx(8, rel=0.1)
    assert found.measured["low_speed_percent"].value == 0
    high = found.measured["high_speed_percent"].value
    assert high is not None
    assert high > 40
    assert found.severity is Severity.WARNING


@pytest.mark.parametrize("frequency", [13.0, 32.3, 44.9, 48.0])
def test_a_swings_frequency_is_its_own_up_to_half_of_the_sampling_rate_and_beside_steps(frequency: float) -> None:
    """100 values a second show nothing above 50 Hz (Nyquist); the target steps while it swings."""
    t = np.arange(0, 20, TICK_S)
    swing = np.where((t > 6) & (t < 8.4), 3.5 * np.sin(2 * np.pi * frequency * t), 0)
    found = outcomes(loop_log(np.random.default_rng(31), 60, 0.8, seconds=20, added=swing))["oscillation"]
    value = found.measured["swing_Hz"]
    assert value.value == pytest.approx(frequency, abs=0.2)
    assert value.low is not None


def test_a_growing_swing_is_a_danger() -> None:
    t = np.arange(0, 14, TICK_S)
    swing = np.where(t > 5, np.minimum(0.5 * np.exp(0.9 * np.maximum(t - 5, 0)), 60), 0) * np.sin(2 * np.pi * 20 * t)
    made = loop_log(np.random.default_rng(5), 60, 0.8, seconds=9.5, noise_a=0.5, added=swing[: int(9.5 / TICK_S)])
    found = outcomes(made)["oscillation"]
    assert found.severity is Severity.DANGER
    assert "grows" in found.title
    assert found.caution


def test_a_swing_that_follows_the_shaft_is_put_down_to_it_and_not_to_the_loop() -> None:
    """An encoder off centre errs once a turn (geometry), and the loop follows it; a loop keeps its own frequency."""
    t = np.arange(0, 12, TICK_S)
    rising, steady = np.interp(t, [0, 2, 10, 12], [900, 900, 2100, 2100]), np.full(t.size, 1500.0)
    turns = np.cumsum(rising) * TICK_S / 60
    swinging = np.where((t > 4) & (t < 9), 6.0, 0.0)
    for speed, swing, cause in (
        (rising, np.sin(2 * np.pi * turns), "shaft"),
        (rising, np.sin(2 * np.pi * 25.0 * t), None),
        (steady, np.sin(2 * np.pi * 25.0 * t), "undetermined"),
        (steady, np.sin(2 * np.pi * 20.0 * t), None),
    ):
        made = loop_log(np.random.default_rng(8), 60, 0.8, seconds=12, speed=speed, added=swinging * swing)
        found = outcomes(made)["oscillation"]
        assert (found.cause, found.severity) == (cause, Severity.WARNING)
        assert ("once a turn" in found.title) is (cause == "shaft")
        assert ("another speed" in found.explanation) is (cause == "undetermined")
        assert ("proportional gain" in found.next_step) is (cause != "shaft")


def test_without_steps_it_says_what_to_do_and_without_target_it_is_not_checked() -> None:
    made = loop_log(np.random.default_rng(6), 8, 0.7, seconds=1.4)
    with pytest.raises(NothingToCheck):
        findings_of(current_control, made, HAZEL)
    with pytest.raises(MissingPart, match="motor_current_target"):
        findings_of(current_control, signals(made["motor_current"]), HAZEL)


def test_a_swing_too_small_to_be_felt_is_no_danger_even_where_it_grows() -> None:
    t = np.arange(0, 9.5, TICK_S)
    swing = np.where(t > 5, np.minimum(0.3 * np.exp(0.9 * np.maximum(t - 5, 0)), 2.0), 0) * np.sin(2 * np.pi * 20 * t)
    found = outcomes(loop_log(np.random.default_rng(5), 60, 0.8, seconds=9.5, noise_a=0.1, added=swing))["oscillation"]
    assert found.severity is Severity.INFO
    assert "grows" not in found.title
    assert "Do not drive" not in found.next_step


def test_an_answer_that_a_limit_cuts_down_afterwards_is_no_overshoot() -> None:
    """A well damped loop whose voltage runs out as the rotor gains speed: the current gets there, then sinks."""
    found = outcomes(loop_log(np.random.default_rng(4), 4.0, 0.7, seconds=12.0))
    assert found["response"].severity is Severity.GOOD
    for seed in range(10):
        rng = np.random.default_rng(seed)
        t = np.arange(0, 12, TICK_S)
        high = ((t % 3.0) > 1.5).astype(float)
        since = np.where(high > 0, (t % 3.0) - 1.5, 0.0)
        answer = 20 + 200 * high * (1 - np.exp(-since / 0.05)) * (1 - 0.35 * np.clip((since - 0.2) / 0.2, 0, 1))
        made = signals(
            logged(rng, "motor_current", answer, 0.05, 1.0, 0.1),
            logged(rng, "motor_current_target", 20 + 200 * high, 0.05, 0.0, 0.1),
            logged(rng, "motor_speed", np.full(t.size, 1500.0), 0.05, 2.0, 1.0),
        )
        told = [each for each in findings_of(current_control, made, HAZEL) if each.severity is Severity.WARNING]
        assert not told


@pytest.mark.parametrize(
    ("damping", "amplitude", "follows_shaft", "severity"),
    [
        ((-0.05, -0.08, -0.02), 40.0, False, Severity.DANGER),  # surely grows
        ((-0.01, -0.05, 0.03), 40.0, False, Severity.WARNING),  # may grow, or die away
        ((0.02, -0.01, 0.05), 40.0, False, Severity.WARNING),
        ((0.10, 0.05, 0.15), 40.0, False, Severity.WARNING),
        ((None, None, None), 40.0, False, Severity.WARNING),
        ((-0.05, -0.08, -0.02), 40.0, True, Severity.WARNING),  # that of the shaft, and no loop's own
        ((-0.05, -0.08, -0.02), 0.1, False, Severity.INFO),  # below a hundredth of full scale
    ],
)
def test_a_swing_is_a_danger_where_all_limits_of_its_damping_say_that_it_grows(
    damping: tuple[float | None, ...], amplitude: float, follows_shaft: bool, severity: Severity,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """x'' + 2ζω·x' + ω²·x = 0 grows for ζ below zero alone (any textbook on vibrations)."""
    rpm = np.array([1000.0, 2000.0])
    swing = Swinging(
        ((2.0, 3.0), (4.0, 6.0)), Measured(8.0, "Hz", 7.9, 8.1), Measured(amplitude, "Nm", amplitude, amplitude),
        Measured(damping[0], "1", *damping[1:]), {"low": 100.0}, rpm, np.full(2, amplitude), False, None, follows_shaft,
    )  # fmt: skip
    loop = find_loop(loop_log(np.random.default_rng(1), 5.0, 0.5, seconds=3.0), HAZEL)
    monkeypatch.setattr(check, "find_swinging", lambda _: (swing, None))
    found = check._swinging(loop)
    assert found.severity is severity
    assert (found.start_s, found.end_s, found.measured["count"].value) == (2.0, 6.0, 2.0)
    assert found.evidence.window == (4.0, 6.0)  # the longest of them
