"""When two rates may be compared at all, and what belongs to which: guards close to their edges, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.comparison.cells import Grid
from logscope.comparison.driving import Driving
from logscope.comparison.rate import (
    _apart,
    _in_words,
    _measured,
    _no_overlap,
    _other_threshold,
    _per,
    _ticks,
    by_load,
    by_stretch,
    event_times,
)
from logscope.findings import Event, Finding, Measured, Severity
from logscope.measures import EventRate
from logscope.statistics.rate_change import RateChange
from logscope.statistics.rates import Estimate

RATE = EventRate(
    "spikes", "Speed spikes", "1/min", ("encoder.spikes", "encoder.jumps"), "motor_speed", 0.0, 0.0,
    threshold=("limit_rpm", "second_rpm"),
)  # fmt: skip
GRID = Grid("motor_speed", "motor_current", np.array([100.0, 2000.0, 4000.0]), np.array([0.0, 50.0, 100.0]))


def drive(*stretches: tuple[float, float, float]) -> Driving:
    """Speed, load and seconds of one stretch after another."""
    counts = [round(seconds / 0.05) for _, _, seconds in stretches]
    speed, load = (np.repeat([each[k] for each in stretches], counts) for k in (0, 1))
    return Driving(0.0, np.arange(sum(counts)), speed, load, np.ones(sum(counts), np.bool_))


def events(*starts_s: float, kind: str = "encoder.spikes") -> Finding:
    happened = tuple(Event(start, start + 0.3) for start in starts_s)
    return Finding(kind, Severity.WARNING, 1.25, 9.0, "", "", "", ("motor_speed",), events=happened)


def test_every_episode_of_the_measures_kinds_counts_from_its_beginning() -> None:
    given = [events(3.0, 2.0), events(kind="encoder.jumps"), events(7.0, kind="encoder.spikes_seen")]
    assert event_times(RATE, given) == [3.0, 2.0, 1.25]


@pytest.mark.parametrize(
    ("lead_s", "load_events", "stretch_events"), [(0.0, [0.0, 2.0], [1.0, 1.0]), (0.5, [1.0, 1.0], [2.0, 0.0])]
)
def test_events_count_where_the_driving_was_that_led_to_them(
    lead_s: float, load_events: list[float], stretch_events: list[float]
) -> None:
    """Half a minute at 20 A, then as long at 80 A; one event just after the change, one in the middle of the second."""
    run, rate = drive((3000.0, 20.0, 28.0), (3000.0, 80.0, 32.0)), replace(RATE, lead_s=lead_s)
    happened = [events(28.2, 30.4)]
    counted, minutes = by_load(rate, [(run, happened)], GRID)
    assert counted.tolist() == load_events
    assert minutes.tolist() == pytest.approx([28.0 / 60.0, 32.0 / 60.0])
    in_stretch, seconds = by_stretch(rate, run, happened, GRID)
    assert in_stretch.tolist() == stretch_events
    assert seconds.tolist() == pytest.approx([30.0, 30.0])


def test_events_at_standstill_or_outside_the_log_do_not_count() -> None:
    run = drive((0.0, 20.0, 10.0), (3000.0, 20.0, 10.0))
    counted, minutes = by_load(RATE, [(run, [events(5.0, 15.0, 15.0, 25.0)])], GRID)
    assert counted.sum() == 2.0
    assert minutes.sum() == pytest.approx(10.0 / 60.0)


@pytest.mark.parametrize(
    ("all_s", "shared_s", "words"),
    [
        ((60.0, 60.0), (10.0, 10.0), ""),
        ((59.0, 60.0), (10.0, 10.0), "Only 59 s of driving before the change; a rate needs 60 s"),
        ((60.0, 59.0), (10.0, 10.0), "Only 59 s of driving after the change; a rate needs 60 s"),
        ((90.0, 90.0), (9.9, 10.0), "only 10 of 90 s before and 10 of 90 s after"),
        ((90.0, 90.0), (10.0, 9.9), "driven too differently"),
        # a tenth of each side's own driving
        ((500.0, 100.0), (50.0, 10.0), ""),
        ((500.0, 100.0), (49.0, 10.0), "only 49 of 500 s before and 10 of 100 s after"),
        ((100.0, 500.0), (10.0, 49.0), "only 10 of 100 s before and 49 of 500 s after"),
    ],
)
def test_a_rate_needs_a_minute_of_driving_and_enough_of_it_alike(
    all_s: tuple[float, float], shared_s: tuple[float, float], words: str
) -> None:
    slow, fast = [(drive((1000.0, 30.0, 60.0)), [])], [(drive((3000.0, 70.0, 60.0)), [])]
    said = _no_overlap(all_s, shared_s, GRID, slow, fast)
    assert words in said
    assert bool(said) is bool(words)
    if "driven" in words:
        assert "1000 to 1000 of motor speed [rpm] and 30 to 30 of motor current [A] before, at 3000 to 3000" in said


def threshold(expected: Measured | None, measured: Measured | None, kind: str = "encoder.spikes") -> Finding:
    return replace(
        events(kind=kind),
        expected={} if expected is None else {"limit_rpm": expected},
        measured={} if measured is None else {"limit_rpm": measured},
    )


def rpm(value: float) -> Measured:
    return Measured(None, "rpm", None, value)


@pytest.mark.parametrize(
    ("before", "after", "differ"),
    [
        ([threshold(rpm(100.0), None)], [threshold(rpm(150.0), None)], False),
        ([threshold(rpm(100.0), None)], [threshold(rpm(151.0), None)], True),
        ([threshold(rpm(151.0), None)], [threshold(rpm(100.0), None)], True),
        ([threshold(rpm(100.0), None)], [], False),
        # the largest of a side; what is expected goes before what was measured; only the encoder's findings
        ([threshold(rpm(100.0), None), threshold(rpm(151.0), None)], [threshold(rpm(151.0), None)], False),
        ([threshold(None, Measured(151.0, "rpm"))], [threshold(rpm(100.0), None)], True),
        ([threshold(rpm(100.0), Measured(151.0, "rpm"))], [threshold(rpm(100.0), None)], False),
        ([threshold(rpm(151.0), None, "throttle.sound")], [threshold(rpm(100.0), None)], False),
    ],
)
def test_rates_seen_from_thresholds_more_than_half_apart_are_not_compared(
    before: list[Finding], after: list[Finding], differ: bool
) -> None:
    run = drive((1000.0, 30.0, 1.0))
    said = _other_threshold(RATE, [(run, before)], [(run, after)])
    assert bool(said) is differ
    if differ:
        order = ("100", "151") if before[0].expected.get("limit_rpm") == rpm(100.0) else ("151", "100")
        assert f"from {order[0]} rpm before the change and from {order[1]} rpm after it" in said


@pytest.mark.parametrize(
    ("before", "after", "share", "words"),
    [
        ((1, 2), (0, 0), 2 / 3, "Speed spikes: 2 of 3 before occurred where the other side hardly drove: at 3000 to"),
        ((0, 2), (0, 0), 0.0, ""),  # two may lie anywhere
        ((2, 2), (1, 3), 3 / 4, "Speed spikes: 3 of 4 after occurred where the other side hardly drove: at 3000 to"),
        ((1, 3), (2, 2), 3 / 4, "3 of 4 before"),
    ],
)
def test_the_share_of_events_without_a_counterpart_is_the_larger_of_both_sides(
    before: tuple[int, int], after: tuple[int, int], share: float, words: str
) -> None:
    """Events at 1000 rpm, which both sides share, and at 3000 rpm, which they do not."""
    run, shared = drive((1000.0, 30.0, 60.0), (3000.0, 30.0, 60.0)), np.array([True, False, False, False])
    sides = [
        [_ticks(RATE, run, [events(*[5.0 + k for k in range(slow)], *[65.0 + k for k in range(fast)])], GRID)]
        if slow + fast else [_ticks(RATE, run, [], GRID)]
        for slow, fast in (before, after)
    ]  # fmt: skip
    happened = [np.array([slow, 0.0, fast, 0.0]) for slow, fast in (before, after)]
    found = _apart(RATE, sides, happened, shared, GRID)
    assert found.share == pytest.approx(share)
    assert words in found.words
    if share:
        other = "after" if "before occurred" in found.words else "before"
        driven = "against 1000 to 3000 of motor speed [rpm] and 30 to 30 of motor current [A] in nine tenths"
        assert f"{driven} of the driving {other}. Repeat" in found.words


def test_events_without_a_counterpart_are_said_to_be_where_they_happened() -> None:
    """The side drives at 30 A and at 80 A where the other does not; its three events all come at 80 A."""
    run = drive((3000.0, 30.0, 60.0), (3000.0, 80.0, 60.0))
    sides = [
        [_ticks(RATE, run, [events(70.0, 80.0, 90.0)], GRID)],
        [_ticks(RATE, drive((1000.0, 30.0, 60.0)), [], GRID)],
    ]
    found = _apart(RATE, sides, [np.array([0.0, 0.0, 0.0, 3.0]), np.zeros(4)], np.zeros(4, np.bool_), GRID)
    assert found.share == 1.0
    assert (
        "hardly drove: at 3000 to 3000 of motor speed [rpm] and 80 to 80 of motor current [A], against" in found.words
    )


def test_rates_are_said_in_the_measures_unit() -> None:
    per_s = Estimate(0.5, 0.25, 1.0)
    assert _per(per_s, RATE) == Measured(30.0, "1/min", 15.0, 60.0)
    assert _per(per_s, replace(RATE, unit="1/h")) == Measured(1800.0, "1/h", 900.0, 3600.0)


def test_a_ratio_without_limit_has_none() -> None:
    inf, nan = float("inf"), float("nan")
    assert _measured(Estimate(0.5, 0.25, 1.0)) == Measured(0.5, "1", 0.25, 1.0)
    assert _measured(Estimate(inf, 2.0, inf)) == Measured(None, "1", 2.0, None)
    assert _measured(Estimate(nan, 0.0, inf)) == Measured(None, "1", 0.0, None)


@pytest.mark.parametrize(
    ("events_", "dispersion", "said"),
    [
        ((0.0, 0.0), 1.0, "None on either side."),
        ((12.0, 3.0), 1.2, "12 before in 2.0 min, 3 after in 4.0 min, at similar speed and load; "
                           "24.0 expected after without a change in rate."),
        ((12.0, 3.0), 1.5, "12 before in 2.0 min, 3 after in 4.0 min, at similar speed and load; 24.0 expected after "
                           "without a change in rate. Events cluster: the effective number is 10 of 15."),
    ],
)  # fmt: skip
def test_what_a_rate_rests_on_is_said(events_: tuple[float, float], dispersion: float, said: str) -> None:
    none = Estimate(1.0, 1.0, 1.0)
    found = RateChange(
        first=none, second=none, ratio=none, events=events_, exposure=(120.0, 240.0), expected=24.0,
        dispersion=dispersion,
    )  # fmt: skip
    assert _in_words(found) == said
