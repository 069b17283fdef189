"""How often the limits of “× per 100 A” hold the truth, on a simulated drive disturbed by a law of our choice.

    python tests/diagnosis/rate_score.py 400        # made logs for each law

The drive is the simulator's, sound; a single wrong reading each is set into its speed at random, at a rate growing by
a known factor with each 100 A of motor current and as a known power of the speed. In clusters, the rate of each stretch
is multiplied by a gamma variate of mean one (a negative binomial count: Cameron & Trivedi, Regression Analysis of Count
Data, 2nd ed. 2013, section 3.3). The whole encoder check runs. Limits are 95 %, exact (Clopper–Pearson).
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import product, repeat
from pathlib import Path

import numpy as np
from one_check import findings_of

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from score_signals import signals_of_drive, vehicle_for
from score_tally import share
from simulate_hour import long_drive

from logscope.checks.encoder.check import encoder
from logscope.findings import Severity
from logscope.signals import Signals
from logscope.simulate.drive import simulate_drive
from logscope.simulate.layouts import AS_DEFINED
from logscope.vehicle import Vehicle

_DRIVE_S, _SEED = 900.0, 77
_WRONG_RPM = 900.0  # each is found: twice what tyres allow between two values
_CLUSTER_S = 2.0  # as long as a loose plug shakes
_RUNNING_RPM = 200.0


@dataclass(frozen=True, slots=True)
class Law:
    """Expected disturbances in all, factor on their rate for each 100 A, power of the speed, and clusters or not."""

    count: int
    factor: float
    power: float
    clustered: bool


LAWS = [Law(*each) for each in product((25, 80, 250), (1.0, 1.6, 3.0), (0.0, 1.0), (False, True))]


@cache
def _sound() -> tuple[Signals, Vehicle]:
    layout = replace(AS_DEFINED, period_s=0.01)
    vehicle = vehicle_for(layout)
    drive = simulate_drive(replace(long_drive(_DRIVE_S), interference=()), _SEED)
    return signals_of_drive(drive, _SEED, layout, vehicle)[0], vehicle


def disturbed(law: Law, seed: int) -> tuple[Signals, Vehicle]:
    """The drive with disturbances by the law."""
    signals, vehicle = _sound()
    rng = np.random.default_rng(seed)
    speed, current = signals["motor_speed"], signals["motor_current"]
    amps = np.interp(speed.time_s, current.time_s, np.abs(current.value))
    running = np.abs(speed.value) > _RUNNING_RPM
    rate = np.where(running, law.factor ** (amps / 100.0) * np.maximum(np.abs(speed.value), 1.0) ** law.power, 0.0)
    if law.clustered:
        stretch = (speed.time_s / _CLUSTER_S).astype(np.intp)
        rate *= rng.gamma(0.5, 2.0, stretch[-1] + 1)[stretch]
    hit = np.flatnonzero(rng.random(speed.value.size) < law.count * rate / rate.sum())
    value = speed.value.copy()
    value[hit] += rng.choice([-_WRONG_RPM, _WRONG_RPM], hit.size)
    parts = {**signals.parts, "motor_speed": replace(speed, value=value)}
    return Signals(parts, signals.start_s, signals.end_s), vehicle


def judge(law: Law, seed: int) -> tuple[bool, bool, bool]:
    """Whether a factor was told, whether its limits hold the truth, and whether current is named as the reason."""
    noise = next((f for f in findings_of(encoder, *disturbed(law, seed)) if f.kind == "encoder.noise"), None)
    factor = noise.measured.get("rate_ratio_per_100A") if noise is not None else None
    if noise is None or factor is None or factor.low is None:
        return False, False, False
    held = factor.low <= law.factor and (factor.high is None or law.factor <= factor.high)
    return True, held, noise.severity is Severity.WARNING


def main() -> None:
    """Run and print."""
    count = int(sys.argv[1])
    print("disturbances, × per 100 A, power of speed, clustered: limits hold the truth %, said to follow current %")
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        whole = np.zeros(2, dtype=int)
        for law in LAWS:
            told = np.array(list(pool.map(judge, repeat(law, count), range(count), chunksize=20)))
            whole += [told[:, 0].sum(), told[:, 1].sum()]
            print(
                f"{law.count:4d}  × {law.factor:.1f}  {law.power:.0f}  {'clustered' if law.clustered else 'alone':9s}  "
                f"{share(int(told[:, 1].sum()), int(told[:, 0].sum())):14s}  {share(int(told[:, 2].sum()), count)}",
                flush=True,
            )
    print("all", share(int(whole[1]), int(whole[0])))


if __name__ == "__main__":
    main()
