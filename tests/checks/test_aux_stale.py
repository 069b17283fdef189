"""When a 12 V reading that keeps one value is an old one, by a table of what moves meanwhile.

Expected by hand from Ohm's law: no side has less than 5 mΩ, so that 6 A and more move three steps of 10 mV.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.checks.aux_supply.stale import stale_rows
from logscope.signals import Part, Signals

AT = np.arange(0.0, 60.0, 0.5)
STANDS = (AT >= 20.0) & (AT <= 40.0)


def state(starts: float, stops: float) -> Part:
    at = AT
    on = (at >= starts) & (at < stops)
    return Part("converter_state", AT, on.astype(float), "", "Made.Converter", on=on)


def current(amps: float, name: str = "aux_current") -> Part:
    """Swings by so much, as a load that is on for half of the time."""
    return Part(name, AT, np.where(AT % 4.0 < 2.0, amps, 0.0), "A", "Made.Current")


MOVES: dict[str, tuple[list[Part], float, bool]] = {
    "nothing is logged": ([], 0.01, False),
    "the converter stops": ([state(0.0, 30.0)], 0.01, True),
    "the converter starts": ([state(30.0, 99.0)], 0.01, True),
    "it runs all the time": ([state(0.0, 99.0)], 0.01, False),
    "it never runs": ([state(99.0, 99.0)], 0.01, False),
    "it stops as the value ends, which may be late": ([state(0.0, 38.5)], 0.01, False),
    "it starts as the value begins": ([state(21.5, 99.0)], 0.01, False),
    "it starts, seen in steps of 0.2 V": ([state(30.0, 99.0)], 0.2, False),
    "a current swings": ([current(6.5)], 0.01, True),
    "a current swings the other way": ([current(-6.5)], 0.01, True),
    "a battery's current swings from charging to discharging": (
        [replace(made := current(10.0), value=made.value - 5.0)],
        0.01,
        True,
    ),
    "the converter's current swings": ([current(6.5, "converter_current")], 0.01, True),
    "a current swings by less than steps show": ([current(5.5)], 0.01, False),
    "a current swings, seen in steps of 20 mV": ([current(6.5)], 0.02, False),
}


@pytest.mark.parametrize("name", MOVES)
def test_a_reading_is_old_where_it_stands_while_a_true_one_would_move(name: str) -> None:
    parts, step_V, old = MOVES[name]
    volts = np.where(STANDS, 13.0, 13.0 + step_V * (1 + np.arange(AT.size) % 2))
    found = stale_rows(AT, volts, step_V, Signals({part.name: part for part in parts}, 0.0, 60.0))
    assert np.array_equal(found, STANDS if old else np.zeros(AT.size, bool))


def test_a_value_that_stands_shortly_or_without_steps_is_not_judged() -> None:
    moves = Signals({"aux_current": current(50.0)}, 0.0, 60.0)
    short = np.where((AT >= 20.0) & (AT < 29.5), 13.0, 13.0 + 0.01 * (1 + np.arange(AT.size) % 2))
    assert not stale_rows(AT, short, 0.01, moves).any()
    assert not stale_rows(AT, np.full(AT.size, 13.0), 0.0, moves).any()
    assert not stale_rows(2.0 * AT[:9], np.full(9, 13.0), 0.01, moves).any()
    assert stale_rows(4.0 * AT[:10], np.full(10, 13.0), 0.01, moves).all()  # all ten that there are


@pytest.mark.parametrize(
    ("rows", "period_s", "old"), [(10, 1.2, True), (9, 1.3, False), (11, 1.0, True), (11, 0.9, False)]
)
def test_a_value_stands_for_ten_readings_and_ten_seconds(rows: int, period_s: float, old: bool) -> None:
    at = period_s * np.arange(40)
    volts = 13.0 + 0.01 * (1 + np.arange(40) % 2)
    volts[20 : 20 + rows] = 13.0
    swings = Part("aux_current", np.arange(0.0, 60.0, 0.25), np.tile([0.0, 20.0], 120), "A", "Made.Current")
    found = stale_rows(at, volts, 0.01, Signals({"aux_current": swings}, 0.0, 60.0))
    assert np.flatnonzero(found).tolist() == (list(range(20, 20 + rows)) if old else [])


@pytest.mark.parametrize(("step_V", "old"), [(0.13, True), (0.14, False)])
def test_a_converter_that_starts_moves_the_level_by_three_steps_up_to_0_13_v(step_V: float, old: bool) -> None:
    volts = np.where(STANDS, 13.0, 13.0 + step_V * (1 + np.arange(AT.size) % 2))
    found = stale_rows(AT, volts, step_V, Signals({"converter_state": state(0.0, 30.0)}, 0.0, 60.0))
    assert bool(found.any()) is old


@pytest.mark.parametrize(
    ("starts_s", "stops_s", "old"), [(23.5, 99.0, True), (22.5, 99.0, False), (0.0, 36.5, True), (0.0, 37.5, False)]
)
def test_a_state_changes_three_seconds_after_a_value_begins_and_three_before_it_ends(
    starts_s: float, stops_s: float, old: bool
) -> None:
    volts = np.where(STANDS, 13.0, 13.0 + 0.01 * (1 + np.arange(AT.size) % 2))
    found = stale_rows(AT, volts, 0.01, Signals({"converter_state": state(starts_s, stops_s)}, 0.0, 60.0))
    assert bool(found.any()) is old


@pytest.mark.parametrize(("rows", "old"), [(9, False), (10, True)])
def test_a_current_swings_in_ten_readings_between_its_tenths(rows: int, old: bool) -> None:
    """Between the lowest and the highest tenth; a single pulse is no swing."""
    volts = np.where(STANDS, 13.0, 13.0 + 0.01 * (1 + np.arange(AT.size) % 2))
    at = np.linspace(21.0, 39.0, rows)
    swings = Part("aux_current", at, np.where(np.arange(rows) % 2, 20.0, 0.0), "A", "Made.Current")
    assert bool(stale_rows(AT, volts, 0.01, Signals({"aux_current": swings}, 0.0, 60.0)).any()) is old
    pulse = Part("aux_current", AT, np.where(AT == 30.0, 200.0, 0.0), "A", "Made.Current")
    assert not stale_rows(AT, volts, 0.01, Signals({"aux_current": pulse}, 0.0, 60.0)).any()
