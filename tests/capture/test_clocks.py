"""Two logs of one drive onto one clock: their starts and rates are true by construction, no published source."""

from __future__ import annotations

import re

import numpy as np
import pytest

from logscope.checks.capture_time import joint_clock
from logscope.clocks import Joined, SeenLog, by_signals
from logscope.signals import Part, Signals

STARTS_S, LASTS_S = 100.0, 400.0
SLOW = pytest.mark.parametrize("slow_ppm", [-400.0, 0.0, 400.0])


def seen(file: str, true_s: np.ndarray, stamp_s: np.ndarray, *, serial: bool) -> SeenLog:
    """The motor speed of one drive, read at true times and stamped by a clock of the logger's own."""
    rng = np.random.default_rng(int(true_s.size))
    rpm = 3000 + 1500 * np.sin(true_s / 7.0) + 900 * np.sin(true_s / 3.1 + 1.0) + 400 * np.sin(true_s / 1.7)
    part = Part("motor_speed", stamp_s, np.round(rpm + rng.normal(0, 2, true_s.size)), "rpm", "Made.Speed", 1.0)
    end_s = float(stamp_s[-1])
    return SeenLog(file, 0, round(end_s * 1e9), False, serial, Signals({part.name: part}, 0.0, end_s))


def joined(slow_ppm: float) -> tuple[Joined, np.ndarray, np.ndarray]:
    """What is found of a second log that begins 100 s after the first, its clock slow; its true times and stamps."""
    first = np.arange(0.0, 600.0, 0.05)
    true_s = STARTS_S + np.arange(0.0, LASTS_S, 0.04)
    stamp_s = (true_s - STARTS_S) * (1.0 - 1e-6 * slow_ppm)
    logs = [seen("can.log", first, first, serial=False), seen("console.txt", true_s, stamp_s, serial=True)]
    one, other = by_signals(logs)
    assert one is None
    assert other is not None
    return other, true_s, stamp_s


@SLOW
def test_start_and_rate_of_a_second_log_are_stated_as_they_were(slow_ppm: float) -> None:
    clock = joined(slow_ppm)[0].clock
    assert clock.low_s is not None
    assert clock.high_s is not None
    assert clock.starts_s == pytest.approx(STARTS_S, abs=0.01)
    assert clock.low_s - 0.005 <= STARTS_S <= clock.high_s + 0.005
    assert clock.drift_ppm == pytest.approx(slow_ppm, abs=20.0)


@SLOW
def test_each_stamp_of_a_second_log_comes_to_its_moment(slow_ppm: float) -> None:
    found, true_s, stamp_s = joined(slow_ppm)
    moved = found.shift.stamps(np.round(stamp_s * 1e9).astype(np.int64))
    assert np.abs(moved / 1e9 - true_s).max() < 0.015


@pytest.mark.parametrize(("slow_ppm", "way"), [(400.0, "slow"), (-400.0, "fast")])
def test_a_clock_that_runs_slow_is_not_called_fast(slow_ppm: float, way: str) -> None:
    """Slow is a clock that counts fewer seconds than passed."""
    (finding,) = joint_clock([joined(slow_ppm)[0].clock], 600.0)
    said = re.search(r"its clock runs (\d+) ppm (\w+)", finding.explanation)
    assert said is not None
    assert float(said[1]) == pytest.approx(400.0, abs=20.0)
    assert said[2] == way
