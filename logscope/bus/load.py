"""The load of a bus: how much of the time bits are on the wire."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.bus.bit_rate import BitRate
from logscope.bus.facts import BusFacts


@dataclass(frozen=True, slots=True)
class Load:
    """The load of a bus.

    mean_bits_per_s, busiest_bits_per_s : over the log, and within its busiest second, which is any second
    mean, busiest : as fractions of the bit rate, None where it is unknown; the busiest is never below the mean
    busiest_ns : end of that second
    lower_bound : bits of CAN FD at a faster rate, which is unknown, are not counted
    """

    mean_bits_per_s: float
    busiest_bits_per_s: float
    mean: float | None
    busiest: float | None
    busiest_ns: int
    lower_bound: bool


def load_of(bus: BusFacts, duration_s: float, rate: BitRate) -> Load:
    """The load of a bus in a log of so many seconds; in one shorter than a second, of that second."""
    mean = bus.bits / max(duration_s, 1.0)
    busiest = max(bus.busiest_bits_per_s, mean)
    value = rate.value
    return Load(
        mean_bits_per_s=mean,
        busiest_bits_per_s=busiest,
        mean=None if value is None else mean / value,
        busiest=None if value is None else busiest / value,
        busiest_ns=bus.busiest_ns,
        lower_bound=bus.switched > 0,
    )
