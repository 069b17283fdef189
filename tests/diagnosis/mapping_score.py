"""How well slips of a mapping are found before any check, and how often a sound drive is doubted.

    python tests/diagnosis/mapping_score.py 3            # three seeds of every case of the catalogue
    python tests/diagnosis/mapping_score.py 1 --first 50 --slips 20 --detail

plays every case with so many seeds, in turn through samplings and layouts. As it was played, a drive must get no doubt
(a wrong pulse count, which is a slip of the inverter's own settings, apart). Then single parts are made wrong, a random
choice of slips a drive: by a factor, a sign, an offset, the order of two bytes. Counted are, for each kind of slip,

- decidable: whether the log holds anything that contradicts it, judged by the sound readings: the pack joined to the
  link for some seconds, the vehicle moving with another speed beside it, power at the shaft, a limit that is passed.
  What a slip leaves within all limits, with no other reading of the same thing, nobody can see;
- named: a `mapping.*` finding puts the part in doubt, and so no check rests on it; alone: no other part with it;
- blamed: a part that is sound is in doubt instead.

Limits are 95 %, exact (Clopper–Pearson; Garwood for rates).
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from math import pi

import numpy as np
from score_runs import CASES, layout_of, play
from score_signals import signals_of_drive, vehicle_for
from score_tally import share

from logscope.findings import FloatArray, Severity
from logscope.plausibility.examine import examine
from logscope.signals import Part, Signals
from logscope.statistics.rates import poisson_rate
from logscope.vehicle import Vehicle

FACTORS = (0.001, 0.1, 0.5, 2.0, 10.0, 1000.0)
SCALED = (
    "dc_link_voltage", "battery_voltage", "battery_current", "motor_speed", "vehicle_speed", "motor_current",
    "motor_current_target", "torque", "torque_target", "throttle", "throttle_second", "aux_voltage",
    "charger_voltage", "charger_current", "charger_voltage_target", "charger_current_target",
)  # fmt: skip
SIGNED = ("battery_current", "torque", "motor_speed", "torque_target")
TEMPERATURES = ("motor_temperature", "inverter_temperature", "coolant_temperature")
OFFSETS = {"kelvin": (1.0, 273.15), "no offset": (1.0, 40.0), "offset twice": (1.0, -40.0), "Fahrenheit": (1.8, 32.0)}
_DRIVING_W, _MOVING_KMH = 8000.0, 10.0  # as much as a sound judgement needs, by the sound readings
_ENOUGH_S = 4.0


@dataclass(frozen=True)
class Slip:
    """One thing that is wrong with one part. kind : as it is counted; apply : what becomes of the part."""

    part: str
    kind: str
    apply: Callable[[Part], Part]
    scale: float = 1.0
    offset: float = 0.0


@dataclass
class Score:
    """Counts by kind of slip, hours of sound driving, and what went wrong."""

    decidable: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    blamed: Counter[str] = field(default_factory=Counter)
    open_: Counter[str] = field(default_factory=Counter)
    open_named: Counter[str] = field(default_factory=Counter)
    hours: float = 0.0
    doubted: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))


def slips(signals: Signals) -> list[Slip]:
    """Every slip that the parts of a log allow."""
    found = [
        Slip(name, f"× {factor:g}", lambda part, f=factor: linear(part, f, 0.0), factor)
        for name in SCALED
        for factor in FACTORS
    ]
    found += [Slip(name, "sign", lambda part: linear(part, -1.0, 0.0), -1.0) for name in SIGNED]
    found += [
        Slip(name, kind, lambda part, s=scale, o=offset: linear(part, s, o), scale, offset)
        for name in TEMPERATURES
        for kind, (scale, offset) in OFFSETS.items()
    ]
    found += [
        Slip(name, "byte order", swapped, float("nan"))
        for name in SCALED
        if name in signals and (code := signals.parts[name].encoding) is not None and code.bits == 16
    ]
    return [slip for slip in found if slip.part in signals]


def linear(part: Part, scale: float, offset: float) -> Part:
    """A part as a wrong scale and offset show it."""
    code = part.encoding
    assert code is not None
    code = replace(code, scale=code.scale * scale, offset=code.offset * scale + offset)
    step = None if part.step is None else part.step * abs(scale)
    return replace(part, value=part.value * scale + offset, step=step, encoding=code)


def swapped(part: Part) -> Part:
    """A part of two bytes as the wrong byte order shows it."""
    code = part.encoding
    assert code is not None
    raw = code.raw(part.value).astype("<i2" if code.signed else "<u2").byteswap()
    return replace(part, value=code.value(raw.astype(np.int64)), encoding=replace(code, big_endian=not code.big_endian))


class Sound:
    """What the sound readings of a drive hold that can contradict a slip."""

    def __init__(self, signals: Signals, vehicle: Vehicle) -> None:
        self.signals, self.vehicle = signals, vehicle
        self.grid_s: FloatArray = np.arange(0.0, signals.end_s, 0.05)

    def at(self, name: str) -> FloatArray:
        """A part on the grid; NaN where it is not mapped."""
        part = self.signals.get(name)
        if part is None or part.value.size == 0:
            return np.full(self.grid_s.size, np.nan)
        return np.interp(self.grid_s, part.time_s, part.value)

    def for_s(self, where: object) -> float:
        """How long something held [s]."""
        return 0.05 * float(np.count_nonzero(where))

    @property
    def joined(self) -> bool:
        """Whether pack and link are logged and joined long enough to see it: by states, or by a sag that both show."""
        pack, link, closed = (self.at(n) for n in ("battery_voltage", "dc_link_voltage", "main_contactor"))
        near = (np.abs(pack - link) < 0.04 * pack) & (pack > 0.0)
        if np.isfinite(closed).any():
            return self.for_s(near & (closed > 0.5)) >= _ENOUGH_S
        return self.for_s(near) >= 2 * _ENOUGH_S and bool(np.ptp(pack[near]) > 0.03 * np.median(pack[near]))

    @property
    def driven(self) -> bool:
        """Whether the motor drives fast and hard for long enough."""
        power = self.at("torque") * self.at("motor_speed") * pi / 30.0
        fast = np.abs(self.at("motor_speed")) > 0.35 * np.nanmax(np.abs(self.at("motor_speed")), initial=0.0)
        hard = power > max(_DRIVING_W, 0.4 * np.nanmax(power, initial=0.0))
        return self.for_s(hard & fast & np.isfinite(self.at("battery_current"))) >= _ENOUGH_S

    @property
    def moved(self) -> bool:
        """Whether road and motor turn together, at several speeds, for long enough."""
        road, motor = self.at("vehicle_speed"), self.at("motor_speed")
        ratio, radius = self.vehicle.driveline.ratio or 1.0, self.vehicle.driveline.wheel_radius_m or 1.0
        expected = road * ratio / 3.6 / (2 * pi * radius) * 60.0
        together = (road > _MOVING_KMH) & (np.abs(motor / np.where(expected > 0, expected, np.nan) - 1.0) < 0.05)
        if self.for_s(together) < 2 * _ENOUGH_S:
            return False
        return bool(np.quantile(road[together], 0.98) > 1.5 * np.quantile(road[together], 0.02))

    def follows(self, one: str, other: str) -> bool:
        """Whether two readings are at the same level, at several levels, for long enough."""
        first, second = self.at(one), self.at(other)
        high = np.abs(first) > 0.25 * np.nanmax(np.abs(first), initial=0.0)
        moved = np.abs(np.gradient(second, 0.05)) > 0.2 * np.abs(second)
        same = high & (np.abs(first - second) < 0.08 * np.abs(second)) & ~moved
        levels = np.abs(first[same])
        if self.for_s(same) < _ENOUGH_S / 2 or not levels.size:
            return False
        return bool(np.quantile(levels, 0.97) > 1.4 * np.quantile(levels, 0.03))

    def charged(self, *names: str) -> bool:
        """Whether a charger delivers for long enough, these parts logged."""
        there = np.logical_and.reduce([np.isfinite(self.at(name)) for name in names])
        return self.for_s((self.at("charger_current") > 2.0) & there) >= 2 * _ENOUGH_S


def decidable(slip: Slip, sound: Sound) -> bool:
    """Whether anything in the log contradicts a slip."""
    if slip.kind == "byte order":
        return _bytes_show(sound.signals.parts[slip.part])
    if slip.part in TEMPERATURES:
        return _temperature_shows(slip, sound)
    if slip.kind == "sign":
        return _sign_shows(slip.part, sound)
    return _passes_limit(slip, sound) or _contradicted(slip, sound)


def _passes_limit(slip: Slip, sound: Sound) -> bool:
    """Whether the slipped reading leaves what the vehicle file or nature allows."""
    vehicle, value = sound.vehicle, np.abs(sound.signals.parts[slip.part].value * slip.scale)
    most = {
        "motor_speed": vehicle.motor.max_speed_rpm,
        "torque": vehicle.motor.max_torque_Nm,
        "torque_target": vehicle.motor.max_torque_Nm,
        "motor_current": vehicle.limits.motor_current_A,
        "motor_current_target": vehicle.limits.motor_current_A,
        "dc_link_voltage": vehicle.dc_link.max_voltage_V,
        "vehicle_speed": 250.0,
        "throttle": 100.0,
        "throttle_second": 100.0,
    }.get(slip.part)
    if most is not None and float(np.quantile(value, 0.9)) > 1.8 * most:
        return True
    level = float(np.median(value[value >= 0.5 * value.max()])) if value.size else 0.0
    if slip.part == "battery_voltage":
        return not 0.5 * (vehicle.limits.battery_min_V or 0.0) < level < 1.2 * (vehicle.limits.battery_max_V or 1e9)
    return slip.part == "aux_voltage" and not 8.0 < level < 18.0


def _contradicted(slip: Slip, sound: Sound) -> bool:
    match slip.part:
        case "dc_link_voltage" | "battery_voltage":
            return sound.joined
        case "battery_current":
            return sound.driven or sound.charged("battery_current", "charger_current")
        case "motor_speed" | "vehicle_speed":
            return sound.moved
        case "torque" | "torque_target":
            return sound.follows("torque", "torque_target")
        case "motor_current" | "motor_current_target":
            return sound.follows("motor_current", "motor_current_target")
        case "throttle" | "throttle_second":
            return sound.follows("throttle", "throttle_second")
        case "charger_voltage":
            return sound.charged("battery_voltage") or sound.charged("charger_voltage_target")
        case "charger_current":
            return sound.charged("battery_current")
        case "charger_voltage_target":
            return sound.charged("charger_voltage")
        case "charger_current_target":
            return sound.charged("charger_current") and slip.scale not in (2.0, 0.5)  # a charger may be too weak
    return False


def _sign_shows(part: str, sound: Sound) -> bool:
    if part == "battery_current":
        return sound.driven
    if part == "torque_target":
        return sound.follows("torque", "torque_target")
    return sound.driven and sound.moved


def _temperature_shows(slip: Slip, sound: Sound) -> bool:
    value = sound.signals.parts[slip.part].value
    others = [sound.signals.parts[name].value for name in TEMPERATURES if name != slip.part and name in sound.signals]
    level, start = float(np.median(value * slip.scale + slip.offset)), float(value[0] * slip.scale + slip.offset)
    if not -50.0 < level < 250.0:
        return True
    return len(others) == 2 and all(abs(other[0] - value[0]) < 2.0 for other in others) and abs(start - value[0]) > 15.0


def _bytes_show(part: Part) -> bool:
    """Whether both bytes change together often enough: a carry, in a quantity that moves little at a time."""
    code = part.encoding
    assert code is not None
    raw = code.raw(part.value) & 0xFFFF
    carries = ((raw[1:] ^ raw[:-1]) & 0xFF00 != 0) & ((raw[1:] ^ raw[:-1]) & 0xFF != 0)
    return (
        int(np.count_nonzero(carries)) >= 10 and float(np.median(np.abs(np.diff(code.raw(part.value)))[carries])) < 1000
    )


def score_case(name: str, first: int, seeds: int, many: int) -> Score:
    """All seeds of a case, so many slips each."""
    score = Score()
    for seed in range(first, first + seeds):
        for part in _score_drive(name, seed, many):
            score = score + part
    return score


def _score_drive(name: str, seed: int, many: int) -> Iterator[Score]:
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
        yield from _slipped(label, signals, vehicle, np.random.default_rng([draw, 9]), many)


def _slipped(label: str, signals: Signals, vehicle: Vehicle, rng: np.random.Generator, many: int) -> Iterator[Score]:
    sound, possible = Sound(signals, vehicle), slips(signals)
    for index in rng.choice(len(possible), min(many, len(possible)), replace=False):
        slip = possible[index]
        wrong = replace(signals, parts={**signals.parts, slip.part: slip.apply(signals.parts[slip.part])})
        plausible = examine(wrong, vehicle)
        named, kind = slip.part in plausible.doubted, f"{slip.part} {slip.kind}"
        one = Counter([kind])
        if not decidable(slip, sound):
            yield Score(open_=one, open_named=one if named else Counter())
            continue
        alone = named and len(plausible.doubted) == 1
        blamed = bool(plausible.doubted) and not named
        missed = [] if named else [f"{label}: {kind}: {[finding.title for finding in plausible.findings]}"]
        yield Score(
            decidable=one, named=one if named else Counter(), alone=one if alone else Counter(),
            blamed=one if blamed else Counter(), missed=missed,
        )  # fmt: skip


def print_score(score: Score, detail: bool) -> None:
    """The table."""
    print("slip                                   decidable  named %            alone  blamed | not decidable, named")
    for by in (lambda kind: kind.rpartition("× ")[2] if "× " in kind else kind.partition(" ")[2], lambda kind: kind):
        groups: dict[str, list[str]] = {}
        for kind in sorted({*score.decidable, *score.open_}):
            groups.setdefault(by(kind), []).append(kind)
        for group, kinds in groups.items():
            total, named, alone, blamed, open_, open_named = (
                sum(counts[kind] for kind in kinds)
                for counts in (score.decidable, score.named, score.alone, score.blamed, score.open_, score.open_named)
            )
            print(
                f"{group:38s} {total:9d}  {share(named, total):17s} {alone:6d} {blamed:7d} | {open_:6d} {open_named:6d}"
            )
        if not detail:
            break
        print()
    total, named = sum(score.decidable.values()), sum(score.named.values())
    print(f"\nall decidable slips: {total}, named {share(named, total)} %; blamed {sum(score.blamed.values())}")
    rate = poisson_rate(float(len(score.doubted)), score.hours)
    limits = f"{rate.value:.3f} ({rate.low:.3f} to {rate.high:.3f}) an hour"
    print(f"sound driving: {score.hours:.1f} h, doubts {len(score.doubted)}, {limits}")
    print(f"told as odd, without doubt: {len(score.odd)}")
    for title, lines in (("doubted", score.doubted), ("odd", score.odd), ("missed", score.missed if detail else [])):
        for line in lines:
            print(f"  {title}: {line}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int, help="of each case")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--slips", type=int, default=6, help="a drive")
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    names = [name for name in CASES if asked.only in name]
    total = Score()
    with ProcessPoolExecutor(asked.workers) as pool:
        count = len(names)
        for score in pool.map(score_case, names, [asked.first] * count, [asked.seeds] * count, [asked.slips] * count):
            total = total + score
    print_score(total, asked.detail)


if __name__ == "__main__":
    main()
