"""Charges in which one message repeats its last value while the others move on: no good news, and no danger.

Truth by construction (`charge_traces`); that controllers repeat old values is common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_traces import VEHICLE, Made
from one_check import findings_of

from logscope.checks.charging.check import charging
from logscope.findings import Finding, Severity
from logscope.signals import Signals


def repeating(signals: Signals, name: str, since_s: float, add: float = 0.0) -> Signals:
    """One part keeps its value from a moment on; `add` : by which that is higher than it was."""
    part = signals[name]
    first = int(np.searchsorted(part.time_s, since_s))
    value = np.where(part.time_s >= since_s, part.value[first] + add, part.value)
    return replace(signals, parts={**signals.parts, name: replace(part, value=value)})


def judged(signals: Signals) -> list[Finding]:
    return findings_of(charging, signals, VEHICLE)


@pytest.mark.parametrize(
    ("name", "since_s"),
    [("charger_current", 200.0), ("battery_current", 200.0), ("cell_voltage_highest", 0.0), ("battery_voltage", 0.0)],
)
def test_a_repeated_reading_is_neither_good_nor_a_danger(name: str, since_s: float) -> None:
    made = Made(ends_s=620.0, farad=2500.0)
    assert {each.severity for each in judged(made.signals())} == {Severity.GOOD}
    found = judged(repeating(made.signals(), name, since_s))
    assert {each.severity for each in found} == {Severity.INFO}


def test_a_cell_that_always_reads_the_same_is_not_overcharged() -> None:
    """4.25 V from the charge before, repeated, while the voltage of the pack rises."""
    signals = repeating(Made().signals(), "cell_voltage_highest", 0.0, add=0.2)
    assert "charge.over_limit" not in {each.kind for each in judged(signals)}
    true = Made().signals()
    cell = true["cell_voltage_highest"]
    moves = replace(cell, value=cell.value + 0.2)
    assert "charge.over_limit" in {each.kind for each in judged(replace(true, parts={**true.parts, cell.name: moves}))}


def test_a_charger_and_a_battery_that_both_stand_still_show_no_charger_that_goes_on() -> None:
    """One gateway that sends both died as the request was withdrawn."""
    signals = Made(ends_s=300.0, request_ends_s=299.0).signals()
    for name in ("charger_current", "battery_current"):
        signals = repeating(signals, name, 298.0)
    signals = replace(
        signals, parts={**signals.parts, **{n: p.where(p.time_s < 400.0) for n, p in signals.parts.items()}}
    )
    assert [each.severity for each in judged(signals) if each.kind == "charge.not_stopping"] == [Severity.INFO]
