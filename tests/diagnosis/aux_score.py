"""How well the check of the 12 V side does: each drive is played once and logged many times, each log other noise.

    python tests/diagnosis/aux_score.py 10 [--first 100] [--only aux] [--rounded]

prints for each kind the events found and named with the cause, claims that are false, and how often the 95 % limits of
each resistance held the truth, in faulty and in sound drives. Sound drives are those of the catalogue; `--rounded` logs
the 12 V voltage in steps of 0.1 V.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from score_matching import match
from score_runs import CASES, layout_of, play
from score_signals import signals_of_drive, vehicle_for
from score_tally import share

from logscope.checks.aux_supply.check import aux_supply
from logscope.findings import Finding
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.simulate.drive import Drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.truth import TruthEvent

COARSE_V = 0.1


def runs(drive: Drive, seeds: range, rounded: bool) -> Iterator[tuple[list[TruthEvent], list[Finding], float]]:
    """Truth, findings and period of each log of a drive."""
    for seed in seeds:
        layout = layout_of(seed)
        vehicle = vehicle_for(layout)
        signals, start_s = signals_of_drive(drive, seed, layout, vehicle)
        signals = _rounded(signals) if rounded else signals
        truth = [event for event in drive_truth(drive, start_s) if event.kind.startswith("aux.")]
        yield truth, aux_supply(signals, Observations(signals, vehicle), vehicle), signals["aux_voltage"].period_s


def _rounded(signals: Signals) -> Signals:
    part = signals["aux_voltage"]
    coarse = replace(part, value=np.rint(part.value / COARSE_V) * COARSE_V, step=COARSE_V)
    return replace(signals, parts={**signals.parts, "aux_voltage": coarse})


def resistances(drive: Drive) -> dict[str, float]:
    """The true ones of a drive [ohm]."""
    aux = drive.scenario.aux
    return {
        "low_voltage_battery_ohm": aux.battery_ohm,
        "converter_resistance_ohm": aux.converter_ohm,
        "source_resistance_ohm": 1.0 / (1.0 / aux.converter_ohm + 1.0 / aux.charge_ohm),
        "cable_resistance_ohm": aux.converter_ohm,
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("logs", type=int, help="of each drive")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--rounded", action="store_true")
    asked = parser.parse_args()
    found: Counter[tuple[str, str]] = Counter()
    events: Counter[tuple[str, str]] = Counter()
    wrong: Counter[tuple[str, str]] = Counter()
    held: dict[str, list[bool]] = defaultdict(list)
    sound_s = 0.0
    for case in CASES.values():
        if asked.only not in case.name:
            continue
        drive, _ = play(case, asked.first)
        for truth, findings, period_s in runs(drive, range(asked.first, asked.first + asked.logs), asked.rounded):
            outcome = match(truth, findings, period_s)
            events.update((e.kind, e.cause or "") for e in truth)
            found.update((e.kind, e.cause or "") for e, c in outcome.matched if e.cause == c.cause)
            wrong.update((case.name, f"{c.kind} {c.cause or ''}") for c in (*outcome.misnamed, *outcome.false))
            wrong.update(
                (case.name, f"named {c.cause}, is {e.cause}") for e, c in outcome.matched if e.cause != c.cause
            )
            missed = (*outcome.missed, *outcome.renamed, *outcome.undetermined)
            wrong.update((case.name, f"missed {e.kind} {e.cause or ''}") for e in missed)
            sound_s += 0.0 if truth else drive.scenario.duration_s
            for finding in findings:
                for name, true in resistances(drive).items():
                    value = finding.measured.get(name)
                    if value is not None and value.low is not None and value.high is not None:
                        held[name].append(value.low <= true <= value.high)
    print("kind, cause: found and named %")
    for key, count in sorted(events.items()):
        print(f"  {' '.join(key):34s} {share(found[key], count)} of {count}")
    print("95 % limits that held the truth, %")
    for name, each in sorted(held.items()):
        print(f"  {name:34s} {share(sum(each), len(each))} of {len(each)}")
    print(f"wrong or missed ({sound_s / 3600:.2f} h without a fault of the 12 V side):")
    for (name, what), count in wrong.most_common():
        print(f"  {name}: {what} {count}")


if __name__ == "__main__":
    main()
