"""Where rises of the link begin, pause and end, and which of them are one attempt, by curves of a few made readings.

True by construction: each curve is drawn by the test, a reading each 10 ms. Shares are common practice, no published
source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.rises import Attempt, as_attempt, joined_hunting, onset_of, parted, rises_of
from logscope.signals import Part

PERIOD_S = 0.01
FULL_V = 300.0


def link(volts: list[float], noise_v: float = 1.0, step_v: float = 1.0) -> Link:
    value = np.array(volts, dtype=float)
    part = Part("dc_link_voltage", PERIOD_S * np.arange(value.size), value, "V", "Link.V", step_v)
    return Link(part, step_v, noise_v, noise_v, 0.0, FULL_V, -np.inf)


@pytest.mark.parametrize(
    ("volts", "legs"),
    [
        ([0, 0, 10, 10, 0, 0], [(1, 2, 4)]),
        ([0, 0, 9, 9, 0, 0], []),  # a volt less than asked for
        ([5, 5, 10, 15, 15, 6, 6], [(1, 3, 7)]),  # falls by a volt too little to end it
        ([5, 5, 10, 15, 15, 5, 5], [(1, 3, 5)]),
        ([20, 10, 20], [(1, 2, 3)]),
        ([0, 20, 10, 20, 0], [(0, 1, 2), (2, 3, 4)]),
        ([0, 20, 11, 21, 0], [(0, 3, 4)]),  # a dip of nine does not part them, and the later is the higher
        ([30, 20, 10, 0], []),
    ],
)
def test_legs_lie_between_turning_points_as_far_apart_as_asked(
    volts: list[float], legs: list[tuple[int, int, int]]
) -> None:
    assert rises_of(np.array(volts, dtype=float), 10.0) == legs


@pytest.mark.parametrize(
    ("volts", "onset"),
    [
        ([10, 10, 10, 10, 60, 110], 3),
        ([10, 10, 10, 14, 60, 110], 3),  # within four volts of where it stood
        ([10, 10, 10, 15, 60, 110], 2),  # a volt beyond
        ([6, 10, 10, 10, 60, 110], 3),  # the lowest reading is not where it stood
        ([100, 110], 0),
    ],
)
def test_a_rise_begins_after_the_last_reading_at_the_level_before(volts: list[float], onset: int) -> None:
    assert onset_of(np.array(volts, dtype=float), 0, len(volts) - 1, 4.0) == onset


def test_a_level_that_wanders_by_a_twentieth_of_the_rise_has_not_begun_to_rise() -> None:
    """Of a rise by 300 V: 14 V are within, 16 V are not, and where the wander begins is the level before."""
    rest = [0.0] * 10
    assert onset_of(np.array([*rest, *[14.0] * 40, 300.0]), 0, 50, 4.0) == 49
    assert onset_of(np.array([*rest, *[16.0] * 40, 300.0]), 0, 50, 4.0) == 9
    assert onset_of(100.0 + np.array([*rest, *[16.0] * 40, 300.0]), 0, 50, 4.0) == 9  # from wherever it rises
    assert onset_of(100.0 + np.array([*rest, *[14.0] * 40, 300.0]), 0, 50, 4.0) == 49


def attempt_of(volts: list[float], end: int, fall: int, onset: int = 3, *, more: bool = False) -> Attempt:
    return as_attempt(link(volts), onset, end, 0, fall, more=more)


def test_the_top_is_the_first_reading_at_the_height_and_the_end_the_last() -> None:
    """At the height: within three noises and a step, 4 V, of the highest."""
    volts = [0.0, 0, 0, 0, 100, 195, 196, 200, 199, 196, 195, 80, 0]
    found = attempt_of(volts, 11, 12)
    assert (found.onset, found.top, found.end, found.ended_by, found.onset_seen) == (3, 6, 9, "fall", True)


@pytest.mark.parametrize(("rows", "ended_by"), [(2, "log end"), (3, "level"), (6, "level")])
def test_a_rise_that_stands_for_three_periods_has_settled_and_one_that_does_not_is_cut(
    rows: int, ended_by: str
) -> None:
    volts = [0.0, 0, 0, 0, 100, 200, *[200.0] * rows]
    varied = [v + 0.25 * (k % 2) for k, v in enumerate(volts)]  # so that each is a new reading
    at = 0.0625 * np.arange(len(volts))  # sums of it are exact
    made = link(varied)
    made = replace(made, part=Part("dc_link_voltage", at, made.part.value, "V", "Link.V"))
    found = as_attempt(made, 3, len(volts) - 1, 0, len(volts), more=False)
    assert (found.top, found.end, found.ended_by) == (5, len(volts) - 1, ended_by)


def test_another_attempt_after_it_is_a_pause() -> None:
    volts = [0.0, 0, 0, 0, 100, 200, 200, 200]
    assert attempt_of(volts, 6, 8, more=True).ended_by == "pause"
    assert not as_attempt(link(volts), 0, 7, 0, 8, more=False).onset_seen
    assert as_attempt(link(volts), 1, 7, 0, 8, more=False).onset_seen


def curve(begin: float, towards: float, rows: int, tau_rows: float = 10.0) -> list[float]:
    return [float(towards + (begin - towards) * np.exp(-k / tau_rows)) for k in range(1, rows + 1)]


def parts_of(pause_rows: int, before_v: float, second: list[float]) -> list[tuple[int, int, str]]:
    """A rise to `before_v`, a pause, a second rise: the pieces as (onset, end, how it ended)."""
    first = curve(0.0, before_v / (1 - np.exp(-3.0)), 30)
    volts = [0.0] * 20 + first + [before_v] * pause_rows + second
    found = parted(link(volts), 0, len(volts) - 1, len(volts), 15.0)
    return [(each.onset, each.end, each.ended_by) for each in found]


def test_a_rise_that_stands_and_goes_on_gradually_is_two_attempts() -> None:
    """The first stands at 150 V for 0.3 s; the second rises by the same resistor towards 300 V."""
    second = curve(150.0, FULL_V, 60)
    (first, other) = parts_of(30, 150.0, second)
    assert first[0] == 19
    assert first[2] == "pause"
    assert first[1] == other[0]
    assert 77 <= other[0] <= 79  # the last reading of the pause
    assert other[1:] == (20 + 30 + 30 + 60 - 1, "level")


@pytest.mark.parametrize(
    ("pause_rows", "before_v", "second"),
    [
        (5, 150.0, curve(150.0, FULL_V, 60)),  # 50 ms are no pause
        (30, 150.0, [300.0] * 30),  # a contactor that closes
        (30, 282.0, curve(282.0, FULL_V, 60, 3.0)),  # less than a tenth of the whole is missing
        (30, 10.0, curve(10.0, FULL_V, 60)),  # what came before is less than a rise
        (30, 150.0, curve(150.0, FULL_V, 60, 2.0)),  # five times as fast as before: no resistor
    ],
)
def test_what_is_no_second_attempt_stays_one(pause_rows: int, before_v: float, second: list[float]) -> None:
    assert len(parts_of(pause_rows, before_v, second)) == 1


def evenly(begin: float, end: float, rate: float) -> list[float]:
    """By so many volts each reading, the end included."""
    return [*np.arange(begin, end, rate)[1:].tolist(), end]


@pytest.mark.parametrize(
    ("first", "pause_rows", "second", "count"),
    [
        # 0.1 s of pause: by 5 V a reading up to 150 V before it, and again after it
        (evenly(0.0, 150.0, 5.0), 11, evenly(150.0, 300.0, 5.0), 2),
        (evenly(0.0, 150.0, 5.0), 9, evenly(150.0, 300.0, 5.0), 1),
        # what comes after it rises by more than three times its level, 12 V in five readings …
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 300.0, 2.5), 2),
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 300.0, 2.3), 1),
        # … and by no more than twice 25 V, for half of the voltage, and 4 V: 29 V
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 300.0, 5.7), 2),
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 300.0, 5.9), 1),
        # it does so within fifteen readings, however slowly it begins
        (evenly(0.0, 150.0, 5.0), 30, [*evenly(150.0, 158.0, 1.0), *evenly(158.0, 300.0, 5.0)], 2),
        (evenly(0.0, 150.0, 5.0), 30, [*evenly(150.0, 170.0, 1.0), *evenly(170.0, 300.0, 5.0)], 1),
        # a tenth of 300 V is missing after it, the first 2.45 V of which count as its last
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 183.0, 2.45), 2),
        (evenly(0.0, 150.0, 5.0), 30, evenly(150.0, 182.0, 2.45), 1),
        ([5.0, 10.0, 16.0], 30, evenly(16.0, 300.0, 5.0), 2),  # 15 V came before
        ([4.5, 9.0, 14.0], 30, evenly(14.0, 300.0, 5.0), 1),
        # nine tenths of what is missing within two readings: a contactor
        ([150.0], 30, [217.0, 284.0, *evenly(284.0, 300.0, 3.0)], 2),
        ([150.0], 30, [217.0, 286.0, *evenly(286.0, 300.0, 3.0)], 1),
    ],
)
def test_a_pause_parts_a_rise_at_either_side_of_each_edge(
    first: list[float], pause_rows: int, second: list[float], count: int
) -> None:
    volts = [0.0] * 20 + first + [first[-1]] * pause_rows + second
    assert len(parted(link(volts), 0, len(volts) - 1, len(volts), 15.0)) == count


def test_a_pause_that_creeps_is_left_three_times_as_fast() -> None:
    """It creeps by 3.5 V in five readings, less than the level of 4 V, three times which are 12 V."""
    first, creep = evenly(0.0, 150.0, 8.0), evenly(150.0, 172.0, 0.7)
    for rate, count in ((2.5, 2), (2.3, 1)):
        volts = [0.0] * 20 + first + creep + evenly(172.0, 300.0, rate)
        assert len(parted(link(volts), 0, len(volts) - 1, len(volts), 15.0)) == count


def teeth(tops: list[float], bottoms: list[float], apart_rows: int = 20) -> tuple[Link, list[Attempt]]:
    """A saw of given tops and bottoms: up within ten readings, down within the rest."""
    volts: list[float] = []
    found = []
    for top, bottom in zip(tops, bottoms, strict=True):
        at = len(volts)
        volts += np.linspace(bottom, top, 11).tolist()
        volts += np.linspace(top, bottom, apart_rows - 11 + 1)[1:].tolist()
        found.append(Attempt(at, at + 10, at + 10, True, "fall"))
    return link(volts), found


@pytest.mark.parametrize(
    ("tops", "bottoms", "apart_rows", "saws"),
    [
        ([200, 200, 200], [0, 100, 100], 20, [2]),
        ([200, 200], [0, 100], 20, [0, 0]),  # two may be a retry
        ([200, 200, 200, 200], [0, 100, 100, 100], 20, [3]),
        ([200, 224, 248], [0, 100, 124], 20, [2]),  # each top within a quarter of its height of the one before
        ([200, 240, 280], [0, 100, 140], 20, [0, 0, 0]),
        ([200, 200, 200], [0, 100, 124], 20, [0, 0, 0]),  # the third rises by 76 V: a quarter of it is 19 V
        ([200, 200, 200], [0, 100, 117], 20, [2]),
        ([200, 200, 200], [0, 100, 100], 100, [2]),  # ten first rises apart, and
        ([200, 200, 200], [0, 100, 100], 102, [0, 0, 0]),
    ],
)
def test_three_rises_alike_and_soon_after_each_other_are_one_that_is_held_back(
    tops: list[float], bottoms: list[float], apart_rows: int, saws: list[int]
) -> None:
    made, found = teeth(tops, bottoms, apart_rows)
    joined = joined_hunting(made, found)
    assert [each.saws for each in joined] == saws
    if len(joined) == 1:
        assert (joined[0].onset, joined[0].top, joined[0].end) == (found[0].onset, found[0].top, found[-1].end)


def test_soon_is_by_the_first_rise_however_many_there_are() -> None:
    made, (first, second, third) = teeth([200, 200, 200], [0, 100, 100], 40)
    late = replace(made, part=replace(made.part, time_s=made.part.time_s + np.where(np.arange(120) < 80, 0.0, 0.7)))
    assert [each.saws for each in joined_hunting(made, [first, second, third])] == [2]
    assert [each.saws for each in joined_hunting(late, [first, second, third])] == [0, 0, 0]


def test_a_relay_that_stays_on_joins_two_and_one_that_drops_out_does_not() -> None:
    made, (first, second) = teeth([200, 150], [0, 50])
    top_s = float(made.part.time_s[second.top])
    for end_s, count in ((top_s + 0.001, 1), (top_s - 0.001, 2)):
        held = [replace(first, relay_s=0.0, relay_end_s=end_s), second]
        assert len(joined_hunting(made, held)) == count
    again = replace(second, relay_s=top_s - 0.05)
    assert len(joined_hunting(made, [replace(first, relay_s=0.0, relay_end_s=9.0), again])) == 2
    same = replace(second, relay_s=0.0)
    assert len(joined_hunting(made, [replace(first, relay_s=0.0, relay_end_s=9.0), same])) == 1


def test_the_contactor_of_the_last_rise_is_that_of_the_whole_and_an_earlier_one_parts_them() -> None:
    made, found = teeth([200, 200, 200], [0, 100, 100])
    last = replace(found[-1], contactor_s=0.55, contactor_after_s=0.5, stayed_open=True, ended_by="level")
    (whole,) = joined_hunting(made, [*found[:-1], last])
    assert (whole.contactor_s, whole.contactor_after_s, whole.stayed_open, whole.ended_by) == (0.55, 0.5, True, "level")
    early = [found[0], replace(found[1], contactor_s=0.3), found[2]]
    assert len(joined_hunting(made, early)) == 3


@pytest.mark.parametrize(("wanders_V", "onset", "top"), [(6.0, 3, 5), (7.0, 2, 6)])
def test_a_level_is_three_noises_and_a_step_wide(wanders_V: float, onset: int, top: int) -> None:
    """Of 2 V and 0.5 V: 6.5 V, above where it stood and below where it stands then."""
    volts = [10.0, 10, 10, 10 + wanders_V, 60, 110 - wanders_V, 110, 110, 110, 110, 110]
    made = link(volts, noise_v=2.0, step_v=0.5)
    (found,) = parted(made, 0, 10, 11, 15.0)
    assert (found.onset, found.top) == (onset, top)
    fall = as_attempt(made, 3, 10, 0, 11, more=False)
    assert (fall.top, fall.ended_by) == (top, "level")
    back = as_attempt(link([*volts[:9], 110 - wanders_V, 60], 2.0, 0.5), 3, 9, 0, 10, more=False)
    assert (back.end, back.ended_by) == (9 if wanders_V < 6.5 else 8, "fall")


@pytest.mark.parametrize(("higher_V", "joined"), [(8.0, 1), (9.0, 3)])
def test_small_teeth_are_alike_within_four_noises_and_a_step(higher_V: float, joined: int) -> None:
    """Of 2 V and 0.5 V: 8.5 V, which is more than a quarter of 20 V."""
    made, found = teeth([20.0, 20.0 + higher_V, 20.0 + higher_V], [0.0, 10.0, 10.0])
    assert len(joined_hunting(replace(made, noise_v=2.0, step_v=0.5), found)) == joined
