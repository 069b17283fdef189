"""Late, uneven and frozen messages, and what looks alike and is none: by rules of our own (common practice)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.facts import BusFacts, Still
from logscope.bus.frozen import frozen_stretches
from logscope.bus.lateness import late_messages
from logscope.bus.spacing import uneven_messages

_PERIOD_S, _COUNT = 0.01, 3000
_IDENTIFIERS = (0x100, 0x110, 0x120, 0x130, 0x140, 0x150)


def bus_of(
    shift: Callable[[int, np.ndarray], np.ndarray] = lambda _, times: times,
    value: Callable[[int, np.ndarray], np.ndarray] = lambda _, values: values,
    lost: Callable[[int], set[int]] = lambda _: set(),
) -> BusFacts:
    """Six messages every 10 ms with a counter; shift moves their times, value sets their contents, lost drops frames.

    All three get the identifier first.
    """
    rng = np.random.default_rng(8)
    frames = []
    for k, identifier in enumerate(_IDENTIFIERS):
        times = np.arange(_COUNT) * _PERIOD_S + 0.0004 * k + rng.normal(0, 2e-5, _COUNT)
        contents = value(identifier, np.cumsum(rng.integers(-3, 4, _COUNT)) & 0xFF)
        frames += [
            Frame(float(t), identifier, bytes([int(content), (n % 16) << 4, 7]))
            for n, (t, content) in enumerate(zip(shift(identifier, times), contents, strict=True))
            if n not in lost(identifier)
        ]
    return traffic_of(sorted(frames, key=lambda frame: frame.time_s)).buses[0]


def late_at(*rows: int, by_s: float = 0.03) -> Callable[[np.ndarray], np.ndarray]:
    """Times of which these rows, and all after them, come later."""

    def shifted(times: np.ndarray) -> np.ndarray:
        return times + by_s * np.searchsorted(rows, np.arange(times.size), side="right")

    return shifted


def test_a_sender_that_queues_late_is_found_with_its_steps() -> None:
    late = late_at(500, 900, 1500, 2000)
    (found,) = late_messages(bus_of(lambda i, t: late(t) if i == 0x120 else t))
    assert (found.message.identifier, len(found.steps)) == (0x120, 4)
    assert found.longest_s == pytest.approx(0.04, abs=1e-3)


def test_a_logger_that_stalls_makes_nobody_late() -> None:
    assert late_messages(bus_of(lambda _, t: late_at(500, 900, 1500, 2000)(t))) == []


def test_lost_messages_are_not_late() -> None:
    gone = {n + k for n in (500, 900, 1500) for k in range(3)}
    assert late_messages(bus_of(lost=lambda i: gone if i == 0x120 else set())) == []


def test_an_uneven_sender_is_found_where_the_rate_is_known() -> None:
    rng = np.random.default_rng(2)
    bus = bus_of(lambda i, t: t + rng.uniform(-0.001, 0.001, t.size) if i == 0x130 else t)
    assert uneven_messages(bus, 500_000) == []  # by a quarter of its period: of no matter
    bus = bus_of(lambda i, t: np.sort(t + rng.normal(0, 0.0021, t.size)) if i == 0x130 else t)
    assert [each.wait.message.identifier for each in uneven_messages(bus, 500_000)] == [0x130]


def test_a_logger_that_stamps_coarsely_makes_nobody_uneven() -> None:
    rng = np.random.default_rng(2)
    assert uneven_messages(bus_of(lambda _, t: np.sort(t + rng.normal(0, 0.0021, t.size))), 500_000) == []


def frozen(value: Callable[[int, np.ndarray], np.ndarray], *, in_use: bool = True) -> list[Still]:
    """The frozen stretches of 0x120."""
    message = next(each for each in bus_of(value=value).messages if each.identifier == 0x120)
    return frozen_stretches(message, lambda start, end: in_use and end > start)


def _held(_: int, values: np.ndarray) -> np.ndarray:
    return np.where((np.arange(values.size) >= 1000) & (np.arange(values.size) < 1400), values[1000], values)


def test_content_that_stands_still_while_its_counter_runs_is_frozen() -> None:
    (still,) = frozen(_held)
    assert (still.start_ns / 1e9, still.end_ns / 1e9) == pytest.approx((10.0, 13.99), abs=0.03)


def test_content_rests_where_the_vehicle_is_not_in_use() -> None:
    assert frozen(_held, in_use=False) == []


def test_content_that_rests_now_and_then_is_not_frozen() -> None:
    """It changes in one of fifty frames, and once not for four seconds: chance, or a value that rests."""
    assert frozen(lambda i, values: _held(i, np.repeat(values[::50], 50)[: values.size])) == []


def test_a_disturbed_sensor_slower_than_its_message_is_not_frozen() -> None:
    assert frozen(lambda _, values: np.repeat(values[::4], 4)[: values.size]) == []
