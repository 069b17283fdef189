"""Two senders of one identifier, and what looks like two: made by rules of our own, for no published data have both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.senders import TwoSenders, two_senders

_PERIOD_S, _LENGTH_S = 0.02, 60.0


def found(times: Sequence[np.ndarray], contents: Sequence[np.ndarray] | None = None) -> TwoSenders | None:
    """What is found in frames of one identifier at these times, each with a wandering value or these contents."""
    rng = np.random.default_rng(4)
    contents = contents or [np.cumsum(rng.integers(-3, 4, each.size)) & 0xFF for each in times]
    frames = [
        Frame(float(t), 0x1D0, bytes([int(value), 0]))
        for at, values in zip(times, contents, strict=True)
        for t, value in zip(at + rng.normal(0, 2e-5, at.size), values, strict=True)
    ]
    return two_senders(traffic_of(sorted(frames, key=lambda frame: frame.time_s)).buses[0].messages[0])


def sent(start_s: float = 0.0, ppm: float = 0.0) -> np.ndarray:
    return np.arange(start_s, _LENGTH_S, _PERIOD_S * (1 + ppm * 1e-6))


@pytest.mark.parametrize("ppm", [-80.0, 40.0, 200.0])
def test_two_clocks_are_two_senders(ppm: float) -> None:
    two = found([sent(), sent(0.004, ppm)])
    assert two is not None
    assert not two.copies
    assert two.low_ppm <= abs(ppm) <= two.high_ppm
    assert two.high_ppm - two.low_ppm < 10.0  # as stamps good to 0.02 ms show over a minute, and hardly wider


@pytest.mark.parametrize("restarts", [1, 2, 3, 5])
def test_a_sender_that_restarts_with_other_phases_is_one(restarts: int) -> None:
    """It sends twice a period, and each start puts the two a little farther apart: stairs, no steady drift."""
    starts = np.linspace(0, _LENGTH_S, restarts + 2)[:-1]
    second = [
        sent()[(sent() >= start) & (sent() < end)] + 0.003 + 0.0004 * k
        for k, (start, end) in enumerate(zip(starts, [*starts[1:], _LENGTH_S], strict=True))
    ]
    assert found([sent(), np.concatenate(second)]) is None


def test_a_sender_of_bursts_is_one() -> None:
    """Three frames at once, 5 ms apart, and then a rest."""
    assert found([sent(), sent(0.001), sent(0.002)]) is None
    assert found([sent(), sent(0.005)]) is None


def test_a_gateway_that_repeats_a_message_brings_nothing_new() -> None:
    own, copied = sent(), sent(0.004, 90.0)
    values = np.cumsum(np.random.default_rng(1).integers(1, 4, own.size)) & 0xFF
    heard = values[np.clip(np.searchsorted(own, copied - 2e-4) - 1, 0, values.size - 1)]
    two = found([own, copied], [values, heard])
    assert two is not None
    assert two.copies
