"""Hours of sound driving through the checks of cooling, 12 V side and charging.

    python tests/diagnosis/sound_hours.py 20 --first 0

Nothing is wrong in any of them, so that each warning or danger is a false one. The drives are those of
`sound_driving`, each with a thermal chain, sensors' lags and a start of its own, cold or warm from the last drive. Each
is judged twice: as it was logged, and as a slow logger keeps it (temperatures every second or five, in steps of 1 °C;
the 12 V side once a second in steps of 0.1 V). Hours are those of the drives, each counted once.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from cooling_score import random_chain
from sound_driving import logged, sound_drive

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.check import aux_supply
from logscope.checks.charging.check import charging
from logscope.checks.cooling.check import cooling
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.plausibility.examine import examine
from logscope.signals import MissingPart, Part, Signals
from logscope.simulate.drive import Drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.thermal import Cooling
from logscope.statistics.rates import poisson_rate
from logscope.vehicle import Vehicle

_SLOW = ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out")
_SLOW_K, _SLOW_V, _SLOW_S = 1.0, 0.1, 1.0


def findings_of(signals: Signals, vehicle: Vehicle) -> Iterator[Finding]:
    """What the three checks say behind plausibility."""
    plausible = examine(signals, vehicle)
    observations = Observations(plausible.signals, plausible.vehicle)
    for check in (cooling, aux_supply, charging):
        try:
            yield from check(plausible.signals, observations, plausible.vehicle)
        except (MissingPart, NothingToCheck):
            continue


def with_own_cooling(drive: Drive, rng: np.random.Generator) -> Drive:
    """The same drive with a chain, sensors and a start of its own: what cools does not change the drive."""
    ambient_C = drive.scenario.cooling.ambient_C
    warm_K = float(rng.uniform(0.0, 35.0)) if rng.random() < 0.4 else 0.0
    cooled = Cooling(
        ambient_C=ambient_C, start_C=ambient_C + warm_K, chain=random_chain(rng),
        sensor_s=tuple(rng.uniform(1.0, 6.0, 3).tolist()),
    )  # fmt: skip
    return replace(drive, scenario=replace(drive.scenario, cooling=cooled))


def slowly(signals: Signals, rng: np.random.Generator) -> Signals:
    """The same as a slow logger keeps it."""
    parts = dict(signals.parts)
    for name in _SLOW:
        if name in parts:
            parts[name] = seldom(parts[name], float(rng.choice([1.0, 5.0])), _SLOW_K)
    if "aux_voltage" in parts:
        parts["aux_voltage"] = seldom(parts["aux_voltage"], _SLOW_S, _SLOW_V)
    return replace(signals, parts=parts)


def seldom(part: Part, period_s: float, step: float) -> Part:
    """A part whose readings come at most so often, in these steps."""
    step = max(step, part.step or 0.0)
    less = part.where(_kept(part.time_s, period_s))
    return replace(less, value=np.round(less.value / step) * step, step=step)


def _kept(time_s: FloatArray, period_s: float) -> np.ndarray:
    last, keep = -np.inf, np.zeros(time_s.size, np.bool_)
    for row, at_s in enumerate(time_s.tolist()):
        if at_s - last >= period_s - 1e-6:
            keep[row], last = True, at_s
    return keep


def _alarms(findings: Iterator[Finding]) -> list[Finding]:
    return [each for each in findings if each.severity in (Severity.WARNING, Severity.DANGER)]


def drive_for_hours(hours: float, first: int) -> None:
    """Each false claim as it is found, and the rate at the end."""
    driven, drives, seed, false = 0.0, 0, first, Counter[str]()
    while driven < hours:
        rng = np.random.default_rng([seed, 2101])
        played = sound_drive(seed, rng)
        if played is not None:
            own = np.random.default_rng([seed, 4714])
            drive, vehicle = with_own_cooling(played[0], own), played[1]
            happened = {event.kind for event in drive_truth(drive)}  # a charge begins before the key is off, say
            signals, how = logged(drive, vehicle, seed, rng)
            for way, kept in ((how, signals), (f"{how}, slowly", slowly(signals, own))):
                alarms = [each for each in _alarms(findings_of(kept, vehicle)) if each.kind not in happened]
                for each in alarms:
                    false[each.kind] += 1
                    print(f"seed {seed}, {way}: {each.kind} {each.cause or ''}: {each.title}", flush=True)
            driven, drives = driven + drive.scenario.duration_s / 3600.0, drives + 1
        seed += 1
    rate = poisson_rate(float(sum(false.values())), driven)
    print(f"sound driving: {driven:.1f} h in {drives} drives, each judged twice; seeds {first} to {seed - 1}")
    print(f"false {sum(false.values())}: {rate.value:.3f} ({rate.low:.3f} to {rate.high:.3f}) an hour, {dict(false)}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("hours", type=float)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    drive_for_hours(asked.hours, asked.first)


if __name__ == "__main__":
    main()
