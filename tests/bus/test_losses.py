"""Messages are missing where both the time and the counter say so, counted by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import pytest

from logscope.bus.facts import MessageFacts, Skip
from logscope.bus.losses import _missing


@pytest.mark.parametrize(
    ("after_ms", "by_counter", "count"),
    [
        (40.0, 3, 3),
        (80.0, 3, 7),  # once round a counter of two bits, and three
        (200.0, 3, None),  # so many in a row are an absence, which is judged by itself
        (40.0, 2, None),  # the counter skips less than there was time for
        (10.0, 3, None),  # it skips, and nothing is missing: a restart
        (20.0, 1, 1),
        (45.0, 3, None),  # nearer to four periods
    ],
)
def test_a_skip_is_a_loss_where_as_many_periods_went_by(after_ms: float, by_counter: int, count: int | None) -> None:
    skip = Skip(0, round(after_ms * 1e6), by_counter, 0, 0)
    message = SimpleNamespace(counter=SimpleNamespace(listed=(skip,), span=4), learnt_ns=10_000_000)
    assert _missing(cast(MessageFacts, message)) == ([] if count is None else [(skip, count)])


def test_without_a_counter_nothing_is_counted() -> None:
    assert _missing(cast(MessageFacts, SimpleNamespace(counter=None))) == []
