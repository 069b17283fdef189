"""What a rate is fitted to, row by row, and what is handed on of it; by hand, scipy and statsmodels."""

from __future__ import annotations

from dataclasses import replace
from math import inf, log

import numpy as np
import pytest
from scipy import stats

from logscope.comparison.cells import Grid, make_grid
from logscope.comparison.driving import Driving
from logscope.comparison.outcome import Verdict
from logscope.comparison.rate import (
    _covariates,
    _dispersion,
    _recorded,
    _rows,
    _spans,
    _ticks,
    by_load,
    by_stretch,
    weigh_rate,
)
from logscope.findings import Event, Finding, Severity
from logscope.measures import EventRate
from logscope.statistics.clustering import student_widening
from logscope.statistics.rate_change import Law, fit_law, rate_change

RATE = EventRate("spikes", "Spikes", "1/min", ("encoder.spike",), "motor_speed", 0.0, 0.0)
GRID = Grid("motor_speed", "motor_current", np.array([100.0, 2000.0, 4000.0]), np.array([0.0, 50.0, 100.0]))


def drive(*stretches: tuple[float, float, float]) -> Driving:
    """Speed, load and seconds of one stretch after another."""
    counts = [round(seconds / 0.05) for _, _, seconds in stretches]
    speed, load = (np.repeat([each[k] for each in stretches], counts) for k in (0, 1))
    return Driving(0.0, np.arange(sum(counts)), speed, load, np.ones(sum(counts), np.bool_))


def spikes(*at_s: float) -> list[Finding]:
    happened = tuple(Event(s, s) for s in at_s)
    return [Finding("encoder.spike", Severity.WARNING, 0.0, 1.0, "", "", "", (), events=happened)] if at_s else []


@pytest.mark.parametrize(
    ("speed", "load", "expected"),
    [
        # load, speed, its logarithm, both; four times what the load is beyond 0.2, 0.35, 0.5, 0.65 and 0.8 of 100 A
        (2000.0, 50.0, [0.5, 0.5, log(0.5), 0.25, 1.2, 0.6, 0.0, 0.0, 0.0]),
        (4000.0, 100.0, [1.0, 1.0, 0.0, 1.0, 3.2, 2.6, 2.0, 1.4, 0.8]),
        (9000.0, 900.0, [1.2, 1.2, log(1.2), 1.44, 4.0, 3.4, 2.8, 2.2, 1.6]),  # no more than a fifth beyond
        (10.0, 0.0, [0.0, 0.02, log(0.02), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]),
    ],
)  # fmt: skip
def test_a_rate_may_follow_load_and_speed(speed: float, load: float, expected: list[float]) -> None:
    assert _covariates(drive((speed, load, 0.05)), GRID)[0].tolist() == pytest.approx(expected)


def test_rows_are_cells_of_a_side_with_their_events_time_and_mean_driving() -> None:
    """Of the second side the fast half is not shared."""
    first = [_ticks(RATE, drive((1000.0, 20.0, 30.0), (1500.0, 30.0, 10.0)), spikes(5.0, 35.0), GRID)]
    second = [_ticks(RATE, drive((1000.0, 70.0, 20.0), (3000.0, 70.0, 20.0)), spikes(15.0, 16.0, 25.0), GRID),
              _ticks(RATE, drive((1000.0, 20.0, 4.0)), [], GRID)]  # fmt: skip
    found = _rows([first, second], np.array([True, True, False, False]), GRID)
    assert found.events.tolist() == [2.0, 0.0, 2.0]
    assert found.exposure.tolist() == pytest.approx([40.0, 4.0, 20.0])
    assert found.second.tolist() == [False, True, True]
    # three quarters at 0.2 and 0.25, a quarter at 0.3 and 0.375
    assert found.covariates[0, :2].tolist() == pytest.approx([0.225, 0.28125])
    assert found.covariates[1, :2].tolist() == pytest.approx([0.2, 0.25])
    assert found.covariates[2, :2].tolist() == pytest.approx([0.7, 0.25])


def test_a_run_is_recorded_with_its_events_and_those_expected_where_both_drove() -> None:
    """A law of 0.1 events a second, and twice that on the second side; nothing where the other side never drove."""
    law = Law(np.array([log(0.1), *[0.0] * 9]), log(2.0))
    ticks = _ticks(RATE, drive((1000.0, 20.0, 30.0), (3000.0, 20.0, 30.0)), spikes(5.0, 5.01, 45.0), GRID)
    shared = np.array([True, True, False, False])
    for second, rate in ((False, 0.1), (True, 0.2)):
        found = _recorded(ticks, shared, GRID, law, second=second)
        assert found.events_s.tolist() == pytest.approx([5.0, 5.0])
        assert (found.edge_s[0], found.edge_s[-1], found.edge_s.size) == (0.0, pytest.approx(60.0), 1201)
        assert np.interp([10.0, 30.0, 60.0], found.edge_s, found.until) == pytest.approx(
            [10 * rate, 30 * rate, 30 * rate]
        )


def test_runs_that_differ_disperse_more_than_gaps_between_events() -> None:
    """Four runs a side; Pearson's chi-squared of eight counts with two fitted, by Student's distribution (scipy)."""
    run = drive((1000.0, 20.0, 300.0))

    def side(*counts: int) -> list:  # type: ignore[type-arg]
        return [_ticks(RATE, run, spikes(*np.linspace(1.0, 299.0, count)), GRID) for count in counts]

    shared = np.array([True, False, False, False])
    sides = [side(2, 20, 3, 15), side(4, 18, 2, 16)]
    law = fit_law(_rows(sides, shared, GRID))
    chi = sum((c - 10.0) ** 2 / 10.0 for c in (2, 20, 3, 15, 4, 18, 2, 16))
    found = _dispersion(sides, shared, GRID, law, 0.05)
    assert found == pytest.approx(chi / 6 * (stats.t.ppf(0.975, 6) / stats.norm.ppf(0.975)) ** 2, rel=1e-3)
    few = [each[:3] for each in sides]
    assert _dispersion(few, shared, GRID, fit_law(_rows(few, shared, GRID)), 0.05) < 1.5  # three a side
    burst = [[_ticks(RATE, run, spikes(*[100.0 + 0.5 * k for k in range(6)]), GRID)], side(0)]
    clustered = _dispersion(burst, shared, GRID, fit_law(_rows(burst, shared, GRID)), 0.05)
    plain = 1.0 + 2.0 * (15 - 6 * 5 / 6 * 6 * 30.0 / 300.0) / 6  # all pairs are within 30 s; 3 by chance
    assert clustered == pytest.approx(plain * student_widening(6 / plain - 1.0, 0.05), rel=0.01)


def test_spans_are_the_middle_nine_tenths() -> None:
    run = Driving(0.0, np.arange(101), np.arange(101.0) * 10.0, np.arange(101.0), np.ones(101, dtype=bool))
    every = np.ones(101, dtype=bool)
    assert _spans([(run, every)], GRID) == "50 to 950 of motor speed [rpm] and 5 to 95 of motor current [A]"
    assert _spans([(run, ~every)], GRID) == ""


def test_a_weighed_rate_hands_on_all_that_it_found() -> None:
    """55 events in 600 s before, 19 in 300 s after, so far apart that none cluster: 5.5 and 3.8 a minute."""
    before = [(drive((3000.0, 50.0, 600.0)), spikes(*np.arange(5.0, 600.0, 11.0)))]
    after = [(drive((3000.0, 50.0, 300.0)), spikes(*np.arange(5.0, 300.0, 16.0)))]
    grid = make_grid("motor_speed", "motor_current", [before[0][0], after[0][0]])
    assert grid is not None
    found = weigh_rate(RATE, before, after, grid, 0.05)
    assert found.exposure is not None
    assert (found.exposure.counts, found.exposure.units) == ((55.0, 19.0), "gaps between events")
    assert found.exposure.shared_min == found.exposure.all_min == (pytest.approx(10.0), pytest.approx(5.0))
    assert found.before is not None
    assert found.after is not None
    assert found.effect is not None
    assert (found.before.value, found.after.value, found.effect.value) == pytest.approx((5.5, 3.8, 3.8 / 5.5), rel=1e-3)
    assert (found.before.unit, found.effect.unit, found.if_shown) == ("1/min", "1", Verdict.BETTER)
    coarse = [_ticks(RATE, *side[0], grid) for side in (before, after)]
    alone = rate_change(_rows([[coarse[0]], [coarse[1]]], np.ones(grid.cells, dtype=bool), grid))
    assert found.p_value == pytest.approx(alone.ratio.p_value)
    assert found.reason.startswith("55 before in 10.0 min, 19 after in 5.0 min")
    turned = weigh_rate(RATE, after, before, grid, 0.05)
    assert turned.if_shown is Verdict.WORSE
    # a halving of 55 events needs a second side of (1.96 + 1.28)² / (ln² 2 − (1.96 + 1.28)²/60) / 0.5 expected ones
    reach = (stats.norm.ppf(0.975) + stats.norm.ppf(0.9)) ** 2
    needed = 1.0 / ((log(2.0) ** 2 / reach - 1.0 / 55.0) * 0.5)
    assert found.more_min == pytest.approx(5.0 * (needed / (74 / 3) - 1.0), rel=0.02)  # 74 in 900 s without a change
    assert found.could_show is not None
    assert 0.0 < found.could_show < 0.5
    few = weigh_rate(RATE, [(before[0][0], spikes(5.0, 300.0))], after, grid, 0.05)
    assert few.more_min == inf
    quiet = weigh_rate(RATE, [(before[0][0], [])], [(after[0][0], [])], grid, 0.05)
    assert (quiet.p_value, quiet.reason) == (1.0, "None on either side.")
    four = weigh_rate(RATE, before * 4, after * 4, grid, 0.05)
    assert four.exposure is not None
    assert four.exposure.units == "runs"
    margin = weigh_rate(replace(RATE, margin=0.4), before, after, grid, 0.05)
    assert margin.p_value is not None
    assert found.p_value is not None
    assert margin.p_value > found.p_value


def test_the_first_tick_and_the_first_cell_count_as_any() -> None:
    run = drive((1000.0, 20.0, 45.0))  # in cell 0
    assert _ticks(RATE, run, spikes(0.0, 0.01, 44.99), GRID).events[[0, 1, -1]].tolist() == [2.0, 0.0, 1.0]
    events, seconds = by_stretch(RATE, run, spikes(0.0, 31.0), GRID)
    assert (events.tolist(), seconds.tolist()) == ([1.0, 1.0], pytest.approx([30.0, 15.0]))
    counted, minutes = by_load(RATE, [(run, spikes(0.0))], GRID)
    assert (counted.tolist(), minutes.tolist()) == ([1.0, 0.0], pytest.approx([0.75, 0.0]))
