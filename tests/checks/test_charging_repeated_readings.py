"""When a reading of a charge is one that is repeated: made pairs of readings, each guard on either side of its edge."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.checks.charging.stale import stale_since
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals

END_S = 100.0
AT_S = np.arange(0.0, END_S + 0.5, 1.0)


def made(name: str, value: FloatArray, unit: str, step: float | None = None) -> Part:
    return Part(name, AT_S, np.asarray(value, np.float64), unit, f"Made.{name}", step)


def since(*parts: Part) -> dict[str, float]:
    """What stands still to the end of a session of 100 s."""
    session = cast(Session, SimpleNamespace(start_s=0.0, end_s=END_S))
    return stale_since(session, Signals({part.name: part for part in parts}, 0.0, END_S))


def stands(from_s: float, before: float = 15.0) -> FloatArray:
    """12 A from a moment on; another value each second before."""
    return np.where(from_s <= AT_S, 12.0, before + 0.01 * AT_S)


def ramp(low: float, high: float) -> FloatArray:
    return np.interp(AT_S, [0.0, END_S], [low, high])


def test_a_charger_current_that_stands_while_the_batterys_falls_is_repeated_since_it_stands() -> None:
    """The battery's current counts the other way, and falls from 12 A to 4 A."""
    assert since(made("charger_current", stands(40.0), "A"), made("battery_current", -ramp(16.0, 4.0), "A")) == {
        "charger_current": 40.0
    }


@pytest.mark.parametrize(("from_s", "repeated"), [(79.0, True), (82.0, False)])
def test_a_stretch_too_short_to_compare_both_readings_over_makes_none_stale(from_s: float, repeated: bool) -> None:
    falls = np.interp(AT_S, [0.0, 80.0, END_S], [16.0, 16.0, 0.1])
    found = since(made("charger_current", stands(from_s), "A"), made("battery_current", falls, "A"))
    assert ("charger_current" in found) is repeated


@pytest.mark.parametrize(("end", "repeated"), [(9.5, False), (6.0, True)])
def test_a_current_must_have_moved_by_three_tenths(end: float, repeated: bool) -> None:
    """From 12 A at 10 s on, of which the averages over either end lie within 7 to 93 s of the stretch."""
    found = since(made("charger_current", stands(0.0), "A"), made("battery_current", ramp(12.0, end), "A"))
    assert ("charger_current" in found) is repeated


@pytest.mark.parametrize(("noise_V", "repeated"), [(0.0, True), (1.5, False)])
def test_a_voltage_that_moves_by_less_than_its_noise_makes_no_other_one_stale(noise_V: float, repeated: bool) -> None:
    """Up by 4 V of 350 V, where readings jump by twice 1.5 V from one to the next."""
    noisy = ramp(348.0, 352.4) + noise_V * (-1.0) ** np.arange(AT_S.size)
    found = since(made("charger_voltage", np.full(AT_S.size, 350.0), "V"), made("battery_voltage", noisy, "V"))
    assert ("charger_voltage" in found) is repeated


@pytest.mark.parametrize(("step", "repeated"), [(0.1, True), (2.0, False)])
def test_a_coarse_reading_stands_though_all_is_well(step: float, repeated: bool) -> None:
    """4 V are two steps of 2 V: a reading so coarse may have stayed where it was."""
    coarse = made("charger_voltage", np.full(AT_S.size, 350.0), "V", step)
    assert ("charger_voltage" in since(coarse, made("battery_voltage", ramp(348.0, 352.4), "V"))) is repeated


def test_one_reading_alone_and_two_that_stand_say_nothing() -> None:
    assert since(made("charger_current", stands(0.0), "A")) == {}
    assert since(made("charger_current", stands(0.0), "A"), made("battery_current", stands(0.0), "A")) == {}
