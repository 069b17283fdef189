"""What does not arrive and the checks will need, said before the drive begins."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from logscope.checks.needs import readiness
from logscope.parts import part_name

# The checks of the first drives, whose parts are worth a word each; the report lists the others. Parts that are not
# mapped are named where a check cannot run without them, or is only half a check.
_EARLY = ("precharge", "discharge", "contactors", "encoder", "trips")
_HALF_WITHOUT = ("battery_voltage", "main_contactor", "precharge_relay", "fault")


def missing_parts(arriving: Collection[str], mapped: Collection[str]) -> Iterator[str]:
    """Sentences on the parts that are missing, those without which a check cannot run first.

    arriving : parts that arrive now; mapped : those that the vehicle file maps
    """
    stopped: dict[str, list[str]] = {}
    weaker: dict[str, list[str]] = {}
    for check in readiness(arriving, ()):
        name = check.needs.check
        if name not in _EARLY:
            continue
        if not check.runs:
            for part in min(check.wanted, key=len):
                stopped.setdefault(part, []).append(f"no {name} check")
        for part, adds in check.parts.items():
            if part in mapped or part in _HALF_WITHOUT:
                weaker.setdefault(part, []).append(f"{name} without {adds}")
    for part in [*stopped, *(part for part in weaker if part not in stopped)]:
        if part in arriving:
            continue
        how = "does not arrive" if part in mapped else "is not mapped"
        name = part_name(part)
        costs = [*stopped.get(part, ()), *weaker.get(part, ())]
        yield f"{name[0].upper()}{name[1:]} {how}: {'; '.join(dict.fromkeys(costs))}."
