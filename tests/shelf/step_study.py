"""How well steps and drifts are found over the logs of many vehicles, against known truth. Prints, asserts nothing.

    python tests/shelf/step_study.py 200 --logs 60

Each vehicle has one measure that is sound, steps once, or drifts. What a log measures scatters by the measure's own
repeatability and by the error of the estimate; some logs lack it, and some errors have heavy tails, which the limits of
the log do not state.
"""

from __future__ import annotations

import argparse
from collections import Counter
from datetime import UTC, datetime, timedelta

import numpy as np

from logscope.checks.measures import MEASURES
from logscope.findings import Measured
from logscope.history.collect import history_of
from logscope.history.rows import Row
from logscope.measures import Repeated

_START = datetime(2026, 3, 1, tzinfo=UTC)
_LACKING = 0.2  # of the logs do not hold the measure
_ERRORS = (0.3, 1.5)  # of one log, as a multiple of the repeatability
_TAIL = 4.0  # degrees of freedom of the errors
_NAMES = ("sound", "step", "drift")


def vehicle(rng: np.random.Generator, measure: Repeated, kind: str, logs: int) -> tuple[list[Row], int]:
    """The rows of one vehicle, and the log from which on its level is another."""
    at = int(rng.integers(logs // 6, logs - logs // 6))
    size = measure.margin * rng.uniform(2.0, 6.0) * rng.choice([-1.0, 1.0])
    where = np.arange(logs)
    course = {"sound": 0.0 * where, "step": size * (where >= at), "drift": size * where / logs}[kind]
    base = 1.0 if measure.ratio else 20.0
    days = np.cumsum(rng.exponential(2.0, logs))
    rows = []
    for n in where:
        error = measure.repeatability * rng.uniform(*_ERRORS)
        level = course[n] + rng.normal(0.0, measure.repeatability) + error * rng.standard_t(_TAIL) / np.sqrt(2.0)
        reach = 1.96 * np.hypot(error, measure.repeatability)  # as a row's limits, with the scatter from time to time
        three = (base * np.exp([level, level - reach, level + reach]) if measure.ratio
                 else base + np.array([level, level - reach, level + reach]))  # fmt: skip
        value = Measured(float(three[0]), measure.unit, float(three[1]), float(three[2]))
        values = {} if rng.random() < _LACKING else {measure.name: value}
        rows.append(Row(str(n), _START + timedelta(days=float(days[n])), True, 60.0, values))
    return rows, at


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
        kind = _NAMES[seed % len(_NAMES)]
        rows, at = vehicle(rng, measures[seed % len(measures)], kind, given.logs)
        found = history_of("", rows).drifts
        counts[kind, "all"] += 1
        if found:
            counts[kind, "step" if found[0].step else "drift"] += 1
        if kind == "step" and found and found[0].step:
            held = [int(row.log) for row in rows if row.values]  # a log that lacks the measure cannot show the step
            first = next(n for n in held if n >= at)
            counts[kind, "placed"] += abs(held.index(int(found[0].step.log)) - held.index(first)) <= 1
    for kind in _NAMES:
        whole = counts[kind, "all"]
        said = ", ".join(f"{counts[kind, name]} {name}" for name in ("step", "drift", "placed") if counts[kind, name])
        print(f"{kind}: {whole} vehicles; found: {said or 'nothing'}")


if __name__ == "__main__":
    main()
