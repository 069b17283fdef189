"""How often sound key cycles are called anything else, and how well their time constants are told.

    python tests/diagnosis/sound_cycles.py 200              # cycles, from seed 0 on
    python tests/diagnosis/sound_cycles.py 200 --first 5000 --detail
    python tests/diagnosis/sound_cycles.py 200 --clean      # the same stories, logged without dirt

draws that many sound key cycles (`sound_cycle_logs`) with sensing lags, slow sensors, repeated and stale readings,
bursts, stamp grids, boot-up readings and states at 10 Hz, each a whole log of two buses, and runs the whole check on
each. Every warning and danger is wrong there. Printed are

- wrong slow or fast; phantom precharges (a finding where no attempt was); order and dropout findings; all others;
- how the attempts were judged, and for how many of them a time constant is told;
- how often its 95 % limits held the truth, by kind of dirt, with exact limits (Clopper–Pearson), and how wide they are.

`--detail` lists each wrong claim and each limit that missed, with the dirt it had.
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat

import numpy as np
from logging_dirt.whole_log import checked
from score_tally import share
from sound_cycle_logs import sound_cycle

from logscope.errors import LogscopeError
from logscope.findings import Finding, Severity
from logscope.simulate.truth import TruthEvent

_NEAR_S = 0.3  # and two sample periods: how far from an attempt a finding may still be about it
GROUPS = ("slow or fast", "phantom precharge", "order or dropout", "other")


@dataclass(frozen=True, slots=True)
class Wrong:
    """A claim that a sound cycle does not bear out."""

    group: str
    kind: str
    severity: str
    at_s: float
    title: str


@dataclass(frozen=True, slots=True)
class Told:
    """One attempt: how it was judged, and the time constant told with its limits [s], None where none is."""

    outcome: str
    true_s: float
    value_s: float | None
    low_s: float | None
    high_s: float | None

    @property
    def limits(self) -> bool:
        """Whether there are limits on both sides."""
        return self.low_s is not None and self.high_s is not None

    @property
    def held(self) -> bool:
        """Whether they hold the truth."""
        return (self.low_s is None or self.low_s <= self.true_s) and (self.high_s is None or self.true_s <= self.high_s)


@dataclass(frozen=True, slots=True)
class Scored:
    """One cycle."""

    seed: int
    what: tuple[str, ...]
    wrong: tuple[Wrong, ...]
    told: tuple[Told, ...]


def scored(seed: int, clean: bool = False) -> Scored:
    """Log one sound cycle and run the whole check on it."""
    cycle = sound_cycle(seed, clean=clean)
    try:
        findings = checked(cycle.text, cycle.vehicle).findings
    except LogscopeError as error:
        refused = Wrong("other", "refused", "danger", 0.0, str(error))
        return Scored(seed, cycle.dirt.what, (refused,), ())
    near_s = _NEAR_S + 2 * cycle.dirt.sampling_s
    wrong = tuple(each for finding in findings if (each := _wrong(finding, cycle.attempts, near_s)))
    told = tuple(_told(event, findings, near_s) for event in cycle.attempts)
    sampling = f"a new value every {1e3 * cycle.dirt.period_s:.0f} ms"
    return Scored(seed, (sampling, cycle.circuit, *cycle.dirt.what), wrong, told)


def _wrong(finding: Finding, attempts: Iterable[TruthEvent], near_s: float) -> Wrong | None:
    """The claim that a finding makes and that is false in a sound cycle, if it makes one."""
    alarm = finding.severity in (Severity.WARNING, Severity.DANGER)
    topic = finding.kind.split(".")[0]
    if topic == "precharge" and not any(_near(event, finding, near_s) for event in attempts):
        group = "phantom precharge"
    elif not alarm:
        return None
    elif finding.kind in ("precharge.slow", "precharge.fast"):
        group = "slow or fast"
    else:
        group = "order or dropout" if finding.kind in ("contactor.order", "contactor.dropout") else "other"
    return Wrong(group, finding.kind, finding.severity.value, finding.start_s, finding.title)


def _near(event: TruthEvent, finding: Finding, near_s: float) -> bool:
    if finding.events:
        return any(_overlap(event, each.start_s, each.end_s, near_s) for each in finding.events)
    return _overlap(event, finding.start_s, finding.end_s, near_s)


def _overlap(event: TruthEvent, start_s: float, end_s: float, near_s: float) -> bool:
    return event.start_s - near_s <= end_s and start_s <= event.end_s + near_s


def _told(event: TruthEvent, findings: Iterable[Finding], near_s: float) -> Told:
    about = [f for f in findings if f.kind.startswith("precharge.") and _near(event, f, near_s)]
    about = [f for f in about if f.kind not in ("precharge.drift", "precharge.resistor_stress")]
    true_s = event.parameters["time_constant_s"]
    outcome = "+".join(f.kind.removeprefix("precharge.") for f in about) or "nothing"
    constant = about[0].measured.get("time_constant_s") if about else None
    if constant is None:
        return Told(outcome, true_s, None, None, None)
    return Told(outcome, true_s, constant.value, constant.low, constant.high)


def print_table(cycles: list[Scored]) -> None:
    """The score."""
    wrong = Counter(each.group for cycle in cycles for each in cycle.wrong)
    print(f"{len(cycles)} sound cycles; wrong claims: " + ", ".join(f"{name} {wrong[name]}" for name in GROUPS))
    for kind, count in Counter(each.kind for cycle in cycles for each in cycle.wrong).most_common():
        print(f"  {kind}: {count}")
    attempts = [(cycle, told) for cycle in cycles for told in cycle.told]
    outcomes = Counter(told.outcome for _, told in attempts).most_common()
    print("attempts: " + ", ".join(f"{name} {count}" for name, count in outcomes))
    print(f"\n{'':36s} limits  hold the truth %      half their width %  wrong claims in cycles")
    names = list(dict.fromkeys(name for cycle in cycles for name in cycle.what))
    for name in ("all", *sorted(names)):
        of = [cycle for cycle in cycles if name == "all" or name in cycle.what]
        known = [told for cycle in of for told in cycle.told if told.limits]
        widths = [(t.high_s - t.low_s) / 2 / t.true_s for t in known if t.high_s is not None and t.low_s is not None]
        width = f"{100 * float(np.median(widths)):8.2f}" if widths else f"{'-':>8s}"
        bad = sum(bool(cycle.wrong) for cycle in of)
        print(
            f"{name:36s} {len(known):6d}  {share(sum(t.held for t in known), len(known)):20s} {width}"
            f"            {bad} of {len(of)}"
        )


def print_detail(cycles: list[Scored]) -> None:
    """Each wrong claim and each missed truth."""
    print("\nwrong claims: seed, kind, severity, when, what was said; dirt")
    for cycle in cycles:
        for each in cycle.wrong:
            print(f"  {cycle.seed:5d} {each.kind:24s} {each.severity:8s} {each.at_s:7.3f} s  {each.title}")
            print(f"        {', '.join(cycle.what)}")
    print("\nlimits that missed: seed, outcome, told (low to high), true; dirt")
    for cycle in cycles:
        for told in cycle.told:
            if not told.held:
                value, low, high = (
                    "-" if each is None else f"{1e3 * each:.2f}" for each in (told.value_s, told.low_s, told.high_s)
                )
                limits = f"{value} ({low} to {high}) ms, true {1e3 * told.true_s:.2f}"
                print(f"  {cycle.seed:5d} {told.outcome:14s} {limits}")
                print(f"        {', '.join(cycle.what)}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=200, help="cycles")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--clean", action="store_true", help="log the same stories without dirt")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.count)
    with ProcessPoolExecutor(asked.workers) as pool:
        cycles = list(pool.map(scored, seeds, repeat(asked.clean), chunksize=4))
    print_table(cycles)
    if asked.detail:
        print_detail(cycles)


if __name__ == "__main__":
    main()
