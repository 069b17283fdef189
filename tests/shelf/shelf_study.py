"""A shelf of simulated logs with known truth: throughput, memory, and what is found. Prints, asserts nothing.

    python tests/shelf/shelf_study.py 1000 --place /tmp/shelf-study

Each vehicle is a Hazel with tolerances of her own, and something that happens to her over the logs (`LIVES`). Logs that
lie in the place already are not made again, and an archive there is completed, so that a study may be stopped and
started, or made larger. The speed is that of the logs checked in this run, against one worker on a few of them.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

from logscope.checks.measures import MEASURES
from logscope.history.rows import History
from logscope.measures import Repeated
from logscope.shelf.overview import overview
from logscope.simulate.drive import simulate_drive
from logscope.simulate.encoder import Interference
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.hazel_drives import HAZEL, pedal
from logscope.simulate.scenarios import KeyCycle, Scenario
from logscope.tasks.archive import fill_archive

_FIRST_STAMP_S = 1_772_355_600.0  # 2026-03-01 09:00 UTC
_BETWEEN_S = 86_400.0 / 3  # three logs a day
_DURATION_S = 30.0
_TOLERANCE = 0.03  # of resistor, capacitor, pack and bleeder, from vehicle to vehicle
_ALONE = 12  # logs checked one at a time, to compare with
_NEAR = 1  # logs: a step is placed
_MB = 1e6
PRECHARGE, CLOSING, BLEEDER, PACK = (
    "precharge_time_constant_s", "closing_difference_V", "bleed_down_time_constant_s", "battery_resistance_ohm"
)  # fmt: skip


@dataclass(frozen=True)
class Life:
    """What happens to a vehicle, as factors at a share of its logs, 0 to 1.

    steps : measures that step, with the shares where they do; drifts : measures that drift
    also : measures that what happens may move as well, so that a claim on them is neither right nor wrong
    """

    resistor: Callable[[float], float] = lambda share: 1.0
    bleeder: Callable[[float], float] = lambda share: 1.0
    pack: Callable[[float], float] = lambda share: 1.0
    noisy_from: float = 2.0
    steps: tuple[tuple[str, float], ...] = ()
    drifts: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


LIVES: dict[str, Life] = {
    "sound": Life(),
    "resistor replaced": Life(
        resistor=lambda share: 1.0 + 0.75 * (share >= 0.5), steps=((PRECHARGE, 0.5),), also=(CLOSING,)
    ),
    "bleeder replaced": Life(bleeder=lambda share: 1.0 - 0.4 * (share >= 0.6), steps=((BLEEDER, 0.6),)),
    "pack ages": Life(pack=lambda share: 1.0 + 0.5 * share, drifts=(PACK,), also=(CLOSING,)),
    "encoder disturbed": Life(noisy_from=0.5),
    "resistor twice": Life(
        resistor=lambda share: (1.0, 1.5, 0.9)[(share >= 0.3) + (share >= 0.7)],
        steps=((PRECHARGE, 0.3), (PRECHARGE, 0.7)), also=(CLOSING,),
    ),
    "resistor ages": Life(resistor=lambda share: 1.0 + 0.2 * share, drifts=(PRECHARGE,), also=(CLOSING,)),
    "sound again": Life(),
    "pack replaced": Life(pack=lambda share: 1.0 - 0.35 * (share >= 0.4), steps=((PACK, 0.4),), also=(CLOSING,)),
    "sound too": Life(),
}  # fmt: skip


def _scenario(vehicle: int, life: Life, share: float, rng: np.random.Generator) -> Scenario:
    own = np.random.default_rng([vehicle, 7]).normal(1.0, _TOLERANCE, 4)
    circuit = replace(
        HAZEL,
        open_circuit_V=HAZEL.open_circuit_V + float(rng.uniform(-6.0, 6.0)),
        resistance_ohm=HAZEL.resistance_ohm * float(own[0]) * life.resistor(share),
        capacitance_F=HAZEL.capacitance_F * float(own[1]),
        pack_ohm=HAZEL.pack_ohm * float(own[2]) * life.pack(share),
        bleeder_ohm=HAZEL.bleeder_ohm * float(own[3]) * life.bleeder(share),
    )
    foot = rng.uniform(0.8, 1.2, 3)
    disturbed = (Interference(6.0, 20.0, rate_per_s=0.8, size_rpm=500.0),) if share >= life.noisy_from else ()
    return Scenario(
        name=f"vehicle {vehicle}",
        duration_s=_DURATION_S,
        circuit=circuit,
        key_cycles=(KeyCycle(relay_s=2.0, off_s=22.0),),
        throttle=pedal((5.0, 9.0, 0.4 * foot[0]), (11.0, 14.0, 0.6 * foot[1]), (15.0, 17.0, 0.3 * foot[2])),
        brake=pedal((17.5, 21.5, 0.2)),
        interference=disturbed,
        awake_s=0.9,
    )


def make(place: Path, vehicle: int, log: int, of: int) -> None:
    """One log, whole or not at all."""
    life = list(LIVES.values())[vehicle % len(LIVES)]
    folder = place / "logs" / f"V{vehicle:02d}"
    target = folder / f"{log:05d}.log"
    if target.exists():
        return
    rng = np.random.default_rng([vehicle, log])
    seed = 1000 * vehicle + log
    drive = simulate_drive(_scenario(vehicle, life, log / of, rng), seed)
    text, _ = log_drive(drive, seed, _FIRST_STAMP_S + _BETWEEN_S * log)
    (folder / f"{log:05d}.part").write_bytes(text)
    os.replace(folder / f"{log:05d}.part", target)


def _vehicles(place: Path, count: int) -> None:
    source = files("logscope.simulate")
    for vehicle in range(count):
        folder = place / "logs" / f"V{vehicle:02d}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "hazel.dbc").write_bytes((source / "hazel.dbc").read_bytes())
        text = (source / "hazel.toml").read_text(encoding="utf-8").replace('name = "Hazel"', f'name = "V{vehicle:02d}"')
        (folder / "vehicle.toml").write_text(text, encoding="utf-8")


def _speed(place: Path, logs: list[Path], workers: int) -> None:
    """Check one at a time into an archive that is thrown away, then what is left of all."""
    done = place / "archive" / "rows"
    left = len(logs) - (sum(1 for _ in done.rglob("*.parquet")) if done.is_dir() else 0)
    if left < _ALONE:
        fill_archive(place / "logs", place / "archive", workers=workers)
        print(f"{left} logs were left: too few to measure the speed")
        return
    alone = place / "alone"
    shutil.rmtree(alone, ignore_errors=True)
    some = logs[:: max(1, len(logs) // _ALONE)][:_ALONE]
    fill_archive(some[:1], alone, workers=1)  # the first start compiles and fills the system's cache of files
    began = time.monotonic()
    one, _ = fill_archive(some, alone, workers=1)
    alone_s = (time.monotonic() - began) / (len(some) - 1)
    cpu_s = float(one.rows().work_s.mean())
    shutil.rmtree(alone, ignore_errors=True)
    began = time.monotonic()
    archive, tally = fill_archive(place / "logs", place / "archive", workers=workers)
    spent_s = time.monotonic() - began
    rows = archive.rows()
    share = tally.checked * alone_s / (workers * spent_s)
    print(f"one at a time: {alone_s:.2f} s a log ({cpu_s:.2f} s CPU time in the check)")
    print(f"{workers} workers: {tally.checked} logs in {spent_s:.1f} s, {spent_s / max(tally.checked, 1):.2f} s a log")
    print(f"throughput: {100 * share:.0f} % of {workers} times one at a time")
    print(f"CPU time of all checks in the archive: {rows.work_s.sum():.0f} s")


def _found(histories: dict[str, History], vehicles: int, logs: int) -> None:
    """Steps and drifts found, placed and false."""
    wanted = found = placed = false = 0
    names = [measure.name for measure in MEASURES if isinstance(measure, Repeated)]
    for vehicle in range(vehicles):
        name, life = list(LIVES.items())[vehicle % len(LIVES)]
        history = histories[f"V{vehicle:02d}"]
        right = set(life.also) | {measure for measure, _ in life.steps} | set(life.drifts)
        wrong = [drift for drift in history.drifts if drift.name not in right]
        false += len({drift.name for drift in wrong})
        for measure, share in life.steps:
            held = [Path(row.log).stem for row in history.rows if measure in row.values]
            true = next((n for n, log in enumerate(held) if int(log) / logs >= share), len(held))
            near = [
                abs(held.index(Path(drift.step.log).stem) - true)
                for drift in history.drifts
                if drift.name == measure and drift.step and not drift.coincides
            ]
            wanted, found, placed = wanted + 1, found + bool(near), placed + any(each <= _NEAR for each in near)
            print(f"  V{vehicle:02d} {name}: {measure}, off by {min(near, default=None)} of {len(held)} logs")
        for measure in life.drifts:
            drifts = [drift for drift in history.drifts if drift.name == measure and drift.step is None]
            wanted, found, placed = wanted + 1, found + bool(drifts), placed + bool(drifts)
            print(f"  V{vehicle:02d} {name}: {measure}, drift {'found' if drifts else 'not found'}")
        for drift in wrong:
            at = "drift" if drift.step is None else Path(drift.step.log).name
            print(f"  V{vehicle:02d} {name}: false: {drift.name}, {at}, {drift.change}")
    print(f"steps and drifts: {wanted} true, {found} found, {placed} placed within one log")
    print(f"false: {false} of {len(names) * vehicles} measures x vehicles")


def main() -> None:
    """Make the logs, check them, and print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("logs", type=int)
    options.add_argument("--vehicles", type=int, default=10)
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options.add_argument("--place", type=Path, default=Path("shelf-study"))
    given = options.parse_args()
    each = given.logs // given.vehicles
    given.place.mkdir(parents=True, exist_ok=True)
    plan = given.place / "plan.json"  # what happens where is a share of the logs: another number is another study
    if plan.exists() and json.loads(plan.read_text(encoding="utf-8")) != [given.vehicles, each]:
        options.error(f"{given.place} holds a study of another size; name another place")
    plan.write_text(json.dumps([given.vehicles, each]), encoding="utf-8")
    _vehicles(given.place, given.vehicles)
    began = time.monotonic()
    with ProcessPoolExecutor(given.workers) as pool:
        for made in [
            pool.submit(make, given.place, vehicle, log, each)
            for vehicle in range(given.vehicles)
            for log in range(each)
        ]:
            made.result()
    logs = sorted((given.place / "logs").rglob("*.log"))
    size_MB = sum(log.stat().st_size for log in logs) / _MB
    print(f"{len(logs)} logs of {_DURATION_S:g} s, {size_MB:.0f} MB, made in {time.monotonic() - began:.0f} s")
    _speed(given.place, logs, given.workers)
    archive, _ = fill_archive(given.place / "logs", given.place / "archive", workers=given.workers)
    rows = archive.rows()
    print(
        f"memory of a worker, at most: {rows.memory_MB.max():.0f} MB; not checked: {(rows.status != 'checked').sum()}"
    )
    shown = overview(archive)
    dangers = rows[rows.severity.isin(["danger", "warning"])].groupby("vehicle").size().to_dict()
    print(f"logs with a danger or a warning: {dangers}")
    print(f"vehicles that differ: {[(d.vehicle, d.name, d.change.value) for d in shown.differing]}")
    _found({history.vehicle_name: history for history in shown.histories}, given.vehicles, each)


if __name__ == "__main__":
    main()
