"""What the rows of a 12 V side say of converter and link, by made readings, a guard a row; expected by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import logged, read, state

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.at_work import at_work, standing
from logscope.checks.aux_supply.side import (
    BATTERY_V,
    CHARGED_V,
    _delivers,
    _held_current,
    _level,
    _linked,
    _running,
    _settled,
    _state,
    describe_side,
    spans_of,
)
from logscope.findings import NothingToCheck
from logscope.signals import MissingPart, Part

NAN = float("nan")
t = np.arange(0.0, 20.0, 0.5)


def aux(volts: FloatArray | float, time_s: FloatArray = t, step: float | None = 0.01) -> Part:
    return read("aux_voltage", time_s, volts, step)


@pytest.mark.parametrize(
    ("volts", "said"),
    [
        ([3.0] * 20 + [12.5] * 4, "12 V supply voltage: 4 readings, at least 5 are needed"),
        ([3.0] * 20 + [12.5] * 5, None),
        ([3.01] * 20 + [12.5] * 4, "the usual level, 3.01 V, is not that of a 12 V side"),
        ([7.9] * 24, "the usual level, 7.9 V, is not"),
        ([8.0] * 24, None),
        ([18.0] * 24, None),
        ([18.1] * 24, "the usual level, 18.1 V, is not that of a 12 V side; check scale and mapping"),
    ],
)
def test_a_12_v_side_has_five_readings_of_a_controller_that_is_awake_and_the_level_of_one(
    volts: list[float], said: str | None
) -> None:
    signals = logged(aux(np.array(volts), t[: len(volts)]))
    if said is None:
        assert describe_side(signals).volts.tolist() == [each for each in volts if each > 3.0]
    else:
        with pytest.raises(NothingToCheck, match=said):
            describe_side(signals)
    with pytest.raises(MissingPart):
        describe_side(logged())


def test_rows_in_which_a_reading_is_repeated_are_left_out_and_named() -> None:
    """5 mΩ are the least that a side has: 8 A move it by four steps."""
    at = np.arange(0.0, 60.0, 0.5)
    stands = (at >= 20.0) & (at <= 40.0)
    volts = np.where(stands, 13.0, 13.0 + 0.01 * (1 + np.arange(at.size) % 2))
    swings = read("aux_current", at, np.where(at % 4.0 < 2.0, 8.0, 0.0))
    side = describe_side(logged(aux(volts, at), swings))
    assert side.stale == ((20.0, 40.0),)
    assert np.array_equal(side.time_s, at[~stands])
    assert np.array_equal(side.volts, volts[~stands])
    with pytest.raises(NothingToCheck, match="repeats one reading while the 12 V currents change"):
        describe_side(logged(aux(13.0, at), swings))


@pytest.mark.parametrize(
    ("step", "bounds"),
    [(None, (0.001, 0.001)), (0.1, (0.0288, 0.0289)), (0.01, (0.00288, 0.00289))],  # a step over √12 = 3.464
)
def test_noise_of_a_steady_level_is_that_of_its_rounding_and_a_millivolt_at_least(
    step: float | None, bounds: tuple[float, float]
) -> None:
    side = describe_side(logged(aux(np.where(t < 10.0, 13.7, 13.8), step=step)))
    assert bounds[0] <= side.noise_V <= bounds[1]
    assert (side.step_V, side.period_s, side.contradicted) == (step or 0.0, 0.5, False)


def test_noise_is_that_of_the_readings_where_they_scatter() -> None:
    rng = np.random.default_rng(5)
    at = np.arange(0.0, 200.0, 0.1)
    assert describe_side(logged(aux(13.8 + rng.normal(0.0, 0.05, at.size), at))).noise_V == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize(
    ("amps", "step", "gives"),
    [(1.0, None, 0.0), (1.01, None, 1.0), (1.19, 0.6, 0.0), (1.21, 0.6, 1.0), (-5.0, None, 0.0)],
)
def test_a_converter_gives_current_from_an_ampere_or_two_steps_on(
    amps: float, step: float | None, gives: float
) -> None:
    found, old = _delivers(logged(read("converter_current", t, amps, step)), t)
    assert np.all(found == gives)
    assert old.all()  # one value for 20 s may be an old one


@pytest.mark.parametrize(("amps", "gives"), [(4.0, 0.0), (6.0, 1.0)])
def test_a_converter_gives_current_from_five_standard_deviations_of_its_noise_on(amps: float, gives: float) -> None:
    at = np.arange(0.0, 400.0, 0.1)
    noise = np.random.default_rng(1).normal(0.0, 1.0, at.size)
    noise[:100] = 0.0
    found, old = _delivers(logged(read("converter_current", at, amps + noise)), at[:100])
    assert np.mean(found == gives) == 1.0
    assert not old.any()


@pytest.mark.parametrize(("rows", "known"), [(4, False), (5, True)])
def test_few_readings_of_a_converter_s_current_show_nothing(rows: int, known: bool) -> None:
    found, old = _delivers(logged(read("converter_current", t[:rows], 9.0)), t[:rows])
    assert np.all(found == 1.0 if known else np.isnan(found))
    assert not old.any()


def test_a_state_holds_to_the_next_and_ends_in_a_gap() -> None:
    part = state("converter_state", np.array([1.0, 2.0, 3.0, 4.0, 9.0, 10.0]), np.array([1, 1, 0, 1, 0, 1], bool))
    found = _state(logged(part), np.array([0.9, 1.0, 2.9, 3.0, 7.0, 7.1, 9.0, 10.0]))
    assert np.array_equal(found, [NAN, 1.0, 1.0, 0.0, 1.0, NAN, 0.0, 1.0], equal_nan=True)
    assert np.isnan(_state(logged(part.where(np.arange(6) < 1)), t)).all()
    assert _state(logged(part.where(np.arange(6) < 2)), np.array([2.5])) == 1.0
    assert np.isnan(_state(logged(replace(part, on=None)), t)).all()
    assert np.isnan(_state(logged(), t)).all()


HALF = t < 10.0
CLOSED, OPEN = state("main_contactor", t, t >= 0.0), state("main_contactor", t, t < 0.0)
CLOSES = state("main_contactor", t, ~HALF)
LINK = read("dc_link_voltage", t, np.where(HALF, 200.0, 340.0))
PACK = read("battery_current", t, np.where(t < 15.0, 9.0, 0.0))
LINKED = {
    "nothing is logged": ((), NAN, NAN),
    "a contactor that closes": ((CLOSES,), 0.0, 1.0),
    "a contactor that is closed throughout": ((CLOSED,), 1.0, 1.0),
    "a contactor without a link's voltage that is open": ((OPEN,), 0.0, 0.0),
    "one that reads closed throughout, with a link": ((CLOSED, LINK), 0.0, NAN),
    "a contactor that closes, with a link": ((CLOSES, LINK), 0.0, 1.0),
    "a contactor that opens, with a link": ((state("main_contactor", t, HALF), LINK), 0.0, 0.0),
    "a contactor that closes, with one reading of the link": ((CLOSES, LINK.where(t < 0.1)), 0.0, 1.0),
    "a contactor whose states are not known": ((replace(CLOSES, on=None),), NAN, NAN),
    "a link alone": ((LINK,), 0.0, NAN),
    "a link, and the pack gives current": ((LINK, PACK), 0.0, 1.0),
    "a link, and the pack gives 8 A": ((LINK, read("battery_current", t, 8.0)), 0.0, NAN),
    "a link, and the pack is charged": ((LINK, read("battery_current", t, -9.0)), 0.0, NAN),
    "a link of 60 V": ((read("dc_link_voltage", t, 60.0), PACK), 0.0, 0.0),
    "a link of 61 V": ((read("dc_link_voltage", t, 61.0), PACK), 1.0, 1.0),
    "a link that stood at 80 % before": ((read("dc_link_voltage", t, np.where(HALF, 80.0, 100.0)), PACK), 0.0, 1.0),
    "a link that stood at 81 % before": ((read("dc_link_voltage", t, np.where(HALF, 81.0, 100.0)), PACK), 1.0, 1.0),
}


@pytest.mark.parametrize("name", LINKED)
def test_a_link_is_on_where_its_contactor_is_closed_and_its_voltage_high_or_where_the_pack_gives_current(
    name: str,
) -> None:
    """Before and after 10 s, without the last seconds, in which the pack's current may have ended with the link."""
    parts, before, after = LINKED[name]
    found = _linked(logged(*parts), t)
    assert np.array_equal(found[t < 10.0], np.full(20, before), equal_nan=True)
    assert np.array_equal(found[(t >= 10.0) & (t < 14.9)], np.full(10, after), equal_nan=True)


@pytest.mark.parametrize(("pause_s", "between"), [(7.9, 1.0), (8.1, NAN)])
def test_without_a_contactor_the_link_is_on_through_a_pause_of_the_current_of_8_s(
    pause_s: float, between: float
) -> None:
    at = np.arange(0.0, 30.0, 0.1)
    amps = np.where((at >= 5.0) & (at < 10.0) | (at >= 9.85 + pause_s) & (at < 25.0), 40.0, 0.0)
    found = _linked(logged(read("dc_link_voltage", at, 340.0), read("battery_current", at, amps)), at)
    assert np.array_equal(found[[20, 60, 140, 220, 280]], [NAN, 1.0, between, 1.0, NAN], equal_nan=True)


@pytest.mark.parametrize(
    ("pack_A", "charger_A", "link_A"),
    [
        (9.0, None, 9.0),
        (-9.0, None, -9.0),  # braking or charging: which of them is not known
        (-20.0, 20.0, 0.0),  # all that the charger gives goes into the pack
        (-18.0, 20.0, 2.0),  # and here a converter takes a part of it
        (9.0, 0.0, 9.0),
        (-9.0, 0.0, 9.0),  # nothing comes from the charger: the motor brakes
    ],
)
def test_the_link_takes_what_pack_and_charger_together_give(
    pack_A: float, charger_A: float | None, link_A: float
) -> None:
    """Kirchhoff's current law: the pack's current out of it counts positive, as does the charger's out of itself."""
    parts = [read("battery_current", t, pack_A)]
    if charger_A is not None:
        parts.append(read("charger_current", t, charger_A))
    assert np.all(_held_current(logged(*parts), t) == link_A)


def test_a_current_of_few_readings_or_between_its_readings_is_none() -> None:
    four, five = t < 2.0, t < 2.5
    pack, charger = read("battery_current", t, -20.0), read("charger_current", t, 20.0)
    assert np.all(_held_current(logged(pack.where(four), charger), t) == 0.0)
    assert np.all(_held_current(logged(pack, charger.where(four)), t) == -20.0)
    assert np.array_equal(_held_current(logged(pack, charger.where(five)), t), np.where(t <= 3.5, 0.0, 20.0))
    assert np.array_equal(_held_current(logged(pack.where(five)), t), np.where(t <= 3.5, -20.0, 0.0))
    assert np.all(_held_current(logged(charger), t) == 0.0)


def test_a_level_is_the_median_over_two_seconds() -> None:
    """Five rows of half a second: two of them may dip, three are a level."""
    two, three = (t >= 5.0) & (t < 6.0), (t >= 5.0) & (t < 6.5)
    assert np.all(_level(t, np.where(two, 9.0, 13.8), 0.5) == 13.8)
    assert _level(t, np.where(three, 9.0, 13.8), 0.5)[t == 5.5] == 9.0
    dips = np.where(t == 5.0, 9.0, 13.8)
    assert np.array_equal(_level(t, dips, 5.0), dips)
    assert np.array_equal(_level(t, dips, NAN), dips)
    assert _level(t[:6], np.array([9.0, 13.8, 13.8, 13.8, 9.0, 9.0]), 0.01).size == 6


# level, state, current, link: running
BY_CURRENT = [
    (13.0, NAN, 1.0, NAN, 1.0),
    (13.0, NAN, 0.0, NAN, 0.0),
    (13.0, 1.0, 0.0, NAN, 1.0),  # a full battery takes next to nothing
    (BATTERY_V, 1.0, 0.0, NAN, 1.0),
    (12.91, 1.0, 0.0, NAN, 0.0),  # 2.12 V a cell and 0.2 V are 12.92 V
    (13.0, 0.0, 0.0, NAN, 0.0),
    (12.0, 0.0, 1.0, NAN, 1.0),
    (12.93, 1.0, NAN, NAN, 1.0),
    (12.91, 1.0, NAN, NAN, NAN),  # reported as running, but the level is a battery's
    (12.0, 0.0, NAN, NAN, 0.0),
]
BY_STATE = [
    (13.0, 1.0, NAN, NAN, 1.0),
    (12.93, 1.0, NAN, NAN, 1.0),
    (12.91, 1.0, NAN, NAN, NAN),
    (BATTERY_V, 1.0, NAN, NAN, 1.0),
    (13.0, 0.0, NAN, NAN, 0.0),
    (14.5, NAN, NAN, 1.0, NAN),
]
BY_LEVEL = [
    (13.61, NAN, NAN, NAN, 1.0),
    (CHARGED_V, NAN, NAN, NAN, NAN),
    (BATTERY_V, NAN, NAN, NAN, NAN),
    (12.91, NAN, NAN, NAN, 0.0),
    (12.55, NAN, NAN, 1.0, 0.0),  # no level without the link that it could stand above
]
BY_RISE = [
    *[(12.2, NAN, NAN, 0.0, 0.0)] * 5,
    (12.61, NAN, NAN, 1.0, 1.0),  # 0.4 V above the level with the link off
    (12.59, NAN, NAN, 1.0, 0.0),
    (12.61, NAN, NAN, NAN, 0.0),
]


@pytest.mark.parametrize(
    ("rows", "by"),
    [
        (BY_CURRENT, "its current"),
        (BY_STATE, "its state"),
        (BY_LEVEL, "the level alone"),
        (BY_RISE, "the level alone"),
        (BY_RISE[1:5] + BY_LEVEL, "the level alone"),  # four rows show no level with the link off
    ],
)
def test_a_converter_runs_by_its_current_or_its_state_or_the_level_alone(
    rows: list[tuple[float, ...]], by: str
) -> None:
    level, reported, current, linked, expected = np.array(rows).T
    running, judged_by = _running(level, reported, current, linked)
    assert np.array_equal(running, expected, equal_nan=True)
    assert judged_by == by


def test_rows_are_settled_further_than_the_guard_from_a_change_and_where_it_is_known() -> None:
    at = np.arange(0.0, 10.0)
    changes = np.array([1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, NAN, NAN])
    # the change lies between 3 and 4 s, that to the unknown between 7 and 8 s
    assert np.flatnonzero(_settled(at, changes, 1.5)).tolist() == [0, 1]
    assert np.flatnonzero(_settled(at, changes, 0.5)).tolist() == [0, 1, 2, 5, 6]
    assert np.flatnonzero(_settled(at, changes, 3.5)).tolist() == []
    assert _settled(at, np.ones(10), 3.5).all()


def test_states_of_a_side_are_its_settled_rows() -> None:
    """The converter starts at 10 s: one second and two periods of 0.5 s on either side are not settled."""
    side = describe_side(
        logged(aux(np.where(HALF, 12.4, 13.8)), state("converter_state", t, ~HALF), state("main_contactor", t, ~HALF))
    )
    assert side.judged_by == "its state"
    assert side.time_s[side.state(True)][0] == pytest.approx(12.0)
    assert side.time_s[side.state(False)][-1] == pytest.approx(7.0)
    assert np.array_equal(side.linked, (~HALF).astype(float))
    slow = state("main_contactor", t[::2], ~HALF[::2])
    waits = describe_side(logged(aux(np.where(HALF, 12.4, 13.8)), state("converter_state", t, ~HALF), slow))
    assert waits.time_s[waits.state(True)][0] == pytest.approx(13.0)  # two periods of the slowest message


@pytest.mark.parametrize(
    ("reported", "gives", "contradicted"),
    [(0, 1, True), (1, 1, False), (0, 0, False), (1, 0, False)],
)
def test_a_state_that_denies_the_current_contradicts_it(reported: int, gives: int, contradicted: bool) -> None:
    amps = gives * (20.0 + np.arange(t.size) % 2)
    parts = (aux(13.8 + 0.01 * (np.arange(t.size) % 2)), read("converter_current", t, amps))
    converter = state("converter_state", t, np.full(t.size, bool(reported)))
    assert describe_side(logged(*parts, converter)).contradicted is contradicted
    assert describe_side(logged(*parts)).contradicted is False


@pytest.mark.parametrize(
    ("volts", "amps", "by", "running"),
    [
        (12.8, 15.0, "the level alone", 0.0),
        (13.0, 15.0, "its current", 1.0),
        (12.8, 0.0, "its current", 0.0),  # none flows, and the level agrees
    ],
)
def test_a_current_that_is_repeated_at_a_battery_s_level_is_none(
    volts: float, amps: float, by: str, running: float
) -> None:
    side = describe_side(logged(aux(volts + 0.01 * (np.arange(t.size) % 2)), read("converter_current", t, amps)))
    assert side.judged_by == by
    assert np.all(side.running == running)


def test_stretches_of_rows_are_joined_up_to_so_far_apart() -> None:
    where = np.array([1, 1, 0, 1, 0, 0, 1], bool)
    at = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    assert spans_of(where, at, 2.0) == [(0.0, 3.0), (6.0, 6.0)]
    assert spans_of(where, at, 1.9) == [(0.0, 1.0), (3.0, 3.0), (6.0, 6.0)]
    assert spans_of(~where & where, at, 2.0) == []


DRAWS = [
    ("battery_current", 8.0, 1), ("battery_current", -8.0, 0), ("motor_current", 20.0, 1), ("motor_current", -20.0, 1),
]  # fmt: skip
MOVES = [("motor_speed", 300.0, 1), ("motor_speed", -300.0, 1), ("vehicle_speed", 10.0, 1), ("vehicle_speed", -10.0, 1)]


@pytest.mark.parametrize(("name", "edge", "counts"), DRAWS + MOVES)
def test_a_drive_is_at_work_above_what_offsets_and_pushing_make(name: str, edge: float, counts: int) -> None:
    """Each half of the rows just above and just below its edge, with a change that keeps a reading from standing."""
    above = t >= 10.0
    jitter = 1e-3 * (np.arange(t.size) % 2)
    part = read(name, t, edge * np.where(above, 1.01 + jitter, 1.0 - 4 * jitter))
    work = at_work(logged(part), t)
    seen, other = (work.draws, work.moves) if "current" in name else (work.moves, work.draws)
    assert np.array_equal(seen, above & bool(counts))
    assert not other.any()
    assert not at_work(logged(part.where(t < 0.0)), t).draws.any()
    late = t[-5:]
    assert at_work(logged(part.where(t >= late[0])), late).draws.all() == (counts and "current" in name)
    four = at_work(logged(part.where(t >= t[-4])), late)
    assert not four.draws.any()
    assert not four.moves.any()


def test_a_reading_stands_where_it_stays_the_same_for_more_than_10_s() -> None:
    at = np.arange(0.0, 40.0, 1.0)
    value = np.where(at <= 10.0, 5.0, np.where(at <= 21.0, 6.0, at))  # ten seconds, ten seconds, then it moves
    assert not standing(read("motor_current", at, value)).any()
    value = np.where(at <= 10.0, 5.0, np.where(at <= 22.0, 6.0, at))
    assert np.flatnonzero(standing(read("motor_current", at, value))).tolist() == list(range(11, 23))
    assert standing(read("motor_current", at, 5.0)).all()
