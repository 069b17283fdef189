"""Two sides put together by hand: which is which, what keeps them apart, how they were driven and in which cells."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.comparison.cells import Grid, coarser, make_grid, time_in_cells
from logscope.comparison.compare import _not_measured, _rate_by_load, _side, _weigh, compare_results
from logscope.comparison.driving import Driving, _ticks_near, driving
from logscope.comparison.floor import floors, weigh_floor
from logscope.comparison.outcome import Comparison, Difference, Side, Verdict
from logscope.comparison.weighed import Weighed
from logscope.errors import RequestError
from logscope.findings import Event, Finding, Measured, Severity
from logscope.measures import Aim, EventRate, NoiseFloor, Repeated, Scatter
from logscope.result import Result
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

RATE = EventRate("spikes", "Spikes", "1/min", ("encoder.spike",), "motor_speed", 0.0, 0.0)
FLOOR = NoiseFloor("noise", "Noise", "rpm", "motor_speed", lambda *_: None, 0.1)
VALUE = Repeated("tau", "Time constant", "s", ("precharge.",), "tau_s", True, Aim.LOWER, 0.0, 0.1)
AT = np.arange(0.0, 300.0, 0.05)


def signals(**values: FloatArray | float) -> Signals:
    parts = (Part(name, AT, value * np.ones(AT.size), "", f"Made.{name}") for name, value in values.items())
    return Signals({part.name: part for part in parts}, 0.0, 300.0)


def result(of: Signals, *findings: Finding, name: str = "Hazel", file: str = "a.log", caution: str = "") -> Result:
    account = SimpleNamespace(files=(file,), cautions=(caution,) if caution else ())
    capture = SimpleNamespace(account=account)
    return cast(Result, SimpleNamespace(signals=of, findings=findings, capture=capture, vehicle_name=name))


DRIVEN = signals(motor_speed=3000.0, motor_current=np.where(AT < 150.0, 20.0, 100.0))


def spikes(*at_s: float) -> Finding:
    return Finding("encoder.spike", Severity.WARNING, 0.0, 300.0, "", "", "", ("motor_speed",),
                   events=tuple(Event(s, s) for s in at_s))  # fmt: skip


def constant(tau_s: float) -> Finding:
    return Finding(
        "precharge.ok",
        Severity.GOOD,
        0.0,
        1.0,
        "",
        "",
        "",
        (),
        measured={"tau_s": Measured(tau_s, "s", 0.99 * tau_s, 1.01 * tau_s)},
    )


BEFORE = result(DRIVEN, constant(0.2), spikes(*range(10, 130, 2)), name="Old", file="b.log", caution="cut")
AFTER = result(DRIVEN, constant(0.1), spikes(*range(160, 280, 40)), file="a.log", caution="late")


@cache
def compared(*differences: Difference) -> Comparison:
    return compare_results([BEFORE], [AFTER], (Vehicle(), Vehicle()), [RATE, VALUE], differences)


def test_before_is_before_and_after_is_after_in_all_that_is_said() -> None:
    found = compared()
    assert found.vehicle_name == "Hazel"
    assert (found.sides[0], found.sides[1]) == (found.before, found.after)
    assert [side.results for side in found.sides] == [(BEFORE,), (AFTER,)]
    rate, value = found.measures
    assert value.before is not None
    assert value.after is not None
    assert (value.before.value, value.after.value) == pytest.approx((0.2, 0.1))
    assert value.verdict is Verdict.BETTER
    assert rate.exposure is not None
    assert rate.exposure.counts == (60.0, 3.0)
    assert (found.verdict, rate.verdict) == (Verdict.BETTER, Verdict.BETTER)
    assert found.cautions == ("cut", "late")
    assert found._files == ("b.log", "a.log")
    assert found.by_load is not None
    assert (found.by_load.title, found.by_load.load, found.by_load.unit) == ("Spikes", "motor_current", "A")
    # 60 events in the 2.5 minutes of the lowest load before, 3 in those of the highest after; eight bands up to 100 A
    assert found.by_load.edges.tolist() == pytest.approx(np.linspace(0.0, 100.0, 9).tolist(), rel=1e-6)
    assert found.by_load.value[:, 1] == pytest.approx([24.0, 0.0], rel=0.02)
    assert found.by_load.value[:, 7] == pytest.approx([0.0, 1.2], rel=0.02)
    assert np.isnan(found.by_load.value[:, [0, 2, 3, 4, 5, 6]]).all()
    assert (found.by_load.low[0, 1], found.by_load.high[0, 1]) == pytest.approx((18.3, 30.9), rel=0.02)  # Garwood's


@pytest.mark.parametrize("kind", ["json", "html"])
def test_a_comparison_is_written_where_it_is_asked_and_never_over_a_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    for other in ("json", "html"):
        module = "logscope.report.comparison_json" if other == "json" else "logscope.report.comparison_page"
        monkeypatch.setattr(f"{module}.comparison_to_{other}", lambda _, other=other: f"as {other}")
    log, mine, free = (tmp_path / name for name in ("a.log", f"mine.{kind}", f"free.{kind}"))
    for path in (log, mine):
        path.write_text("mine", encoding="utf-8")
    made = result(DRIVEN, file=str(log))
    found = replace(compared(), before=Side((made,), (None,)))
    write = found.to_json if kind == "json" else found.to_html
    assert write() == write(free) == free.read_text(encoding="utf-8") == f"as {kind}"
    with pytest.raises(RequestError):
        write(mine)
    assert mine.read_text(encoding="utf-8") == "mine"
    assert write(mine, overwrite=True) == mine.read_text(encoding="utf-8")
    for found_of in (found, replace(found, before=found.after, after=found.before)):
        with pytest.raises(RequestError):
            (found_of.to_json if kind == "json" else found_of.to_html)(log, overwrite=True)
    assert log.read_text(encoding="utf-8") == "mine"


def test_known_differences_are_added_to_those_of_the_sampling() -> None:
    known = Difference("The motor is another.", ("motor_speed",))
    found = compared(known)
    assert found.differences == (known,)
    assert found.measures[0].verdict is Verdict.NOT_COMPARABLE
    assert found.measures[0].reason.startswith("The motor is another.")
    assert found.measures[1].verdict is Verdict.BETTER


def test_the_chance_of_a_wrong_claim_is_shared_by_all_measures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Holm's first step: one twentieth over the number of measures is the level of each."""
    levels: list[float] = []

    def weighed(measure: EventRate, before: object, after: object, grid: Grid, level: float) -> Weighed:
        levels.append(level)
        return Weighed(measure, "")

    monkeypatch.setattr("logscope.comparison.compare.weigh_rate", weighed)
    for measures in ([RATE], [RATE, VALUE], [VALUE, RATE, VALUE, RATE]):
        compare_results([BEFORE], [AFTER], (Vehicle(), Vehicle()), measures)
    assert levels == pytest.approx([0.05, 0.025, 0.0125, 0.0125])


def sides(before: Signals, after: Signals, speed: str | None = "motor_speed") -> list[Side]:
    return [_side([result(each)], speed, "motor_current") for each in (before, after)]


GRID = Grid("motor_speed", "motor_current", np.array([100.0, 2000.0, 4000.0]), np.array([0.0, 50.0, 100.0]))


@pytest.mark.parametrize(
    ("before", "after", "grid", "said"),
    [
        (DRIVEN, DRIVEN, GRID, ""), (DRIVEN, DRIVEN, None, "The vehicle does not drive in these logs."),
        (signals(motor_current=1.0, vehicle_speed=1.0), DRIVEN, GRID,
         "Motor speed was not logged in every run before the change."),
        (DRIVEN, signals(motor_current=1.0, vehicle_speed=1.0), GRID,
         "Motor speed was not logged in every run after the change."),
    ],
)  # fmt: skip
def test_what_was_not_logged_on_a_side_is_named(before: Signals, after: Signals, grid: Grid | None, said: str) -> None:
    made = [Side((result(each),), (driving(DRIVEN, "motor_speed", "motor_current"),)) for each in (before, after)]
    assert _not_measured(RATE, made, grid) == said
    unknown = [made[0], replace(made[1], driving=(None,))]
    if not said:
        assert _not_measured(RATE, unknown, grid).startswith("A gentler run cannot be distinguished")


def test_a_run_is_driven_by_speed_and_load_together() -> None:
    assert [side.driving[0] is None for side in sides(DRIVEN, DRIVEN)] == [False, False]
    assert [side.driving[0] is None for side in sides(DRIVEN, DRIVEN, None)] == [True, True]
    assert _rate_by_load([VALUE], sides(DRIVEN, DRIVEN), GRID) is None
    assert _rate_by_load([RATE], sides(DRIVEN, DRIVEN), None) is None


def test_each_sort_of_measure_is_weighed_in_its_own_way() -> None:
    made = sides(DRIVEN, DRIVEN)
    noise = np.random.default_rng(2).normal(size=AT.size)
    seen: list[object] = []

    def samples(of: Signals, vehicle: Vehicle) -> Scatter:
        seen.append(vehicle)
        return Scatter(AT, noise * (2.0 if len(seen) < 2 else 1.0), 0.0)

    vehicles = Vehicle(), Vehicle()
    found = _weigh(replace(FLOOR, samples=samples), made, vehicles, [], GRID, 0.05)
    assert [vehicle is own for vehicle, own in zip(seen, vehicles, strict=True)] == [True, True]
    assert found.before is not None
    assert found.after is not None
    assert (found.before.value, found.after.value) == pytest.approx((2.0, 1.0), rel=0.1)
    assert found.if_shown is Verdict.BETTER
    assert _weigh(FLOOR, made, vehicles, [], None, 0.05).reason == "The vehicle does not drive in these logs."
    assert "both" not in _weigh(RATE, made, vehicles, [Difference("x", ("torque",))], GRID, 0.05).reason


def run_of(speed: list[float], load: list[float] | None = None, known: list[bool] | None = None) -> Driving:
    size = len(speed)
    return Driving(
        0.0, np.arange(size), np.array(speed), np.array(load or [10.0] * size), np.array(known or [True] * size)
    )


def test_cells_begin_at_a_fiftieth_of_the_top_speed() -> None:
    """A thousand readings up to 1000: the 0.999 quantile counts as the largest."""
    made = run_of(list(range(1, 1001)), [0.1 * k for k in range(1, 1001)])
    grid = make_grid("s", "l", [made])
    assert grid is not None
    top = np.quantile(np.arange(1.0, 1001.0), 0.999)
    assert grid.speed_edges.tolist() == pytest.approx(np.linspace(0.02 * top, top, 9).tolist())
    assert grid.load_edges.tolist() == pytest.approx(np.linspace(0.0, 0.1 * top, 26).tolist())
    assert (grid.speed, grid.load, grid.cells) == ("s", "l", 200)
    assert make_grid("s", "l", [run_of([5.0], known=[False])]) is None
    assert make_grid("s", "l", [run_of([0.0, 0.0])]) is None
    idle = make_grid("s", "l", [run_of([5.0], [1e-300])])
    assert idle is not None
    assert idle.load_edges[-1] == 1e-9


@pytest.mark.parametrize(
    ("speed", "load", "known", "cell"),
    [
        (99.9, 10.0, True, -1), (100.0, 10.0, True, 0), (1999.0, 49.9, True, 0), (1999.0, 50.0, True, 1), (2000.0,
         10.0, True, 2),
        (9000.0, 900.0, True, 3), (3000.0, 10.0, False, -1), (3000.0, -5.0, True, 2),
    ],
)  # fmt: skip
def test_a_moment_lies_in_the_cell_of_its_speed_and_load(speed: float, load: float, known: bool, cell: int) -> None:
    assert GRID.cell(run_of([speed], [load], [known])).tolist() == [cell]


def test_fewer_cells_span_the_same() -> None:
    few = coarser(make_grid("s", "l", [run_of(list(range(1, 1001)))]) or GRID, 1, 4)
    assert (few.speed, few.load, few.cells, few.speed_edges.size) == ("s", "l", 4, 2)
    assert few.load_edges.tolist() == pytest.approx([0.0, 2.5, 5.0, 7.5, 10.0])
    assert time_in_cells([np.array([0, 0, -1]), np.array([3])], GRID).tolist() == pytest.approx([0.1, 0.0, 0.0, 0.05])


def test_ticks_reach_as_far_as_a_sample_bears_on_them() -> None:
    """A second until it is stale, and seven ticks of smoothing: 27 of 50 ms."""
    found = _ticks_near([np.array([10.0, 10.06]), np.array([20.0])], 10.0, 21.0)
    assert found.tolist() == [*range(28), *range(200, 220)]
    assert _ticks_near([np.empty(0)], 0.0, 9.0).tolist() == [0]
    assert _ticks_near([np.array([0.0])], 0.0, 0.0).tolist() == [0]


def test_speed_and_load_are_magnitudes_without_short_disturbances_and_end_a_second_after_a_sample() -> None:
    speed = np.where((AT >= 10.0) & (AT < 10.15), -9000.0, -1000.0)  # three ticks of seven
    made = driving(signals(motor_speed=speed, motor_current=-50.0), "motor_speed", "motor_current")
    assert set(made.speed.tolist()) == {1000.0}
    assert set(made.load.tolist()) == {50.0}
    longer = driving(signals(motor_speed=np.where((AT >= 10.0) & (AT < 10.2), 9000.0, 1000.0), motor_current=1.0),
                     "motor_speed", "motor_current")  # fmt: skip
    assert longer.speed.max() == 9000.0
    seldom = signals(motor_speed=1.0, motor_current=1.0)
    few = replace(seldom["motor_current"], time_s=np.array([0.0, 100.0]), value=np.ones(2))
    known = driving(replace(seldom, parts={**seldom.parts, "motor_current": few}), "motor_speed", "motor_current")
    turned = signals(motor_speed=1.0, motor_current=1.0)
    rare = replace(turned["motor_speed"], time_s=few.time_s, value=few.value)
    other = driving(replace(turned, parts={**turned.parts, "motor_speed": rare}), "motor_speed", "motor_current")
    for each in (known, other):
        at_s = each.number[each.known] * 0.05
        assert (at_s[at_s < 50.0].max(), at_s[at_s > 50.0].min(), at_s.max()) == pytest.approx((1.0, 100.0, 101.0))


def test_a_floor_is_compared_within_four_by_four_cells() -> None:
    """A step from one cell of a finer grid to the next is none of a coarser one."""
    grid = Grid("s", "l", np.linspace(100.0, 4100.0, 9), np.linspace(0.0, 100.0, 26))
    noise = np.random.default_rng(4).normal(size=AT.size)
    runs = []
    for speed in (700.0, 1000.0):  # the first of four speeds ends at 1100
        size = AT.size
        run = Driving(0.0, np.arange(size), np.full(size, speed), np.full(size, 10.0), np.ones(size, dtype=bool))
        runs.append([(run, Scatter(AT + 0.001, noise, 0.0))])
    found = weigh_floor(FLOOR, runs[0], runs[1], grid)
    assert found.p_value is not None
    assert found.exposure is not None
    assert found.exposure.counts == (10.0, 10.0)
    level, weight, hidden = floors([(runs[0][0][0], None)], grid)
    assert (level.shape, weight.shape, hidden) == ((0, 200), (0, 200), False)


@pytest.mark.parametrize(("step", "hidden"), [(2.0, False), (3.5, True)])
def test_rounding_hides_what_scatters_less_than_half_again(step: float, hidden: bool) -> None:
    """Noise of 1 beside a rounding of 0.58 or 1.01: 1.15 is twice the one, 1.42 is less than half above the other."""
    noise = np.round(np.random.default_rng(5).normal(size=AT.size) / step) * step
    size = AT.size
    run = Driving(0.0, np.arange(size), np.full(size, 700.0), np.full(size, 10.0), np.ones(size, dtype=bool))
    assert floors([(run, Scatter(AT + 0.001, noise, step))], GRID)[2] is hidden


@pytest.mark.parametrize(("effect", "ratio"), [(None, False), (Measured(0.5, "1"), True), (Measured(0.5, "V"), False)])
def test_an_effect_without_a_unit_is_a_ratio(effect: Measured | None, ratio: bool) -> None:
    assert replace(compared().measures[1], effect=effect).is_ratio is ratio


def test_half_a_minute_in_a_band_of_the_load_has_a_rate() -> None:
    short = signals(motor_speed=3000.0, motor_current=np.where(AT < 270.0, 20.0, 100.0))
    made = [_side([result(short, spikes(10.0, 280.0))], "motor_speed", "motor_current") for _ in range(2)]
    found = _rate_by_load([RATE], made, GRID)
    assert found is not None
    assert found.value[0, [1, 7]] == pytest.approx([1 / 4.5, 2.0], rel=0.02)
