"""Changes of demand that wake a driveline up, and the time of a capture, each guard at its edge, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.capture_time import gap, time_step
from logscope.checks.driveline.judder import find_demand, highest_hz
from logscope.signals import MissingPart

T = np.arange(0.0, 20.0, 0.01)


def demand(*changes: tuple[float, float], largest: float = 100.0, ramp_s: float = 0.05) -> np.ndarray:
    """From 0, changes by so much at a time [s], each as a ramp; the largest value stands at the end."""
    value = sum((size * np.clip((T - at_s) / ramp_s, 0.0, 1.0) for at_s, size in changes), np.zeros(T.size))
    value[-3:] = largest
    return value


@pytest.mark.parametrize(
    ("changes", "sizes"),
    [
        (((5.0, 10.1),), [10.1]),  # a tenth of the largest
        (((5.0, 9.9),), []),
        (((5.0, -20.0), (8.0, 30.0)), [-20.0, 30.0]),
    ],
)
def test_a_quick_change_of_a_tenth_is_dated_where_it_has_all_but_arrived(changes, sizes):
    found = find_demand(signals(part("torque", T, demand(*changes))))
    early = found.change_s < 19.0
    assert found.change[early] == pytest.approx(np.array(sizes), rel=0.06)
    ends_s = np.array([at_s for at_s, _ in changes][: len(sizes)]) + 0.05
    assert found.change_s[early] == pytest.approx(ends_s, abs=0.011)


def test_a_slow_change_wakes_nothing_up():
    """0.3 s of a ramp over 3.2 s are 9.4 % of it, over 2.8 s 10.7 %."""
    for ramp_s, count in ((3.2, 0), (2.8, 1)):
        found = find_demand(signals(part("torque", T, demand((5.0, 100.0), ramp_s=ramp_s))))
        assert np.count_nonzero(found.change_s < 19.0) == count


@pytest.mark.parametrize(
    ("before", "after", "apart_s", "turned"),
    [
        (-3.0, 3.0, 0.1, True),
        (-1.9, 3.0, 0.1, False),
        (3.0, 3.0, 0.1, False),
        (-3.0, 3.0, 1.1, True),
        (-3.0, 3.0, 1.3, False),
    ],
)
def test_a_sign_turns_from_two_per_cent_on_one_side_to_two_on_the_other(before, after, apart_s, turned):
    """Within 1.2 s; dated at the first clear reading on the new side."""
    value = np.where(T < 5.0 - 1e-9, before, 0.0)
    value[np.searchsorted(T, 5.0 + apart_s - 1e-9) :] = after
    value[-1] = 100.0
    found = find_demand(signals(part("torque", T, value)))
    assert found.sign_s == pytest.approx(np.array([5.0 + apart_s] if turned else []))


def test_the_torque_is_the_best_witness_of_a_demand():
    made = [part(name, T, demand((5.0, 50.0))) for name in ("throttle", "motor_current", "torque_target", "torque")]
    for last in range(4, 0, -1):
        assert find_demand(signals(*made[:last])).part is made[last - 1]
    with pytest.raises(MissingPart):
        find_demand(signals())


@pytest.mark.parametrize(("period_s", "hz"), [(0.01, 15.0), (0.0267, 14.98), (0.1, 4.0)])
def test_a_ring_is_drawn_by_two_and_a_half_samples_a_turn(period_s, hz):
    assert highest_hz(period_s) == pytest.approx(hz, abs=0.01)


def test_the_longest_gap_and_all_of_them_together_are_stated():
    (found,) = gap([(1.0, 3.0), (10.0, 17.5), (20.0, 21.0)])
    measured = {name: value.value for name, value in found.measured.items()}
    assert measured == {"count": 3.0, "longest_s": 7.5, "total_s": 10.5}
    assert found.title == "3 stretches without any data, the longest 7.5 s"
    assert "from 10.000 to 17.500 s; 10.5 s in all" in found.explanation
    assert gap([]) == []


def test_the_largest_step_of_the_clock_is_that_of_either_sign():
    (found,) = time_step([(1.0, 2.0), (4.0, -7.5), (9.0, 3.0)])
    measured = {name: value.value for name, value in found.measured.items()}
    assert measured == {"count": 3.0, "largest_step_s": -7.5}
    assert "+2.000 s at 1.000 s, -7.500 s at 4.000 s" in found.explanation
    assert found.title == "The logger's clock jumped 3 times"
    assert time_step([]) == []
