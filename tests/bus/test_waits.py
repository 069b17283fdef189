"""How long messages wait for the bus, by hand, and which of them vary by more: lengths from Davis et al. 2007.

A frame of 8 bytes has 135 bits at worst, 160 with 29 bits of identifier: 270 µs and 320 µs at 500 kbit/s.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from made_facts import MS, S, bus, message

from logscope.bus import spacing
from logscope.bus.response_time import Sent, response_bounds
from logscope.bus.spacing import uneven_messages
from logscope.bus.waits import Wait, longest_waits

_RATE = 500_000


@pytest.mark.parametrize(
    ("messages", "bounds_ms"),
    [
        ([(1, 4, 0), (1, 4, 0)], [2, 2]),  # the one blocks the other, or waits for it
        ([(1, 4, 0), (3, 40, 0)], [4, 4]),
        ([(1, 4, 3), (1, 40, 0)], [5, 3]),  # late once, the first comes twice in the time of the second
        ([(1, 4, 2.999), (1, 40, 0)], [4.999, 3]),  # it still does where it is due with the next bit …
        ([(1, 4, 2.998), (1, 40, 0)], [4.998, 2]),  # … and no longer a bit later
        ([(1, 4, 4.5)], [5.5]),  # later than its next
        ([(1, 2, 0), (1, 2, 0)], [2, None]),  # just full
        ([(1, 2, 0), (0.99, 2, 0)], [1.99, 1.99]),
    ],
)
def test_bounds_of_response_by_hand(messages: Sequence[tuple[float, float, float]], bounds_ms: list[float]) -> None:
    """(frame, period, jitter) in ms; a bit lasts 2 µs."""
    sent = [Sent(round(frame * MS), round(period * MS), round(jitter * MS)) for frame, period, jitter in messages]
    expected = [None if bound is None else round(bound * MS) for bound in bounds_ms]
    assert response_bounds(sent, 2_000) == expected


def test_a_wait_is_by_priority_with_frames_at_their_longest() -> None:
    """Frames of 29 bits go by their first eleven: 0x100 stands between 0x0FF and 0x101."""
    made = bus(
        [
            message(0x101, 20.0),
            message(0x100 << 18 | 3, 20.0, extended=True),
            message(0x0FF, 20.0, longest=0),
        ]
    )
    waits = longest_waits(made, _RATE)
    assert [each.message.identifier for each in waits] == [0x0FF, 0x100 << 18 | 3, 0x101]
    # 55 bits (110 µs) after 320 µs; 110 and 270 before 320; 110 and 320 before 270
    assert [each.worst_s for each in waits] == pytest.approx([430e-6, 700e-6, 700e-6])
    assert [each.period_s for each in waits] == pytest.approx([0.02] * 3)


@pytest.mark.parametrize(
    ("facts", "bits"),
    [
        ({"longest": 8}, 135),
        ({"longest": 15}, 135),  # a length code of 15 is 8 bytes
        ({"longest": 2}, 75),
        ({"longest": 8, "fd": True}, 147),
        ({"longest": 64, "fd": True}, 712),
        ({"longest": 8, "extended": True}, 160),
    ],
)
def test_the_length_at_worst_is_that_of_the_frame_s_kind(facts: dict[str, int], bits: int) -> None:
    (wait,) = longest_waits(bus([message(**facts)]), _RATE)
    assert wait.worst_s == pytest.approx(bits * 2e-6)


@pytest.mark.parametrize(("messages", "switched", "found"), [(300, 0, 300), (301, 0, 0), (3, 1, 0)])
def test_nothing_is_calculated_for_a_scan_or_without_the_faster_rate(messages: int, switched: int, found: int) -> None:
    made = bus([message(k, 1000.0, longest=0, extended=True) for k in range(messages)], switched=switched)
    assert len(longest_waits(made, 1_000_000)) == found


@pytest.mark.parametrize(
    ("count", "last_ms", "waits_us"),
    [
        (1_000, 5.0, 810),  # in a log shorter than a second as in a second: one in 1 ms
        (10, 5_000.0, 810),
        (10_000, 4_000.0, 1350),  # one in 0.4 ms: it comes three times while the other waits
        (18_000, 4_000.0, None),  # one in 0.22 ms fills the bus
    ],
)
def test_a_message_without_a_period_counts_by_how_often_it_came(
    count: int, last_ms: float, waits_us: float | None
) -> None:
    irregular = np.cumsum(np.resize([1, 50, 3], 30)) * MS
    often = message(0x50, count=count, last_ns=round(last_ms * MS), stamps_ns=irregular)
    wait, _ = longest_waits(bus([often, message(0x100, 20.0), message(0x200, 20.0)]), _RATE)
    assert wait.message.identifier == 0x100
    assert wait.worst_s == (None if waits_us is None else pytest.approx(waits_us * 1e-6))


def test_what_is_seen_is_by_how_much_nine_of_ten_intervals_differ() -> None:
    """Intervals of 10.0 to 10.2 ms, evenly: 5 % of them below 10.01, 5 % above 10.19."""
    steps = np.random.default_rng(4).permutation(np.linspace(10.0, 10.2, 2001))
    stamps = np.round(np.concatenate(([0.0], np.cumsum(steps))) * MS).astype(np.int64)
    (wait,) = longest_waits(bus([message(stamps_ns=stamps, count=2002)]), _RATE)
    assert wait.seen_s == pytest.approx(0.18e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("seen_ms", "worst_ms", "period_ms", "uneven"),
    [
        (6.3, 5.0, 10.0, True),
        (6.1, 5.0, 10.0, False),  # the wait, and 1.2 ms of the logger, explain it
        (6.3, 5.0, 12.5, True),
        (6.3, 5.0, 12.7, False),  # by less than half of its period
        (6.3, None, 10.0, False),
    ],
)
def test_uneven_is_what_neither_the_wait_nor_the_logger_explains(
    monkeypatch: pytest.MonkeyPatch, seen_ms: float, worst_ms: float | None, period_ms: float, uneven: bool
) -> None:
    """Others vary by 1.0, 1.1, 1.2 … ms: the calmest quarter of nine messages ends at 1.2 ms."""
    worst_s = None if worst_ms is None else worst_ms / 1e3
    judged = Wait(message(0x1), period_ms / 1e3, seen_ms / 1e3, worst_s)
    others = [Wait(message(0x10 + k), 0.01, (1.0 + 0.1 * k) / 1e3, 0.005) for k in range(8)]
    monkeypatch.setattr(spacing, "longest_waits", lambda *_: [judged, *others])
    found = uneven_messages(bus([]), _RATE)
    assert [each.wait for each in found] == ([judged] if uneven else [])
    assert [each.logger_s for each in found] == pytest.approx([1.2e-3] if uneven else [])


@pytest.mark.parametrize(("messages", "intervals", "found"), [(6, 100, 2), (5, 100, 0), (6, 99, 0)])
def test_six_messages_of_a_hundred_intervals_show_the_logger(
    monkeypatch: pytest.MonkeyPatch, messages: int, intervals: int, found: int
) -> None:
    stamps = np.arange(intervals + 1) * 10 * MS
    seen_s = [0.02, 0.015, *[0.001] * (messages - 2)]
    waits = [Wait(message(k, stamps_ns=stamps), 0.02, seen, 0.005) for k, seen in enumerate(seen_s)]
    waits[0] = Wait(waits[0].message, 0.03, 0.02, 0.005)  # 67 % of its period: less than the other's 75 %
    monkeypatch.setattr(spacing, "longest_waits", lambda *_: waits)
    assert [each.wait.message.identifier for each in uneven_messages(bus([]), _RATE)] == [1, 0][:found]


def test_seconds_and_milliseconds_of_the_made_facts_agree() -> None:
    assert message(period_ms=10.0, count=101).last_ns == S
