"""How well the link's time constant is found behind a sensing lag, with R·C told.

    python tests/diagnosis/two_pole_score.py 100

draws that many complete precharges with a lag between 0 and 80 ms, and prints the error of the link's constant, beside
that of a plain one-exponential fit, and how often the limits hold the truth.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from precharge_cases import random_precharge
from precharge_score import judged, plain_fit

from logscope.findings import Measured

LAGS_S = (0.0, 0.08)
TOLD_OFF = 0.10  # R and C are told to this share: what parts are made to


@dataclass(frozen=True, slots=True)
class TwoPole:
    """One case: outcome, lag, true constant, what was found of it (None where no limits), error of a plain fit."""

    outcome: str
    lag_s: float
    truth_s: float
    found: Measured | None
    plain_error: float | None

    @property
    def error(self) -> float | None:
        """Relative error of the constant; None where none was found."""
        return None if self.found is None or self.found.value is None else self.found.value / self.truth_s - 1

    @property
    def held(self) -> bool:
        """Whether the limits hold the truth."""
        found = self.found
        return found is not None and (found.low or 0.0) <= self.truth_s <= (found.high or np.inf)


def two_pole(seed: int) -> TwoPole:
    """Run the check on one precharge behind a lag."""
    rng = np.random.default_rng([seed, 31])
    lag_s = rng.uniform(*LAGS_S)
    case = random_precharge(
        seed, lag_s=lag_s, rc_ratio=rng.uniform(1 - TOLD_OFF, 1 + TOLD_OFF), sampling_s=rng.choice([0.005, 0.01, 0.02])
    )
    findings = judged(case)
    outcome = "+".join(f.kind.removeprefix("precharge.") for f in findings) or "nothing"
    truth_s = case.truth.time_constant_s
    found = findings[0].measured.get("time_constant_s") if findings else None
    plain = plain_fit(case)
    plain_error = None if plain is None else plain / truth_s - 1
    known = found is not None and None not in (found.value, found.low, found.high)
    return TwoPole(outcome, lag_s, truth_s, found if known else None, plain_error)


def two_poles(seeds: Iterable[int]) -> list[TwoPole]:
    return [two_pole(seed) for seed in seeds]


def main() -> None:
    """Print the score."""
    warnings.filterwarnings("ignore")
    cases = two_poles(range(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
    known = [case for case in cases if case.error is not None]
    print(f"{len(known)} of {len(cases)} tell the link's constant")
    print(f"median |error| {100 * np.median([abs(c.error or 0.0) for c in known]):.2f} %")
    plain = [abs(c.plain_error) for c in known if c.plain_error is not None]
    print(f"median |error| of a plain fit {100 * np.median(plain):.2f} %")
    print(f"limits hold the truth in {100 * np.mean([bool(c.held) for c in known]):.1f} %")
    for case in cases:
        if case.outcome != "complete" or (case.error is not None and abs(case.error) > 0.1):
            print(f"  lag {1e3 * case.lag_s:.0f} ms: {case.outcome}, error {case.error}")


if __name__ == "__main__":
    main()
