"""Bounds of response times against the worked example of their authors."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logscope.bus.response_time import Sent, response_bounds

MS = 1_000_000


def test_the_worked_example_of_davis_and_others() -> None:
    """Davis et al. 2007, section 3.1: frames of 125 bits at 125 kbit/s every 2.5, 3.5 and 3.5 ms; the third message
    takes 3 ms at its first instance and 3.5 ms at its second, which earlier analyses missed. From memory."""
    messages = [Sent(MS, 2_500_000), Sent(MS, 3_500_000), Sent(MS, 3_500_000)]
    assert response_bounds(messages, 8_000) == [2 * MS, 3 * MS, 3_500_000]


def test_a_bus_that_is_full_has_no_bound() -> None:
    bounds = response_bounds([Sent(MS, 2 * MS), Sent(MS, 2 * MS), Sent(MS, 100 * MS)], 2_000)
    assert bounds[0] is not None
    assert bounds[2] is None


@given(st.lists(st.tuples(st.integers(50, 300), st.integers(5, 200)), min_size=1, max_size=12))
def test_a_bound_holds_for_messages_that_are_all_due_at_once(drawn: list[tuple[int, int]]) -> None:
    """All due just after the longest frame of lower priority began: the last waits for all above."""
    messages = [Sent(frame * 1000, period * MS) for frame, period in drawn]
    for k, bound in enumerate(response_bounds(messages, 2_000)):
        blocking = max((each.frame_ns for each in messages[k + 1 :]), default=0)
        if bound is not None:
            assert bound >= blocking + sum(each.frame_ns for each in messages[: k + 1])
