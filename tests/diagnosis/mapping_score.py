"""How well slips of a mapping are found before any check, and how often a sound drive is doubted.

    python tests/diagnosis/mapping_score.py 3            # three seeds of every case of the catalogue
    python tests/diagnosis/mapping_score.py 1 --first 50 --slips 20 --detail
    python tests/diagnosis/mapping_score.py --sound 10   # hours of sound driving alone (`sound_driving`)

plays every case with so many seeds, in turn through samplings and layouts. As it was played, a drive must get no doubt
(a wrong pulse count, which is a slip of the inverter's own settings, apart). Then single parts are made wrong, a random
choice of slips a drive (`mapping_slips`): by a factor, a sign, an offset, the order of two bytes, marks for “no value”,
a signal that is stuck. Counted are, for each kind of slip,

- decidable: whether the log holds anything that contradicts it (`mapping_evidence`);
- named: a `mapping.*` finding puts the part in doubt, or takes every mark out of it, and so no check rests on it;
  alone: no other part with it;
- blamed: a part that is sound is in doubt instead;
- verdicts: findings `good` or `danger` over the part, where it was decidable and is not named (with `--verdicts` the
  checks run where it is named too).

Limits are 95 %, exact (Clopper–Pearson; Garwood for rates).
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from mapping_evidence import Sound, decidable
from mapping_slips import Slip, slips
from score_runs import CASES, layout_of, play
from score_signals import signals_of_drive, vehicle_for
from score_tally import share
from sound_driving import outcomes

from logscope.findings import Severity
from logscope.pipeline import run_checks
from logscope.plausibility.examine import Plausible, examine
from logscope.signals import Signals
from logscope.statistics.rates import poisson_rate

_VERDICTS = (Severity.GOOD, Severity.DANGER)


@dataclass
class Score:
    """Counts by kind of slip, hours of sound driving, and what went wrong."""

    decidable: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    blamed: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)
    open_: Counter[str] = field(default_factory=Counter)
    open_named: Counter[str] = field(default_factory=Counter)
    hours: float = 0.0
    doubted: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    rested: list[str] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))


def score_case(name: str, first: int, seeds: int, many: int, verdicts: bool = False) -> Score:
    """All seeds of a case, so many slips each; `verdicts` runs the checks after every decidable slip."""
    score = Score()
    for seed in range(first, first + seeds):
        for part in _score_drive(name, seed, many, verdicts):
            score = score + part
    return score


def _score_drive(name: str, seed: int, many: int, verdicts: bool) -> Iterator[Score]:
    layout = layout_of(seed + list(CASES).index(name))
    drive, draw = play(CASES[name], seed)
    vehicle = vehicle_for(layout)
    signals, _ = signals_of_drive(drive, draw, layout, vehicle)
    label = f"{name}, seed {seed}, {layout.name}, {1e3 * (layout.period_s or 0):.0f} ms"
    if not name.startswith("encoder.scale"):
        plausible = examine(signals, vehicle)
        doubted, odd = (
            [f"{label}: {finding.title}" for finding in plausible.findings if chosen(finding)]
            for chosen in (lambda f: f.severity is Severity.WARNING, lambda f: f.kind == "mapping.odd")
        )
        yield Score(hours=drive.scenario.duration_s / 3600, doubted=doubted, odd=odd)
        rng, sound = np.random.default_rng([draw, 9]), Sound(signals, vehicle)
        possible = slips(signals, rng)
        for index in rng.choice(len(possible), min(many, len(possible)), replace=False):
            yield _slipped(label, possible[index], sound, verdicts)


def _slipped(label: str, slip: Slip, sound: Sound, verdicts: bool) -> Score:
    signals, vehicle = sound.signals, sound.vehicle
    wrong = replace(signals, parts={**signals.parts, slip.part: slip.apply(signals.parts[slip.part])})
    plausible = examine(wrong, vehicle)
    named, kind = _named(slip, signals, plausible), f"{slip.part} {slip.kind}"
    one = Counter([kind])
    if not decidable(slip, sound):
        return Score(open_=one, open_named=one if named else Counter())
    others = set(plausible.doubted) - {slip.part}
    out = named and slip.part not in plausible.doubted  # only the marks are out: what remains of the part is sound
    resting = _resting(slip.part, plausible) if not named or (verdicts and not out) else []
    return Score(
        decidable=one,
        named=one if named else Counter(),
        alone=one if named and not others else Counter(),
        blamed=one if others and not named else Counter(),
        verdicts=Counter({kind: len(resting)}),
        missed=[] if named else [f"{label}: {kind}: {[finding.title for finding in plausible.findings]}"],
        rested=[f"{label}: {kind}: {title}" for title in resting],
    )


def _named(slip: Slip, signals: Signals, plausible: Plausible) -> bool:
    """Whether no check can rest on what the slip made of its part."""
    if slip.part in plausible.doubted:
        return True
    if not slip.is_mark:
        return False
    part = signals.parts[slip.part]
    marked = part.time_s[slip.apply(part).value != part.value]
    told = any(finding.kind == "mapping.no_value" and slip.part in finding.parts for finding in plausible.findings)
    return told and not np.isin(marked, plausible.signals.parts[slip.part].time_s).any()


def _resting(part: str, plausible: Plausible) -> list[str]:
    """Verdicts over a part that is wrong."""
    findings, _ = run_checks(plausible.signals, plausible.vehicle)
    return [f"{f.kind}: {f.title}" for f in findings if f.severity in _VERDICTS and part in f.parts]


def print_score(score: Score, detail: bool) -> None:
    """The table."""
    print("slip                                   decidable  named %            alone  blamed verdicts | open, named")
    for by in (lambda kind: kind.rpartition("× ")[2] if "× " in kind else kind.partition(" ")[2], lambda kind: kind):
        groups: dict[str, list[str]] = {}
        for kind in sorted({*score.decidable, *score.open_}):
            groups.setdefault(by(kind), []).append(kind)
        for group, kinds in groups.items():
            total, named, alone, blamed, verdicts, open_, open_named = (
                sum(counts[kind] for kind in kinds)
                for counts in (
                    score.decidable, score.named, score.alone, score.blamed, score.verdicts,
                    score.open_, score.open_named,
                )
            )  # fmt: skip
            print(
                f"{group:38s} {total:9d}  {share(named, total):17s} {alone:6d} {blamed:7d} {verdicts:8d} | "
                f"{open_:4d} {open_named:6d}"
            )
        if not detail:
            break
        print()
    print(f"\nverdicts that rest on a slip that is decidable: {sum(score.verdicts.values())}")
    total, named = sum(score.decidable.values()), sum(score.named.values())
    print(f"all decidable slips: {total}, named {share(named, total)} %; blamed {sum(score.blamed.values())}")
    rate = poisson_rate(float(len(score.doubted)), score.hours)
    limits = f"{rate.value:.3f} ({rate.low:.3f} to {rate.high:.3f}) an hour"
    print(f"sound driving: {score.hours:.1f} h, doubts {len(score.doubted)}, {limits}")
    print(f"told as odd, without doubt: {len(score.odd)}")
    missed, rested = (score.missed, score.rested) if detail else ([], [])
    for title, lines in (("doubted", score.doubted), ("odd", score.odd), ("missed", missed), ("verdict", rested)):
        for line in lines:
            print(f"  {title}: {line}")


def print_sound(first: int, hours: float) -> None:
    """Each doubt as it is found, and the rate at the end."""
    driven, drives, doubts, odd = 0.0, 0, 0, 0
    for outcome in outcomes(first, hours):
        driven, drives = driven + outcome.hours, drives + 1
        doubts, odd = doubts + len(outcome.doubts), odd + len(outcome.odd)
        for title, lines in (("doubted", outcome.doubts), ("odd", outcome.odd)):
            for line in lines:
                print(f"{driven:.1f} h, {title}: {line}", flush=True)
    rate = poisson_rate(float(doubts), driven)
    print(f"sound driving: {driven:.1f} h in {drives} drives, told as odd {odd}")
    print(f"doubts {doubts}: {rate.value:.4f} ({rate.low:.4f} to {rate.high:.4f}) an hour")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int, nargs="?", default=1, help="of each case")
    parser.add_argument("--sound", type=float, default=0.0, help="hours of sound driving instead, in one process")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--slips", type=int, default=6, help="a drive")
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--verdicts", action="store_true", help="run the checks after every decidable slip")
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    if asked.sound:
        print_sound(asked.first, asked.sound)
        return
    names = [name for name in CASES if asked.only in name]
    total = Score()
    with ProcessPoolExecutor(asked.workers) as pool:
        count = len(names)
        asked_of_each = ([value] * count for value in (asked.first, asked.seeds, asked.slips, asked.verdicts))
        for score in pool.map(score_case, names, *asked_of_each):
            total = total + score
    print_score(total, asked.detail)


if __name__ == "__main__":
    main()
