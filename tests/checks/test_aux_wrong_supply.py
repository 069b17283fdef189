"""What is wrong with the supply of a 12 V side, by rows made by hand, a guard a row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import blocks, logged, side_of

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.levels import Blocks
from logscope.checks.aux_supply.supply import (
    Levels,
    Problem,
    _empty,
    _fell_at_work,
    _not_running,
    _too_high,
    _too_low,
    find_levels,
    open_stops,
    problems,
)
from logscope.findings import Measured
from logscope.vehicle import Vehicle

NAN = float("nan")
t = np.arange(0.0, 60.0, 0.1)
STATED = Vehicle.model_validate({"limits": {"aux_max_V": 15.0}, "aux": {"converter_V": 13.8}})


def level_at(volts: float) -> Measured:
    return Measured(pytest.approx(volts), "V", pytest.approx(volts, abs=0.01), pytest.approx(volts, abs=0.01))


@pytest.mark.parametrize(
    ("lasts_s", "volts", "linked", "named"),
    [
        (10.05, 12.3, 1.0, True),
        (9.85, 12.3, 1.0, False),  # converters start within 10 s
        (20.0, 12.91, 1.0, True),
        (20.0, 12.93, 1.0, False),  # no battery's level
        (20.0, 12.3, 0.0, False),
        (20.0, 12.3, NAN, False),
    ],
)
@pytest.mark.parametrize(("before", "cause"), [(1.0, "stopped"), (0.0, "never_ran")])
def test_a_converter_does_not_run_where_its_link_is_on_and_the_level_a_battery_s(
    lasts_s: float, volts: float, linked: float, named: bool, before: float, cause: str
) -> None:
    """The level of its second half counts: the first here is higher. Before 10 s it runs, or the link is off."""
    idle = (t >= 10.0) & (t <= 10.0 + lasts_s)
    linked_rows = np.where(idle, linked, np.where(t < 10.0, before, 0.0))
    running = np.where(t < 10.0, before, 0.0)
    level = np.where(t < 10.0 + lasts_s / 2 - 0.2, 13.5, volts)
    found = list(_not_running(side_of(t, level, running=running, linked=linked_rows)))
    assert [each.cause for each in found] == ([cause] if named else [])
    for each in found:
        assert each.spans[0] == pytest.approx((10.0, 10.0 + lasts_s), abs=0.06)
        assert each.level == level_at(volts)
        assert (each.before_V, each.drew) == (None, True)


@pytest.mark.parametrize(("ran", "on"), [(1.0, 0.0), (0.0, 1.0)])
def test_a_converter_that_ran_without_its_link_or_did_not_run_did_not_stop(ran: float, on: float) -> None:
    """The row before decides."""
    before = t < 10.0
    linked = np.where(before, on, 1.0)
    running = np.where(before & (t > 9.75), ran, 0.0)
    side = side_of(t, 12.3, running=running, linked=linked)
    (found,) = _not_running(side)
    assert found.cause == "never_ran"


def at_work(**changes: FloatArray | float) -> list[Problem]:
    """A drive at work whose level falls from 13.8 to 12.3 V at 20 s; no contactor is logged."""
    running = (t < 20.0).astype(float)
    known = {"volts": np.where(t < 20.0, 13.8, 12.3), "running": running, "draws": t >= 20.0, **changes}
    return list(_fell_at_work(side_of(t, known.pop("volts"), **known), []))


def test_a_level_that_falls_to_a_battery_s_while_the_drive_is_at_work_is_a_stop() -> None:
    (found,) = at_work()
    assert found.spans[0] == pytest.approx((20.0, 59.9))
    assert (found.cause, found.level, found.before_V, found.drew) == ("stopped", level_at(12.3), 13.8, True)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"linked": 1.0}, False),  # a contactor is logged
        ({"linked": 0.0}, False),
        ({"draws": False, "moves": t >= 20.0}, True),
        ({"draws": False}, False),
        ({"draws": (t >= 20.0) & (t < 30.2)}, True),
        ({"draws": (t >= 20.0) & (t < 29.8)}, False),  # less than 10 s
        ({"draws": (t >= 20.0) & (t < 21.45) | (t >= 29.95) & (t < 31.45)}, False),  # 8.5 s apart
        ({"draws": (t >= 20.0) & (t < 21.45) | (t >= 29.05) & (t < 30.25)}, True),  # 7.7 s apart: one stretch
        ({"draws": (t >= 20.0) & (t < 20.85) | (t >= 28.65) & (t < 28.75) | (t >= 36.55) & (t < 37.45)}, False),
        ({"volts": np.where(t < 20.0, 13.8, 12.91)}, True),
        ({"volts": np.where(t < 20.0, 13.8, 12.93)}, False),
        ({"volts": np.where(t < 20.0, 12.75, 12.3)}, True),
        ({"volts": np.where(t < 20.0, 12.65, 12.3)}, False),  # it fell by less than 0.4 V
        ({"running": 0.0}, False),  # it never ran
        ({"running": ((t > 19.75) & (t < 19.85)).astype(float)}, False),  # one row of a level before it
        ({"volts": np.where(t < 20.0, 13.8, np.where(t < 38.0, 13.2, 12.3))}, True),  # its later half counts
    ],
)
def test_a_fall_while_the_drive_is_at_work_is_a_stop_where_nothing_else_looks_the_same(
    changes: dict[str, FloatArray | float], named: bool
) -> None:
    assert [each.cause for each in at_work(**changes)] == (["stopped"] if named else [])


@pytest.mark.parametrize(("share", "drew"), [(0.19, False), (0.21, True)])
def test_a_drive_draws_current_where_it_does_so_for_a_fifth_of_the_time(share: float, drew: bool) -> None:
    after = t >= 20.0
    (found,) = at_work(draws=after & (t < 20.0 + 40.0 * share), moves=after)
    assert found.drew is drew


@pytest.mark.parametrize(("off_s", "before_V"), [((5.0,), 13.8), ((15.0,), 14.2), ((5.0, 15.0), 14.2)])
def test_the_level_before_a_stop_is_that_since_the_link_was_last_off(off_s: tuple[float, ...], before_V: float) -> None:
    """13.8 V but for the last seconds."""
    volts = np.where(t < 15.0, 13.8, np.where(t < 20.0, 14.2, 12.3))
    (found,) = at_work(volts=volts, linked=np.where(np.isin(t.round(1), off_s), 0.0, NAN))
    assert found.before_V == before_V


@pytest.mark.parametrize(
    ("known", "said"),
    [([(5.0, 19.0)], 1), ([(5.0, 20.0)], 0), ([(30.0, 40.0)], 0), ([(59.9, 70.0)], 0), ([(60.0, 70.0)], 1), ([], 1)],
)
def test_a_stop_that_the_link_shows_is_not_said_again(known: list[tuple[float, float]], said: int) -> None:
    side = side_of(t, np.where(t < 20.0, 13.8, 12.3), running=(t < 19.95).astype(float), draws=t >= 20.0)
    assert len(list(_fell_at_work(side, known))) == said


OPEN = {
    "between two runs": ((20.0, 40.0), NAN, 60.0, True),
    "for 10 s": ((20.0, 30.05), NAN, 60.0, True),
    "for 9.8 s": ((20.0, 29.85), NAN, 60.0, False),
    "to the end of the log": ((20.0, 60.0), NAN, 60.0, False),
    "before the converter ran": ((0.0, 20.0), NAN, 60.0, False),
    "with the link off": ((20.0, 40.0), 0.0, 60.0, False),
    "with the link on": ((20.0, 40.0), 1.0, 60.0, True),
    "to the end, and began with the link on": ((20.0, 60.0), NAN, 22.0, True),
}


@pytest.mark.parametrize("name", OPEN)
def test_a_converter_may_have_stopped_between_two_runs_or_where_it_began_with_the_link_on(name: str) -> None:
    (since_s, until_s), linked, on_until_s, seen = OPEN[name]
    idle = (t >= since_s - 0.01) & (t < until_s - 0.01)
    rows = np.where(idle, linked, 1.0)
    if on_until_s < 60.0:
        rows[t < on_until_s] = 1.0
    found = open_stops(side_of(t, 13.0, running=(~idle).astype(float), linked=rows))
    assert list(found) == ([pytest.approx((since_s, until_s - 0.1), abs=0.06)] if seen else [])
    assert open_stops(side_of(t, 13.0, running=0.0)) == ()
    assert open_stops(side_of(t, 13.0, running=1.0)) == ()


@pytest.mark.parametrize(
    ("volts", "lasts_s", "step_V", "named"),
    [
        (14.35, 20.0, 0.0, True),  # converter_V and 0.5 V
        (14.25, 20.0, 0.0, False),
        (14.35, 20.0, 0.2, False),  # rounded it may be 14.25 V
        (14.45, 20.0, 0.2, True),
        (14.6, 6.0, 0.0, True),
        (14.6, 4.0, 0.0, False),
    ],
)
def test_a_level_is_too_high_above_its_limit_by_its_rounding_and_for_6_s(
    volts: float, lasts_s: float, step_V: float, named: bool
) -> None:
    high = (t >= 20.0) & (t < 20.0 + lasts_s)
    found = list(_too_high(side_of(t, np.where(high, volts, 13.8), step_V=step_V), STATED))
    assert [each.cause for each in found] == (["over_voltage"] if named else [])
    for each in found:
        assert each.spans[0] == pytest.approx((20.0, 20.0 + lasts_s), abs=0.06)
        assert (each.level.value, each.level.low) == (pytest.approx(volts), pytest.approx(volts - step_V / 2, abs=0.01))
    assert list(_too_high(side_of(t[:5], 20.0), STATED)) == []


def runs_at(volts: float, rounding_V: float = 0.0) -> Blocks:
    return blocks([13.8] * 3 + [volts] * 5 + [13.8] * 3, rounding_V=rounding_V)


@pytest.mark.parametrize(
    ("running", "terminals", "vehicle", "level_V"),
    [
        (runs_at(13.25), None, STATED, 13.25),
        (runs_at(13.35), None, STATED, None),
        (runs_at(13.25, 0.06), None, STATED, None),
        (runs_at(13.25, 0.04), None, STATED, 13.25),
        (runs_at(13.0), runs_at(13.7), STATED, None),  # its own terminals count
        (runs_at(13.7), runs_at(13.2), STATED, 13.2),
        (runs_at(12.0), None, Vehicle(), None),
        (None, None, STATED, None),
    ],
)
def test_a_converter_is_below_its_set_point_by_half_a_volt_and_its_rounding(
    running: Blocks | None, terminals: Blocks | None, vehicle: Vehicle, level_V: float | None
) -> None:
    found = list(_too_low(Levels(running, terminals, None, None, None), vehicle))
    assert [(each.cause, each.spans, each.level.value) for each in found] == (
        [] if level_V is None else [("sagging", ((6.0, 16.0),), pytest.approx(level_V))]
    )


@pytest.mark.parametrize(
    ("at_s", "spans"),
    [
        ([0.5], ()),  # 2 s
        ([0.5, 2.5], ()),  # 4 s
        ([0.5, 2.5, 4.5], ((0.0, 5.5),)),  # 6 s, of which the log holds 5.5
        ([5.0, 11.0], ((4.0, 12.0),)),  # three blocks apart
        ([5.0, 11.1], ()),
    ],
)
def test_stretches_off_a_level_are_joined_over_three_blocks(
    at_s: list[float], spans: tuple[tuple[float, float], ...]
) -> None:
    low = Blocks(np.array([*at_s, 40.0]), np.array([13.0] * len(at_s) + [13.8]), 0.01, 0.0, 2.0)
    found = list(_too_low(Levels(low, None, None, None, None), STATED))
    assert tuple(each.spans for each in found) == ((spans,) if spans else ())


EMPTY = {
    "before the link is on": (np.where(t < 30.0, 11.2, 13.8), 0.0, (t < 30.0), True),
    "a full one": (np.where(t < 30.0, 12.2, 13.8), 0.0, (t < 30.0), False),
    "in the median": (np.where(t < 16.0, 11.2, 13.8), 0.0, (t < 30.0), True),
    "in less than half": (np.where(t < 14.0, 11.2, 13.8), 0.0, (t < 30.0), False),
}


@pytest.mark.parametrize("name", EMPTY)
def test_a_battery_is_empty_by_the_median_before_the_link_is_on(name: str) -> None:
    volts, running, off, empty = EMPTY[name]
    found = list(_empty(side_of(t, volts, running=running, linked=np.where(off, 0.0, 1.0))))
    assert [(each.cause, each.spans[0]) for each in found] == (
        [("empty_battery", pytest.approx((0.0, 29.9)))] if empty else []
    )


@pytest.mark.parametrize(
    ("empty_s", "length_s", "named"),
    [(5.5, 5.95, False), (6.0, 6.15, True), (5.4, 6.15, False), (5.6, 6.15, True)],
)
def test_a_starter_that_turns_makes_no_empty_battery_without_a_link(
    empty_s: float, length_s: float, named: bool
) -> None:
    """Its level is that of the highest tenth, over 6 s and more."""
    side = side_of(t, np.where(t < empty_s, 11.2, 12.4), running=(t >= length_s).astype(float))
    assert bool(list(_empty(side))) is named


def test_rows_before_the_link_is_first_off_and_after_it_is_on_show_no_empty_battery() -> None:
    linked = np.where(t < 10.0, 1.0, np.where(t < 20.0, 0.0, 1.0))
    side = side_of(t, np.where((t >= 10.0) & (t < 20.0), 11.2, 13.8), running=0.0, linked=linked)
    (found,) = _empty(side)
    assert found.spans[0] == pytest.approx((10.0, 19.9))
    assert list(_empty(replace(side, volts=13.8 + 0.0 * t))) == []
    assert list(_empty(replace(side, running=np.where(t < 10.05, 0.0, 1.0)))) == []  # one row
    assert len(list(_empty(replace(side, running=np.where(t < 10.15, 0.0, 1.0))))) == 1  # two
    assert list(_empty(replace(side, linked=np.ones(t.size), volts=11.2 + 0.0 * t))) == [
        Problem("empty_battery", ((0.0, pytest.approx(59.9)),), level_at(11.2))
    ]


def test_all_that_is_wrong_is_named_in_order() -> None:
    """A battery that is empty; then a converter too high, too low, and stopped with its link on."""
    edges = [10.0, 20.0, 40.0]
    volts = np.array([11.2, 14.6, 13.0, 12.3])[np.searchsorted(edges, t, side="right")]
    running = ((t >= 10.0) & (t < 40.0)).astype(float)
    side = side_of(t, volts, running=running, linked=(t >= 10.0).astype(float))
    found = [each.cause for each in problems(side, find_levels(side, logged()), STATED)]
    assert found == ["stopped", "over_voltage", "sagging", "empty_battery"]
