"""How well a state that flips fits the moments of a precharge: made flips with likeness by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logscope.seeking.likeness import switches
from logscope.seeking.likeness.switches import Flips, Moment


def flips(*each: tuple[float, float, bool]) -> Flips:
    before, after, on = zip(*each, strict=True)
    return Flips(np.array(before), np.array(after), np.array(on))


ON, OFF = Moment(True, 10.0, 11.0), Moment(False, 20.0, 20.5)


@pytest.mark.parametrize(
    ("seen", "moments", "expected"),
    [
        (flips((9.5, 10.0, True)), [ON], 1.0),
        (flips((11.0, 11.5, True)), [ON], 1.0),
        (flips((9.8, 9.9, True)), [ON], math.exp(-1)),  # a tenth of a second early
        (flips((11.1, 11.2, True)), [ON], math.exp(-1)),
        (flips((11.05, 11.2, True)), [ON], math.exp(-0.25)),
        (flips((11.17, 11.2, True)), [ON], math.exp(-2.89)),
        (flips((11.18, 11.2, True)), [ON], 0.0),  # below 0.05 it is another flip
        (flips((10.1, 10.2, False)), [ON], 0.0),
        (flips((10.1, 10.2, True), (20.1, 20.2, False)), [ON, OFF], 1.0),
        (flips((10.1, 10.2, True)), [ON, OFF], 0.5),
        (flips((10.1, 10.2, True), (15.0, 15.1, False)), [ON], 0.5),
        (flips((10.1, 10.2, True), (15.0, 15.1, False), (16.0, 16.1, True)), [ON], 1 / 3),
        (flips((10.1, 10.2, True)), [ON, ON], 0.5),  # a flip belongs to one moment
    ],
)
def test_flips_fit_moments_within_a_tenth_of_a_second(seen: Flips, moments: list[Moment], expected: float) -> None:
    assert switches._likeness(seen, moments) == pytest.approx(expected)


def test_flips_move_round_the_ends_of_the_log() -> None:
    moved = flips((4.0, 5.0, True), (11.5, 12.0, False)).moved(7.0, 3.0, 10.0)
    assert moved.after_s.tolist() == [12.0, 9.0]
    assert moved.before_s.tolist() == [11.0, 8.5]
    assert moved.on.tolist() == [True, False]


def test_a_state_flips_between_two_samples() -> None:
    found = switches.flips_of(np.array([0.0, 1.0, 2.5, 3.0]), np.array([False, True, True, False]))
    assert (found.before_s.tolist(), found.after_s.tolist()) == ([0.0, 2.5], [1.0, 3.0])
    assert found.on.tolist() == [True, False]


@pytest.mark.parametrize(
    ("edges", "high", "score"),
    [
        ([10.45], True, 1.0), ([10.45], False, 1.0), ([], True, None), ([15.0], True, 0.0),
        ([10.45, 1, 2, 3, 4, 5], True, 1 / 6), ([10.45, 1, 2, 3, 4, 5, 6], True, None),
    ],
)  # fmt: skip
def test_a_state_fits_either_way_round_and_not_where_it_flips_far_more_often(
    edges: list[float], high: bool, score: float | None
) -> None:
    """Flips to on have an even place among the sorted edges, so that 10.45 is one or the opposite."""
    at = np.arange(0.0, 30.0, 0.1)
    on = np.searchsorted(np.sort(edges), at) % 2 == (1 if high else 0)
    found = switches.fits(at, on, [ON])
    if score is None:
        assert found is None
        return
    assert found is not None
    assert found.score == pytest.approx(score)
    if score == 1.0:
        assert found.on_is_high is high


def test_chance_is_what_a_state_fits_at_other_times() -> None:
    """On, off and on again 10 s later: some 1.3 s of the shifts over 27 s bring the later one to the moment."""
    at = np.arange(0.0, 30.0, 0.1)
    found = switches.fits(at, np.searchsorted([10.45, 15.0, 20.45], at) % 2 == 1, [ON])
    assert found is not None
    assert found.score == pytest.approx(1 / 3)
    assert found.chance.shape == (200,)
    assert found.chance.max() == pytest.approx(1 / 3)
    assert 0.015 < np.mean(found.chance > 0.1) < 0.09
    alone = switches.fits(at, at > 10.45, [ON])  # is elsewhere at each of them
    assert alone is not None
    assert not alone.chance.any()
