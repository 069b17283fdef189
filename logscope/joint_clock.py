"""How one log's clock stands to another's: plain data."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class JointClock:
    """How a log was brought onto the clock of another, the reference.

    file, reference : the logs; starts_s : when the log starts, from the reference's start, with 95 % limits
    drift_ppm : how much slower the log's own clock runs than the reference's, with 95 % limits
    residual_s : standard deviation of single stretches around this; seen_in : the quantity that both logged
    Limits, drift, residual and quantity are None where the start was given by hand.
    """

    file: str
    reference: str
    starts_s: float
    low_s: float | None = None
    high_s: float | None = None
    drift_ppm: float | None = None
    drift_low_ppm: float | None = None
    drift_high_ppm: float | None = None
    residual_s: float | None = None
    seen_in: str | None = None
