"""Verdicts on pairs of runs: what is claimed, what is not, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf

import numpy as np
import pytest
from made_runs import every, run, without

from logscope.checks.measures import MEASURES
from logscope.comparison.cells import make_grid
from logscope.comparison.compare import compare_results
from logscope.comparison.differences import vehicle_differences
from logscope.comparison.driving import driving
from logscope.comparison.outcome import ComparedMeasure, Comparison, Verdict
from logscope.result import Result
from logscope.vehicle import Driveline, Mapped, Motor, Precharge, Vehicle

RATE, NOISE, CONSTANT = "speed_disturbances_per_min", "speed_noise_rpm", "precharge_time_constant_s"


def compare(before: Sequence[Result], after: Sequence[Result], **more: object) -> Comparison:
    return compare_results(before, after, (Vehicle(), Vehicle()), MEASURES, **more)  # type: ignore[arg-type]


def measure(comparison: Comparison, name: str) -> ComparedMeasure:
    return next(each for each in comparison.measures if each.name == name)


def test_a_rate_that_fell_to_a_fifth_is_better() -> None:
    found = compare([run(1, 12, rate=8.0)], [run(2, 12, rate=1.6)])
    rate = measure(found, RATE)
    assert (found.verdict, rate.verdict) == (Verdict.BETTER, Verdict.BETTER)
    assert rate.effect is not None
    assert (rate.effect.low or 0) < 0.2 < (rate.effect.high or inf) < 1
    assert "disturbances" in found.reason


def test_the_same_pair_turned_round_is_worse() -> None:
    assert compare([run(2, 12, rate=1.6)], [run(1, 12, rate=8.0)]).verdict is Verdict.WORSE


def test_without_a_change_it_says_what_could_have_been_shown_and_what_a_halving_would_take() -> None:
    rate = measure(compare([run(3, 25, rate=10.0)], [run(4, 8, rate=10.0)]), RATE)
    assert rate.verdict is Verdict.NO_DIFFERENCE
    assert 0 < (rate.could_show or 0) < 1
    assert 0 < (rate.more_min or 0) < inf
    assert "nine of ten" in rate.reason


def test_a_gentler_run_is_not_better() -> None:
    """The crude rate falls to a small part, and no claim is made."""
    before, after = run(5, 10, rate=8.0, growth=6.0), run(6, 10, rate=8.0, growth=6.0, vigour=0.4)
    events = [sum(len(f.events) for f in each.findings) for each in (before, after)]
    assert events[1] < 0.4 * events[0]
    assert measure(compare([before], [after]), RATE).verdict is not Verdict.BETTER


def test_drives_without_overlap_are_not_comparable_and_say_where_each_was() -> None:
    rate = measure(compare([run(7)], [_turned_up(run(8))]), RATE)
    assert rate.verdict is Verdict.NOT_COMPARABLE
    assert "driven too differently" in rate.reason


def _turned_up(result: Result) -> Result:
    """The same drive with 400 A more throughout."""
    current = result.signals["motor_current"]
    more = replace(current, value=current.value + 400.0)
    return replace(result, signals=replace(result.signals, parts={**result.signals.parts, "motor_current": more}))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda r: without(r, "motor_current"), "gentler run"),
        (lambda r: without(r, "motor_speed"), "Motor speed was not logged"),
        (lambda r: every(r, 5), "Motor speed was logged every 20 ms before, every 100 ms after"),
    ],
)
def test_what_keeps_rates_from_being_compared_is_named(spoil, words: str) -> None:  # type: ignore[no-untyped-def]
    found = compare([run(9)], [spoil(run(10))])
    rate = measure(found, RATE)
    assert rate.verdict is Verdict.NOT_COMPARABLE
    assert words.lower() in rate.reason.lower()
    assert measure(found, CONSTANT).p_value is not None  # a time constant needs no driving


def test_less_than_two_stretches_of_driving_tell_no_rate() -> None:
    assert "single burst" in measure(compare([run(11, 0.8)], [run(12, 0.8)]), RATE).reason


def test_a_precharge_nearer_to_its_expectation_is_better_and_one_farther_is_worse() -> None:
    good, slow = run(13, 1.0), run(14, 1.0, tau=0.26)
    assert measure(compare([slow], [good]), CONSTANT).verdict is Verdict.BETTER
    assert measure(compare([good], [slow]), CONSTANT).verdict is Verdict.WORSE


def test_two_constants_within_the_tolerance_do_not_differ() -> None:
    constant = measure(compare([run(15, 1.0, tau=0.14)], [run(16, 1.0, tau=0.16)]), CONSTANT)
    assert constant.verdict is Verdict.NO_DIFFERENCE
    assert "120 to 180\xa0ms" in constant.reason


def test_noise_that_halved_is_better() -> None:
    assert measure(compare([run(17, noise=8.0)], [run(18, noise=4.0)]), NOISE).verdict is Verdict.BETTER


def test_noise_below_the_step_of_the_log_cannot_be_compared() -> None:
    assert "resolution" in measure(compare([run(19, noise=0.1)], [run(20, noise=0.1)]), NOISE).reason


def test_four_runs_a_side_show_how_much_runs_differ() -> None:
    sides = [[run(seed, 1.5) for seed in seeds] for seeds in (range(21, 25), range(25, 29))]
    exposure = measure(compare(*sides), RATE).exposure
    assert exposure is not None
    assert exposure.units == "runs"


def test_vehicle_files_that_differ_are_named() -> None:
    before = Vehicle(motor=Motor(max_torque_Nm=160), signals={"motor_speed": Mapped(signal="A.Speed")})
    after = Vehicle(
        motor=Motor(max_torque_Nm=200),
        precharge=Precharge(resistance_ohm=100),
        driveline=Driveline(),
        signals={"motor_speed": Mapped(signal="B.Speed", scale=-1)},
    )
    texts = [each.text for each in vehicle_differences(before, after)]
    assert texts == [
        "The vehicle file says precharge.resistance_ohm = nothing before, 100 after.",
        "The vehicle file says motor.max_torque_Nm = 160 before, 200 after.",
        "Motor speed is mapped to A.Speed before, to B.Speed, scale = -1.0 after.",
    ]


def test_a_measure_whose_part_is_mapped_differently_is_not_compared() -> None:
    vehicles = [Vehicle(signals={"motor_speed": Mapped(signal=name)}) for name in ("A.Speed", "B.Speed")]
    found = compare([run(30)], [run(31)], differences=vehicle_differences(*vehicles))
    assert measure(found, RATE).verdict is Verdict.NOT_COMPARABLE
    assert "A.Speed before, to B.Speed after" in measure(found, RATE).reason


def test_cells_hold_every_moment_of_driving_and_none_of_standstill() -> None:
    each = driving(run(32).signals, "motor_speed", "motor_current")
    grid = make_grid("motor_speed", "motor_current", [each])
    assert grid is not None
    cell = grid.cell(each)
    assert np.all((cell >= 0) == (each.known & (each.speed >= grid.speed_edges[0])))
    assert cell.max() < grid.cells
