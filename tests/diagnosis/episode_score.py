"""How well disturbed readings and trips are found, named and explained, by sampling; and alarms in sound driving.

    python tests/diagnosis/episode_score.py 36          # seeds of each case of the catalogue
    python tests/diagnosis/episode_score.py 0 100       # hours of sound driving alone
    python tests/diagnosis/episode_score.py 36 --clean --detail

Every log is dirty as those of real loggers are (`logging_dirt`); `--clean` leaves that out. The whole program runs, and
what it says of encoder and trips is scored; `--detail` lists each false claim with the dirt of its log. A disturbance
is counted where the samples of the log show it by three times the envelope: three steps of the reading, and three times
what the shaft can turn by between two of its values. In gear that is what tyres hold, 1 g. A wheel that slips frees the
rotor, which takes some 50 ms: what stands in the log for longer than that is counted from three times the free rotor's
reach on, and what lies in between is told apart ("could be slip"). What falls between two samples no method can show. A
spike is what lasts up to 35 ms: where the samples leave open whether it did, either name is right. Limits are 95 %,
exact (Clopper–Pearson; Garwood).
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product, repeat
from math import pi
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from drive_catalogue import healthy
from logging_dirt.drive_log import DirtyLog, dirty_log
from logging_dirt.whole_log import checked
from score_matching import TOLERANCE_S, Claim, claims_of
from score_runs import CASES, layout_of, play
from score_signals import vehicle_for
from score_tally import per_hour, share
from simulate_hour import long_drive

from logscope.findings import Finding, Severity
from logscope.simulate.drive import ROW_S, Drive, simulate_drive
from logscope.simulate.layouts import LAYOUTS, SAMPLINGS_S
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import Vehicle

TIMES = 3.0
SPIKE_S = 0.035  # as the simulator's truth tells it from a burst
_GRAVITY, _RPM = 9.81, 60.0 / (2.0 * pi)
_SLIP_S = 0.05
_BRIEF = ("encoder.spike", "encoder.dropout", "encoder.reversal", "encoder.burst", "encoder.hold")
_RESTART = "encoder.restart"  # a controller that restarts at speed: dirt that may be told, under whatever name
_SOUND_HOUR_S = 3600.0
Counts = Counter[tuple[str, ...]]


def findings_of(log: DirtyLog) -> list[Finding]:
    """What is said of encoder and trips."""
    return [f for f in checked(log.text, log.vehicle).findings if _topic(f.kind) in ("encoder", "trip")]


@dataclass(frozen=True)
class Shown:
    """What the samples of a log show of a disturbance.

    size_rpm : largest deviation; least_s, most_s : between the disturbed samples at its ends, and the sound ones around
    """

    size_rpm: float
    least_s: float
    most_s: float


def shown(event: TruthEvent, drive: Drive, log: DirtyLog) -> Shown:
    """What the log's samples hold of an event."""
    stamped_s, taken_s = log.measured
    time_s = log.clock.log_s(taken_s)
    rows = np.clip((taken_s / ROW_S).astype(np.int64), 0, drive.time_s.size - 1)
    size = np.abs(drive.column("deviation_rpm")[rows])
    at = np.flatnonzero((time_s >= event.start_s) & (time_s < event.end_s) & (size > 0))
    if not at.size:
        return Shown(0.0, 0.0, 0.0)
    around = stamped_s[[max(at[0] - 1, 0), min(at[-1] + 1, time_s.size - 1)]]
    return Shown(float(size[at].max()), float(stamped_s[at[-1]] - stamped_s[at[0]]), float(around[1] - around[0]))


def class_of(seen: Shown, drive: Drive, vehicle: Vehicle, period_s: float) -> str:
    """Whether a disturbance is beyond three times the envelope, may be a wheel's slip, or is small."""
    line, motor = vehicle.driveline, vehicle.motor
    assert line.ratio
    assert line.wheel_radius_m
    assert motor.max_torque_Nm
    assert motor.rotor_inertia_kgm2
    value_s = max(period_s, drive.scenario.encoder.window_s)
    in_gear, free = _GRAVITY / line.wheel_radius_m * line.ratio, motor.max_torque_Nm / motor.rotor_inertia_kgm2
    reach = [TIMES * max(drive.scenario.encoder.step_rpm, slew * _RPM * value_s) for slew in (in_gear, free)]
    if seen.size_rpm < reach[0]:
        return "small"
    return "could be slip" if seen.most_s > _SLIP_S and seen.size_rpm < reach[1] else "beyond"


def names_of(event: TruthEvent, seen: Shown) -> set[str]:
    """The names that fit what the samples show."""
    if event.kind not in ("encoder.spike", "encoder.burst"):
        return {event.kind}
    fits = {"encoder.spike"} if seen.least_s <= SPIKE_S else set()
    return fits | ({"encoder.burst"} if seen.most_s > SPIKE_S else set())


def play_faults(name: str, seed: int, clean: bool = False) -> tuple[Counts, list[str]]:
    """Counts of one fault case, each under (what, sampling, …), and its false claims in words."""
    drive, draw = play(CASES[name], seed, clean=clean)
    layout = layout_of(seed)
    vehicle = vehicle_for(layout)
    log = dirty_log(drive, draw, layout, vehicle, clean=clean)
    period_s = layout.period_s or 0.0
    tolerance_s, at = TOLERANCE_S + 2 * max(period_s, log.dirt.resolution_s), f"{1e3 * period_s:.0f}"
    claims = [c for c in claims_of(findings_of(log)) if not c.kind.endswith(".undetermined")]
    counts: Counts = Counter()
    false: list[str] = []
    truth = [event for event in log.truth if event.kind in (*_BRIEF, _RESTART) or event.kind.startswith("trip.")]
    for event in truth:
        if event.kind == _RESTART:
            continue
        beside = [c for c in claims if _topic(c.kind) == _topic(event.kind) and _near(event, c, tolerance_s)]
        what = "trip"
        if event.kind in _BRIEF:
            seen = shown(event, drive, log)
            what = class_of(seen, drive, vehicle, period_s)
            called = min(beside, key=lambda c: abs(c.start_s - event.start_s)).kind if beside else ""
            if beside and what != "small":
                counts["named", at, event.kind, event.kind if called in names_of(event, seen) else called] += 1
        counts[what, at, event.kind, "found" if beside else "missed"] += 1
        if event.cause and beside:
            counts["cause", at, event.cause, beside[0].cause or "undetermined"] += 1
    for claim in claims:
        if claim.kind in _BRIEF or claim.kind == "trip.overcurrent":
            true = any(_topic(e.kind) == _topic(claim.kind) and _near(e, claim, tolerance_s) for e in truth)
            counts["claim", at, _topic(claim.kind), "true" if true else "false"] += 1
            if not true:
                counts["seed", at, claim.kind, f"{name} --first {seed}"] += 1
                what = f"{claim.kind} ({claim.severity.value}) at {claim.start_s:.2f} s: {claim.title}"
                events = ", ".join(f"{event.kind} {event.start_s:.2f} s" for event in truth)
                false.append(f"{name}, seed {seed}: {what}\n      dirt: {', '.join(log.dirt.what)}; true: {events}")
    return counts, false


def _topic(kind: str) -> str:
    return kind.split(".")[0]


def _near(event: TruthEvent, claim: Claim, tolerance_s: float) -> bool:
    return event.start_s - tolerance_s <= claim.end_s and claim.start_s <= event.end_s + tolerance_s


def play_sound(turn: int, hours: float, clean: bool = False) -> tuple[float, list[str]]:
    """Hours of sound driving in one of all ways to log it, half in long drives: hours, alarms in words."""
    names = [case.name for case in healthy() if case.scenario.charge is None]
    sound = replace(long_drive(min(_SOUND_HOUR_S, 1800.0 * hours)), interference=())
    driven_s, alarms, seed = 0.0, list[str](), 10_000 + 1000 * turn
    while driven_s < 3600.0 * hours:
        alone = driven_s < 1800.0 * hours
        name = "long" if alone else names[seed % len(names)]
        drive, draw = (simulate_drive(sound, seed), seed) if alone else play(CASES[name], seed, clean=clean)
        layout = layout_of(turn)
        log = dirty_log(drive, draw, layout, vehicle_for(layout), clean=clean)
        seed += 1
        if log.dirt.spoils:
            continue
        alarms += [
            f"{name}, seed {seed - 1}, {layout.name} at {1e3 * (layout.period_s or 0):.0f} ms: {found.kind} "
            f"({found.title}); dirt: {', '.join(log.dirt.what)}"
            for found in findings_of(log)
            if found.severity.rank >= Severity.WARNING.rank
        ]
        driven_s += drive.scenario.duration_s
    return driven_s / 3600.0, alarms


def print_faults(counts: Counts) -> None:
    """The tables of the faults."""
    samplings = ("", *(f"{1e3 * each:.0f}" for each in SAMPLINGS_S))
    print("disturbances of three times the envelope: found %, true claims %, F1; kind right %; where it could be slip")
    for at in samplings:
        found, events = _sum(counts, "beyond", at, last="found"), _sum(counts, "beyond", at)
        true, claims = _sum(counts, "claim", at, "encoder", "true"), _sum(counts, "claim", at, "encoder")
        recall, precision = found / max(events, 1), true / max(claims, 1)
        f1 = 2 * recall * precision / max(recall + precision, 1e-9)
        right = sum(n for key, n in counts.items() if key[0] == "named" and at in ("", key[1]) and key[2] == key[3])
        open_found, open_ = _sum(counts, "could be slip", at, last="found"), _sum(counts, "could be slip", at)
        print(
            f"  {_at(at)}  {share(found, events):14s} of {events:4d}  {share(true, claims):14s} {f1:.3f}; "
            f"{share(right, _sum(counts, 'named', at)):14s}; {share(open_found, open_):14s} of {open_}"
        )
    print("named otherwise, or missed: kind, as, sampling")
    for (what, at, kind, name), n in sorted(counts.items()):
        if (what == "named" and kind != name) or (what == "beyond" and name == "missed"):
            print(f"  {kind:18s} {name:18s} {_at(at)}  {n}")
    print("trips: found %, true claims %; cause right %, undetermined, wrong")
    for at in samplings:
        found, events = _sum(counts, "trip", at, last="found"), _sum(counts, "trip", at)
        true, claims = _sum(counts, "claim", at, "trip", "true"), _sum(counts, "claim", at, "trip")
        told, open_ = _sum(counts, "cause", at), _sum(counts, "cause", at, last="undetermined")
        right = sum(n for key, n in counts.items() if key[0] == "cause" and at in ("", key[1]) and key[2] == key[3])
        print(
            f"  {_at(at)}  {share(found, events):17s} {share(true, claims):17s} {share(right, told):17s} "
            f"{open_:4d} {told - right - open_:4d}"
        )
    print("causes told otherwise: true, said, sampling")
    for (what, at, cause, said), n in sorted(counts.items()):
        if what == "cause" and cause != said:
            print(f"  {cause:12s} {said:12s} {_at(at)}  {n}")
    print(
        "false claims: " + ("; ".join(f"{key[2]} in {key[3]}" for key in sorted(counts) if key[0] == "seed") or "none")
    )


def _at(sampling: str) -> str:
    return f"{sampling:>4s} ms" if sampling else "    all"


def _sum(counts: Counts, what: str, at: str, kind: str = "", last: str = "") -> int:
    """How many were counted under these; an empty one stands for any."""
    wanted = (what, at, kind, last)
    return sum(n for key, n in counts.items() if all(want in ("", is_) for want, is_ in zip(wanted, key, strict=True)))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int, help="of each case of the catalogue")
    parser.add_argument("hours", type=float, nargs="?", default=0.0, help="of sound driving")
    parser.add_argument("--first", type=int, default=7000, help="first seed")
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--clean", action="store_true", help="log without what real loggers do")
    parser.add_argument("--detail", action="store_true")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    names = [name for name, case in CASES.items() if case.severity and case.family.startswith(("encoder", "trip"))]
    names = [name for name in names if asked.only in name]
    with ProcessPoolExecutor(asked.workers) as pool:
        if asked.seeds:
            counts: Counts = Counter()
            false: list[str] = []
            played = list(product(names, range(asked.first, asked.first + asked.seeds)))
            for part, claims in pool.map(play_faults, *zip(*played, strict=True), repeat(asked.clean), chunksize=8):
                counts += part
                false += claims
            print_faults(counts)
            if asked.detail:
                print("false claims and their dirt:", *false, sep="\n  ")
        if asked.hours:
            turns = len(LAYOUTS) * len(SAMPLINGS_S)
            parts = list(pool.map(play_sound, range(turns), repeat(asked.hours / turns), repeat(asked.clean)))
            driven_h, alarms = sum(part[0] for part in parts), [each for part in parts for each in part[1]]
            print(f"{driven_h:.1f} h of sound driving: {per_hour(len(alarms), driven_h)}", *alarms, sep="\n  ")


if __name__ == "__main__":
    main()
