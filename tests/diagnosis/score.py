"""How well the checks do on simulated drives with known truth, beside what general tools do.

    python tests/diagnosis/score.py --seeds 50

plays every case of the catalogue (healthy drives; each fault at several severities) and random precharge
circuits of each kind with that many seeds, in turn through all samplings (5 to 200 ms) and layouts (without
states, pack voltage or fault; one controller; lagging states), and prints

- for each kind: events, and the share of them that was found (recall); those found under the name of another
  kind, told to be undetermined, or missed; claims, and the share of them that was true (precision); those
  that name another kind than it was, or where nothing was; for trips, the cause;
- false warnings and dangers for each hour of sound driving;
- for estimates: spread of the error over the Cramér–Rao bound, and how often the 95 % limits held the truth.

Every log is dirty as those of real loggers are (`logging_dirt`), each in another way; `--clean` leaves that out.
Openings of contactors of which no reading of the link shows anything (`logging_dirt/shown`) are left out.
Truth and claim match if they are of one kind and within 0.15 s and two sample periods of each other.
Limits are 95 %, exact (Clopper–Pearson; Garwood for rates). `--detail` adds every case, every sampling, the
seeds of what was missed or claimed wrongly, and each false claim with the dirt of its log; `--only TEXT` runs
the cases whose name holds the text.
A line of the last list runs again with `--only NAME --first SEED --seeds 1 --detail`.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

from score_runs import CASES, METHODS, PRECHARGES, run
from score_tally import Tally, share, tally

_WORST_SEEDS = 12  # of each kind, listed with --detail


def play_case(name: str, first: int, seeds: int, clean: bool) -> dict[str, Tally]:
    """All seeds of a case, by method."""
    runs = [run(name, seed, clean=clean) for seed in range(first, first + seeds)]
    return {method: tally(runs, method) for method in METHODS}


def play_all(names: list[str], first: int, seeds: int, workers: int, clean: bool) -> dict[str, Tally]:
    """All cases, in parallel processes."""
    totals = {method: Tally() for method in METHODS}
    with ProcessPoolExecutor(workers) as pool:
        for part in pool.map(play_case, names, repeat(first), repeat(seeds), repeat(clean)):
            for method in METHODS:
                totals[method] += part[method]
    return totals


def print_table(tallies: dict[str, Tally]) -> None:
    """The score."""
    ours, theirs = (tallies[method] for method in METHODS)
    print(
        "kind                         events  found %           renamed undet. missed  claims  true %            "
        "misnamed false  | baseline found % true %"
    )
    for kind in sorted({*ours.kinds, *theirs.kinds}):
        print(
            f"{kind:28s} {ours.events(kind):6d}  {ours.recall(kind):17s} {ours.renamed[kind]:6d} "
            f"{ours.undetermined[kind]:6d} {ours.missed[kind]:6d}  {ours.claims(kind):6d}  {ours.precision(kind):17s} "
            f"{ours.misnamed[kind]:6d} {ours.false[kind]:6d}  | {theirs.recall(kind):17s} {theirs.precision(kind)}"
        )
    for kind, count in sorted(ours.unshown.items()):
        print(f"{kind}: {count} more cannot be decided from their logs and are left out")
    _print_causes(ours, theirs)
    print("\nfalse alarms in sound drives: " + "; ".join(f"{m} {t.alarms_per_hour()}" for m, t in tallies.items()))
    for kind, count in ours.alarms.most_common():
        print(f"  {kind}: {count}")
    for verdict in sorted({name for name, _ in ours.clears}):
        wrong, right = ours.clears[verdict, True], ours.clears[verdict, False]
        print(f"{verdict} given {wrong + right} times, wrong {share(wrong, wrong + right)} %")
    _print_estimates(ours, theirs)


def _print_causes(ours: Tally, theirs: Tally) -> None:
    print("\ncause            events  seen  right %           undetermined  wrong  | baseline right %")
    for cause in sorted({true for true, _ in ours.causes}):
        row, base = _claimed(ours, cause), _claimed(theirs, cause)
        missed, right, open_ = row.pop(None, 0), row.get(cause, 0), row.get("undetermined", 0)
        seen = sum(row.values())
        base.pop(None, 0)
        print(
            f"{cause:16s} {seen + missed:6d} {seen:5d}  {share(right, seen):17s} {open_:8d} "
            f"{seen - right - open_:8d}   | {share(base.get(cause, 0), sum(base.values()))}"
        )


def _claimed(counts: Tally, cause: str) -> dict[str | None, int]:
    """How often each cause was claimed for trips of one true cause; None counts the missed."""
    return {claimed: n for (true, claimed), n in counts.causes.items() if true == cause}


def _print_estimates(ours: Tally, theirs: Tally) -> None:
    print("\ntime constant, spread of the error over the Cramér–Rao bound: checks, baseline")
    for kind in sorted(ours.scaled):
        print(f"  {kind:26s} {ours.error_over_bound(kind):>8s} {theirs.error_over_bound(kind):>10s}")
    print("95 % limits that held the truth, %: checks, baseline")
    for name in sorted(ours.held):
        mine, base = ours.held[name], theirs.held[name]
        print(f"  {name:26s} {share(sum(mine), len(mine)):17s} {share(sum(base), len(base))}")


def print_detail(ours: Tally) -> None:
    """Recall of each case and sampling, and the seeds of misses and false claims."""
    print("\ncase: kind, recall %")
    for name, found in sorted(ours.by_case.items()):
        print(f"  {name:70s} {share(sum(found), len(found))}")
    print("\nkind at sample period, recall %")
    for (kind, period_s), found in sorted(ours.by_period.items()):
        print(f"  {kind:28s} {period_s * 1e3:5.0f} ms  {share(sum(found), len(found))}")
    print("\nwhat went wrong: kind, how, case, seeds")
    where: dict[tuple[str, str, str], list[int]] = {}
    for kind, what, case, seed in ours.seeds:
        where.setdefault((kind, what, case), []).append(seed)
    for (kind, what, case), seeds in sorted(where.items(), key=lambda item: -len(item[1])):
        print(f"  {kind:26s} {what:42s} {case:44s} {len(seeds):3d}: {seeds[:_WORST_SEEDS]}")


def print_dirt(ours: Tally) -> None:
    """False claims over all runs and over those with each dirt, and each false claim by itself."""
    print("\nfalse or misnamed claims for 100 runs, all and with each dirt (runs): the kinds that stand out")
    wrong: dict[str, dict[str, int]] = {}
    for (dirt, kind, what), count in ours.by_dirt.items():
        if what in ("false", "misnamed"):
            wrong.setdefault(dirt, {})[kind] = wrong.get(dirt, {}).get(kind, 0) + count
    for dirt in sorted(ours.runs, key=lambda name: -sum(wrong.get(name, {}).values()) / ours.runs[name]):
        kinds = sorted(wrong.get(dirt, {}).items(), key=lambda item: -item[1])
        rate = 100 * sum(count for _, count in kinds) / ours.runs[dirt]
        named = ", ".join(f"{kind} {count}" for kind, count in kinds[:5])
        print(f"  {dirt or 'all':36s} {rate:6.1f} ({ours.runs[dirt]:4d})  {named}")
    print("\nfalse and misnamed claims: kind, severity, case, seed, when, what was said; dirt; what happened")
    for each in sorted(ours.false_claims, key=lambda claim: (claim.kind, claim.case, claim.seed)):
        where = f"{each.case}, seed {each.seed}, {each.at_s:.2f} s"
        print(f"  {each.what} {each.kind} ({each.severity}), {where}: {each.title}")
        print(f"      dirt: {', '.join(each.dirt) or 'none'}; true: {', '.join(each.truth) or 'nothing'}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=50, help="of each case")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--clean", action="store_true", help="log without what real loggers do")
    parser.add_argument("--detail", action="store_true")
    asked = parser.parse_args()
    names = [name for name in (*CASES, *PRECHARGES) if asked.only in name]
    tallies = play_all(names, asked.first, asked.seeds, asked.workers, asked.clean)
    print(f"{len(names)} cases, {asked.seeds} seeds each\n")
    print_table(tallies)
    if asked.detail:
        print_detail(tallies["checks"])
        print_dirt(tallies["checks"])


if __name__ == "__main__":
    main()
