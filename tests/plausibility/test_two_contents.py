"""Foreign frames under a message's identifier are told from disturbances, bursts and swings.

Made by hand, with the truth known; the rule (foreign frames come besides the regular ones) is common practice, no
published source. That nothing is claimed on captures of real cars is tested with those.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.findings import Severity
from logscope.plausibility.examine import examine
from logscope.plausibility.two_contents import foreign_samples, two_contents
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

COUNT = 4000


def drive(seed: int, period_s: float = 0.01, jitter: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    """Stamps, and a motor speed that pulls away, coasts and stands, with noise and rounding."""
    rng = np.random.default_rng(seed)
    time_s = np.sort(np.arange(COUNT) * period_s + rng.normal(0, jitter * period_s, COUNT)) + 1.0
    corners = np.sort(rng.uniform(0, COUNT * period_s, 12))
    speed = np.interp(time_s, corners, rng.uniform(0, 6000, 12) * (rng.random(12) > 0.2))
    return time_s, np.rint(speed + rng.normal(0, 3, COUNT))


def part(time_s: np.ndarray, value: np.ndarray) -> Part:
    order = np.argsort(time_s, kind="stable")
    return Part("motor_speed", time_s[order], value[order], "rpm", "Inverter.Speed", 1.0)


def on_grid(time_s: np.ndarray, grid_s: float) -> np.ndarray:
    return np.floor(time_s / grid_s) * grid_s if grid_s else time_s


def with_foreign(
    seed: int, time_s: np.ndarray, value: np.ndarray, count: int, *, same_stamp: bool, content: str
) -> tuple[np.ndarray, np.ndarray]:
    """Some foreign frames, at stamps of their own or at those of the message's frames."""
    rng = np.random.default_rng(seed + 1000)
    places = rng.choice(COUNT - 2, count, replace=False) + 1
    stamps = time_s[places] if same_stamp else time_s[places] + rng.uniform(0.1, 0.9, count) * 0.01
    foreign = {"zero": np.zeros(count), "random": rng.uniform(0, 65535, count), "level": np.full(count, 12_345.0)}
    return np.concatenate([time_s, stamps]), np.concatenate([value, foreign[content]])


@pytest.mark.parametrize("content", ["random", "level"])
@pytest.mark.parametrize("same_stamp", [True, False])
@pytest.mark.parametrize("count", [8, 40, 400])
@pytest.mark.parametrize("seed", [3, 4])
def test_foreign_frames_are_found_and_counted(seed: int, count: int, same_stamp: bool, content: str) -> None:
    found = foreign_samples(part(*with_foreign(seed, *drive(seed), count, same_stamp=same_stamp, content=content)))
    assert found.sum() == pytest.approx(count, rel=0.25)


@pytest.mark.parametrize("grid_s", [0.001, 0.05])
@pytest.mark.parametrize("seed", [5, 6])
def test_foreign_frames_are_found_on_a_grid_of_stamps(seed: int, grid_s: float) -> None:
    time_s, value = with_foreign(seed, *drive(seed), 200, same_stamp=False, content="level")
    assert foreign_samples(part(on_grid(time_s, grid_s), value)).sum() == pytest.approx(200, rel=0.35)


@pytest.mark.parametrize("other_period_s", [0.01, 0.02, 0.1])
@pytest.mark.parametrize("seed", [7, 8])
def test_a_second_sender_is_found(seed: int, other_period_s: float) -> None:
    time_s, value = drive(seed)
    stamps = np.arange(1.0027, time_s[-1], other_period_s)
    other = 9000 + 50 * np.sin(stamps)
    found = foreign_samples(part(np.concatenate([time_s, stamps]), np.concatenate([value, other])))
    assert found.mean() == pytest.approx(stamps.size / (stamps.size + COUNT), rel=0.2)


@pytest.mark.parametrize("grid_s", [0.0, 0.001, 0.01, 0.05])
@pytest.mark.parametrize("kind", ["none", "spikes", "dropouts", "bursts of spikes", "swing", "held", "late"])
@pytest.mark.parametrize("period_s", [0.01, 0.005, 0.1])
@pytest.mark.parametrize("seed", [9, 10])
def test_readings_of_one_message_are_no_second_content(seed: int, period_s: float, kind: str, grid_s: float) -> None:
    rng = np.random.default_rng(seed)
    time_s, value = drive(seed, period_s, jitter=0.15)
    places = rng.choice(COUNT - 2, 120, replace=False) + 1
    if kind == "spikes":
        value[places] += rng.uniform(500, 5000, places.size) * rng.choice([-1, 1], places.size)
    elif kind == "dropouts":
        value[places] = 0.0
    elif kind == "bursts of spikes":
        for start in places[:20]:
            value[start : start + 20 : 2] += 800.0
    elif kind == "swing":  # at half the sampling rate, where each reading is far from both its neighbours
        value += 300.0 * np.cos(np.pi * np.arange(COUNT) * 0.999)
    elif kind == "held":
        value = np.repeat(value[::4], 4)
    elif kind == "late":  # by a period, onto the stamp of the next
        time_s[places] = time_s[places + 1]
    assert not foreign_samples(part(on_grid(time_s, grid_s), value)).any()


def test_three_values_sent_at_a_time_are_no_second_content() -> None:
    time_s, value = drive(11)
    value[50::97] += 900.0
    assert not foreign_samples(part(np.repeat(time_s[::3], 3)[:COUNT], value)).any()


def test_the_message_is_named_and_its_parts_are_in_doubt() -> None:
    seen = part(*with_foreign(12, *drive(12), 60, same_stamp=True, content="level"))
    steady = np.full(seen.value.size, 5.0)
    beside = replace(seen, name="motor_current", value=steady, source="Inverter.Current", unit="A")
    other = replace(seen, name="battery_voltage", value=steady + 315, source="Pack.Voltage", unit="V")
    signals = Signals({each.name: each for each in (seen, beside, other)}, 0.0, float(seen.time_s[-1]))
    (doubt,) = two_contents(signals, Vehicle())
    assert (doubt.finding.kind, doubt.finding.severity) == ("bus.two_contents", Severity.WARNING)
    assert set(doubt.doubtful) == {"motor_speed", "motor_current"}
    assert "Inverter carries two contents: 1." in doubt.finding.title
    assert doubt.finding.measured["count"].value == pytest.approx(60, abs=5)
    plausible = examine(signals, Vehicle())
    assert "motor_speed" not in plausible.signals.parts
    assert "two contents" in plausible.signals.doubtful["motor_speed"]
