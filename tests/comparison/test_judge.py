"""What a rate must pass before a change is claimed: several measures, clusters, events without a counterpart."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from logscope.checks.measures import MEASURES
from logscope.comparison.cells import make_grid
from logscope.comparison.driving import STRETCH_S, Driving, driving
from logscope.comparison.judge import judge
from logscope.comparison.outcome import Verdict
from logscope.comparison.rate import weigh_rate
from logscope.comparison.weighed import Weighed
from logscope.findings import Event, Finding, Severity
from logscope.measures import EventRate
from logscope.signals import Part, Signals

RATE = replace(next(each for each in MEASURES if isinstance(each, EventRate)), margin=0.0)


@pytest.mark.parametrize("p_values", [(0.02, 0.03, 0.6), (0.01, 0.03, 0.6), (0.01, 0.02, 0.6), (0.04,)])
def test_of_several_measures_each_must_pass_what_holm_asks(p_values: tuple[float, ...]) -> None:
    """statsmodels' multipletests, holm; one that cannot be compared does not count among them."""
    rejected, adjusted = multipletests(p_values, 0.05, "holm")[:2]
    judged = judge([Weighed(RATE, "", p, Verdict.BETTER) for p in p_values] + [Weighed(RATE, "no overlap")])
    assert [one.p_adjusted for one in judged[:-1]] == pytest.approx(adjusted.tolist())
    assert [one.verdict is Verdict.BETTER for one in judged[:-1]] == rejected.tolist()
    assert judged[-1].verdict is Verdict.NOT_COMPARABLE


def side(*stretches: tuple[float, float, int, int]) -> tuple[Driving, list[Finding]]:
    """Driving at one speed after another: rpm, seconds, clusters evenly apart, and events in each."""
    at_s, speeds, starts = 0.0, [], []
    for rpm, seconds, clusters, events in stretches:
        speeds.append(np.full(round(seconds / 0.2), rpm))
        begins = at_s + (np.arange(clusters) + 0.5) * seconds / max(clusters, 1)
        starts += [begin + 0.5 * k for begin in begins.tolist() for k in range(events)]
        at_s += seconds
    speed = np.concatenate(speeds)
    time_s = 0.2 * np.arange(speed.size)
    parts = {
        name: Part(name, time_s, value, "", f"Made.{name}")
        for name, value in (("motor_speed", speed), ("motor_current", np.full(speed.size, 100.0)))
    }
    happened = Finding(
        RATE.kinds[0], Severity.WARNING, 0.0, at_s, "", "", "", (RATE.part,), events=tuple(Event(s, s) for s in starts)
    )
    return driving(Signals(parts, 0.0, at_s), "motor_speed", "motor_current"), [happened]


def weighed(before: tuple[Driving, list[Finding]], after: tuple[Driving, list[Finding]]) -> Weighed:
    grid = make_grid("motor_speed", "motor_current", [before[0], after[0]])
    assert grid is not None
    return weigh_rate(RATE, [before], [after], grid, 0.05)


def test_events_in_clusters_count_as_their_clusters_by_students_distribution() -> None:
    """Twenty clusters of four: a variance by pairs, known to as many degrees of freedom (scipy.stats.t).

    Each event has 1.5 others after it in its cluster, and 0.1 by chance (Cox and Isham, Point Processes, 2.5).
    """
    sides = [side((3000.0, 12_000.0, 10, 4)) for _ in range(2)]
    said = re.search(r"effective number is (\d+) of 80", weighed(*sides).reason)
    assert said is not None
    clusters = 80 / (1 + 2 * (1.5 - 40 * STRETCH_S / 12_000))
    assert int(said[1]) == pytest.approx(
        clusters * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, clusters - 1)) ** 2, abs=1
    )


@pytest.mark.parametrize(("elsewhere", "after", "shown"), [(8, 4, False), (3, 4, True), (8, 40, True)])
def test_where_most_events_have_no_counterpart_only_a_difference_beyond_chance_is_said(
    elsewhere: int, after: int, shown: bool
) -> None:
    """Four events before where both drove, the others at a speed that was not driven after it; by judgement."""
    found = weighed(side((3000.0, 600.0, 4, 1), (8000.0, 600.0, elsewhere, 1)), side((3000.0, 600.0, after, 1)))
    assert (found.p_value is not None) is shown
    assert ("where the other side hardly drove" in found.reason) is not shown
