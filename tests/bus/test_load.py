"""The load of a bus from frames whose length on the wire is known."""

from __future__ import annotations

import numpy as np
import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.bit_rate import bit_rate_of
from logscope.bus.load import load_of
from logscope.bus.record import BusRecord
from logscope.checks.bus.context import Context
from logscope.checks.bus.load import load
from logscope.findings import Severity
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_BITS = 127  # of 000#0000000000000000 with its stuff bits and interframe space: can-utils, canframelen.c, compiled


@pytest.mark.parametrize(
    ("lasts_s", "mean", "busiest"),
    [(10.0, 2 * _BITS, 10 * _BITS), (2.0, 10 * _BITS, 10 * _BITS), (0.2, 20 * _BITS, 20 * _BITS)],
)
def test_the_load_is_bits_a_second_over_the_bit_rate(lasts_s: float, mean: float, busiest: float) -> None:
    """Twenty frames at 125 kbit/s, ten in a second; a log shorter than a second counts as one."""
    frames = [Frame(min(0.1, lasts_s / 20) * k, 0, bytes(8)) for k in range(20)]
    (bus,) = traffic_of(frames).buses
    of = load_of(bus, lasts_s, bit_rate_of(bus, 125_000))
    assert (of.mean_bits_per_s, of.busiest_bits_per_s) == pytest.approx((mean, busiest))
    assert (of.mean, of.busiest) == pytest.approx((mean / 125_000, busiest / 125_000))
    assert not of.lower_bound


@pytest.mark.parametrize(
    ("share", "severity"),
    [
        (0.5, Severity.GOOD),
        (0.65, Severity.GOOD),
        (0.75, Severity.INFO),
        (0.85, Severity.INFO),
        (0.95, Severity.WARNING),
    ],
)
def test_a_bus_is_judged_by_its_busiest_second_however_idle_the_rest(share: float, severity: Severity) -> None:
    """Planned to 70 %, full from 90 % on (common practice, no published source): one second in twenty at 125 kbit/s."""
    rate = 125_000
    slots = np.sort(np.random.default_rng(5).permutation(rate // _BITS)[: round(share * rate / _BITS)])
    busy = [Frame(10.0 + slot * _BITS / rate, 0, bytes(8)) for slot in slots.tolist()]
    idle = [Frame(0.5 * k, 0, bytes(8)) for k in range(40) if not 10.0 <= 0.5 * k < 11.0]
    traffic = traffic_of(sorted([*busy, *idle], key=lambda frame: frame.time_s))
    context = Context(BusRecord(traffic, bit_rates={"can0": rate}), Signals({}, 0.0, 20.0), Vehicle())
    (found,) = load(traffic.buses[0], context)
    assert found.measured["busiest_load_percent"].value == pytest.approx(100 * share, abs=1.0)
    assert found.measured["mean_load_percent"].value == pytest.approx(100 * share / 19.5, abs=2.0)
    assert found.severity is severity
