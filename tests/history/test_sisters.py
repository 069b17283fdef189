"""Which vehicles differ: known truth; the estimate itself is checked in test_partial_pooling.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.history import history_of
from logscope.history.rows import History, Row
from logscope.history.sisters import differences

START = datetime(2026, 3, 1, tzinfo=UTC)
NAME = "precharge_time_constant_s"


def vehicle(name: str, values: np.ndarray, period_s: float = 0.01) -> History:
    rows = [
        Row(f"{name} {day}.log", START + timedelta(days=day), True, 60.0,
            {NAME: Measured(value, "s", value * 0.98, value * 1.02)}, periods_s={NAME: period_s})
        for day, value in enumerate(values.tolist())
    ]  # fmt: skip
    return history_of(name, rows)


def fleet(seed: int, *levels: float, logs: int = 12) -> list[History]:
    rng = np.random.default_rng(seed)
    return [vehicle(f"V{n}", level * (1 + 0.01 * rng.standard_normal(logs))) for n, level in enumerate(levels)]


def test_the_one_vehicle_that_differs_is_named_with_its_value_and_that_of_the_others() -> None:
    (found,) = differences(fleet(1, 0.15, 0.152, 0.149, 0.30, 0.151), MEASURES)
    assert (found.vehicle, found.name, found.logs, found.coincides) == ("V3", NAME, 12, "")
    assert found.level.value == pytest.approx(0.30, rel=0.01)
    assert found.others.value == pytest.approx(0.1505, rel=0.01)
    assert found.change.value == pytest.approx(99.0, abs=3.0)
    assert found.change.low is not None
    assert found.change.low > 90.0


def test_vehicles_that_are_alike_do_not_differ() -> None:
    claims = [bool(differences(fleet(seed, *[0.15] * 6), MEASURES)) for seed in range(25)]
    assert sum(claims) <= 1


def test_a_single_odd_log_does_not_make_its_vehicle_differ_and_many_do() -> None:
    others = fleet(2, 0.15, 0.151, 0.149, 0.15)
    odd = vehicle("odd", np.array([0.157]))
    assert not differences([*others, odd], MEASURES)
    sure = vehicle("odd", np.full(20, 0.170))
    assert [each.vehicle for each in differences([*others, sure], MEASURES)] == ["odd"]


def test_a_vehicle_is_judged_by_its_logs_since_the_last_step() -> None:
    mended = vehicle("mended", np.array([*[0.30] * 12, *[0.15] * 12]) * (1 + 0.002 * np.cos(np.arange(24.0))))
    assert [each.step is not None for each in mended.drifts] == [True]
    assert not differences([*fleet(3, 0.15, 0.15, 0.15), mended], MEASURES)


def test_a_difference_that_comes_with_another_sampling_is_said() -> None:
    slow = vehicle("slow", np.full(12, 0.17), 0.1)
    (found,) = differences([*fleet(4, 0.15, 0.15, 0.15), slow], MEASURES)
    assert "100" in found.coincides
    assert "10" in found.coincides


def test_two_vehicles_have_no_odd_one() -> None:
    assert not differences(fleet(5, 0.15, 0.3), MEASURES)
    assert not differences([replace(each, rows=()) for each in fleet(6, 0.15, 0.3, 0.15)], MEASURES)
