"""The load of a bus from frames whose length on the wire is known."""

from __future__ import annotations

import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.bit_rate import bit_rate_of
from logscope.bus.load import load_of

_BITS = 127  # of 000#0000000000000000 with its stuff bits and interframe space: can-utils, canframelen.c, compiled


@pytest.mark.parametrize(
    ("lasts_s", "mean", "busiest"),
    [(10.0, 2 * _BITS, 10 * _BITS), (2.0, 10 * _BITS, 10 * _BITS), (0.2, 20 * _BITS, 20 * _BITS)],
)
def test_the_load_is_bits_a_second_over_the_bit_rate(lasts_s: float, mean: float, busiest: float) -> None:
    """Twenty frames at 125 kbit/s, ten in a second; a log shorter than a second counts as one."""
    frames = [Frame(min(0.1, lasts_s / 20) * k, 0, bytes(8)) for k in range(20)]
    (bus,) = traffic_of(frames).buses
    load = load_of(bus, lasts_s, bit_rate_of(bus, 125_000))
    assert (load.mean_bits_per_s, load.busiest_bits_per_s) == pytest.approx((mean, busiest))
    assert (load.mean, load.busiest) == pytest.approx((mean / 125_000, busiest / 125_000))
    assert not load.lower_bound
