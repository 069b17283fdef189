"""A load that starts and stops while the link is charged: the voltage saws up and down, all in one attempt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.rises import Attempt

# Rises in a row from one level to another: two could be a retry that got as far as the first.
_LEAST_RISES = 3
# Of a rise: levels that differ by no more come of one switching threshold, seen a sample early or late.
_ALIKE = 0.25
# First rises within which the next one comes: the same resistor brings the link back; some may fall between samples.
# Swings of a pack under load are slower.
_SOON = 10.0


def joined_hunting(link: Link, attempts: Sequence[Attempt]) -> list[Attempt]:
    """The attempts in order of time, those of a link that saws up and down joined into one each.

    Where the relay's state is mapped it stays on all the while; a retry has an edge of its own. Else it shows by the
    rises, which all begin and end at the thresholds of the load.
    """
    joined: list[Attempt] = []
    run: list[Attempt] = []
    for attempt in attempts:
        if run and not _goes_on(link, run, attempt):
            joined += _as_one(link, run)
            run = []
        run.append(attempt)
    return joined + _as_one(link, run)


def _goes_on(link: Link, run: Sequence[Attempt], attempt: Attempt) -> bool:
    """Whether a rise is one more tooth of the saw."""
    own_edge = attempt.relay_s not in (None, run[0].relay_s)
    return not own_edge and (_relay_held(link, run[0], attempt) or _alike(link, run, attempt))


def _relay_held(link: Link, first: Attempt, attempt: Attempt) -> bool:
    """Whether the relay's state says that it was on from before the first rise to this one."""
    return first.relay_end_s is not None and bool(link.part.time_s[attempt.top] <= first.relay_end_s)


def _alike(link: Link, run: Sequence[Attempt], attempt: Attempt) -> bool:
    """Whether a rise is as high as those before it, from as low, and as soon as the link can be back."""
    time_s, volts, previous = link.part.time_s, link.part.value, run[-1]
    soon = time_s[attempt.top] - time_s[previous.top] <= _SOON * (time_s[run[0].top] - time_s[run[0].onset])
    height = float(volts[attempt.top] - volts[attempt.onset])
    room = max(_ALIKE * height, 4 * link.noise_v + link.step_v)
    same_top = abs(volts[attempt.top] - volts[previous.top]) <= room
    return bool(soon and same_top and (len(run) < 2 or abs(volts[attempt.onset] - volts[previous.onset]) <= room))


def _as_one(link: Link, run: Sequence[Attempt]) -> list[Attempt]:
    held = len(run) > 1 and _relay_held(link, run[0], run[-1])
    closed_before_the_last = any(one.contactor_s is not None for one, _ in pairwise(run))
    if closed_before_the_last or (len(run) < _LEAST_RISES and not held):
        return list(run)
    last = run[-1]
    whole = replace(run[0], end=last.end, ended_by=last.ended_by, stayed_open=last.stayed_open, saws=len(run) - 1)
    return [replace(whole, contactor_s=last.contactor_s, contactor_after_s=last.contactor_after_s)]
