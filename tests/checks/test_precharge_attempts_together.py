"""How the attempts of a capture become findings: each with its own heat, what earlier ones left, and in order of time.

A resistor of 60 s cools to exp(−1) in a minute (Newton's law of cooling).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part
from precharge_pieces import ATTEMPT, HAZEL, about, fitted, judged, measured, sound

from logscope.checks.precharge import check
from logscope.checks.precharge.stress import Stress
from logscope.findings import Measured, NothingToCheck, Severity
from logscope.observations.dc_link.flags import NoRise
from logscope.signals import Signals

AT = 0.95 + 0.01 * np.arange(100)
LINK = link_of(part("dc_link_voltage", AT, 350 * (1 - np.exp(-np.maximum(AT - 1.0, 0.0) / 0.15))), noise_v=0.4)
SIGNALS = Signals({"dc_link_voltage": LINK.part}, 0.0, 99.0)


def heat(end_s: float, joules: float) -> Stress:
    return Stress(end_s - 0.5, end_s, True, Measured(joules, "J", joules, joules), Measured(800.0, "W", 790.0, 810.0))


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The check over attempts that begin at some times [s], of kinds, with heats."""

    def over(*rows: tuple[float, str, Stress | None], without_rise: Any = (), openings: Any = ("o",)) -> Any:
        attempts = [replace(ATTEMPT, saws=0, end=60 + k) for k in range(len(rows))]
        handed: list[Any] = []

        def measure(_: Any, link: Any, attempt: Any, stamps: Any, timing: Any) -> Any:
            handed.append((attempt.end - 60, stamps, timing))
            return measured(attempt=attempt, fit=fitted(onset=about(rows[attempt.end - 60][0], 0.0)), end_s=90.0)

        def judge(_: Any, vehicle: Any, link: Any, m: Any, opened: Any) -> Any:
            assert opened == openings
            return judged(rows[m.attempt.end - 60][1], sound(), m)

        monkeypatch.setattr(check, "measure", measure)
        monkeypatch.setattr(check, "judge", judge)
        monkeypatch.setattr(check, "stress", lambda one, *_: rows[one.measurement.attempt.end - 60][2])
        seen = SimpleNamespace(
            link=LINK,
            found=attempts,
            without_rise=without_rise,
            stamps="stamps",
            timing=[f"t{k}" for k in range(len(rows))],
        )
        observed: Any = SimpleNamespace(attempts=seen, openings=openings)
        findings = check.precharge(SIGNALS, observed, HAZEL)
        assert handed == [(k, "stamps", f"t{k}") for k in range(len(rows))]
        return findings

    return over


def test_each_attempt_has_a_finding_in_order_of_time(run: Any) -> None:
    found = run((40.0, "slow", None), (10.0, "complete", None), without_rise=[NoRise(20.0, 20.5, "precharge_relay")])
    assert [one.kind for one in found] == ["precharge.complete", "precharge.no_rise", "precharge.slow"]
    assert [one.severity for one in found] == [Severity.GOOD, Severity.DANGER, Severity.WARNING]
    with pytest.raises(NothingToCheck):
        run()
    assert len(run(without_rise=[NoRise(20.0, 20.5, "precharge_relay")])) == 1


def test_what_earlier_attempts_left_is_stated_from_the_second_with_heat_on(run: Any) -> None:
    """60 s after 100 J are 100/e of them left."""
    found = run(
        (1.0, "complete", None), (10.0, "complete", heat(10.5, 100.0)), (70.0, "complete", heat(70.5, 40.0)),
    )  # fmt: skip
    first, second, third = found
    assert "resistor_energy_J" not in first.measured
    assert second.measured["resistor_energy_J"].value == 100.0
    assert "resistor_heat_J" not in second.measured
    assert third.measured["resistor_energy_J"].value == 40.0
    assert third.measured["resistor_heat_J"].value == pytest.approx(40.0 + 100.0 * exp(-1.0))


def test_a_resistor_of_no_known_rating_is_not_overloaded_and_one_that_is_has_its_finding(
    run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: list[Any] = []

    def overload(known: Any, held: Any, rated_j: Any) -> list[Any]:
        handed.append(([one.energy_J.value for one in known], [one.value for one in held], rated_j))
        return []

    monkeypatch.setattr(check, "overload", overload)
    run((1.0, "complete", None), (10.0, "complete", heat(10.5, 100.0)))
    assert handed == [([100.0], [100.0], None)]


def test_a_drift_is_looked_for_in_the_constants_that_are_known(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    handed: list[Any] = []

    def drift(attempts: Any) -> list[Any]:
        handed.extend((one.start_s, one.constant.value) for one in attempts)
        return []

    monkeypatch.setattr(check, "drift", drift)
    run((1.0, "complete", None), (10.0, "complete", None))
    assert handed == [(1.0, 0.15), (10.0, 0.15)]
