"""Whether the first explanation is the true origin, in drives with no fault, with one, and with two.

    python tests/diagnosis/explanation_score.py 3 --first 100 --detail

Each drive is logged with the dirt of real loggers, but for dirt that is a fault of its own (foreign frames). A fault
that no check warns of, or only of what is true beside it, has nothing to explain and is counted apart: it is the
checks' miss. So is one of which a warning stands by itself, as a trip does whose cause the sampling hides. In a drive
with two faults the first two explanations must be true origins, or the only one; how often both are named is counted as
well.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

from explained_drives import Explained, explained_drives
from logging_dirt.drive_log import dirty_log
from logging_dirt.whole_log import checked
from score_runs import layout_of, play
from score_signals import vehicle_for

from logscope.findings import Severity
from logscope.result import Result

# True beside the fault: marks for “no value” that a controller sends throughout; a pack that `vary` draws so high that
# braking lifts it above its limit; a load on the link while it charges, which `with_loaded_link` adds to some drives.
_TRUE_BESIDES = ("signal_unfilled", "full_pack", "load_on_link")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was said of one drive.

    warned : whether a check warns of more than what is true beside the faults
    explained : whether an origin is named; right : as the module says
    complete : whether every fault is named
    """

    faults: int
    warned: bool
    explained: bool
    right: bool
    complete: bool
    said: tuple[str, ...]


def outcome(drive: Explained, seed: int) -> Outcome | None:
    """Play, log, check and explain one drive; None where its log is spoilt in a way that is a fault of its own."""
    layout = layout_of(seed)
    played, draw = play(drive.case, seed, clean=False)
    log = dirty_log(played, draw, layout, vehicle_for(layout), clean=False)
    return None if log.dirt.spoils else judged(drive, checked(log.text, log.vehicle))


def judged(drive: Explained, result: Result) -> Outcome:
    """Whether a result's explanations are the true origins."""
    said = tuple(f"{each.cause} ({each.likelihood:.2f})" for each in result.explanations)
    wanted = drive.origins
    besides = set(_TRUE_BESIDES).difference(*wanted)
    causes = [each.cause for each in result.explanations if each.cause not in besides]
    of_besides = {index for each in result.explanations if each.cause in besides for index in each.members}
    warned = any(
        finding.severity.rank >= Severity.WARNING.rank
        for index, finding in enumerate(result.findings)
        if index not in of_besides
    )
    true = [any(cause in origin for origin in wanted) for cause in causes[: max(len(wanted), 1)]]
    named = [any(cause in origin for cause in causes) for origin in wanted]
    right = all(true) and (bool(true) or not wanted)
    return Outcome(len(wanted), warned, bool(causes), right, all(named), said)


def main() -> None:
    """Print how often the first explanation is right, after each kind of drive: a run may be stopped at any time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", default="", help="families that begin so")
    parser.add_argument("--detail", action="store_true", help="list the drives explained wrongly or not at all")
    chosen = parser.parse_args()
    counts = Counter[tuple[int, str]]()
    for drive in explained_drives():
        if not drive.case.family.startswith(chosen.only):
            continue
        for seed in range(chosen.first, chosen.first + chosen.seeds):
            found = outcome(drive, seed)
            if found is None:
                continue
            what = _counted_as(found)
            counts[found.faults, what] += 1
            counts[found.faults, "every fault named"] += found.complete
            if chosen.detail and what in ("wrong", "not explained"):
                print(f"{drive.case.name}, seed {seed}, {what}: {', '.join(found.said) or 'nothing'}", flush=True)
        print(f"after {drive.case.name}: {_summary(counts)}", flush=True)


def _summary(counts: Counter[tuple[int, str]]) -> str:
    """The counts so far, by the number of faults in a drive."""
    return "; ".join(
        f"{faults} faults: " + ", ".join(f"{what} {n}" for (many, what), n in sorted(counts.items()) if many == faults)
        for faults in sorted({faults for faults, _ in counts})
    )


def _counted_as(found: Outcome) -> str:
    if found.faults and not found.warned:
        return "no check warned"
    if found.faults and not found.explained:
        return "not explained"
    return "right" if found.right else "wrong"


if __name__ == "__main__":
    main()
