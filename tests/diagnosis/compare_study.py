"""How well a comparison does on simulated pairs of drives with known truth.

    python tests/diagnosis/compare_study.py 200

draws that many pairs of each kind and prints how often the comparison claims what. A drive here is a made-up profile
of speed and current; disturbances follow a rate law of current and speed, in bursts; trips, precharges, discharges
and noise have truths of their own. Times and limits come from the drawn truth, not from any code of the checks, so
that hundreds of pairs take seconds; whole logs through all stages are in tests/whole/test_compare.py.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from logscope.arrays import FloatArray
from logscope.capture.frames import Account
from logscope.checks.measures import MEASURES
from logscope.comparison.compare import compare_results
from logscope.comparison.outcome import Comparison, Verdict
from logscope.findings import Event, Finding, Measured, Severity
from logscope.result import CaptureSummary, Result
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

PERIOD_S = 0.02
VEHICLE = Vehicle()


@dataclass(frozen=True)
class Truth:
    """What one side is.

    minutes : of driving in each run; vigour : how hard it is driven, 1 for full throttle now and then
    rate : disturbances per minute at 100 A and 3000 rpm; growth : factor for each 100 A more; power : of the speed
    burst : mean number of disturbances that come together; run_spread : standard deviation of the logarithm of a
        factor that each run has on its rate
    from_A : current below which nothing happens: a plug that moves under torque alone
    trips : per hour at 100 A; noise : standard deviation of the speed [rpm]; tau, bleed : time constants [s]
    """

    minutes: tuple[float, ...] = (10.0,)
    vigour: float = 1.0
    rate: float = 6.0
    growth: float = 3.0
    power: float = 0.5
    burst: float = 1.0
    run_spread: float = 0.0
    trips: float = 8.0
    noise: float = 6.0
    tau: float = 0.15
    bleed: float = 47.0
    closing: float = 9.0
    from_A: float = -np.inf


@dataclass(frozen=True)
class Pair:
    """Before and after, and which claims are right: a verdict by the name of a measure, else no claim is."""

    before: Truth
    after: Truth
    right: tuple[tuple[str, Verdict], ...] = ()


RATE = "speed_disturbances_per_min"
PLAIN = Truth()
BURSTS = Truth(burst=4.0)
SEVERAL = Truth(minutes=(4.0, 6.0, 5.0, 3.0, 7.0), burst=3.0, run_spread=0.4)
PAIRS = {
    "no change, plain": Pair(PLAIN, PLAIN),
    "no change, bursts": Pair(BURSTS, BURSTS),
    "no change, bursts, 20 and 4 min": Pair(replace(BURSTS, minutes=(20.0,)), replace(BURSTS, minutes=(4.0,))),
    "no change, bursts, 4 and 20 min": Pair(replace(BURSTS, minutes=(4.0,)), replace(BURSTS, minutes=(20.0,))),
    "no change, rare bursts": Pair(replace(BURSTS, rate=1.5), replace(BURSTS, rate=1.5)),
    "no change, runs that differ": Pair(SEVERAL, SEVERAL),
    "gentler": Pair(PLAIN, replace(PLAIN, vigour=0.4)),
    "gentler, bursts": Pair(BURSTS, replace(BURSTS, vigour=0.5)),
    "gentler, steep": Pair(replace(PLAIN, growth=8.0), replace(PLAIN, growth=8.0, vigour=0.5)),
    "gentler, steep, long": Pair(
        replace(PLAIN, growth=8.0, minutes=(60.0,)), replace(PLAIN, growth=8.0, vigour=0.7, minutes=(60.0,))
    ),
    "very gentle": Pair(PLAIN, replace(PLAIN, vigour=0.15)),
    "halved": Pair(
        replace(PLAIN, minutes=(40.0,)), replace(PLAIN, minutes=(40.0,), rate=3.0), ((RATE, Verdict.BETTER),)
    ),
    "halved, gentler": Pair(
        replace(PLAIN, minutes=(40.0,)),
        replace(PLAIN, minutes=(40.0,), rate=3.0, vigour=0.7),
        ((RATE, Verdict.BETTER),),
    ),
    "halved, bursts": Pair(
        replace(BURSTS, minutes=(200.0,)), replace(BURSTS, minutes=(200.0,), rate=3.0), ((RATE, Verdict.BETTER),)
    ),
    "doubled": Pair(
        replace(PLAIN, minutes=(20.0,)), replace(PLAIN, minutes=(20.0,), rate=12.0), ((RATE, Verdict.WORSE),)
    ),
    "single spikes, four runs, then hardly any": Pair(
        Truth(minutes=(4.0,) * 4, rate=2.0), Truth(minutes=(4.0,) * 4, rate=0.1), ((RATE, Verdict.BETTER),)
    ),
    "four times worse": Pair(
        replace(PLAIN, minutes=(12.0,), rate=2.0), replace(PLAIN, rate=8.0), ((RATE, Verdict.WORSE),)
    ),
    "four times worse, from 150 A": Pair(
        Truth(rate=3.0, growth=1.0, from_A=150.0), Truth(rate=12.0, growth=1.0, from_A=150.0), ((RATE, Verdict.WORSE),)
    ),
    "three times worse, bursts": Pair(
        replace(BURSTS, minutes=(40.0,), rate=5.0),
        replace(BURSTS, minutes=(40.0,), rate=15.0),
        ((RATE, Verdict.WORSE),),
    ),
    "gentler, from 150 A": Pair(
        Truth(rate=20.0, growth=1.0, from_A=150.0), Truth(rate=20.0, growth=1.0, from_A=150.0, vigour=0.6)
    ),
    "only where the other never drove": Pair(
        Truth(rate=30.0, growth=1.0, from_A=170.0), Truth(rate=30.0, growth=1.0, from_A=170.0, vigour=0.45)
    ),
    "slower precharge": Pair(PLAIN, replace(PLAIN, tau=0.26), (("precharge_time_constant_s", Verdict.WORSE),)),
    "quieter": Pair(PLAIN, replace(PLAIN, noise=3.0), (("speed_noise_rpm", Verdict.BETTER),)),
}


def study(name: str, seeds: Iterable[int]) -> list[Comparison]:
    """Every pair of one kind, compared."""
    pair = PAIRS[name]
    return [compared(pair, np.random.default_rng([number, 40])) for number in seeds]


def compared(pair: Pair, rng: np.random.Generator) -> Comparison:
    """One pair, drawn and compared."""
    before, after = ([run_of(truth, minutes, rng) for minutes in truth.minutes] for truth in (pair.before, pair.after))
    return compare_results(before, after, (VEHICLE, VEHICLE), MEASURES)


def wrong_claims(pair: Pair, found: Comparison) -> list[tuple[str, Verdict]]:
    """Claims of better or worse that the truth does not bear out."""
    claims = [(m.name, m.verdict) for m in found.measures if m.verdict in (Verdict.BETTER, Verdict.WORSE)]
    return [claim for claim in claims if claim not in pair.right]


def run_of(truth: Truth, minutes: float, rng: np.random.Generator) -> Result:
    time = np.arange(0.0, 60.0 * minutes, PERIOD_S)
    current, speed = _profile(truth, time, rng)
    own = float(np.exp(rng.normal(-0.5 * truth.run_spread**2, truth.run_spread))) if truth.run_spread else 1.0
    law = truth.growth ** ((current - 100.0) / 100.0) * (np.maximum(speed, 1.0) / 3000.0) ** truth.power
    law = np.where((speed > 100.0) & (current >= truth.from_A), law, 0.0)
    events = _events(truth.rate / 60.0 * own * law / truth.burst, truth.burst, time, rng)
    trips = _events(truth.trips / 3600.0 * np.where(speed > 100.0, current / 100.0, 0.0), 1.0, time, rng)
    reading = np.round(speed + rng.normal(0.0, truth.noise, time.size))
    parts = {
        "motor_speed": Part("motor_speed", time, reading, "rpm", "Made.Speed", step=1.0),
        "motor_current": Part("motor_current", time, current, "A", "Made.Current"),
        "fault": Part("fault", time[::5], np.zeros(time[::5].size), "", "Made.Fault"),
    }
    findings = [_finding("encoder.spike", events)] if events.size else []
    findings += [_finding("trip.overcurrent", np.array([when])) for when in trips]
    findings += [_precharge(truth, rng), _discharge(truth, rng)]
    return Result(
        vehicle_name="Hazel",
        capture=CaptureSummary(Account(), None, float(time[-1]), 0, 0, 0),
        findings=tuple(findings),
        not_checked=(),
        signals=Signals(parts, 0.0, float(time[-1])),
    )


def _profile(truth: Truth, time: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Current and speed: pulls of some seconds with pauses between, and a speed that follows them."""
    ends = np.cumsum(rng.uniform(3.0, 12.0, int(time[-1] / 3.0) + 2))
    pull = np.where(rng.uniform(size=ends.size) < 0.75, rng.beta(1.5, 2.5, ends.size) * 320.0 * truth.vigour, 0.0)
    target = pull[np.searchsorted(ends, time)]
    current = _lagging(target, 0.4)
    speed = _lagging(22.0 * current**0.98, 8.0)
    return current + rng.normal(0.0, 1.0, time.size), speed


def _lagging(wanted: FloatArray, lag_s: float) -> FloatArray:
    """What follows with a first-order lag."""
    share = PERIOD_S / lag_s
    return np.asarray(lfilter([share], [1.0, share - 1.0], wanted), dtype=np.float64)


def _events(rate: FloatArray, burst: float, time: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Times of events: bursts at a rate per second, each of a geometric number of events within some seconds."""
    starts = time[rng.random(time.size) < rate * PERIOD_S]
    sizes = rng.geometric(1.0 / burst, starts.size)
    gaps = [np.cumsum(np.append(0.0, rng.exponential(0.7, size - 1))) for size in sizes]
    every = np.concatenate([start + gap for start, gap in zip(starts, gaps, strict=True)]) if starts.size else starts
    return np.sort(every[every < time[-1]])


def _finding(kind: str, times: FloatArray) -> Finding:
    events = tuple(Event(float(t), float(t) + 0.02) for t in times)
    return Finding(
        kind, Severity.WARNING, float(times[0]), float(times[-1]), "made", "made", "", ("motor_speed",), events=events
    )


def _precharge(truth: Truth, rng: np.random.Generator) -> Finding:
    """A precharge measured to 1 %, with a resistor that repeats to 1 %."""
    true = truth.tau * np.exp(rng.normal(0.0, 0.01))
    seen = true * np.exp(rng.normal(0.0, 0.01))
    apart = truth.closing + rng.normal(0.0, 1.0)
    return replace(
        _finding("precharge.complete", np.array([0.5])),
        events=(),
        measured={
            "time_constant_s": Measured(seen, "s", seen * np.exp(-0.0196), seen * np.exp(0.0196)),
            "close_difference_V": Measured(apart, "V", apart - 1.0, apart + 1.0),
        },
        expected={"time_constant_s": Measured(0.15, "s", 0.12, 0.18)},
    )


def _discharge(truth: Truth, rng: np.random.Generator) -> Finding:
    seen = truth.bleed * np.exp(rng.normal(0.0, 0.02))
    measured = {"time_constant_s": Measured(seen, "s", seen * np.exp(-0.034), seen * np.exp(0.034))}
    return replace(_finding("dc_link.discharged", np.array([1.0])), events=(), measured=measured)


def main(count: int, names: list[str]) -> None:
    """Print the study."""
    print(f"{'pairs':34s} verdicts on the disturbance rate; wrong claims on any measure; whole verdict better")
    for name in names or PAIRS:
        found = study(name, range(count))
        verdicts = Counter(next(m.verdict.value for m in one.measures if m.name == RATE) for one in found)
        wrong = [claim for one in found for claim in wrong_claims(PAIRS[name], one)]
        with_wrong = sum(bool(wrong_claims(PAIRS[name], one)) for one in found)
        listed = ", ".join(f"{n} {v.value} ×{k}" for (n, v), k in Counter(wrong).items())
        better = sum(one.verdict is Verdict.BETTER for one in found)
        print(f"{name:34s} {dict(verdicts)}; wrong in {with_wrong} of {count} ({listed}); better {better}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50, sys.argv[2:])
