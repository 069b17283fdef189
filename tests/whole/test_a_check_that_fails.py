"""A defect of one check costs its own findings only, and is said."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.findings import Finding
from logscope.observations.observations import Observations
from logscope.pipeline import run_checks
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle


def _fails(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    raise ZeroDivisionError("made for this test")


def _asks_for_a_part(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    assert signals["throttle"]
    return []


def test_the_other_checks_go_on_and_the_place_of_the_defect_is_named() -> None:
    part = Part("motor_speed", np.arange(9.0), np.zeros(9), "rpm", "Motor.Speed", 1.0)
    signals = Signals({"motor_speed": part}, 0.0, 9.0)
    with pytest.warns(RuntimeWarning, match="“failing” failed: ZeroDivisionError"):
        findings, not_checked = run_checks(signals, Vehicle(), [("failing", _fails), ("throttle", _asks_for_a_part)])
    assert not findings
    failed, missing = not_checked
    assert failed.check == "failing"
    assert "a defect of logscope" in failed.reason
    assert "ZeroDivisionError in test_a_check_that_fails.py:" in failed.reason
    assert missing.check == "throttle"
