"""What shows a second content under one identifier, guard by guard, each side of its edge: made by hand.

The chance of so many near readings is the binomial's (scipy); the edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from logscope.findings import Event, Measured, Severity
from logscope.plausibility.two_contents import (
    _alternates_unevenly,
    _doubt,
    _error_of_mean,
    _jumps,
    _more_frames_at_jumps,
    _near,
    _one_side,
    foreign_samples,
    two_contents,
)
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle


def jumping(*value: float, step: float = 0.0, spread: float = 0.0) -> list[int]:
    """Jumps among five more readings of a level on either side; `spread` widens the range far away."""
    read = np.array([100.0] * 5 + list(value) + [100.0] * 5 + [100.0 + spread] * (20 if spread else 0))
    return [int(k) - 5 for k in np.flatnonzero(_jumps(read, step))]


def test_a_jump_is_far_from_both_neighbours_that_agree() -> None:
    assert jumping(150.0) == [0]
    assert jumping(50.0) == [0]
    assert jumping(150.0, 150.0) == []
    assert jumping(150.0, 116.0) == [0]  # 34 back, and so 16 apart: less than half
    assert jumping(150.0, 117.0) == []
    assert jumping(150.0, step=6.2) == [0]  # eight steps are 49.6
    assert jumping(150.0, step=6.3) == []
    assert jumping(102.1, spread=100.0) == [0]  # a fiftieth of the range
    assert jumping(101.9, spread=100.0) == []
    ramp = np.arange(40.0)
    for high, found in ((43.0, True), (41.0, False)):  # twenty times the two of a ramp over two readings
        value = ramp.copy()
        value[20] += high
        assert bool(_jumps(value, 0.0).any()) is found


@pytest.mark.parametrize(("still", "found"), [(0.35, True), (0.2, False)])
def test_noise_is_known_by_the_quieter_quarter_of_the_changes(still: float, found: bool) -> None:
    """A second sender at half the pace spoils two changes of three: the lower quartile is that of a reading alone."""
    value = np.concatenate([np.zeros(round(200 * still)), np.cumsum(np.full(200 - round(200 * still), 5.0))])
    value[20] = 150.0
    assert bool(_jumps(value, 0.0)[20]) is found
    assert jumping(100.5) == [0]  # small numbers jump as well


def paced(*extra: int, count: int = 120, apart: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Stamps of one period, with one more frame between two of them after each of some; which of them are more."""
    time_s = np.concatenate([np.arange(count) * apart, np.array(extra, dtype=float) * apart + 0.5 * apart])
    order = np.argsort(time_s, kind="stable")
    return time_s[order], (np.arange(time_s.size) >= count)[order]


def test_frames_that_come_besides_the_regular_ones_are_foreign() -> None:
    time_s, foreign = paced(20, 40, 60)
    found = _near(time_s, foreign)
    assert found is not None
    assert found.tolist() == foreign.tolist()
    two = _near(*paced(20, 40))
    assert two is not None
    assert not two.any()


@pytest.mark.parametrize(("around", "found"), [(1.49, True), (1.51, False)])
def test_readings_around_a_foreign_frame_lie_one_period_apart(around: float, found: bool) -> None:
    time_s = np.cumsum(np.ones(130))
    jumps = np.zeros(130, bool)
    for at in (30, 60, 90):
        jumps[at] = True
        time_s[at:] -= 1.0 - around / 2
        time_s[at + 1 :] -= 1.0 - around / 2
    near = _near(time_s, jumps)
    assert near is not None
    assert (near.tolist() == jumps.tolist()) is found


@pytest.mark.parametrize(("near", "jumps"), [(3, 14), (3, 15), (4, 40), (5, 60), (5, 80), (6, 100), (6, 130)])
def test_so_many_near_readings_are_no_chance(near: int, jumps: int) -> None:
    """One in a hundred is near by chance (scipy's binomial): once in 100,000 logs is too seldom."""
    time_s = np.arange(1000.0)
    is_jump = np.zeros(1000, bool)
    is_jump[5 : 5 + 6 * jumps : 6] = True
    for at in np.flatnonzero(is_jump)[:near]:
        time_s[at:] -= 0.5
        time_s[at + 1 :] -= 0.5
    found = _near(time_s, is_jump)
    assert found is not None
    assert bool(found.any()) is bool(binom.sf(near - 1, jumps, 0.01) < 1e-5)


@pytest.mark.parametrize(("every", "shows"), [(25, False), (33, True)])
def test_pace_shows_nothing_where_a_tenth_of_all_readings_are_near(every: int, shows: bool) -> None:
    """Each frame more makes three near: itself, and both beside it."""
    time_s, extra = paced(*range(3, 400, every), count=400)
    found = _near(time_s, np.zeros_like(extra))
    assert (found is not None) is shows


def test_pace_shows_nothing_without_fifty_regular_steps_or_within_one_stamp() -> None:
    assert _near(np.arange(51.0), np.zeros(51, bool)) is not None
    assert _near(np.arange(50.0), np.zeros(50, bool)) is None
    assert _near(np.repeat(np.arange(40.0), 4), np.zeros(160, bool)) is None


def test_jumps_everywhere_are_judged_by_the_evenness_of_the_other_steps() -> None:
    """Of a hundred triples the middle one jumps: every other reading lies beside a jump."""
    time_s = np.concatenate([[2.0 * k, 2.0 * k + 0.2, 2.0 * k + 1.0] for k in range(100)])
    jumps = np.tile([False, True, False], 100)
    found = _near(time_s, jumps)
    assert found is not None
    assert found.tolist() == jumps.tolist()
    for every, shows in ((8, False), (12, True)):  # a tenth of the steps between triples are off by half a period
        for shift in (0.55, -0.55):
            uneven = time_s + shift * (np.arange(300) % (3 * every) == 2)
            for period in (1.0, 0.1):
                assert (_near(period * uneven, jumps) is not None) is shows
        less = time_s + 0.45 * (np.arange(300) % (3 * every) == 2)
        assert _near(less, jumps) is not None


def grouped(having: int, more: int, jumps_each: int = 1, others: int = 40, size: int = 3) -> bool:
    time_s, jumps = [], []
    for group in range(others + having):
        extra = more if group < having else 0
        time_s += [float(group)] * (size + extra)
        jumps += [k < (jumps_each if group < having else 0) for k in range(size + extra)]
    return _more_frames_at_jumps(np.array(time_s), np.array(jumps))


@pytest.mark.parametrize(
    ("having", "more", "jumps_each", "others", "found"),
    [(5, 1, 1, 40, True), (4, 1, 1, 40, False), (5, 0, 1, 40, False), (5, 1, 2, 40, True), (5, 1, 3, 40, False),
     (40, 1, 1, 5, True), (40, 1, 1, 4, False)],
)  # fmt: skip
def test_stamps_with_jumps_hold_as_many_more_frames(
    having: int, more: int, jumps_each: int, others: int, found: bool
) -> None:
    assert grouped(having, more, jumps_each, others) is found


def test_more_frames_must_stand_out_of_the_scatter_by_four_standard_errors() -> None:
    """2 and 4 frames in turn scatter by 1.01 about 3; √(1.01²/40 + 1.05²/10) is 0.37, four times 1.5."""
    for more, found in ((2, True), (1, False)):
        time_s, jumps = [], []
        for group in range(50):
            having = group < 10
            size = (2 if group % 2 else 4) + (more if having else 0)
            time_s += [float(group)] * size
            jumps += [having and k < more for k in range(size)]
        assert _more_frames_at_jumps(np.array(time_s), np.array(jumps)) is found
    assert _error_of_mean(np.array([1, 2, 3, 4])) == pytest.approx(np.sqrt(5 / 3 / 4))


def alternating(early_s: float, count: int = 200, wrong: int = 0) -> bool:
    time_s = np.arange(count) * 1.0
    time_s[1::2] -= early_s
    value = np.where(np.arange(count) % 2, 100.0, 0.0)
    value[10 : 10 + wrong] = 100.0 - value[10 : 10 + wrong]
    jumps = np.ones(count, bool)
    jumps[[0, -1]] = False
    return _alternates_unevenly(time_s, value, jumps)


@pytest.mark.parametrize(("early_s", "found"), [(0.11, True), (0.09, False), (-0.11, True)])
def test_two_senders_alternate_with_steps_a_fifth_apart(early_s: float, found: bool) -> None:
    """Steps of 1 ± 0.1 differ by a fifth of their mean."""
    assert alternating(early_s) is found


def test_two_senders_keep_to_their_sides() -> None:
    """In stretches of fifty at nine tenths of the readings, or for the whole log where frames share stamps."""
    assert alternating(0.3, 200, 18)
    assert not alternating(0.3, 102, 24)
    assert alternating(0.3, 202, 50)
    swapped = np.where(np.arange(200) < 100, np.arange(200) % 2, (np.arange(200) + 1) % 2) * 100.0
    time_s = np.arange(200.0)
    time_s[1::2] -= 0.3
    inner = (np.arange(200) > 0) & (np.arange(200) < 199)
    assert _alternates_unevenly(time_s, swapped, inner)  # it changes sides between two stretches
    shared = np.repeat(np.arange(100.0), 2)
    assert not _alternates_unevenly(shared, swapped, inner)
    assert _alternates_unevenly(shared, np.arange(200) % 2 * 100.0, inner)
    only_odd = np.arange(200) % 2 == 1
    assert not _alternates_unevenly(time_s, np.arange(200) % 2 * 100.0, only_odd)


def test_the_rarer_of_two_contents_is_taken() -> None:
    value = np.array([0.0, 9.0, 0.0, 9.0, 0.0, 9.0, 0.0])
    jumps = np.array([False, True, True, True, True, True, False])
    assert _one_side(value, jumps).tolist() == [False, False, True, False, True, False, False]
    assert _one_side(-value, jumps).tolist() == [False, False, True, False, True, False, False]
    even = jumps & (np.arange(7) < 5)
    assert _one_side(value, even).tolist() == [False, True, False, True, False, False, False]


def test_fifty_readings_and_three_jumps_are_needed() -> None:
    def foreign(count: int, extra: int) -> int:
        time_s, more = paced(*range(5, 5 + 5 * extra, 5), count=count)
        value = np.where(more, 900.0, 0.0)
        return int(foreign_samples(Part("torque", time_s, value, "", "A.B", 1.0)).sum())

    assert foreign(54, 3) == 3
    assert foreign(60, 2) == 0
    assert foreign(53, 3) == 0  # not fifty regular steps
    assert foreign_samples(Part("torque", np.arange(49.0), np.zeros(49), "", "A.B")).size == 49


@pytest.mark.parametrize(("early_s", "count"), [(0.3, 99), (0.0, 0)])
def test_two_senders_in_turn_are_two_contents_where_their_steps_are_uneven(early_s: float, count: int) -> None:
    time_s = np.arange(200) * 1.0
    time_s[1::2] -= early_s
    value = np.where(np.arange(200) % 2, 100.0, 0.0)
    found = foreign_samples(Part("torque", time_s, value, "", "A.B", 1.0))
    assert found.sum() == pytest.approx(count, abs=1)


@pytest.mark.parametrize(("more", "count"), [(1, 5), (0, 0)])
def test_one_more_frame_in_a_stamp_that_jumps_is_foreign(more: int, count: int) -> None:
    sizes = [3 + (more if group % 9 == 0 else 0) for group in range(45)]
    time_s = np.repeat(np.arange(45.0), sizes)
    value = np.concatenate(
        [[0.0, 900.0, 0.0, 0.0][:size] if k % 9 == 0 else [0.0] * size for k, size in enumerate(sizes)]
    )
    assert foreign_samples(Part("torque", time_s, value, "", "A.B", 1.0)).sum() == count


def test_the_doubt_names_the_message_its_share_and_the_moments() -> None:
    time_s = np.arange(500.0)
    clear, less = np.zeros(500, bool), np.zeros(500, bool)
    clear[10:480:2] = True
    less[7] = True
    parts = [Part(name, time_s, time_s, "", f"Box.{name}") for name in ("slip", "torque", "throttle")]
    doubt = _doubt("Box", parts, {"slip": less, "torque": clear})
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("bus.two_contents", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == (10.0, 478.0)
    assert finding.title == "Message Box carries two contents: 47 % of its frames (235) do not fit the others"
    assert finding.explanation.startswith("Box.torque jumps away and back in 235 frames")
    assert finding.parts == doubt.doubtful == ("torque", "slip", "throttle")
    assert finding.measured == {"count": Measured(235.0, ""), "share_percent": Measured(pytest.approx(47.0), "%")}
    assert len(finding.events) == 200
    assert finding.events[:2] == (Event(10.0, 10.0), Event(12.0, 12.0))
    assert doubt.reason == "Box carries two contents (47 % of its frames do not fit the others)"


def test_only_quantities_show_a_second_content_and_each_message_by_itself() -> None:
    time_s, foreign = paced(20, 40, 60)
    value = np.where(foreign, 900.0, 0.0)
    parts = [Part(name, time_s, value, "", source, 1.0) for name, source in
             (("torque", "A.B"), ("fault", "C.D"), ("slip", "E.F"), ("brake", "E.G"))]  # fmt: skip
    doubts = two_contents(Signals({each.name: each for each in parts}, 0.0, 1.0), Vehicle())
    assert [doubt.doubtful for doubt in doubts] == [("torque",), ("slip", "brake")]
