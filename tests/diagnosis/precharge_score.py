"""How well the precharge check does on simulated precharges with known truth.

    python tests/diagnosis/precharge_score.py 100
    python tests/diagnosis/precharge_score.py 100 complete interrupted     # these kinds only
    python tests/diagnosis/precharge_score.py 100 --clean --detail

draws that many precharges of each kind and sample period (pack, R, C, quantisation 0.1 to 1 V, noise 0.05 to 0.5 V and
start voltage at random) and prints how the check judged them, how often its 95 % limits hold the true constant, and
its errors in units of the Cramér–Rao bound beside those of a plain one-exponential least-squares fit.

Every log is dirty as those of real loggers are (`logging_dirt`); `--clean` leaves that out. What can be decided in a
log follows from the truth and from what the log can hold (`decidable`, `Kept`), and never from what the check says.
`--detail` lists the precharges that were called something else, with the dirt of their logs.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import ceil, exp, inf, log

import numpy as np
from cramer_rao import Bounds, bounds
from logging_dirt.definitions import message
from logging_dirt.link_log import NOISE_V
from logging_dirt.precharge_log import DirtyPrecharge, dirty_precharge
from logging_dirt.sensing import Sensing
from logging_dirt.whole_log import checked
from one_check import findings_of
from precharge_cases import PrechargeCase, PrechargeTruth, Recording, random_precharge
from scipy.optimize import OptimizeWarning, curve_fit, least_squares

from logscope.arrays import FloatArray
from logscope.checks.precharge.check import precharge
from logscope.findings import Finding, NothingToCheck
from logscope.signals import Part, Signals
from logscope.vehicle import Precharge, Vehicle

KINDS = ("complete", "slow", "fast", "parallel_load", "stalled", "no_rise", "interrupted", "closed_early", "bypassed")
PERIODS_S = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
RATIOS = {"slow": 1.6, "fast": 0.5}  # true RC over the nominal one; 1 for the other kinds
TOLERANCE = 0.20
# A claim has to clear 3.1 standard deviations (1 in 1000); 1.9 more, and it does so in 97 of 100 logs.
CLEAR = 5.0
# A rise has three unknowns on its way, its onset, constant and end; with fewer samples there no curve is determined.
# On the way is what is apart from the level before and from the one behind, which moves with the pack.
LEAST_ON_THE_WAY = 3
ON_THE_WAY = (0.05, 0.98)
# What is left of a precharge resistor of five in series of which four are bridged: it still is one, and its link is too
# fast. What charges a link faster yet went past it.
LEAST_RESISTOR = 0.2
HIGHEST_V = 1500.0  # where voltage class B ends (ISO 6469-3)
LONGEST_LAG_S = 0.15  # of sensing; own measurements of public captures show 0.1 s, and half of that is allowed on top
_FINE_S = 5e-4
_SHORTEST_S, _LONGEST_S = 1e-3, 100.0  # of a link's constant, and the shorter one of a lag, that are tried
_BOOT_READINGS = 2  # of a controller that boots: zeros and defaults instead of the link


@dataclass(frozen=True, slots=True)
class Kept:
    """What a log can hold of a precharge.

    sampling_s : the longest time between two new values of the link voltage
    unsure_s : how much older a reading may be than another with the same stamp: stamps on a grid, readings that repeat
    noise_V, step_V : standard deviation of a reading before it is rounded, and its step
    sensing : what lies between the link and its reading
    states, pack : whether relay and contactor, and the pack's voltage, are logged
    booted_s : how long before the relay closed the controller that measures booted; infinite where it did not
    """

    sampling_s: float
    unsure_s: float
    noise_V: float
    step_V: float
    sensing: Sensing
    states: bool
    pack: bool
    booted_s: float = inf


@dataclass(frozen=True, slots=True)
class Scored:
    """One case: the outcome found, whether it could be told and was right, and the constant with its limits."""

    outcome: str
    decidable: bool
    right: bool
    wrong_claim: bool
    truth_s: float
    bound_s: float
    found_s: tuple[float, float, float] | None  # value, low, high
    plain_s: float | None
    seed: int = 0
    dirt: tuple[str, ...] = ()
    title: str = ""

    @property
    def held(self) -> bool:
        """Whether the limits hold the truth."""
        return self.found_s is not None and self.found_s[1] <= self.truth_s <= self.found_s[2]


def signals_of(case: PrechargeCase, *, flags: bool = True, pack: bool = True) -> Signals:
    """The case as the check gets to see it."""
    step = case.recording.quantum_V or None  # as the signal definition tells it
    parts = {"dc_link_voltage": Part("dc_link_voltage", case.time_s, case.voltage_V, "V", "Link.Voltage", step)}
    if pack:
        parts["battery_voltage"] = Part(
            "battery_voltage", case.battery_time_s, case.battery_V, "V", "Pack.Voltage", step
        )
    if flags:
        for name, time_s, on in (
            ("precharge_relay", case.relay_time_s, case.relay_on),
            ("main_contactor", case.contactor_time_s, case.contactor_on),
        ):
            parts[name] = Part(name, time_s, on.astype(float), "", f"Junction.{name}", 1.0, on=on)
    return Signals(parts, 0.0, float(case.time_s[-1]))


def vehicle_of(case: PrechargeCase) -> Vehicle:
    """R and C as its owner would state them."""
    truth = case.truth
    told = Precharge(resistance_ohm=truth.nominal_resistance_ohm, capacitance_uF=truth.nominal_capacitance_uF)
    return Vehicle(precharge=told)


def judged(case: PrechargeCase, *, flags: bool = True, pack: bool = True) -> list[Finding]:
    """The findings of the check."""
    try:
        return findings_of(precharge, signals_of(case, flags=flags, pack=pack), vehicle_of(case))
    except NothingToCheck:
        return []


def kept_of(case: PrechargeCase, states: bool, pack: bool) -> Kept:
    """What the samples of a case hold, without dirt."""
    record = case.recording
    return Kept(record.period_s, record.jitter_s, record.noise_V, record.quantum_V, Sensing(), states, pack)


def kept_of_log(dirty: DirtyPrecharge, states: bool) -> Kept:
    """What a dirty log holds."""
    dirt = dirty.dirt
    slower = [each.period_s for each in (dirt.refresh, dirt.repetition) if each is not None]
    age_s = min(dirt.period_s, *slower) if slower else 0.0  # until the message that carries a reading
    (voltage,) = (each for each in message(dirt.link).signals if each.name == "DcLinkVoltage")
    before_s = dirty.truth.start_s - dirty.boots_s
    unsure_s, step_V = dirt.logger.grid_s + age_s, float(voltage.scale)
    return Kept(dirt.sampling_s, unsure_s, NOISE_V, step_V, dirt.sensing, states, dirt.pack, before_s)


def decidable(case: PrechargeCase, kept: Kept) -> bool:
    """Whether an ideal reader of the log could name the kind, from the truth and the bounds of any estimate."""
    truth = case.truth
    nominal_s = truth.nominal_time_constant_s
    rise_V = truth.end_V - truth.start_V
    if truth.kind == "no_rise":  # only a state shows that something was tried
        return kept.states
    if truth.kind == "bypassed":
        return _settles_sooner_than_any_resistor(case, kept)
    if kept.booted_s < _BOOT_READINGS * kept.sampling_s + kept.unsure_s:
        return False  # the rise begins among the readings of a controller that boots
    if _on_the_way(truth, kept) < LEAST_ON_THE_WAY:
        return False
    bound = bounds_of(case, kept)
    if truth.kind == "stalled":  # settled means within 5 % of the curve's end; it is too low beside the pack's voltage
        return kept.pack and CLEAR * bound.end_V <= 0.05 * rise_V
    if truth.kind == "interrupted":
        missing_V = rise_V * exp(-(truth.relay_open_s - truth.start_s) / truth.time_constant_s)
        return CLEAR * bound.end_V <= missing_V
    if truth.kind == "closed_early":  # the link rises on until the next sample, and by as much as its reading is late
        assert truth.close_V is not None
        late_s = kept.sampling_s + kept.unsure_s + sum(kept.sensing.lags_s) + kept.sensing.average_s
        latest = 1 - (1 - truth.close_V / truth.pack_V) * exp(-late_s / truth.time_constant_s)
        return latest < 0.95
    if truth.kind == "fast" and not kept.pack:
        return False  # a load that holds the link below the pack shortens the constant as well
    if truth.kind in ("slow", "fast") and _another_looks_alike(truth, kept):
        return False
    off = log(truth.time_constant_s / nominal_s)
    to_edge = min(abs(off - log(1 + TOLERANCE)), abs(off - log(1 - TOLERANCE)))
    return CLEAR * bound.time_constant_s / truth.time_constant_s <= to_edge


def bounds_of(case: PrechargeCase, kept: Kept) -> Bounds:
    """The bounds of any estimate from what the log holds; infinite for kinds that have no curve."""
    if case.truth.kind in ("no_rise", "bypassed"):
        return Bounds(inf, inf)
    record = Recording(kept.sampling_s, kept.step_V, kept.noise_V, max(kept.unsure_s, case.recording.jitter_s))
    return bounds(replace(case, recording=record))


def _settles_sooner_than_any_resistor(case: PrechargeCase, kept: Kept) -> bool:
    """Whether the reading of a link that steps is at its end sooner than that of one that a resistor charges can be.

    A reading follows the link, never leads it. From the last sample before the step to the first that is at its end but
    for noise is the time that the sensing takes, in whole samples and one; a link of constant τ takes τ·ln(rise/noise).
    Without the pack's voltage a relay that drops out early may have left it there, as long as some pack is so high.
    """
    truth = case.truth
    least_V = CLEAR * float(np.hypot(kept.noise_V, kept.step_V / np.sqrt(12)))
    rise_V = truth.pack_V - truth.start_V
    if rise_V <= least_V:
        return False
    settling = log(rise_V / least_V)
    time_s = np.arange(0.0, kept.sensing.average_s + settling * 2 * sum(kept.sensing.lags_s) + 2e-3, 5e-4)
    shown = kept.sensing.reading(np.where(time_s > 0, rise_V, 0.0), 5e-4)
    settled_s = float(time_s[np.argmax(shown >= rise_V - least_V)] - time_s[1])
    slowest_s = (ceil(settled_s / kept.sampling_s) + 1) * kept.sampling_s + kept.unsure_s
    if not kept.pack and rise_V < HIGHEST_V * -np.expm1(-slowest_s / truth.nominal_time_constant_s):
        return False
    return slowest_s <= LEAST_RESISTOR * truth.nominal_time_constant_s * settling


def _another_looks_alike(truth: PrechargeTruth, kept: Kept) -> bool:
    """Whether a link that is not slow (not fast), behind other sensing, gives the readings of a slow (fast) one.

    No one who reads the log knows its sensing; a curve of two constants does not say which of them is the link's. The
    other link, behind up to two lags, is compared with the true one at the log's samples by least squares, with what a
    reading and its stamp are unsure by; lags are those that sensing has.
    """
    edge_s, rise_V = truth.nominal_time_constant_s, truth.end_V - truth.start_V
    slow = truth.time_constant_s > edge_s
    low_s, high_s = (_SHORTEST_S, edge_s * (1 + TOLERANCE)) if slow else (edge_s * (1 - TOLERANCE), _LONGEST_S)
    until_s = min(truth.relay_open_s, inf if truth.close_s is None else truth.close_s) - truth.start_s
    fine_s = np.arange(-0.1, until_s, _FINE_S)
    every = max(round(kept.sampling_s / _FINE_S), 1)
    shown = kept.sensing.reading(_rising(rise_V, truth.time_constant_s, fine_s), _FINE_S)
    slope = np.gradient(shown, _FINE_S)
    off = np.sqrt(kept.noise_V**2 + kept.step_V**2 / 12 + (slope * kept.unsure_s) ** 2 / 12)[::every]

    def residuals(free: FloatArray) -> FloatArray:
        onset_s, link_s, *lags_s = free[0], *np.exp(free[1:])
        other = Sensing(tuple(lags_s)).reading(_rising(rise_V, link_s, fine_s - onset_s), _FINE_S)[::every]
        scale = float(other / off @ (shown[::every] / off)) / max(float(np.sum((other / off) ** 2)), 1e-12)
        return np.asarray((scale * other - shown[::every]) / off)

    lags = [max(lag_s, 2 * _SHORTEST_S) for lag_s in (*kept.sensing.lags_s, kept.sensing.average_s / 2) if lag_s > 0]
    near_s = min(max(truth.time_constant_s, low_s), high_s)
    starts = [(near_s, lag_s, 2 * _SHORTEST_S) for lag_s in (0.01, 0.03, 0.09)]
    starts += [(lag_s, truth.time_constant_s, 2 * _SHORTEST_S) for lag_s in lags]  # the two change their places
    bounds_ = np.array([(-0.1, until_s), np.log((low_s, high_s)), *[np.log((_SHORTEST_S, LONGEST_LAG_S))] * 2]).T
    best = np.inf
    for start in starts:
        begin = np.clip([0.0, *np.log(start)], bounds_[0] + 1e-6, bounds_[1] - 1e-6)
        found = least_squares(residuals, begin, bounds=tuple(bounds_), x_scale=(0.01, 0.1, 0.3, 0.3), max_nfev=40)
        best = min(best, 2 * float(found.cost))
    return best < CLEAR**2


def _rising(rise_V: float, tau_s: float, elapsed_s: FloatArray) -> FloatArray:
    """By how much a link has risen [V], so long after the onset [s]."""
    return np.asarray(rise_V * -np.expm1(-np.maximum(elapsed_s, 0.0) / tau_s))


def _on_the_way(truth: PrechargeTruth, kept: Kept) -> int:
    """Samples on the way from one end of the rise to the other, or until it breaks off, however they fall."""
    first_s, last_s = (-truth.time_constant_s * log(1 - share) for share in ON_THE_WAY)
    until_s = min(truth.relay_open_s, inf if truth.close_s is None else truth.close_s) - truth.start_s
    return int((min(last_s, until_s) - first_s) / kept.sampling_s)


def scored(
    kind: str, seed: int, period_s: float | None = None, *, flags: bool = True, pack: bool = True, clean: bool = True
) -> Scored:
    """Run the check on one case, or the whole program on its dirty log."""
    ratio, dirt = RATIOS.get(kind, 1.0), tuple[str, ...]()
    if clean:
        case = random_precharge(seed, kind=kind, rc_ratio=ratio, sampling_s=period_s)
        kept = kept_of(case, flags, pack)
        findings = judged(case, flags=flags, pack=pack)
    else:
        log = dirty_precharge(seed, kind, rc_ratio=ratio, sampling_s=period_s, flags=flags, pack=pack)
        case = random_precharge(seed, kind=kind, rc_ratio=ratio, sampling_s=log.dirt.sampling_s)
        kept = kept_of_log(log, flags)
        found = checked(log.text, log.vehicle).findings
        findings, dirt = [f for f in found if f.kind.startswith("precharge.")], log.dirt.what
    truth_s = case.truth.time_constant_s
    kinds = [f.kind.removeprefix("precharge.") for f in findings]
    off = truth_s / case.truth.nominal_time_constant_s
    fast = off < 1 - TOLERANCE or kind == "bypassed"  # past its resistor a link is fast indeed
    wrong = ("slow" in kinds and off <= 1 + TOLERANCE) or ("fast" in kinds and not fast)
    constant = findings[0].measured.get("time_constant_s") if findings else None
    found_s = None
    if constant is not None and constant.value is not None:
        assert constant.low is not None
        assert constant.high is not None
        found_s = (constant.value, constant.low, constant.high)
    return Scored(
        "+".join(kinds) or "nothing",
        decidable(case, kept),
        kinds == [{"parallel_load": "complete"}.get(kind, kind)],
        wrong,
        truth_s,
        bounds_of(case, kept).time_constant_s,
        found_s,
        plain_fit(case) if found_s else None,
        seed,
        dirt,
        "; ".join(f.title for f in findings),
    )


def score(
    kind: str,
    seeds: Iterable[int],
    period_s: float | None = None,
    *,
    flags: bool = True,
    pack: bool = True,
    clean: bool = True,
) -> list[Scored]:
    """Run the check over many cases of one kind; the period at random where it is not told."""
    return [scored(kind, seed, period_s, flags=flags, pack=pack, clean=clean) for seed in seeds]


def plain_fit(case: PrechargeCase) -> float | None:
    """What a notebook would do: one exponential through everything from the relay's closing on."""
    after = case.time_s >= case.truth.start_s
    t, v = case.time_s[after], case.voltage_V[after]
    try:
        with np.errstate(over="ignore"):
            fitted, _ = curve_fit(
                lambda x, v0, v1, tau: v1 - (v1 - v0) * np.exp(-(x - t[0]) / tau),
                t,
                v,
                p0=[v[0], v[-1], 0.15],
                maxfev=2000,
            )
    except (RuntimeError, OptimizeWarning, TypeError, IndexError):
        return None
    return float(fitted[2])


def row(cases: list[Scored]) -> str:
    """Kind accuracy where decidable, wrong claims, coverage, errors over the bound where decidable, all outcomes.

    The bound is one of the first order, for small errors: it is no measure where the kind cannot be told, nor where
    five of it reach as far as the constant itself.
    """
    told = [c for c in cases if c.decidable]
    right = f"{100 * np.mean([c.right for c in told]):5.1f} % of {len(told):4d}" if told else "-"
    known = [c for c in cases if c.found_s is not None and np.isfinite(c.bound_s)]
    numbers = ""
    if known:
        held = [c for c in known if c.found_s and c.decidable and CLEAR * c.bound_s <= c.truth_s]
        over = np.abs([(c.found_s[0] - c.truth_s) / c.bound_s for c in held if c.found_s] or [np.nan])
        off = 100 * np.median([abs(c.found_s[0] / c.truth_s - 1) for c in known if c.found_s])
        plain = [abs(c.plain_s / c.truth_s - 1) for c in known if c.plain_s is not None]
        beside = f"({100 * np.median(plain):6.2f} %)" if plain and np.median(plain) < 10 else "(no curve)"
        numbers = (
            f"{100 * np.mean([c.held for c in known]):5.1f} % of {len(known):4d}  "
            f"rms {np.sqrt(np.mean(over**2)):5.2f}  median {np.median(over):4.2f}  {off:5.2f} % {beside}"
        )
    outcomes = ", ".join(f"{name} {n}" for name, n in Counter(c.outcome for c in cases).most_common())
    return f"{right:16s} {sum(c.wrong_claim for c in cases):5d}  {numbers:58s}  {outcomes}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=50, help="cases of each kind and sampling")
    parser.add_argument("kinds", nargs="*", choices=[[], *KINDS], default=[], help="of precharge; all if none is named")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--clean", action="store_true", help="log without what real loggers do")
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    seeds, kinds = range(asked.first, asked.first + asked.count), tuple(asked.kinds) or KINDS
    wrong: list[str] = []
    print(
        "right where decidable; wrong slow/fast; 95 % limits hold the truth; error over the Cramér–Rao bound, as root"
    )
    print("mean square and median of its size; median error in percent (of a plain fit); outcomes")
    for told, flags, pack in (("relay, contactor and pack voltage", True, True), ("link voltage alone", False, False)):
        print(f"\nlogged: {told}")
        for kind in kinds:
            for period_s in PERIODS_S:
                cases = score(kind, seeds, period_s, flags=flags, pack=pack, clean=asked.clean)
                print(f"{kind:13s} {1e3 * period_s:4.0f} ms  {row(cases)}", flush=True)
                wrong += [
                    f"{kind}, {1e3 * period_s:.0f} ms, {told}, seed {case.seed}: {case.outcome} ({case.title})\n"
                    f"      dirt: {', '.join(case.dirt)}"
                    for case in cases
                    if not case.right and case.outcome not in ("undetermined", "nothing")
                ]
    if asked.detail:
        print("\ncalled something else, and the dirt", *wrong, sep="\n  ")


if __name__ == "__main__":
    main()
