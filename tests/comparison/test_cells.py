"""Cells of alike driving: which moment lies in which, and where both sides drove; expected values by hand."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.comparison.cells import Grid, coarser, make_grid, runs_are_units, shared_cells, time_in_cells
from logscope.comparison.driving import Driving, common_part, part_words, stretch_of_ticks
from logscope.signals import Part, Signals

# speed bands from 10, 20 and 30 to 40; load bands from 0 and 50 to 100
GRID = Grid("motor_speed", "motor_current", np.array([10.0, 20.0, 30.0, 40.0]), np.array([0.0, 50.0, 100.0]))


def driven(speed: list[float], load: list[float], known: list[bool] | None = None, start_s: float = 0.0) -> Driving:
    of = np.array([True] * len(speed) if known is None else known, dtype=np.bool_)
    return Driving(start_s, np.arange(len(speed)), np.array(speed), np.array(load), of)


@pytest.mark.parametrize(
    ("speed", "load", "cell"),
    [
        (9.9, 60.0, -1), (10.0, 0.0, 0), (10.0, 49.9, 0), (10.0, 50.0, 1), (19.9, 99.0, 1),
        (20.0, 10.0, 2), (29.9, 80.0, 3), (30.0, 10.0, 4), (40.0, 100.0, 5),
        (55.0, 10.0, 4), (55.0, 130.0, 5),  # beyond the last edge is in the last band
        (15.0, -1.0, 0),
    ],
)  # fmt: skip
def test_a_moment_lies_in_the_cell_from_whose_edge_it_begins(speed: float, load: float, cell: int) -> None:
    assert GRID.cells == 6
    assert GRID.cell(driven([speed], [load])).tolist() == [cell]
    assert GRID.cell(driven([speed], [load], [False])).tolist() == [-1]


def test_cells_reach_from_a_fiftieth_of_the_top_speed_to_all_but_its_wildest_samples() -> None:
    ramp = np.linspace(0.0, 1000.0, 10_001)  # 99.9 % of its samples lie up to 999
    run = Driving(0.0, np.arange(ramp.size), ramp, ramp / 2.0, np.ones(ramp.size, np.bool_))
    unknown = driven([9e9], [9e9], [False])
    grid = make_grid("motor_speed", "motor_current", [run, unknown])
    assert grid is not None
    assert (grid.speed, grid.load) == ("motor_speed", "motor_current")
    assert (grid.speed_edges[0], grid.speed_edges[-1]) == pytest.approx((0.02 * 999.0, 999.0))
    assert (grid.load_edges[0], grid.load_edges[-1]) == pytest.approx((0.0, 499.5))
    assert (grid.speed_edges.size, grid.load_edges.size) == (9, 26)
    assert np.diff(grid.speed_edges) == pytest.approx(0.98 * 999.0 / 8)


@pytest.mark.parametrize("run", [driven([0.0, 0.0], [5.0, 5.0]), driven([7.0], [5.0], [False]), driven([], [])])
def test_a_vehicle_that_never_drives_has_no_cells(run: Driving) -> None:
    assert make_grid("motor_speed", "motor_current", [run]) is None


def test_driving_without_load_has_cells_all_the_same() -> None:
    grid = make_grid("motor_speed", "motor_current", [driven([100.0] * 5, [0.0] * 5)])
    assert grid is not None
    assert np.all(np.diff(grid.load_edges) > 0)


def test_fewer_cells_keep_the_span() -> None:
    grid = coarser(GRID, 2, 4)
    assert grid.speed_edges.tolist() == [10.0, 25.0, 40.0]
    assert grid.load_edges.tolist() == [0.0, 25.0, 50.0, 75.0, 100.0]
    assert (grid.speed, grid.load) == ("motor_speed", "motor_current")


def test_time_in_cells_counts_twenty_ticks_a_second_and_no_standstill() -> None:
    assert time_in_cells([np.array([0, 0, 5, -1]), np.array([0, -1])], GRID).tolist() == pytest.approx(
        [0.15, 0.0, 0.0, 0.0, 0.0, 0.05]
    )


@pytest.mark.parametrize(
    ("first_s", "second_s", "shared"),
    [
        # in the cell, and elsewhere; a second each is driving, less is passing through
        ((1.0, 9.0), (1.0, 9.0), True), ((0.95, 9.0), (1.0, 9.0), False), ((1.0, 9.0), (0.95, 9.0), False),
        # a tenth of the other's share: 10 % against 95 % and against 100 %
        ((10.0, 90.0), (95.0, 5.0), True), ((9.0, 91.0), (95.0, 5.0), False),
        ((95.0, 5.0), (10.0, 90.0), True), ((95.0, 5.0), (9.0, 91.0), False),
        ((100.0, 900.0), (9.5, 0.5), True),  # shares, not seconds
    ],
)  # fmt: skip
def test_both_sides_drove_where_neither_only_passed_through(
    first_s: tuple[float, float], second_s: tuple[float, float], shared: bool
) -> None:
    assert bool(shared_cells(np.array(first_s), np.array(second_s))[0]) is shared


def test_a_side_that_never_drove_shares_nothing() -> None:
    assert not shared_cells(np.zeros(3), np.array([5.0, 5.0, 0.0])).any()


@pytest.mark.parametrize(("before", "after", "units"), [(4, 4, True), (3, 9, False), (9, 3, False)])
def test_four_runs_a_side_are_units(before: int, after: int, units: bool) -> None:
    assert runs_are_units([0] * before, [0] * after) is units


def test_moments_lie_in_the_tick_that_they_fall_into() -> None:
    run = Driving(100.0, np.array([0, 1, 2, 700]), np.zeros(4), np.zeros(4), np.array([True, True, False, True]))
    at = run.ticks(np.array([99.99, 100.0, 100.049, 100.051, 100.149, 100.151, 135.01, 135.06]))
    assert at.tolist() == [-1, 0, 0, 1, 2, -1, 3, -1]
    assert run.minutes == pytest.approx(3 * 0.05 / 60.0)
    long = Driving(0.0, np.array([0, 599, 600, 1199, 1200]), np.zeros(5), np.zeros(5), np.ones(5, np.bool_))
    assert stretch_of_ticks(long).tolist() == [0, 0, 1, 1, 2]


def test_the_part_that_every_run_holds_is_taken_in_order_of_preference() -> None:
    def signals(*names: str) -> Signals:
        return Signals({n: Part(n, np.zeros(1), np.zeros(1), "", f"Made.{n}") for n in names}, 0.0, 1.0)

    runs = [signals("torque", "battery_current", "motor_current"), signals("torque", "battery_current")]
    assert common_part(("motor_current", "torque", "battery_current"), runs) == "torque"
    assert common_part(("motor_current",), runs) is None
    assert part_words("motor_speed") == "motor speed [rpm]"
