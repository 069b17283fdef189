"""Counts over many runs, and the figures that follow from them with their 95 % limits."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import isfinite

import numpy as np
from scipy import stats
from score_matching import match, wrong_all_clears
from score_runs import Run

from logscope.findings import Severity

ESTIMATES = (
    "time_constant_s", "start_voltage_V", "fraction_at_close", "close_difference_V", "peak_current_A", "current_A",
    "charge_Ah", "energy_Wh", "efficiency_percent", "taper_time_constant_s",
    "low_voltage_battery_ohm", "converter_resistance_ohm", "source_resistance_ohm",
)  # fmt: skip
_MAGNITUDES = ("peak_current_A", "current_A")
_HALF_NORMAL_MEDIAN = 0.6745  # median of |x| of a standard normal


@dataclass(frozen=True, slots=True)
class FalseClaim:
    """A claim that is not true: what was said, where and with which dirt, and what happened there."""

    kind: str
    severity: str
    case: str
    seed: int
    at_s: float
    title: str
    what: str
    dirt: tuple[str, ...]
    truth: tuple[str, ...]


@dataclass
class Tally:
    """Counts of one method.

    per kind: found, renamed, undetermined, missed events; misnamed and false claims (see `Outcome`)
    causes : (true cause, cause claimed) of matched events that have one, `None` where the event was missed
    alarms : warnings and dangers in sound drives, over healthy_s; clears : (verdict, wrong)
    held : whether 95 % limits held the truth, by estimate; scaled : |error| over the bound, by kind
    unshown : events that cannot be decided from their logs
    seeds : of misses, false claims and limits that missed the truth, (kind, what, case, seed), to run them again
    runs, by_dirt : runs with each dirt, and what went wrong in them, (dirt, kind, what); dirt "" is any
    """

    found: Counter[str] = field(default_factory=Counter)
    renamed: Counter[str] = field(default_factory=Counter)
    undetermined: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    misnamed: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    causes: Counter[tuple[str, str | None]] = field(default_factory=Counter)
    by_period: defaultdict[tuple[str, float], list[bool]] = field(default_factory=lambda: defaultdict(list))
    by_case: defaultdict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    alarms: Counter[str] = field(default_factory=Counter)
    healthy_s: float = 0.0
    clears: Counter[tuple[str, bool]] = field(default_factory=Counter)
    held: defaultdict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    scaled: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    unshown: Counter[str] = field(default_factory=Counter)
    seeds: list[tuple[str, str, str, int]] = field(default_factory=list)
    runs: Counter[str] = field(default_factory=Counter)
    by_dirt: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    false_claims: list[FalseClaim] = field(default_factory=list)

    def add(self, run: Run, method: str) -> None:
        """Count one run."""
        findings, period_s = run.findings[method], run.layout.period_s or 0.0
        outcome = match(run.truth, findings, max(period_s, run.resolution_s), run.dirt, run.unshown)
        wrong_before = len(self.seeds)
        for event, claim in outcome.matched:
            self.found[event.kind] += 1
            if event.cause is not None:
                self.causes[event.cause, claim.cause or "undetermined"] += 1
            for name in ESTIMATES:
                value, true = claim.measured.get(name), event.parameters.get(name)
                if true is not None and name in _MAGNITUDES:
                    true = abs(true)
                if value is None or true is None or (value.low is None and value.high is None):
                    continue
                held = (value.low is None or value.low <= true) and (value.high is None or true <= value.high)
                self.held[name].append(held)
                if not held:
                    self.seeds.append((event.kind, f"{name} outside its limits", run.case, run.seed))
                if name == "time_constant_s" and isfinite(run.bound_s) and value.value is not None:
                    self.scaled[event.kind].append(abs(value.value - true) / run.bound_s)
        for what in ("renamed", "undetermined", "missed"):
            for event in getattr(outcome, what):
                getattr(self, what)[event.kind] += 1
                self.seeds.append((event.kind, what, run.case, run.seed))
                if event.cause is not None:
                    self.causes[event.cause, None] += 1
        self.misnamed.update(claim.kind for claim in outcome.misnamed)
        self.false.update(claim.kind for claim in outcome.false)
        for what in ("misnamed", "false"):
            self.seeds += [(claim.kind, what, run.case, run.seed) for claim in getattr(outcome, what)]
        self.false_claims += [
            FalseClaim(claim.kind, claim.severity.value, run.case, run.seed, claim.start_s, claim.title, what, run.dirt,
                       tuple(f"{event.kind} {event.start_s:.2f} s" for event in run.truth))
            for what in ("misnamed", "false") for claim in getattr(outcome, what)
        ]  # fmt: skip
        for claim in (*outcome.misnamed, *outcome.false, *outcome.beyond):
            if run.healthy_s and claim.severity in (Severity.WARNING, Severity.DANGER):
                self.alarms[claim.kind] += 1
        found = {id(event) for event, _ in outcome.matched}
        for event in run.truth:
            self.by_period[event.kind, period_s].append(id(event) in found)
            self.by_case[f"{run.case}: {event.kind}"].append(id(event) in found)
        self.unshown.update(event.kind for event in run.unshown)
        self.healthy_s += run.healthy_s
        self.clears.update(wrong_all_clears(run.truth, findings, run.unshown).items())
        for name in ("", *run.dirt):
            self.runs[name] += 1
            self.by_dirt.update((name, kind, what) for kind, what, _, _ in self.seeds[wrong_before:])

    def __iadd__(self, other: Tally) -> Tally:
        for name in ("found", "renamed", "undetermined", "missed", "misnamed", "false", "causes", "alarms", "clears",
                     "unshown", "runs", "by_dirt"):  # fmt: skip
            getattr(self, name).update(getattr(other, name))
        for name in ("by_period", "by_case", "held", "scaled"):
            for key, values in getattr(other, name).items():
                getattr(self, name)[key].extend(values)
        self.healthy_s += other.healthy_s
        self.seeds += other.seeds
        self.false_claims += other.false_claims
        return self

    @property
    def kinds(self) -> list[str]:
        """Every kind that happened or was claimed."""
        return sorted({*self.found, *self.renamed, *self.undetermined, *self.missed, *self.misnamed, *self.false})

    def events(self, kind: str) -> int:
        """How many events of a kind there were."""
        return self.found[kind] + self.renamed[kind] + self.undetermined[kind] + self.missed[kind]

    def claims(self, kind: str) -> int:
        """How many claims of a kind there were."""
        return self.found[kind] + self.misnamed[kind] + self.false[kind]

    def recall(self, kind: str) -> str:
        """Share of the events that were found."""
        return share(self.found[kind], self.events(kind))

    def precision(self, kind: str) -> str:
        """Share of the claims that were true."""
        return share(self.found[kind], self.claims(kind))

    def alarms_per_hour(self) -> str:
        """Warnings and dangers for each hour of sound driving, with Garwood's exact limits."""
        return per_hour(sum(self.alarms.values()), self.healthy_s / 3600)

    def error_over_bound(self, kind: str) -> str:
        """Spread of the errors over the bound: 1 is the best there is; robust, by the median."""
        errors = self.scaled[kind]
        return f"{np.median(errors) / _HALF_NORMAL_MEDIAN:.2f}" if errors else "-"


def share(count: int, of: int) -> str:
    """A share in per cent with its exact (Clopper–Pearson) limits."""
    if not of:
        return "-"
    low = stats.beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = stats.beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return f"{100 * count / of:.0f} ({100 * low:.0f}–{100 * high:.0f})"


def per_hour(count: int, hours: float) -> str:
    """A rate with Garwood's exact limits."""
    if not hours:
        return "no sound drive was run"
    low = stats.chi2.ppf(0.025, 2 * count) / 2 / hours if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2 / hours
    return f"{count / hours:.2f}/h ({low:.2f} to {high:.2f}; {count} in {hours:.2f} h)"


def tally(runs: Iterable[Run], method: str) -> Tally:
    """The counts of many runs."""
    total = Tally()
    for each in runs:
        total.add(each, method)
    return total
