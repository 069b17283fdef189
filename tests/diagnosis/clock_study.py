"""How well two clocks are brought together, on made-up logs with known offset and drift.

    python tests/diagnosis/clock_study.py 300

draws pairs of logs of one drive, a CAN log with a sample each 10 ms and a serial log each 50 ms, clocks up to 30 s and
100 ppm apart, and prints the error of the joint clock anywhere in the overlap; then pairs of unrelated drives, and how
many are refused.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.signal import lfilter

from logscope.arrays import FloatArray
from logscope.statistics.alignment import Alignment, NotAligned, align_clocks

TICK_S = 0.001


def drive(rng: np.random.Generator, seconds: float) -> FloatArray:
    """A motor speed every millisecond: pulls, coasting, braking and stops, as in a yard or a town."""
    count = int(seconds / TICK_S)
    ends = np.cumsum(rng.uniform(1.5, 10.0, int(seconds / 1.5) + 2))
    wanted = np.where(rng.uniform(size=ends.size) < 0.2, 0.0, rng.uniform(300.0, 5000.0, ends.size))
    target = wanted[np.searchsorted(ends, np.arange(count) * TICK_S)]
    for lag_s in (1.8, 0.3):
        share = TICK_S / lag_s
        target = lfilter([share], [1.0, share - 1.0], target)
    return np.asarray(target)


def logged(
    rng: np.random.Generator, truth: FloatArray, period_s: float, jitter_s: float, step: float, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Times on the true clock, and readings."""
    at = np.arange(rng.uniform(0.0, period_s), truth.size * TICK_S - 0.1, period_s)
    at = np.sort(at + rng.uniform(0.0, jitter_s, at.size))
    seen = truth[(at / TICK_S).astype(int)] + rng.normal(0.0, noise, at.size)
    return at, np.round(seen / step) * step


def pair(rng: np.random.Generator, *, related: bool) -> tuple[float, Alignment | NotAligned]:
    """Worst error of the joint clock over the overlap [s] (NaN for unrelated logs), and what was found."""
    seconds = rng.uniform(90.0, 900.0)
    truth = drive(rng, seconds)
    other = truth if related else drive(rng, seconds)
    can_s, can = logged(rng, truth, 0.010, 0.001, 1.0, 3.0)
    true_s, console = logged(rng, other, 0.050, 0.002, 10.0, 8.0)
    late, early = rng.uniform(0.0, 0.2, 2) * seconds  # neither log holds the whole drive
    can_s, can = can_s[can_s > late], can[can_s > late]
    kept = true_s < seconds - early
    true_s, console = true_s[kept], console[kept]
    offset, drift = rng.uniform(-30.0, 30.0), rng.uniform(-100e-6, 100e-6)
    console_s = (true_s - offset) / (1.0 + drift)
    found = align_clocks(can_s, can, console_s, console)
    if isinstance(found, NotAligned) or not related:
        return float("nan"), found
    joint = console_s + found.offset_s + found.drift * (console_s - found.middle_s)
    overlap = (true_s >= can_s[0]) & (true_s <= can_s[-1])
    return float(np.max(np.abs(joint - true_s)[overlap])), found


def main(count: int) -> None:
    """Print the study."""
    errors, held, refused = [], [], []
    for seed in range(count):
        error, found = pair(np.random.default_rng([seed, 60]), related=True)
        if isinstance(found, NotAligned):
            refused.append(found.reason)
        else:
            errors.append(error)
    print(f"one drive: {len(errors)} of {count} aligned; worst error in the overlap, ms:", end=" ")
    print(", ".join(f"{q} %: {1000 * np.quantile(errors, q / 100):.2f}" for q in (50, 95, 99, 100)))
    for reason in refused:
        print(f"  refused: {reason}")
    for seed in range(count):
        _, found = pair(np.random.default_rng([seed, 61]), related=False)
        held.append(isinstance(found, Alignment))
        if isinstance(found, Alignment):
            print("  aligned in spite:", found)
    print(f"unrelated drives: {count - sum(held)} of {count} refused")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
