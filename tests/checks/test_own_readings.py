"""Which samples of a link are readings of their own, swings of a link that a load holds back: by hand.

The test itself repeats readings, sends messages together and leaves some out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logscope.curves.timestamps import Known
from logscope.observations.dc_link.flags import with_swings
from logscope.observations.dc_link.link import Link, describe_link, pack_highest, pack_highest_at, pack_lowest
from logscope.observations.dc_link.readings import (
    OwnReadings,
    _counted_run,
    _new_readings,
    _repeats,
    _since_gap,
    at_rows,
    last_of_bursts,
    own_readings,
    readings_at,
    readings_between,
)
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Part, Signals

P = 0.0625  # sums of it are exact


def link(volts: Any, time_s: Any = None, noise_v: float = 0.5, step_v: float = 1.0) -> Link:
    value = np.asarray(volts, float)
    at = P * np.arange(value.size) if time_s is None else np.asarray(time_s, float)
    part = Part("dc_link_voltage", at, value, "V", "Link.V", step_v)
    return Link(part, step_v, noise_v, noise_v, 0.0, 300.0, 0.0)


@pytest.mark.parametrize(
    ("volts", "repeats"),
    [
        ([0, 10, 10, 20, 30], [0, 0, 1, 0, 0]),
        ([0, 10, 10, 10, 20, 30], [0, 0, 1, 1, 0, 0]),  # two at the most
        ([0, 10, 10, 10, 10, 20, 30], [0] * 7),
        ([0, 8, 8, 16, 24], [0, 0, 1, 0, 0]),  # eight steps move clearly
        ([0, 7, 7, 14, 21], [0] * 5),
        ([0, 10, 10, 17, 27], [0] * 5),  # on both sides
        ([30, 20, 20, 10, 0], [0] * 5),  # a link that falls repeats unseen
        ([0, 10, 20, 30], [0] * 4),
        ([5, 5, 5, 5], [0] * 4),
    ],
)
def test_a_reading_repeats_where_the_voltage_moves_up_on_both_sides(volts: list[float], repeats: list[int]) -> None:
    assert _repeats(link(volts)).astype(int).tolist() == repeats
    loud = _repeats(link(volts, noise_v=2.0))  # six noises are 12 V
    assert not loud.any()


def test_a_coarse_link_repeats_and_counts_by_its_own_step() -> None:
    """Of 2 V: eight steps are 16 V, two are 4 V."""
    for volts, count in (([0, 16, 16, 32, 48], 1), ([0, 15, 15, 30, 45], 0)):
        assert np.count_nonzero(_repeats(link(volts, step_v=2.0))) == count
    assert _counted_run(link([0, 4, 8, 12], step_v=2.0), np.arange(1, 4)) == slice(1, 3)
    assert _counted_run(link([0, 3, 6, 9], step_v=2.0), np.arange(1, 4)) is None


def test_a_sensor_known_to_be_slower_gives_a_new_reading_after_nine_tenths_of_its_period() -> None:
    time_s = np.array([0.0, 0.05, 0.10, 0.15, 0.19, 0.245, 0.30])
    volts = np.array([1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0])
    kept = _new_readings(time_s, volts, 0.1)
    assert kept.tolist() == [True, False, True, True, False, True, False]
    assert _new_readings(time_s, volts, 1.0).tolist() == [True, False, False, True, False, False, False]


def test_own_readings_say_whether_any_is_repeated() -> None:
    plain = own_readings(link(np.arange(20.0) * 10.0))
    assert (plain.first.all(), plain.repeated) == (True, False)
    some = own_readings(link([0, 10, 10, 20, 30, 40, 50]))
    assert (some.first.tolist(), some.repeated) == ([True, True, False, True, True, True, True], True)
    assert own_readings(link([0.0, 0.0])) == OwnReadings(pytest.approx(np.ones(2)), False)  # too few to say
    wave = np.repeat(np.resize([0.0, 2.0, 30.0, 60.0, 90.0, 88.0, 60.0, 30.0], 120), 4)
    slow = own_readings(link(wave))
    assert slow.repeated
    assert np.count_nonzero(slow.first) == pytest.approx(120, abs=3)


@pytest.mark.parametrize(
    ("time_s", "rows"),
    [
        ([0.0, 1.0, 2.0, 3.0], [0, 1, 2, 3]),
        ([0.0, 1.0, 1.0, 2.0, 2.0, 3.0], [0, 2, 4, 5]),  # of one stamp the last
        ([k + d for k in range(30) for d in (0.0, 0.01)], list(range(1, 60, 2))),
        ([0.0, 1.0, 1.3, 2.0, 3.0], [0, 1, 2, 3, 4]),  # a fifth of the period apart are messages of their own
        ([0.0, 0.0], [0, 1]),
    ],
)
def test_of_messages_that_come_together_the_last_is_the_newest(time_s: list[float], rows: list[int]) -> None:
    one = link(np.arange(float(len(time_s))), time_s)
    assert last_of_bursts(one, np.arange(len(time_s))).tolist() == rows


def test_a_run_of_readings_is_counted_while_the_link_moves_clearly_without_a_gap() -> None:
    """Two steps, or four noises: 2 V a reading; the longest run either way."""
    up = link([0, 0, 3, 6, 9, 10, 13, 16, 19, 22, 25])
    new = 1 + np.flatnonzero(np.diff(up.part.value))
    assert _counted_run(up, new) == slice(4, 9)
    down = link(100.0 - up.part.value)
    assert _counted_run(down, new) == slice(4, 9)
    late_s = P * np.arange(11.0) + 5.0 * (np.arange(11) >= 9)
    gapped = link(up.part.value, late_s)
    assert _counted_run(gapped, new) == slice(4, 7)
    assert _counted_run(link([0, 1, 2, 3]), np.arange(1, 4)) is None
    assert _counted_run(link([0, 2, 4, 6]), np.arange(1, 4)) == slice(1, 3)  # the first has none before it
    assert _counted_run(link([0, 2, 4, 6], noise_v=0.51), np.arange(1, 4)) is None


def test_a_stretch_begins_after_the_last_gap() -> None:
    time_s = P * np.arange(30.0) + 3.0 * (np.arange(30) >= 10) + 3.0 * (np.arange(30) >= 20)
    assert [_since_gap(time_s, k) for k in (5, 9, 10, 15, 25)] == [0, 0, 10, 10, 20]


def test_a_link_at_some_rows_keeps_what_is_known_of_it() -> None:
    one = link(np.arange(10.0))
    assert at_rows(one, np.arange(10)) is one
    half = at_rows(one, np.arange(0, 10, 2))
    assert half.part.value.tolist() == [0.0, 2.0, 4.0, 6.0, 8.0]
    assert half.part.time_s.tolist() == (2 * P * np.arange(5)).tolist()
    assert (half.noise_v, half.jitter_s) == (0.5, 0.0)
    uneven = link(np.arange(60.0), np.cumsum(P + 0.01 * (np.arange(60) % 3)))
    assert at_rows(uneven, np.arange(50)).jitter_s > 0.0
    assert at_rows(replace(uneven, jitter_s=7.0), np.array([0, 1])).jitter_s == 7.0


def test_readings_between_two_times_have_their_stamps_or_those_of_the_count() -> None:
    rng = np.random.default_rng(3)
    time_s = 0.01 * np.arange(100.0) + rng.uniform(0.0, 0.0004, 100)
    even = link(10.0 * np.arange(100.0), time_s)
    found = readings_between(even, 0.195, 0.405)
    assert found.volts.tolist() == [10.0 * k for k in range(20, 41)]
    assert found.time_s == pytest.approx(time_s[20:41])
    assert (found.scale_error, found.stamps.known) == (0.0, Known.BY_SCATTER)
    true_s = 0.0103 * np.arange(100.0)
    grid = link(10.0 * np.arange(100.0), np.floor(true_s / 0.01) * 0.01)
    counted = readings_between(grid, 0.0, 0.8)
    assert counted.stamps.known is Known.COUNTED
    assert np.diff(counted.time_s) == pytest.approx(np.full(counted.time_s.size - 1, 0.0103), rel=0.01)
    assert 0.0 < counted.scale_error < 0.02
    none = readings_at(even, own_readings(even), np.empty(0, np.intp))
    assert (none.time_s.size, none.volts.size) == (0, 0)


T = P * np.arange(640.0)
FED = Attempt(onset=10, top=26, end=26, onset_seen=True, ended_by="fall")


def saw(depth_v: float, teeth: int = 3) -> np.ndarray:
    """It rises to 200 V by row 26, then swings down by `depth_v` and up, eight readings each, and stays."""
    rows = np.arange(T.size)
    rise = np.interp(rows, [10, 26], [0.0, 200.0])
    phase = np.clip((rows - 26) / 8.0, 0.0, 2.0 * teeth)
    return rise - depth_v * np.abs((phase + 1) % 2 - 1)


@pytest.mark.parametrize(
    ("depth_v", "noise_v", "step_v", "saws"),
    [
        (6.5, 0.1, 1.0, 3), (5.9, 0.1, 1.0, 0),
        (8.1, 1.0, 1.0, 3), (7.9, 1.0, 1.0, 0),  # or of eight noises
        (7.1, 0.1, 3.5, 3), (6.9, 0.1, 3.5, 0),  # or of two steps
    ],
)  # fmt: skip
def test_a_load_that_starts_and_stops_shows_by_swings_of_two_per_cent(
    depth_v: float, noise_v: float, step_v: float, saws: int
) -> None:
    """Of 300 V: 6 V."""
    apart = np.full(T.size, True)
    found = with_swings(Signals({}, 0.0, 40.0), link(saw(depth_v), None, noise_v, step_v), FED, 600, apart)
    assert found.saws == saws
    if saws:
        assert (found.onset, found.top) == (10, 26)
        assert found.end == 599


def test_swings_count_while_the_link_is_apart_held_up_and_its_relay_on() -> None:
    one = link(saw(10.0), noise_v=0.1)
    none, apart = Signals({}, 0.0, 40.0), np.full(T.size, True)
    assert with_swings(none, one, FED, 600, apart).saws == 3
    assert with_swings(none, one, FED, 45, apart).saws == 0  # a single tooth by the next attempt
    assert with_swings(none, link(saw(10.0, teeth=2), noise_v=0.1), FED, 600, apart).saws == 2
    assert with_swings(none, one, FED, 600, np.arange(T.size) < 45).saws == 0
    assert with_swings(none, one, replace(FED, contactor_s=2.0), 600, apart).saws == 0
    assert with_swings(none, one, replace(FED, saws=4), 600, apart).saws == 4
    relay = Part("precharge_relay", T, 1.0 + 0 * T, "", "S.R", on=np.full(T.size, True))
    on = Signals({"precharge_relay": relay}, 0.0, 40.0)
    assert with_swings(on, one, FED, 600, apart).saws == 0  # it never releases
    assert with_swings(on, one, replace(FED, relay_end_s=float(T[80])), 600, apart).saws == 3
    assert with_swings(on, one, replace(FED, relay_end_s=float(T[80])), 600, apart).end == 79
    assert with_swings(on, one, replace(FED, relay_end_s=float(T[45])), 600, apart).saws == 0
    gone = np.where(np.arange(T.size) >= 45, 99.0, saw(10.0))  # less than half of where it stood
    assert with_swings(none, link(gone, noise_v=0.1), FED, 600, apart).saws == 0
    flat = link(np.full(T.size, 200.0), noise_v=0.1)
    assert with_swings(none, flat, FED, 600, apart) is FED


def pack(volts: Any, time_s: Any) -> Signals:
    return Signals(
        {"battery_voltage": Part("battery_voltage", np.asarray(time_s), np.asarray(volts, float), "V", "P.V", 1.0)},
        0.0,
        40.0,
    )


def test_the_pack_about_a_moment_is_its_highest_and_lowest_within_what_a_reading_may_be_late() -> None:
    """Every second: one and a half periods and 0.15 s to either side."""
    rows = np.arange(20.0)
    made = pack(np.where(rows == 10, 320.0, np.where(rows == 11, 280.0, 300.0)), rows)
    at = np.array([8.34, 8.36, 12.64, 12.66, 9.36])
    assert pack_highest(made, at).tolist() == [300.0, 320.0, 300.0, 300.0, 320.0]  # type: ignore[union-attr]
    assert pack_lowest(made, at).tolist() == [300.0, 300.0, 280.0, 300.0, 280.0]  # type: ignore[union-attr]
    assert pack_highest(made, np.array([30.0])).tolist() == [np.inf]  # type: ignore[union-attr]
    assert pack_highest_at(made, 9.0) == 320.0
    assert pack_highest_at(made, 30.0) is None
    assert pack_highest(pack([10.0, 19.0], [0.0, 1.0]), at) is None  # nothing that deserves the name
    assert pack_highest(Signals({}, 0.0, 1.0), at) is None
    asleep = pack([80.0, 300.0, 300.0], [0.0, 1.0, 2.0])
    assert pack_lowest(asleep, np.array([0.5])).tolist() == [300.0]  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("volts", "least_v", "full_v", "floor_v"),
    [
        ([0.0] * 10 + [300.0] * 90, None, 300.0, 0.0),
        ([1.0] * 10 + [300.0] * 90, None, 300.0, -np.inf),
        ([19.0] * 100, 240.0, 240.0, -np.inf),  # nothing was on it: what the vehicle file states
        ([20.0] * 100, 240.0, 20.0, -np.inf),
        ([0.0] * 100, None, None, 0.0),
    ],
)
def test_a_link_is_described_by_its_own_readings_where_no_pack_is_logged(
    volts: list[float], least_v: float | None, full_v: float | None, floor_v: float
) -> None:
    part = Part("dc_link_voltage", P * np.arange(100.0), np.array(volts), "V", "L.V", 1.0)
    found = describe_link(Signals({"dc_link_voltage": part}, 0.0, 10.0), least_v)
    assert (found.full_v, found.floor_v) == (full_v, floor_v)
    assert (found.step_v, found.noise_v) == (1.0, pytest.approx(1.0 / 12**0.5))
    assert (found.random_v, found.jitter_s) == (pytest.approx(0.0, abs=0.3), 0.0)
