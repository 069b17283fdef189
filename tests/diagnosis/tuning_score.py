"""How well the tuning checks do on made loops, drivelines and packs with known constants.

    python tests/diagnosis/tuning_score.py 50 --first 5000

prints, for that many seeds each, how often the 95 % limits hold the truth, the median error, how many swings of three
times the noise are found, and false alarms in healthy hours. Loops are made by scipy.signal.lsim, the rest by formula;
then come loops of the simulator, beside what scipy fits to their noise-free answer, and its sound driving.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from one_check import findings_of

sys.path.insert(0, str(Path(__file__).parents[1] / "checks"))

from loop_traces import loop_log
from tuning_drives import as_it_answers, is_alarm, loop_drive, sound_drives
from tuning_traces import TICK_S, launches, loaded_battery

from logscope.checks.battery.check import battery
from logscope.checks.current_control.check import current_control
from logscope.checks.driveline.check import driveline
from logscope.checks.machine.check import machine
from logscope.checks.regeneration.check import regeneration
from logscope.checks.throttle.check import throttle
from logscope.findings import Finding, Measured
from logscope.physics.second_order import overshoot_share
from logscope.vehicle import Motor, Vehicle

TUNING = (current_control, driveline, throttle, machine, regeneration, battery)
VEHICLE = Vehicle(motor=Motor(max_speed_rpm=9000))
Pairs = Iterator[tuple[str, Measured | None, float]]


def of_kind(findings: list[Finding], kind: str) -> Finding | None:
    """The finding of a kind, None where there is none."""
    return next((each for each in findings if each.kind == kind), None)


def loops(seed: int, ramp_s: float) -> Pairs:
    """Overshoot, frequency and damping of a loop that is slow enough for messages every 10 ms."""
    rng = np.random.default_rng(seed)
    frequency, damping = rng.uniform(3, 10), rng.uniform(0.15, 0.7)
    made = loop_log(rng, frequency, damping, seconds=8.0, ramp_s=ramp_s)
    yield from _response(findings_of(current_control, made, VEHICLE), frequency, damping)


def simulated_loops(seed: int) -> Pairs:
    """The same of the simulator's loop, at the frequencies that messages every 2 ms show."""
    rng = np.random.default_rng(seed)
    frequency, damping = rng.uniform(15, 50), rng.uniform(0.15, 0.7)
    signals, vehicle, drive = loop_drive(seed, frequency, damping)
    yield from _response(findings_of(current_control, signals, vehicle), *as_it_answers(drive, frequency, damping))


def _response(findings: list[Finding], frequency: float, damping: float) -> Pairs:
    found = of_kind(findings, "current_control.response")
    truth = {
        "overshoot_percent": 100 * overshoot_share(damping),
        "natural_frequency_Hz": frequency,
        "damping_ratio": damping,
    }
    for name, value in truth.items():
        yield name, found.measured[name] if found else None, value


def drivelines(seed: int) -> Pairs:
    """Frequency and damping of a launch judder."""
    rng = np.random.default_rng(seed)
    frequency, damping = rng.uniform(3, 12), rng.uniform(0.03, 0.15)
    found = of_kind(findings_of(driveline, launches(rng, frequency, damping), VEHICLE), "driveline.judder")
    for name, value in {"judder_Hz": frequency, "damping_ratio": damping}.items():
        yield name, found.measured[name] if found else None, value


def packs(seed: int, period_s: float) -> Pairs:
    """Resistance of a pack."""
    rng = np.random.default_rng(seed)
    ohm = rng.uniform(0.05, 0.2)
    found = of_kind(findings_of(battery, loaded_battery(rng, ohm, period_s), VEHICLE), "battery.resistance")
    yield "resistance_ohm", found.measured["resistance_ohm"] if found else None, ohm


def swing_found(seed: int, noises: float = 3.0) -> bool:
    """Whether a swing of so many times the noise is found within 0.5 Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 20, TICK_S)
    frequency, begin_s = rng.uniform(10, 45), rng.uniform(4, 12)
    on = (t > begin_s) & (t < begin_s + rng.uniform(2, 6))
    swing = on * noises * np.sin(2 * np.pi * frequency * t)
    found = of_kind(
        findings_of(current_control, loop_log(rng, 60, 0.8, seconds=20, added=swing), VEHICLE),
        "current_control.oscillation",
    )
    value = found.measured["swing_Hz"].value if found else None
    return value is not None and abs(value - frequency) < 0.5


def false_alarms(seed: int, seconds: float = 3600.0) -> int:
    """Swings claimed in an hour of a healthy loop."""
    made = loop_log(np.random.default_rng(seed), 60, 0.8, seconds=seconds)
    return of_kind(findings_of(current_control, made, VEHICLE), "current_control.oscillation") is not None


def _row(name: str, pairs: list[tuple[str, Measured | None, float]]) -> None:
    for value in dict.fromkeys(each[0] for each in pairs):
        own = [(m, truth) for key, m, truth in pairs if key == value]
        seen = [(m, t) for m, t in own if m is not None and m.value is not None]
        held = [m.low is not None and m.high is not None and m.low <= t <= m.high for m, t in seen]
        error = np.median([abs(m.value / t - 1) for m, t in seen]) if seen else float("nan")  # type: ignore[operator]
        share = 100 * np.mean(held)
        print(f"{name:18s} {value:22s} given {len(seen)}/{len(own)}  held {share:5.1f} %  error {100 * error:.2f} %")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=5000, help="first seed")
    asked = parser.parse_args()
    count, seeds = asked.seeds, range(asked.first, asked.first + asked.seeds)
    _row("loop, steps", [pair for seed in seeds for pair in loops(seed, 1e-4)])
    _row("loop, 0.1 s ramps", [pair for seed in seeds for pair in loops(seed, 0.1)])
    _row("driveline", [pair for seed in seeds for pair in drivelines(seed)])
    _row("pack, 10 ms", [pair for seed in seeds for pair in packs(seed, 0.01)])
    _row("pack, 100 ms", [pair for seed in seeds for pair in packs(seed, 0.1)])
    print(f"swings of three times the noise found: {100 * np.mean([swing_found(s) for s in seeds]):.1f} %")
    hours = max(count // 5, 1)
    print(f"false alarms in {hours} healthy hours: {sum(false_alarms(s) for s in seeds[:hours])}")
    _row("simulated loop", [pair for seed in seeds for pair in simulated_loops(seed)])
    driven_h, held = sound_drives(TUNING, hours=max(count / 10, 0.5), seed=asked.first - 5000)
    alarms = sum(is_alarm(finding) for _, _, finding in held)
    print(
        f"{driven_h:.2f} h of the simulator's sound driving: {alarms} alarms, {len(held) - alarms} small swings noted"
    )
    for case, seed, finding in held:
        print(f"    {case}, seed {seed}: {finding.kind}, {finding.severity}, {finding.title}")


if __name__ == "__main__":
    main()
