"""Stamps of a device's own clock, put onto the clock by which their arrival was seen.

A frame arrives after it was stamped, never before. So the smallest difference between arrival and stamp is the offset
between the clocks, plus the least delay of the way, which nothing on one side can show. The offset may rise by
`max_drift` a second, so that it follows a device whose clock is slow; one that is fast pulls it down by itself.
The same idea, taken further, is in the clock filter of RFC 5905 (the sample of least delay counts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Stamps = NDArray[np.int64]

# A crystal is off by 100 ppm at most over temperature and age (common practice, no published source); twice that,
# for the computer has one too.
MAX_DRIFT = 200e-6
# No adapter keeps a frame for so long: a stamp that lies further back shows that its clock has started again.
RESTART_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class Envelope:
    """What is known of a device's clock so far.

    base_ns : the smallest offset seen, less the drift that is allowed up to then; None before the first stamp
    zero_ns : the arrival from which the drift counts; latest_ns : the last stamp given out
    restarts : of the device's clock; max_drift : how much slower than ours it may run
    """

    base_ns: float | None = None
    zero_ns: int = 0
    latest_ns: int | None = None
    restarts: int = 0
    max_drift: float = MAX_DRIFT

    def onto(self, stamp_ns: Stamps, arrival_ns: Stamps) -> tuple[Stamps, Envelope]:
        """The stamps on the clock of the arrivals, and what is known after them.

        stamp_ns : by the device [ns], int64, shape (n,); arrival_ns : when each was seen [ns], never falling
        Returned stamps are never later than the arrival, and never fall.
        """
        if not stamp_ns.size:
            return stamp_ns, self
        zero_ns = int(arrival_ns[0]) if self.base_ns is None else self.zero_ns
        allowed = self.max_drift * (arrival_ns - zero_ns)
        delay = (arrival_ns - stamp_ns).astype(np.float64)
        first = delay[0] - allowed[0] if self.base_ns is None else self.base_ns
        base = np.minimum.accumulate(np.minimum(delay - allowed, first))
        late = np.flatnonzero(delay - allowed - base > RESTART_NS)
        end = int(late[0]) if late.size else stamp_ns.size
        offset = np.floor(base[:end] + allowed[:end]).astype(np.int64)
        placed = np.minimum(stamp_ns[:end] + offset, arrival_ns[:end])
        if self.latest_ns is not None and end:
            placed[0] = max(int(placed[0]), min(self.latest_ns, int(arrival_ns[0])))
        placed = np.maximum.accumulate(placed)
        known = replace(self, base_ns=float(base[end - 1]), zero_ns=zero_ns, latest_ns=int(placed[-1])) if end else self
        if end == stamp_ns.size:
            return placed, known
        again = replace(known, base_ns=None, zero_ns=0, restarts=self.restarts + 1)
        rest, known = again.onto(stamp_ns[end:], arrival_ns[end:])
        return np.concatenate([placed, rest]), known


def skew(own_ns: Stamps, arrival_ns: Stamps) -> float:
    """How much faster the arrivals' clock runs than the device's own, as a fraction; 0 where that cannot be seen.

    own_ns, arrival_ns : never falling, shape (n,)

    The slope of the line that lies under all delays and closest to them: the edge of their lower convex hull at the
    mean time (Moon, Skelly and Towsley, Estimation and removal of clock skew from network delay measurements, IEEE
    INFOCOM 1999). Of every second the arrival of least delay counts, which changes the hull by nothing that matters.
    """
    second = (own_ns - own_ns[:1]) // 1_000_000_000
    delay = arrival_ns - own_ns
    order = np.lexsort((delay, second))
    best = order[np.unique(second[order], return_index=True)[1]]
    x, y = (own_ns[best] - own_ns[0]).astype(np.float64), (delay[best] - delay.min()).astype(np.float64)
    hull: list[int] = []
    for k in range(x.size):
        while len(hull) > 1 and _turns_down(x, y, hull[-2], hull[-1], k):
            hull.pop()
        hull.append(k)
    middle = float(x.mean()) if x.size else 0.0
    for left, right in pairwise(hull):
        if x[left] <= middle <= x[right]:
            return float((y[right] - y[left]) / (x[right] - x[left]))
    return 0.0


def _turns_down(x: NDArray[np.float64], y: NDArray[np.float64], first: int, second: int, third: int) -> bool:
    """Whether the second point lies on or above the line from the first to the third."""
    return bool((y[second] - y[first]) * (x[third] - x[first]) >= (y[third] - y[first]) * (x[second] - x[first]))
