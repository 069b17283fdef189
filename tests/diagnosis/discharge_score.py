"""How well the limits of a discharge hold, and what is wrongly claimed of it, by kind of fall and way of logging.

    python tests/diagnosis/discharge_score.py 40
    python tests/diagnosis/discharge_score.py 40 --first 5000 --ways stale "grid 50 ms" --falls bleeder
    python tests/diagnosis/discharge_score.py 40 --detail

draws falls of known truth (`discharge_falls`), logs each in one of several ways, and prints for each way and each kind
of fall: how often the 95 % limits of the time constant and of the time to 60 V held the truth, with exact limits
(Clopper–Pearson), and half their median width as a share of the truth; how many falls were judged; and the claims that
are false: "discharged" of a link that takes longer than allowed or stays live (a false all-clear), "slow" or "stays
live" of one that is neither. `--detail` lists the false claims and the limits that missed, with their seeds.
"""

from __future__ import annotations

import argparse
import os
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from discharge_falls import FALLS, WAYS, draw_fall
from one_check import findings_of
from scipy.stats import beta

from logscope.checks.discharge.check import discharge
from logscope.findings import Measured, NothingToCheck


@dataclass(frozen=True, slots=True)
class Interval:
    """Value with limits on both sides, and the truth."""

    truth: float
    value: float | None
    low: float
    high: float

    @property
    def held(self) -> bool:
        return self.low <= self.truth <= self.high

    @property
    def half_width_percent(self) -> float:
        return 100 * (self.high - self.low) / 2 / self.truth


@dataclass(frozen=True, slots=True)
class Judged:
    """One fall: its seed, way, kind and sensing; what it was, what it was called; and the limits that were given."""

    seed: int
    way: str
    fall: str
    sensing: str
    step_v: float
    true_kind: str
    kind: str
    constant: Interval | None
    time: Interval | None

    @property
    def false(self) -> str:
        """The false claim made of it, '' where none is."""
        if self.kind == "discharged" and self.true_kind != "discharged":
            return "all-clear"
        if self.kind == "stays_live" and self.true_kind != "stays_live":
            return "stays live"
        return "slow" if self.kind == "slow_discharge" and self.true_kind == "discharged" else ""


def judged(case: tuple[int, str, str]) -> Judged:
    """Draw one fall, log it, and run the check on it. case : seed, way, kind of fall"""
    seed, way, kind = case
    fall = draw_fall(seed, way, kind)
    try:
        (found, *_) = [f for f in findings_of(discharge, fall.signals, fall.vehicle) if f.end_s > fall.opened_s - 0.5]
    except (NothingToCheck, ValueError):
        return Judged(seed, way, kind, fall.sensing, fall.step_v, fall.kind, "nothing", None, None)
    return Judged(
        seed,
        way,
        kind,
        fall.sensing,
        fall.step_v,
        fall.kind,
        found.kind.removeprefix("dc_link."),
        _interval(fall.constant_s, found.measured.get("time_constant_s")),
        _interval(fall.time_to_60_s, found.measured.get("time_to_60V_s")),
    )


def _interval(truth: float | None, measured: Measured | None) -> Interval | None:
    if truth is None or not np.isfinite(truth) or measured is None or measured.value is None:
        return None
    low, high = measured.low, measured.high
    return Interval(truth, measured.value, -np.inf if low is None else low, np.inf if high is None else high)


def coverage(intervals: list[Interval]) -> str:
    """Share that held the truth with its exact 95 % limits, and the median of half the width."""
    known = [each for each in intervals if np.isfinite(each.low) and np.isfinite(each.high)]
    if not known:
        return f"{'-':>39s}"
    held, n = sum(each.held for each in known), len(known)
    low = beta.ppf(0.025, held, n - held + 1) if held else 0.0
    high = beta.ppf(0.975, held + 1, n - held) if held < n else 1.0
    width = float(np.median([each.half_width_percent for each in known]))
    return f"{n:5d} {100 * held / n:5.1f} ({100 * low:4.1f} to {100 * high:5.1f}) ±{width:7.3f} %"


def row(name: str, cases: list[Judged]) -> str:
    """One line of the table."""
    constants = [case.constant for case in cases if case.constant is not None]
    times = [case.time for case in cases if case.time is not None]
    false = Counter(case.false for case in cases if case.false)
    said = Counter(case.kind for case in cases)
    outcomes = ", ".join(f"{kind} {said[kind]}" for kind in sorted(said))
    wrong = ", ".join(f"{n} {claim}" for claim, n in sorted(false.items())) or "none"
    return f"{name:16s} {coverage(constants)}  {coverage(times)}  false: {wrong}; {outcomes}"


def print_table(cases: list[Judged]) -> None:
    """The score."""
    print(f"{'':16s} {'time constant: n, held %, half width':39s}  {'time to 60 V':39s}")
    print(row("all", cases))
    for name, of in (
        ("way", lambda case: case.way),
        ("fall", lambda case: case.fall),
        ("sensing", lambda case: case.sensing),
        ("step", lambda case: f"{case.step_v:g} V"),
    ):
        print(f"by {name}")
        for value in dict.fromkeys(of(case) for case in cases):
            print(row(f"  {value}", [case for case in cases if of(case) == value]))


def print_detail(cases: list[Judged]) -> None:
    """Each false claim and each limit that missed."""
    for case in cases:
        missed = [
            f"{name} {each.truth:.4g} not in {each.low:.4g} to {each.high:.4g}"
            for name, each in (("constant", case.constant), ("time", case.time))
            if each is not None and not each.held
        ]
        if case.false or missed:
            what = f"{case.way}, {case.fall}, {case.sensing}, {case.step_v:g} V: {case.true_kind} called {case.kind}"
            print(f"  {case.seed:5d} {what}; {'; '.join(missed)}{' FALSE' if case.false else ''}")


def main() -> None:
    """Run and print."""
    warnings.filterwarnings("ignore")
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=20, help="falls of each kind for each way of logging")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--ways", nargs="*", default=list(WAYS), choices=list(WAYS), metavar="WAY")
    parser.add_argument("--falls", nargs="*", default=list(FALLS), choices=list(FALLS), metavar="FALL")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.count)
    todo = [(seed, way, fall) for way in asked.ways for fall in asked.falls for seed in seeds]
    with ProcessPoolExecutor(asked.workers) as pool:
        cases = list(pool.map(judged, todo, chunksize=8))
    print_table(cases)
    if asked.detail:
        print_detail(cases)


if __name__ == "__main__":
    main()
