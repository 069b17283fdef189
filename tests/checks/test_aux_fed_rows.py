"""When a load counts as fed with its switch open, and two switches as one, by made readings, a guard a row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import logged, read, state

from logscope.arrays import BoolArray
from logscope.checks.aux_supply.backfeed import (
    Fed,
    Together,
    _by_its_own,
    _edges,
    _ends,
    _followed,
    _where,
    always_together,
    find_fed,
    loads_with_reading,
)
from logscope.findings import Measured
from logscope.signals import Load, Part

t = np.arange(0.0, 60.0, 0.1)
ON = t < 19.95  # closed at the beginning, open from 20 s on
SWITCH = state("pump", t, ON)


def pump(value: np.ndarray, by: str = "current", step: float | None = 0.1, switch: Part | None = SWITCH) -> Load:
    part = read(f"pump {by}", t, value, step)
    return Load("pump", switch, **{by: part})


def only(load: Load, *others: Load) -> Fed | None:
    found = find_fed(logged(loads=(load, *others)))
    assert len(found) <= 1
    return found[0] if found else None


def drawn(level: float, since_s: float, until_s: float, usual: float = 10.0) -> np.ndarray:
    """What it takes when on, and then from one moment to another; nothing beside."""
    return np.where(ON, usual, np.where((t > since_s - 0.05) & (t < until_s + 0.05), level, 0.0))


def test_a_fed_load_is_described_by_level_share_and_time() -> None:
    """4 A and 5 A, each for half of 20 s, of 10 A; 95 % of it lie between them."""
    value = drawn(4.0, 25.0, 45.0) + ((t > 34.95) & (t < 45.05))
    found = only(pump(value))
    assert found is not None
    assert (found.load, found.by, found.part.name, found.switch) == ("pump", "current", "pump current", SWITCH)
    assert found.spans == (pytest.approx((25.0, 45.0)),)
    assert found.level == Measured(5.0, "A", 4.5, 5.5)  # 101 rows of 5 A, 100 of 4 A
    assert (found.share, found.through, found.ends, found.changes) == (pytest.approx(0.5), (), 1, True)
    # two periods of both messages after the switch opened, 0.4 s, are not counted
    assert found.off_s == pytest.approx(39.6, abs=0.11)
    assert found.by_own is True
    assert found.longest_s == pytest.approx(20.0)


@pytest.mark.parametrize(("rows", "step", "reach_A"), [(4, 0.1, 0.05), (4, None, 0.0), (7, 0.1, 1.5)])
def test_limits_of_a_level_hold_95_percent_of_its_readings(rows: int, step: float | None, reach_A: float) -> None:
    """Of 201 readings of 5 A so many of 8 A: 2 % of them are left out above, 3.5 % are not. Half a step at least."""
    value = drawn(5.0, 25.0, 45.0) + 3.0 * ((t > 29.95) & (t < 29.95 + 0.1 * rows))
    found = only(pump(value, step=step))
    assert found is not None
    assert found.level == Measured(5.0, "A", pytest.approx(5.0 - reach_A), pytest.approx(5.0 + reach_A))


FED = {
    "0.6 A": (drawn(0.6, 25.0, 45.0, 1.0), "current", 0.1, True),
    "0.4 A": (drawn(0.4, 25.0, 45.0, 1.0), "current", 0.1, False),
    "31 % of what it has when on": (drawn(3.1, 25.0, 45.0), "current", 0.1, True),
    "29 % of what it has when on": (drawn(2.9, 25.0, 45.0), "current", 0.1, False),
    "the other way round": (drawn(-5.0, 25.0, 45.0, -10.0), "current", 0.1, True),
    "2 steps and a half": (drawn(2.0, 25.0, 45.0, 6.0), "current", 0.8, False),
    "3 steps and more": (drawn(2.0, 25.0, 45.0, 6.0), "current", 0.6, True),
    "no step": (drawn(2.0, 25.0, 45.0, 6.0), "current", None, True),
    "4.1 V": (drawn(4.1, 25.0, 45.0, 12.0), "voltage", 0.1, True),
    "3.9 V": (drawn(3.9, 25.0, 45.0, 12.0), "voltage", 0.1, False),
    "for 1 s": (drawn(5.0, 25.0, 26.0), "current", 0.1, True),
    "for 0.9 s": (drawn(5.0, 25.0, 25.9), "current", 0.1, False),
    "a current that ends 1.2 s after the switch": (drawn(9.0, 20.0, 21.2), "current", 0.1, False),
    "a current that ends 1.8 s after the switch": (drawn(9.0, 20.0, 21.8), "current", 0.1, True),
    "a voltage that ends 4.2 s after the switch": (drawn(9.0, 20.0, 24.2), "voltage", 0.1, False),
    "a voltage that ends 4.8 s after the switch": (drawn(9.0, 20.0, 24.8), "voltage", 0.1, True),
    "a load that does nothing when on": (np.where(ON, 0.4, 5.0), "current", 0.1, False),
    "nothing": (drawn(0.0, 25.0, 45.0), "current", 0.1, False),
}


@pytest.mark.parametrize("name", FED)
def test_a_load_is_fed_where_it_takes_much_of_what_it_takes_when_on_for_a_second(name: str) -> None:
    value, by, step, fed = FED[name]
    found = only(pump(value, by, step))
    assert (found is not None) is fed
    if found is not None:
        assert found.by == by
        assert found.level.unit == ("A" if by == "current" else "V")


@pytest.mark.parametrize(("level", "fed"), [(4.2, False), (5.8, True)])
def test_a_load_is_fed_above_five_standard_deviations_of_its_noise(level: float, fed: bool) -> None:
    noise = np.random.default_rng(3).normal(0.0, 1.0, t.size) * ((t < 24.9) | (t > 45.1))
    # A third of the rows is quiet: the median of all sizes is then that of a quarter of normal ones, 0.319 in place of
    # 0.674 standard deviations (tables of the normal distribution), by which noise is judged.
    found = only(pump(drawn(level, 25.0, 45.0) + noise * 0.674 / 0.319, step=None))
    assert (found is not None) is fed


def test_the_level_of_a_load_is_known_to_half_a_step_at_best() -> None:
    found = only(pump(drawn(5.0, 25.0, 45.0), step=0.5))
    assert found is not None
    assert found.level == Measured(5.0, "A", 4.75, 5.25)


def test_a_voltage_is_looked_at_where_the_current_shows_nothing() -> None:
    both = replace(pump(drawn(0.0, 25.0, 45.0)), voltage=read("pump voltage", t, drawn(12.0, 25.0, 45.0, 12.0)))
    found = only(both)
    assert found is not None
    assert found.by == "voltage"
    both = replace(both, current=read("pump current", t, drawn(5.0, 25.0, 45.0)))
    assert only(both).by == "current"
    assert only(replace(both, switch=None)) is None
    assert only(replace(both, switch=replace(SWITCH, on=None))) is None


@pytest.mark.parametrize("rows", [0, 1, 2, 3])
def test_few_readings_of_a_switch_or_a_current_show_no_load_that_is_fed(rows: int) -> None:
    """Near a change of the switch, and so near all three of its readings, nothing is counted."""
    current = read("pump current", t, np.where(t < 20.0, 10.0, 5.0))
    for on in (np.array([1, 0, 0], bool), np.array([1, 1, 0], bool), np.array([0, 1, 0], bool)):
        switch = state("pump", np.array([0.0, 20.0, 40.0])[:rows], on[:rows])
        assert only(Load("pump", switch, current), fan(t < 30.0)) is None
        few = Load("fan", replace(switch, source="Other.Fan"))
        assert _followed(SILENT, LEFT, OFF, t < 20.0, logged(loads=(SILENT, few))) == ()
    assert only(Load("pump", SWITCH, current.where(t > 59.85 - 0.1 * rows))) is None


@pytest.mark.parametrize(("on_rows", "off_rows", "fed"), [(3, 9, True), (2, 9, False), (9, 3, True), (9, 2, False)])
def test_a_load_is_compared_with_three_rows_on_and_three_off(on_rows: int, off_rows: int, fed: bool) -> None:
    """At one message a second each, 4 s before the switch's change and after it are not counted."""
    at = np.arange(0.0, on_rows + off_rows + 9.0)
    on = at < on_rows + 4.5
    current = read("pump current", at + 0.5, np.where(on, 10.0, 5.0))
    assert (only(Load("pump", state("pump", at, on), current)) is not None) is fed


def test_rows_near_a_change_of_the_switch_count_neither_way() -> None:
    """Two periods of both messages, 0.1 s and 0.5 s, are 1.2 s; the change lies between two messages of the switch."""
    slow = np.arange(0.0, 60.0, 0.5)
    switch = state("pump", slow, slow < 20.0)
    at = t + 0.05
    on, off = _where(read("pump current", at, 0.0), switch, "current")
    assert (at[on][-1], at[off][0]) == pytest.approx((18.25, 21.25))
    on, off = _where(read("pump voltage", at, 0.0), switch, "voltage")
    assert (at[on][-1], at[off][0]) == pytest.approx((18.25, 24.25))
    assert not np.any(on & off)
    gap = slow[(slow < 30.0) | (slow > 40.0)]
    _, off = _where(read("pump current", t, 0.0), state("pump", gap, gap < 20.0), "current")
    assert off[(t > 30.95) & (t < 31.05)].all()
    assert not off[(t > 31.1) & (t < 40.45)].any()


def rows(*runs: tuple[int, bool]) -> BoolArray:
    return np.concatenate([np.full(count, value) for count, value in runs])


def test_a_load_ends_by_itself_where_its_switch_stays_open_and_the_log_goes_on() -> None:
    part = read("pump current", t[:10], 0.0)
    fed = rows((2, False), (3, True), (5, False))
    always, never = rows((10, True)), rows((5, True), (5, False))
    assert _ends(part, always, fed, float(t[4])) is True
    assert _ends(part, never, fed, float(t[4])) is False
    assert _ends(part, always, rows((2, False), (8, True)), float(t[9])) is False
    assert _ends(part, always, rows((2, False), (8, True)), float(t[4])) is False


def test_ends_and_changes_of_what_stays_fed() -> None:
    stays = only(pump(np.where(ON, 10.0, 5.0)))
    assert stays is not None
    assert (stays.ends, stays.changes) == (0, False)
    moves = only(pump(np.where(ON, 10.0, np.where(t > 59.85, 5.1, 5.0))))
    assert moves is not None
    assert (moves.ends, moves.changes) == (0, True)
    twice = only(pump(drawn(5.0, 25.0, 27.0) + 5.0 * ((t > 29.95) & (t < 33.05))))
    assert twice is not None
    assert (twice.ends, len(twice.spans), twice.longest_s) == (2, 2, pytest.approx(3.0))
    assert twice.runs_on


@pytest.mark.parametrize(("gap_s", "spans"), [(0.1, 1), (0.4, 2)])
def test_stretches_of_a_fed_load_are_one_across_a_row_or_two(gap_s: float, spans: int) -> None:
    value = drawn(5.0, 25.0, 45.0) * ~((t > 34.95) & (t < 34.95 + gap_s))
    found = only(pump(value))
    assert found is not None
    assert len(found.spans) == spans


OFF = t >= 0.0
LEFT = read("pump current", t, 0.0)
SILENT = Load("pump", state("pump", t, ~OFF), LEFT)


def fan(on: BoolArray, source: str = "Other.Fan") -> Load:
    return Load("fan", replace(state("fan", t, on), source=source))


@pytest.mark.parametrize(
    ("on_s", "fed_share", "without_share", "blamed"),
    [
        (20.0, 0.95, 0.0, True),
        (20.0, 0.85, 0.0, False),
        (20.0, 1.0, 0.05, True),
        (20.0, 1.0, 0.15, False),
        (1.6, 1.0, 0.0, True),  # seen for a second with it, beyond the rows near its changes
        (1.3, 1.0, 0.0, False),
    ],
)
def test_another_switch_is_followed_for_nine_tenths_of_the_time_with_it_and_without_it(
    on_s: float, fed_share: float, without_share: float, blamed: bool
) -> None:
    on = t < on_s - 0.05
    fed = np.where(on, t < on_s * fed_share, t > 60.0 - 40.0 * without_share)
    signals = logged(loads=(SILENT, fan(on)))
    assert _followed(SILENT, LEFT, OFF, fed, signals) == (("fan",) if blamed else ())
    same = logged(loads=(SILENT, fan(on, SILENT.switch.source)))
    assert _followed(SILENT, LEFT, OFF, fed, same) == ()
    assert _followed(SILENT, LEFT, ~OFF, fed, signals) == ()


def test_of_several_switches_the_best_and_its_equals_are_followed() -> None:
    on = t < 29.95
    fed = on
    late = Load("lamp", replace(state("lamp", t, t < 31.95), source="Other.Lamp"))  # without it 93 %
    equal = Load("horn", replace(state("horn", t, t < 30.15), source="Other.Horn"))
    assert _followed(SILENT, LEFT, OFF, fed, logged(loads=(SILENT, fan(on), late, equal))) == ("fan", "horn")
    assert _followed(SILENT, LEFT, OFF, fed, logged(loads=(SILENT, late))) == ("lamp",)


@pytest.mark.parametrize(
    ("amps", "through", "others_off_s", "own"),
    [
        (10.0, (), 60.0, True),
        (0.5, (), 60.0, False),
        (10.0, ("fan",), 10.0, True),
        (0.5, ("fan",), 10.0, False),
        (10.0, ("fan",), 1.6, True),
        (10.0, ("fan",), 1.2, None),
    ],
)
def test_whether_a_load_follows_its_own_switch_is_seen_with_the_others_open(
    amps: float, through: tuple[str, ...], others_off_s: float, own: bool | None
) -> None:
    part = read("pump current", t, amps)
    signals = logged(loads=(SILENT, fan(t > others_off_s - 0.05)))
    assert _by_its_own(part, OFF, 1.0, through, signals) is own


@pytest.mark.parametrize(("share", "own"), [(0.05, False), (0.15, True)])
def test_a_load_that_takes_much_for_a_tenth_of_the_time_follows_its_own_switch(share: float, own: bool) -> None:
    part = read("pump current", t, np.where(t < 60.0 * share, 10.0, 0.0))
    assert _by_its_own(part, OFF, 1.0, (), logged(loads=(SILENT,))) is own


def pulses(*starts_s: float) -> BoolArray:
    return np.any([(t > at_s - 0.05) & (t < at_s + 2.95) for at_s in starts_s], axis=0)


def pair(first: BoolArray, second: BoolArray, source: str = "Other.Fan") -> list[Together]:
    """The second one's messages come half a period later."""
    other = Load("fan", replace(state("fan", t + 0.05, second), source=source))
    return always_together(logged(loads=(Load("pump", state("pump", t, first)), other)))


def test_two_switches_that_always_change_together_are_named() -> None:
    (found,) = pair(pulses(10.0, 30.0), pulses(10.1, 30.0))  # two periods are 0.2 s
    assert (found.first, found.second, found.count) == ("pump", "fan", 4)
    assert found.spans == tuple((pytest.approx(at_s),) * 2 for at_s in (10.0, 13.0, 30.0, 33.0))
    assert pair(pulses(10.0, 30.0), pulses(10.2, 30.0)) == []
    assert pair(pulses(10.0, 30.0), pulses(9.7, 30.0)) == []
    assert pair(pulses(10.0, 30.0), pulses(10.0, 30.0, 50.0)) == []
    assert pair(pulses(10.0), pulses(10.0)) == []
    assert pair(pulses(10.0, 30.0), ~pulses(10.0, 30.0)) == []  # one on, the other off
    assert pair(pulses(10.0, 30.0), pulses(10.0, 30.0), "Made.pump") == []


def test_switches_are_together_within_two_periods_of_the_slower_one() -> None:
    slow = np.arange(0.05, 60.0, 0.5)
    for late_s, together in ((0.9, True), (1.1, False)):
        on = (slow > 10.0) & (slow < 20.0) | (slow > 30.0) & (slow < 40.0)
        other = Load("fan", replace(state("fan", slow + late_s, on), source="Other.Fan"))
        first = (t > 9.95) & (t < 19.95) | (t > 29.95) & (t < 39.95)
        assert bool(always_together(logged(loads=(Load("pump", state("pump", t, first)), other)))) is together
        assert bool(always_together(logged(loads=(other, Load("pump", state("pump", t, first)))))) is together


def test_of_three_switches_each_pair_is_compared_once() -> None:
    on = pulses(10.0, 30.0)
    loads = tuple(Load(name, state(name, t, on)) for name in ("pump", "fan", "lamp"))
    found = always_together(logged(loads=(*loads, Load("heater"))))
    assert [(each.first, each.second) for each in found] == [("pump", "fan"), ("pump", "lamp"), ("fan", "lamp")]


def test_changes_of_a_switch_are_negative_where_it_goes_off() -> None:
    part = state("pump", np.array([1.0, 2.0, 3.0, 4.0]), np.array([1, 0, 0, 1], bool))
    assert _edges(part).tolist() == [-2.0, 4.0]
    assert _edges(replace(part, on=None)).size == 0


def test_loads_show_back_feed_with_a_switch_and_a_reading() -> None:
    current, voltage = read("pump current", t, 0.0), read("pump voltage", t, 0.0)
    loads = (
        Load("none"), Load("switch", SWITCH), Load("current", None, current), Load("both", SWITCH, current),
        Load("volts", SWITCH, None, voltage), Load("all", SWITCH, current, voltage),
    )  # fmt: skip
    assert [load.name for load in loads_with_reading(logged(loads=loads))] == ["both", "volts", "all"]


def fed_as(**changes: object) -> Fed:
    part = read("pump current", t, 0.0)
    made = Fed("pump", "current", part, SWITCH, ((10.0, 50.0),), Measured(9.0, "A"), 0.9, (), 0, True, 60.0, None)
    return replace(made, **changes)


@pytest.mark.parametrize(
    ("changes", "runs_on", "sure", "exchanged"),
    [
        ({"spans": ((10.0, 39.9),), "ends": 1}, True, False, False),
        ({"spans": ((10.0, 40.0),), "ends": 1}, False, True, False),
        ({"spans": ((10.0, 39.9),), "ends": 0}, False, False, False),
        ({"spans": ((10.0, 20.0), (30.0, 50.0)), "ends": 1}, False, True, False),
        ({"spans": ((10.0, 20.0), (30.0, 50.0)), "ends": 2}, True, False, False),
        ({"spans": ((10.0, 15.0),), "ends": 1, "through": ("fan",)}, False, True, False),
        ({"spans": ((10.0, 14.9),), "ends": 1, "through": ("fan",)}, False, False, False),
        ({"through": ("fan",), "by_own": False}, False, False, True),
        ({"by_own": False}, False, True, False),
    ],
)
def test_what_a_fed_load_is(changes: dict[str, object], runs_on: bool, sure: bool, exchanged: bool) -> None:
    made = fed_as(**changes)
    assert (made.runs_on, made.sure, made.exchanged) == (runs_on, sure, exchanged)
