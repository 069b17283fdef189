"""How well steps and drifts are found over the logs of many vehicles, against known truth. Prints, asserts nothing.

    python tests/shelf/step_study.py 200 --logs 60

Each vehicle has one measure with one of `COURSES`. What a log measures scatters by the measure's own repeatability and
by the error of the estimate; some logs lack it, and some errors have heavy tails, which the limits of the log do not
state. A claim counts as placed where it is within one log that holds the measure, as false where nothing changed near.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.history import history_of
from logscope.history.rows import Row
from logscope.measures import Repeated

_START = datetime(2026, 3, 1, tzinfo=UTC)
_LACKING = 0.2  # of the logs do not hold the measure
_ERRORS = (0.3, 1.5)  # of one log, as a multiple of the repeatability
_TAIL = 4.0  # degrees of freedom of the errors
_NEAR = 3  # logs: a step farther from any true one is false
_PERIODS_S = (0.01, 0.1)


@dataclass(frozen=True)
class Truth:
    """The course of one measure: its level in each log, the first log of each new level, and how each was sampled."""

    level: np.ndarray
    steps: tuple[int, ...] = ()
    drifts: bool = False
    sampling: np.ndarray | None = None


def _places(rng: np.random.Generator, logs: int, count: int) -> list[int]:
    """Apart from one another and from the ends by a tenth of the logs."""
    while True:
        places = sorted(int(each) for each in rng.integers(logs // 10, logs - logs // 10, count))
        if all(b - a >= logs // 10 for a, b in pairwise(places)):
            return places


def _stepped(rng: np.random.Generator, logs: int, size: float, count: int) -> Truth:
    places = _places(rng, logs, count)
    sizes = size * rng.choice([-1.0, 1.0], count) * rng.uniform(0.7, 1.5, count)
    return Truth(sum(each * (np.arange(logs) >= at) for each, at in zip(sizes, places, strict=True)), tuple(places))


def _aged(rng: np.random.Generator, logs: int, size: float) -> Truth:
    """It rises, and falls when the part is replaced."""
    (at,) = _places(rng, logs, 1)
    where = np.arange(logs)
    return Truth(1.5 * size * where / logs - size * (where >= at), (at,), drifts=True)


def _other_logger(rng: np.random.Generator, logs: int, size: float) -> Truth:
    """The logs read otherwise from one on, for they are sampled otherwise."""
    (at,) = _places(rng, logs, 1)
    late = np.arange(logs) >= at
    return Truth(size * late, sampling=late.astype(int))


def _loggers_by_turns(rng: np.random.Generator, logs: int, size: float) -> Truth:
    truth = _stepped(rng, logs, size, 1)
    way = rng.integers(0, 2, logs)
    return Truth(truth.level + 0.5 * size * way, truth.steps, sampling=way)


COURSES: dict[str, Callable[[np.random.Generator, int, float], Truth]] = {
    "sound": lambda rng, logs, size: Truth(np.zeros(logs)),
    "one step": lambda rng, logs, size: _stepped(rng, logs, size, 1),
    "two steps": lambda rng, logs, size: _stepped(rng, logs, size, 2),
    "three steps": lambda rng, logs, size: _stepped(rng, logs, size, 3),
    "drift": lambda rng, logs, size: Truth(size * np.arange(logs) / logs, drifts=True),
    "aged and replaced": _aged,
    "seasons": lambda rng, logs, size: Truth(0.5 * size * np.sin(np.arange(logs) * 9.4 / logs + rng.uniform(0, 6))),
    "another logger": _other_logger,
    "loggers by turns": _loggers_by_turns,
}


def vehicle(rng: np.random.Generator, measure: Repeated, course: str, logs: int) -> tuple[list[Row], Truth]:
    """The rows of one vehicle, and what is true."""
    truth = COURSES[course](rng, logs, measure.margin * rng.uniform(2.0, 6.0))
    base = 1.0 if measure.ratio else 20.0
    days = np.cumsum(rng.exponential(2.0, logs))
    rows = []
    for n in range(logs):
        error = measure.repeatability * rng.uniform(*_ERRORS)
        level = truth.level[n] + rng.normal(0.0, measure.repeatability) + error * rng.standard_t(_TAIL) / np.sqrt(2.0)
        reach = 1.96 * np.hypot(error, measure.repeatability)  # as a row's limits, with the scatter from time to time
        three = (base * np.exp([level, level - reach, level + reach]) if measure.ratio
                 else base + np.array([level, level - reach, level + reach]))  # fmt: skip
        value = Measured(float(three[0]), measure.unit, float(three[1]), float(three[2]))
        values = {} if rng.random() < _LACKING else {measure.name: value}
        period_s = _PERIODS_S[0 if truth.sampling is None else truth.sampling[n]]
        date = _START + timedelta(days=float(days[n]))
        rows.append(Row(str(n), date, True, 60.0, values, periods_s={measure.name: period_s}))
    return rows, truth


def main() -> None:
    """Print found, placed and false, by what is true."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("vehicles", type=int)
    options.add_argument("--logs", type=int, default=60)
    options.add_argument("--first", type=int, default=1)
    given = options.parse_args()
    measures = [measure for measure in MEASURES if isinstance(measure, Repeated)]
    counts: Counter[tuple[str, str]] = Counter()
    for seed in range(given.first, given.first + given.vehicles):
        rng = np.random.default_rng(seed)
        course = list(COURSES)[seed % len(COURSES)]
        rows, truth = vehicle(rng, measures[seed % len(measures)], course, given.logs)
        drifts = history_of("", rows).drifts
        held = [n for n, row in enumerate(rows) if row.values]  # a log that lacks the measure cannot show the step
        true = [next((k for k, n in enumerate(held) if n >= at), len(held)) for at in truth.steps]
        said = [held.index(int(drift.step.log)) for drift in drifts if drift.step and not drift.coincides]
        counts[course, "vehicles"] += 1
        counts[course, "steps"] += len(true)
        counts[course, "found"] += sum(any(abs(at - each) <= _NEAR for each in said) for at in true)
        counts[course, "placed"] += sum(any(abs(at - each) <= 1 for each in said) for at in true)
        counts[course, "false"] += any(all(abs(at - each) > _NEAR for at in true) for each in said)
        drifted = any(drift.step is None for drift in drifts)
        counts[course, "drifts"] += drifted
        counts[course, "false drift"] += drifted and not truth.drifts
        counts[course, "not comparable"] += any(drift.coincides for drift in drifts)
    columns = ("vehicles", "steps", "found", "placed", "false", "drifts", "false drift", "not comparable")
    print(f"{'course':18}", *(f"{name:>8}" for name in columns))  # from `false` on, vehicles that have such a claim
    for course in COURSES:
        print(f"{course:18}", *(f"{counts[course, name]:{max(8, len(name))}}" for name in columns))


if __name__ == "__main__":
    main()
