"""How well the limits hold on sound precharges that are filtered, logged unevenly, and held below the pack by a load.

    python tests/diagnosis/sound_precharges.py 200
    python tests/diagnosis/sound_precharges.py 200 stale coarse       # these ways of logging only

draws sound precharges: a link of R·C within its band, behind no, one or two sensing lags or a moving average, charged
to 96 to 98 % of the pack because something loads it, with or without a contactor that closes, with or without states;
and logs each in one of several ways. Prints for each how often the limits held the link's constant, the wrong claims of
"slow" and "fast", how wide the limits are, and all outcomes.
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from one_check import findings_of

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.precharge.check import precharge
from logscope.findings import NothingToCheck
from logscope.signals import Part, Signals
from logscope.vehicle import Precharge, Vehicle

FILTERS = ("none", "one lag", "two lags", "average")
TOLD_OFF = 0.10  # R and C are told to this share: what parts are made to
CLOSES_AT = 0.90  # as cars do whose link is loaded while it charges
_FINE_S = 2e-4  # of the simulation: a fiftieth of the shortest lag


class Way(NamedTuple):
    """How a link voltage is logged, times [s]: periods of sensor and message, grid of the stamps, their scatter as a
    share of the message's period, and how many messages come at once."""

    sensor_s: float
    message_s: float
    grid_s: float
    scatter: float = 0.0
    together: int = 1


WAYS = {
    "even": Way(0.001, 0.01, 0.0, 0.05),
    "milliseconds": Way(0.001, 0.02, 0.001, 0.05),
    "stale": Way(0.059, 0.05, 0.05),  # a sensor slower than its message, on a grid as coarse
    "stale late": Way(0.059, 0.05, 0.05, 0.3),
    "coarse": Way(0.02, 0.03, 0.05),  # two messages on one stamp, now and then
    "repeated": Way(0.059, 0.1, 0.05),  # sent again at 10 Hz
    "held": Way(0.1, 0.02, 0.001, 0.05),
    "bursts": Way(0.0208, 0.0208, 0.0, 0.0, 3),
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """The kinds found, the link's true constant [s] and what was found of it: value, low, high."""

    kinds: str
    truth_s: float
    found_s: tuple[float, float, float] | None
    seed: int
    filtered: str

    @property
    def held(self) -> bool:
        return self.found_s is not None and self.found_s[1] <= self.truth_s <= self.found_s[2]


class Sound(NamedTuple):
    """A sound precharge as logged, the vehicle it belongs to, the link's true constant [s] and how it is filtered."""

    signals: Signals
    vehicle: Vehicle
    truth_s: float
    filtered: str


def sound(seed: int, way: Way) -> Sound:
    """One sound precharge, all that is not told drawn at random."""
    rng = np.random.default_rng([seed, 77])
    pack_v = rng.uniform(100, 420)
    share = rng.uniform(0.96, 0.98) if rng.random() < 0.7 else 1.0
    nominal_s = float(np.exp(rng.uniform(np.log(0.05), np.log(0.8))))
    truth_s = nominal_s * share * rng.uniform(1 - TOLD_OFF, 1 + TOLD_OFF)
    start_s = rng.uniform(1.0, 3.0)
    start_v = pack_v * rng.uniform(0.0, 0.02)
    closes = rng.random() < 0.5
    close_s = start_s + truth_s * rng.uniform(3.5, 7.0)
    end_s = max(close_s, start_s + 7 * truth_s) + 1.5
    t = np.arange(0.0, end_s, _FINE_S)
    after = np.maximum(t - start_s, 0.0)
    link = start_v + (share * pack_v - start_v) * -np.expm1(-after / truth_s)
    if closes:
        link = np.where(t >= close_s, pack_v, link)
    filtered = FILTERS[seed % len(FILTERS)]
    sensed = _filtered(rng, link, filtered)
    step = float(np.exp(rng.uniform(np.log(0.1), 0.0)))
    noise = step * rng.uniform(0.1, 1.0)
    time_s, volts = _logged(rng, t, sensed, way, step, noise)
    pack_time_s = np.arange(rng.uniform(0, 0.1), end_s, 0.1) + rng.uniform(0, 1e-3, 1)
    pack = np.round((pack_v + rng.normal(0, noise, pack_time_s.size)) / step) * step
    parts = {
        "dc_link_voltage": Part("dc_link_voltage", time_s, volts, "V", "Link.Voltage", step),
        "battery_voltage": Part("battery_voltage", pack_time_s, pack, "V", "Pack.Voltage", step),
    }
    if rng.random() < 0.5:
        states = pack_time_s + rng.uniform(0.0, 0.05)
        parts |= _state("precharge_relay", states, (states > start_s) & (states < close_s + 0.1))
        parts |= _state("main_contactor", states, (states > close_s) & closes)
    ohm = rng.uniform(30, 300)
    vehicle = Vehicle(
        precharge=Precharge(resistance_ohm=ohm, capacitance_uF=nominal_s / ohm * 1e6, close_fraction=CLOSES_AT)
    )
    return Sound(Signals(parts, 0.0, end_s), vehicle, truth_s, filtered)


def _state(name: str, time_s: FloatArray, on: BoolArray) -> dict[str, Part]:
    return {name: Part(name, time_s, on.astype(float), "", f"Junction.{name}", 1.0, on=on)}


def _filtered(rng: np.random.Generator, link: FloatArray, kind: str) -> FloatArray:
    """What the inverter's filter makes of the link's voltage: lags of 5 to 40 ms, an average over 10 to 60 ms."""
    if kind == "average":
        length = max(int(rng.uniform(0.01, 0.06) / _FINE_S), 1)
        summed = np.cumsum(np.concatenate([np.full(length, link[0]), link]))
        return np.asarray((summed[length:] - summed[:-length]) / length)
    for _ in range(FILTERS.index(kind)):
        link = _low_pass(link, float(rng.uniform(0.005, 0.04)))
    return link


def _low_pass(link: FloatArray, lag_s: float) -> FloatArray:
    from scipy.signal import lfilter

    keep = np.exp(-_FINE_S / lag_s)
    return np.asarray(lfilter([1 - keep], [1, -keep], link - link[0]) + link[0])


def _logged(
    rng: np.random.Generator, t: FloatArray, volts: FloatArray, way: Way, step: float, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Timestamps and readings: each message carries the sensor's newest reading, rounded."""
    sensor_s, message_s, grid_s = way.sensor_s, way.message_s, way.grid_s
    taken_s = np.arange(rng.uniform(0, sensor_s), t[-1], sensor_s)
    read = np.interp(taken_s, t, volts) + rng.normal(0, noise, taken_s.size)
    read = np.round(np.maximum(read, 0.0) / step) * step
    sent_s = np.arange(taken_s[0] + rng.uniform(0, message_s), t[-1], message_s)
    sent_s = np.sort(sent_s + rng.uniform(0, way.scatter * message_s, sent_s.size))
    carried = read[np.searchsorted(taken_s, sent_s, side="right") - 1]
    if way.together > 1:
        last = np.minimum(np.arange(sent_s.size) // way.together * way.together + way.together - 1, sent_s.size - 1)
        sent_s = sent_s[last] + 3e-4 * (np.arange(sent_s.size) % way.together)
    stamps = np.floor(sent_s / grid_s) * grid_s if grid_s else sent_s
    return stamps, carried


def outcome(seed: int, way: str) -> Outcome:
    """Run the check on one sound precharge."""
    case = sound(seed, WAYS[way])
    try:
        findings = [f for f in findings_of(precharge, case.signals, case.vehicle) if f.kind != "precharge.drift"]
    except NothingToCheck:
        findings = []
    kinds = "+".join(f.kind.removeprefix("precharge.") for f in findings) or "nothing"
    tau = findings[0].measured.get("time_constant_s") if findings else None
    known = tau is not None and None not in (tau.value, tau.low, tau.high)
    found = (tau.value or 0.0, tau.low or 0.0, tau.high or 0.0) if known and tau is not None else None
    return Outcome(kinds, case.truth_s, found, seed, case.filtered)


def outcomes(seeds: Iterable[int], way: str) -> list[Outcome]:
    return [outcome(seed, way) for seed in seeds]


def row(cases: list[Outcome]) -> str:
    known = [c for c in cases if c.found_s is not None]
    wrong = sum("slow" in c.kinds or "fast" in c.kinds for c in cases)
    wide = [100 * (c.found_s[2] / c.found_s[1] - 1) for c in known if c.found_s]
    counts = ", ".join(f"{name} {n}" for name, n in Counter(c.kinds for c in cases).most_common())
    held = f"{100 * np.mean([c.held for c in known]):5.1f} % of {len(known):4d}" if known else "-"
    return f"{held}  wrong {wrong:3d}  width {np.median(wide) if wide else np.nan:5.1f} %  {counts}"


def main() -> None:
    """Print the table."""
    warnings.filterwarnings("ignore")
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    for way in sys.argv[2:] or WAYS:
        cases = outcomes(range(count), way)
        print(f"{way:13s} {row(cases)}", flush=True)
        for filtered in FILTERS:
            print(f"    {filtered:10s} {row([c for c in cases if c.filtered == filtered])}", flush=True)
        for case in cases:
            if "slow" in case.kinds or "fast" in case.kinds or (case.found_s and not case.held):
                print(f"      {case.seed}: {case.filtered}, {case.kinds}, {case.truth_s:.4f} s, found {case.found_s}")


if __name__ == "__main__":
    main()
