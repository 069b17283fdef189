"""What the table of needs promises is what the checks do: without a needed part they refuse, the rest they read."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import logscope
from logscope.checks.needs import NEEDS, Needs
from logscope.findings import NothingToCheck
from logscope.observations.observations import Observations
from logscope.observations.stated_limits import stated_limits
from logscope.parts import PARTS, Role
from logscope.pipeline import checks
from logscope.signals import MissingPart, Part, Signals
from logscope.vehicle import Vehicle, load_vehicle

ROOT = Path(logscope.__file__).parents[1]
CHECKS = dict(checks())


def made(*names: str) -> Signals:
    """Parts that change: ramps of half a minute, states that switch."""
    time = np.arange(0.0, 30.0, 0.1)
    parts = {}
    for name in names:
        on = time % 20.0 > 10.0
        value = on.astype(float) if PARTS[name].role is not Role.QUANTITY else 50.0 + time
        states = on if PARTS[name].role in (Role.STATE, Role.MODE) else None
        parts[name] = Part(name, time, value, PARTS[name].unit, f"Made.{name}", 0.01, on=states)
    return Signals(parts, 0.0, 30.0)


def run(check: str, signals: Signals, vehicle: Vehicle) -> None:
    CHECKS[check](signals, Observations(signals, vehicle), vehicle)


@cache
def hazel() -> tuple[Signals, Vehicle]:
    vehicle = load_vehicle(ROOT / "decoders/hazel.toml")
    return logscope.check(ROOT / "sample_logs/hazel-healthy.log", vehicle).signals, vehicle


def test_every_check_and_every_part_is_in_the_table() -> None:
    assert set(NEEDS) == set(CHECKS)
    used = {part for needs in NEEDS.values() for part in (*needs.parts, *(p for each in needs.any_of for p in each))}
    assert used <= set(PARTS)


def test_each_limit_that_a_vehicle_file_can_state_lets_the_check_of_limits_run() -> None:
    vehicle = load_vehicle(ROOT / "decoders/hazel.toml")
    sections = {"dc_link_max_V": "dc_link.max_voltage_V", "motor_speed_rpm": "motor.max_speed_rpm"}
    stated = {sections.get(limit.key, f"limits.{limit.key}") for limit in stated_limits(vehicle)}
    assert stated == set(NEEDS["limits"].any_key)


@pytest.mark.parametrize(
    ("needs", "parts"),
    [pytest.param(needs, parts, id=f"{needs.check} {parts}") for needs in NEEDS.values() for parts in needs.any_of],
)
def test_one_whole_set_of_parts_is_enough(needs: Needs, parts: tuple[str, ...]) -> None:
    _, vehicle = hazel()
    with suppress(NothingToCheck):
        run(needs.check, made(*parts), vehicle)


@pytest.mark.parametrize("needs", NEEDS.values(), ids=lambda needs: needs.check)
def test_without_any_of_the_sets_a_check_is_refused(needs: Needs) -> None:
    _, vehicle = hazel()
    leading = {parts[0] for parts in needs.any_of if parts}
    with pytest.raises((MissingPart, NothingToCheck)):
        run(needs.check, made(*(set(PARTS) - leading)), vehicle)


@pytest.mark.parametrize("needs", NEEDS.values(), ids=lambda needs: needs.check)
def test_a_part_that_is_said_to_help_is_asked_for(needs: Needs) -> None:
    signals, vehicle = hazel()
    every = {**made(*PARTS).parts, **signals.parts}
    asked: set[str] = set()
    for parts in (every, signals.parts, made(*PARTS).parts):
        watching = replace(signals, parts=parts, doubtful=dict.fromkeys(PARTS, ""), missed=[])
        with suppress(MissingPart, NothingToCheck):
            run(needs.check, watching, vehicle)
        asked |= set(watching.missed)
    assert set(needs.parts) <= asked


@pytest.mark.parametrize("needs", NEEDS.values(), ids=lambda needs: needs.check)
def test_keys_are_those_of_the_vehicle_file(needs: Needs) -> None:
    vehicle = Vehicle()
    for key in needs.keys:
        section, _, name = key.partition(".")
        assert hasattr(getattr(vehicle, section), name), key
