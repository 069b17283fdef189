"""Findings on what one sender did not log while others went on: a silent message, a console that restarted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Finding, Measured, Severity
from logscope.signals import Signals

_LISTED = 5  # silences named in the explanation; the finding lists them all
_FEWEST = 20  # samples, for a period to mean something
_SILENT_PERIODS = 10.0  # so many values in a row are not lost by chance (common practice, no published source)
_SHORTEST_S = 0.5  # supervision of cyclic messages gives up on a sender within half a second (common practice)
_LATE_S = 1.0  # controllers wake within a second of each other; later, the beginning is missing
_REGULAR = 3.0  # a message whose steps reach so many times their median comes on events, not with a period
_COVERED = 0.8  # of a silence within a silence of the whole log, which has a finding of its own
TURNING_RPM = 100.0  # above the noise of an encoder at rest


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch in which a message of its own was not logged [s from the capture's start]."""

    message: str
    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """How long it lasted."""
        return self.end_s - self.start_s


def silences(signals: Signals, gaps: Sequence[tuple[float, float]]) -> list[Silence]:
    """Where a cyclic message of a mapped part stops, begins late or ends early, while the log goes on.

    gaps : stretches in which nothing at all was logged (start, end) [s]
    """
    times_of: dict[str, list[FloatArray]] = {}
    for part in signals.parts.values():
        times_of.setdefault(part.message, []).append(part.time_s)
    found: list[Silence] = []
    for message, times in times_of.items():
        distinct = np.unique(np.concatenate(times))
        if distinct.size < _FEWEST:
            continue
        steps = np.diff(distinct)
        typical, slow = np.quantile(steps, [0.5, 0.95])
        if slow > _REGULAR * typical:
            continue
        limit = max(_SILENT_PERIODS * float(slow), _SHORTEST_S)
        found += [Silence(message, float(distinct[k]), float(distinct[k + 1])) for k in np.flatnonzero(steps > limit)]
        late = max(limit, _LATE_S)
        if distinct[0] - signals.start_s > late:
            found.append(Silence(message, signals.start_s, float(distinct[0])))
        if signals.end_s - distinct[-1] > late:
            found.append(Silence(message, float(distinct[-1]), signals.end_s))
    return sorted((each for each in found if not _is_covered(each, gaps)), key=lambda each: each.start_s)


def _is_covered(silence: Silence, gaps: Sequence[tuple[float, float]]) -> bool:
    shared = sum(max(0.0, min(silence.end_s, end) - max(silence.start_s, start)) for start, end in gaps)
    return shared >= _COVERED * silence.length_s


def message_silent(signals: Signals, gaps: Sequence[tuple[float, float]]) -> list[Finding]:
    """One finding on all messages that were silent while others went on, or none."""
    found = silences(signals, gaps)
    if not found:
        return []
    longest = max(found, key=lambda each: each.length_s)
    messages = dict.fromkeys(each.message for each in found)
    listed = ", ".join(f"{each.message} from {each.start_s:.3f} to {each.end_s:.3f} s" for each in found[:_LISTED])
    more = f", and {len(found) - _LISTED} more" if len(found) > _LISTED else ""
    parts = tuple(name for name, part in signals.parts.items() if part.message in messages)
    others = len(messages) - 1
    also = f" (and {others} other message{'s' * (others != 1)})" if others else ""
    words = Words(
        title=f"{longest.message} was not logged for {seconds(longest.length_s)} while others were{also}",
        explanation=(
            f"Not logged: {listed}{more}. The sender was asleep, restarted or left the bus, or frames were "
            "lost. The values in that time are unknown."
        ),
        next_step=(
            "If the drive system was on in that time, check supply, ground and bus wiring of the controller that "
            "sends it."
        ),
        hands_near_hv=False,
    )
    return [
        assemble(
            "capture.message_silent",
            Severity.INFO,
            words,
            [(each.start_s, each.end_s) for each in found],
            {
                "count": Measured(float(len(found)), ""),
                "longest_s": Measured(longest.length_s, "s"),
            },
            parts,
            counted=True,
        )
    ]


def console_restart(restarts: Sequence[tuple[float, float]], signals: Signals) -> list[Finding]:
    """One finding on all restarts of a console's own clock, or none; a warning where the motor turned.

    restarts : (last sample before, first sample after) [s from the start]; the clock gives the shortest time between
    """
    if not restarts:
        return []
    speeds = [_speed_before(signals, start) for start, _ in restarts]
    turning = [speed for speed in speeds if speed is not None and abs(speed) > TURNING_RPM]
    longest = max(end - start for start, end in restarts)
    listed = ", ".join(f"{start:.3f} s" for start, _ in restarts[:_LISTED]) + (", …" if len(restarts) > _LISTED else "")
    how = "once" if len(restarts) == 1 else f"{len(restarts)} times"
    fastest = max(map(abs, turning), default=0.0)
    at_speed = f" at up to {number(fastest)} rpm" if turning else ""
    words = Words(
        title=f"The console's controller restarted {how}{at_speed}; at least {seconds(longest)} are missing",
        explanation=(
            f"Its clock started again after {listed}. How long it was off is not logged; the times given here "
            "are the shortest possible. All values in between are unknown"
            + (", and the motor was turning when it stopped." if turning else ".")
        ),
        next_step=(
            "Check the controller's supply, ground and plug: a controller that restarts while the motor turns "
            "has lost its supply or tripped its watchdog."
            if turning
            else "If nobody switched the controller off, check its supply, ground and plug."
        ),
        hands_near_hv=False,
    )
    return [
        assemble(
            "capture.console_restart",
            Severity.WARNING if turning else Severity.INFO,
            words,
            restarts,
            {"count": Measured(float(len(restarts)), ""), "longest_s": Measured(longest, "s")},
            ("motor_speed",) if turning else (),
            counted=True,
        )
    ]


def _speed_before(signals: Signals, moment_s: float) -> float | None:
    """The last speed read within a second before a moment [rpm], or None."""
    part = signals.get("motor_speed")
    if part is None:
        return None
    last = int(np.searchsorted(part.time_s, moment_s, side="right")) - 1
    fresh = last >= 0 and moment_s - part.time_s[last] <= 1.0
    return float(part.value[last]) if fresh else None
