"""Where a step of the current is looked for and which rows make its sides: made rows of a sixteenth of a second.

Sides of 0.3 s hold five rows; 0.5 s and twice 1.5 periods, eleven rows, lie between a row and the side after it.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.observations.under_load import UnderLoad, _steps

P, NOISE_A = 0.0625, 0.2
BETWEEN = 11  # rows from the last before a step to the first after it


def steps_of(
    amps: FloatArray, volts: FloatArray | None = None, apart_s: float = P
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Changes of current and voltage and how far the current moves; none where there is no step."""
    time_s = apart_s * np.arange(amps.size)
    own = 300.0 - 0.1 * amps if volts is None else volts
    found = _steps(UnderLoad(time_s, own, amps, np.zeros(amps.size), 0.0, P, P, 0.05, NOISE_A))
    return (np.empty(0), np.empty(0), np.empty(0)) if found is None else found


def levels(*rows: tuple[int, float]) -> FloatArray:
    """So many rows at each of some currents."""
    return np.concatenate([np.full(count, level) for count, level in rows])


@pytest.mark.parametrize(
    ("between", "change"),
    # rows of a ramp: one more than fits leaves a side of which one row of five is a twelfth short
    [(1, 100.0), (BETWEEN, 100.0), (BETWEEN + 1, 100.0 - 100.0 / 12 / 5)],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_step_may_take_as_long_as_lies_between_its_sides(between: int, change: float, sign: float) -> None:
    amps = sign * np.concatenate([np.zeros(41), 100.0 * np.arange(1, between) / between, np.full(60, 100.0)])
    change_a, change_v, _ = steps_of(amps)
    assert change_a == pytest.approx([sign * change])
    assert change_v == pytest.approx([-0.1 * sign * change])


def test_the_middle_one_of_the_rows_about_a_step_is_taken() -> None:
    """The last before it is row 40: eleven rows, 30 to 40, show all of it. A voltage that bends says which is taken."""
    amps, volts = levels((41, 0.0), (60, 100.0)), np.arange(101.0) ** 2
    change_a, change_v, drift_a = steps_of(amps, volts)
    assert change_a == pytest.approx([100.0])
    assert change_v == pytest.approx([np.mean(volts[46:51]) - np.mean(volts[31:36])])
    assert drift_a == pytest.approx([0.0])


def test_the_largest_of_the_rows_does_not_draw_the_middle_to_it() -> None:
    """An overshoot right after the step makes that of row 30 the largest, beside a ripple of the level before."""
    amps, volts = levels((41, 0.0), (5, 103.0), (55, 100.0)), np.arange(101.0) ** 2
    amps[:41] += 0.1 * (-1.0) ** np.arange(41)
    _, change_v, _ = steps_of(amps, volts)
    assert change_v == pytest.approx([np.mean(volts[46:51]) - np.mean(volts[31:36])])


@pytest.mark.parametrize(("apart_s", "found"), [(0.09375, 1), (0.125, 0)])
def test_a_side_after_a_step_needs_three_rows(apart_s: float, found: int) -> None:
    """Rows farther apart than messages come: three, or two, fall into 0.3 s."""
    assert steps_of(levels((40, 0.0), (40, 100.0)), apart_s=apart_s)[0] == pytest.approx([100.0] * found)


def test_how_far_the_current_moves_is_read_off_both_sides() -> None:
    """Of row 35: by 3 A in its last row before, by 4 A in the last after; less the range of noise, d₂ of five rows.

    Of either side's move within 0.3 s what falls into one and a half periods counts, and of both the mean square.
    """
    amps = levels((41, 0.0), (60, 100.0))
    amps[35], amps[50] = 3.0, 104.0
    _, _, drift_a = steps_of(amps)
    noise = 2.326 * NOISE_A
    assert drift_a == pytest.approx([np.hypot(3.0 - noise, 4.0 - noise) * 1.5 * P / 0.3 / 2**0.5])


@pytest.mark.parametrize(
    ("before", "after", "found"),
    [(3, 60, 1), (2, 60, 0), (60, 6, 1), (60, 5, 0)],  # three rows before; a whole side and a row after
)
def test_a_step_close_to_an_end_of_the_log_has_whole_sides(before: int, after: int, found: int) -> None:
    change_a, change_v, _ = steps_of(levels((before, 20.0), (after, 120.0)))
    assert change_a == pytest.approx([100.0] * found)
    assert change_v == pytest.approx([-10.0] * found)


@pytest.mark.parametrize(("rows", "found"), [(18, 2), (14, 1)])
def test_the_sides_of_two_steps_do_not_meet(rows: int, found: int) -> None:
    """Up, and down again: from the middle row of the one to the farthest of the other there are 1.44 s, or 1.19 s.

    The sides of both, and what lies between each two, take 1.29 s.
    """
    assert steps_of(levels((60, 0.0), (rows, 100.0), (60, 0.0)))[0].size == found


@pytest.mark.parametrize(
    ("size", "other", "spread", "flat"),
    [(100.0, 60.0, 4.6, True), (100.0, 60.0, 5.4, False), (5.0, 4.0, 0.39, True), (5.0, 4.0, 0.41, False)],
)
def test_a_level_stands_within_a_twentieth_of_the_step_or_two_noises(
    size: float, other: float, spread: float, flat: bool
) -> None:
    """Two pulses, the level of the larger in a ripple by turns, whose deviation over five rows is √0.96 of its height.

    Where it is not flat the steps of the other alone are taken.
    """
    amps = levels((60, 0.0), (60, size), (60, 0.0), (60, other), (60, 0.0))
    amps[60:120] += spread / 0.96**0.5 * np.tile([1.0, -1.0], 30)
    change_a, _, _ = steps_of(amps)
    assert np.sum(np.abs(change_a) > (size + other) / 2) == (2 if flat else 0)
    assert np.sum(np.isclose(np.abs(change_a), other)) == 2
