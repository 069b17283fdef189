"""Reading ahead changes nothing but the time: same items, same errors, and an end."""

from __future__ import annotations

from collections.abc import Iterator
from threading import active_count
from time import sleep

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.prefetch import prefetch, prefetch_map


@given(st.lists(st.integers() | st.none(), max_size=20))
def test_gives_the_same_items_in_the_same_order(items: list[int | None]) -> None:
    assert list(prefetch(items)) == items


def test_an_error_comes_after_the_items_before_it() -> None:
    def failing() -> Iterator[int]:
        yield from range(5)
        raise ValueError("the log ends here")

    ahead = prefetch(failing())
    assert [next(ahead) for _ in range(5)] == list(range(5))
    with pytest.raises(ValueError, match="the log ends here"):
        next(ahead)


def test_closing_ends_the_thread_and_the_items() -> None:
    ended = []

    def endless() -> Iterator[int]:
        try:
            while True:
                yield 1
        finally:
            ended.append(True)

    threads = active_count()
    ahead = prefetch(endless())
    assert next(ahead) == 1
    ahead.close()
    assert ended == [True]
    assert active_count() == threads


def test_nothing_is_read_before_the_first_item_is_asked_for() -> None:
    started = []

    def items() -> Iterator[int]:
        started.append(True)
        yield 1

    ahead = prefetch(items())
    assert not started
    assert list(ahead) == [1]


@given(st.lists(st.integers(), max_size=40))
def test_work_done_ahead_comes_in_the_order_of_its_items(items: list[int]) -> None:
    def uneven(item: int) -> int:
        sleep(1e-4 * (item % 3))
        return -item

    assert list(prefetch_map(uneven, items)) == [-item for item in items]


def test_an_error_in_the_items_comes_behind_the_work_on_those_before() -> None:
    def failing() -> Iterator[int]:
        yield from range(5)
        raise EOFError("cut here")

    ahead = prefetch_map(str, failing())
    assert [next(ahead) for _ in range(5)] == ["0", "1", "2", "3", "4"]
    with pytest.raises(EOFError, match="cut here"):
        next(ahead)


def test_an_error_in_the_work_is_raised_where_its_result_would_be() -> None:
    ahead = prefetch_map(lambda item: 6 // item, [3, 2, 0, 1])
    assert [next(ahead), next(ahead)] == [2, 3]
    with pytest.raises(ZeroDivisionError):
        next(ahead)


def test_work_that_nobody_wants_any_more_ends_its_threads() -> None:
    threads = active_count()
    ahead = prefetch_map(str, iter(int, 1))
    assert next(ahead) == "0"
    ahead.close()
    assert active_count() == threads
