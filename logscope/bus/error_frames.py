"""Error frames in words: their classes, the logger's error counters, and the states that follow from them.

Classes and their details are those of Linux include/uapi/linux/can/error.h; the counters are those of the controller
that logged, of which only some loggers write the values. By ISO 11898-1 (Bosch CAN 2.0, part A, chapter 8) a failed
transmission adds 8 to the transmit error counter and a successful one takes 1 off, so that the counter rises where more
than one transmission in nine fails; a receive error adds 1, or 8 to the node that sees it first, and a frame received
takes 1 off. From 96 on the controller warns, from 128 on it is error passive and can no longer interrupt others, above
255 it leaves the bus.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray
from logscope.bus.facts import ErrorFrames

WARNING_LEVEL, PASSIVE_LEVEL = 96, 128

LOST_ARBITRATION, CONTROLLER, PROTOCOL = 0x002, 0x004, 0x008
TRANSCEIVER, NO_ACKNOWLEDGE, BUS_OFF, BUS_ERROR, RESTARTED, COUNTERS = 0x010, 0x020, 0x040, 0x080, 0x100, 0x200
CLASSES = {
    0x001: "transmit time-out",
    LOST_ARBITRATION: "lost arbitration",
    CONTROLLER: "controller problem",
    PROTOCOL: "protocol violation",
    TRANSCEIVER: "transceiver",
    NO_ACKNOWLEDGE: "no acknowledge",
    BUS_OFF: "bus off",
    BUS_ERROR: "bus error",
    RESTARTED: "controller restarted",
    COUNTERS: "error counters",
}
UNCLASSIFIED = "no class logged"
# Bits of the second byte of a controller problem, and of the third of a protocol violation.
_OVERFLOWS, _WARNING_BITS, _PASSIVE_BITS, _ACTIVE_AGAIN = 0x03, 0x0C, 0x30, 0x40
VIOLATIONS = {
    0x01: "single bit",
    0x02: "frame format",
    0x04: "bit stuffing",
    0x08: "a dominant bit read as recessive",
    0x10: "a recessive bit read as dominant",
    0x20: "overload",
}
# What is no disturbance of the bus: arbitration is lost on every busy bus, an overflow and a restart are the logger's.
_HARMLESS = LOST_ARBITRATION | RESTARTED | COUNTERS | 0x001
BURST_NS = 100_000_000  # one disturbance makes many error frames within a tenth of a second


class State(StrEnum):
    """The state of the controller that logged."""

    ACTIVE = "error active"
    WARNING = "error warning"
    PASSIVE = "error passive"
    OFF = "bus off"


@dataclass(frozen=True, slots=True)
class Episode:
    """A stretch in which the controller was in a state; ended : whether its end was logged."""

    state: State
    start_ns: int
    end_ns: int
    ended: bool


@dataclass(frozen=True, slots=True, eq=False)
class ErrorStory:
    """What the error frames of a bus say.

    disturbing : error frames that are a disturbance of the bus; bursts_ns : the start of each burst of them
    until_ns : where what is known of moments and episodes ends; after it error frames are only counted
    overflows : frames that the logger's own buffer lost; violations : kinds of protocol violations, by count
    no_acknowledge : transmissions that no other node acknowledged
    episodes : error passive and bus off, in order of time
    transmit_counter, receive_counter : highest values that were logged, None where none were
    """

    disturbing: int
    bursts_ns: NDArray[np.int64]
    until_ns: int
    overflows: int
    no_acknowledge: int
    violations: dict[str, int]
    episodes: tuple[Episode, ...]
    transmit_counter: int | None
    receive_counter: int | None


def class_counts(errors: ErrorFrames) -> dict[str, int]:
    """Error frames by class in words; a frame of several classes counts in each."""
    counts: dict[str, int] = {}
    for (kind, _, _), count in errors.alike.items():
        for text in [text for bit, text in CLASSES.items() if kind & bit] or [UNCLASSIFIED]:
            counts[text] = counts.get(text, 0) + count
    return dict(sorted(counts.items(), key=lambda each: [*CLASSES.values(), UNCLASSIFIED].index(each[0])))


def story_of(errors: ErrorFrames, end_ns: int) -> ErrorStory:
    """What the error frames say; end_ns : end of the log, where an episode that is not ended ends."""
    until_ns = end_ns if errors.until_ns is None else errors.until_ns
    status = np.where((errors.kinds & CONTROLLER) != 0, errors.data[:, 1], 0)
    disturbing = np.array(
        [_disturbs(kind, state) for kind, state in zip(errors.kinds.tolist(), status.tolist(), strict=True)], np.bool_
    )
    alike = [(kind, first if kind & CONTROLLER else 0, second, n) for (kind, first, second), n in errors.alike.items()]
    return ErrorStory(
        disturbing=sum(count for kind, first, _, count in alike if _disturbs(kind, first)),
        bursts_ns=_bursts(errors.start_ns[disturbing], errors.end_ns[disturbing]),
        until_ns=until_ns,
        overflows=sum(count for _, first, _, count in alike if first & _OVERFLOWS),
        no_acknowledge=sum(count for kind, _, _, count in alike if kind & NO_ACKNOWLEDGE),
        violations={
            text: found
            for bit, text in VIOLATIONS.items()
            if (found := sum(count for kind, _, second, count in alike if kind & PROTOCOL and second & bit))
        },
        episodes=tuple(_episodes(errors, status, until_ns)),
        transmit_counter=errors.transmit_counter,
        receive_counter=errors.receive_counter,
    )


def _disturbs(kind: int, status: int) -> bool:
    """Whether an error frame is a disturbance of the bus: not the logger's own overflow, nor its return to normal."""
    if not kind & ~(_HARMLESS | CONTROLLER):
        if not kind & CONTROLLER:
            return not kind
        return not status or bool(status & (_WARNING_BITS | _PASSIVE_BITS))
    return True


def _bursts(start_ns: NDArray[np.int64], end_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """The start of each burst of runs that follow each other closely."""
    order = np.argsort(start_ns, kind="stable")
    start, reached = start_ns[order], np.maximum.accumulate(end_ns[order])
    return np.asarray(
        start[np.concatenate((np.ones(min(start.size, 1), np.bool_), start[1:] - reached[:-1] > BURST_NS))]
    )


def counted_rows(kinds: NDArray[np.int64], data: NDArray[np.uint8]) -> BoolArray:
    """Frames with error counters in the last two bytes: marked so, or, from older kernels, simply filled in."""
    marked = (kinds & COUNTERS) != 0
    filled = ((kinds & (CONTROLLER | PROTOCOL | BUS_ERROR | NO_ACKNOWLEDGE)) != 0) & (data[:, 6:8].any(axis=1))
    return np.asarray(marked | filled)


def level_of(kinds: NDArray[np.int64], data: NDArray[np.uint8]) -> NDArray[np.int64]:
    """What the counters of each frame say of the controller: 0 nothing, 1 active, 2 warning, 3 passive; shape (n,)."""
    highest = data[:, 6:8].max(axis=1)
    level = 1 + (highest >= WARNING_LEVEL).astype(np.int64) + (highest >= PASSIVE_LEVEL)
    return np.where(counted_rows(kinds, data), level, 0)


def _episodes(errors: ErrorFrames, status: NDArray[np.int64], until_ns: int) -> list[Episode]:
    found: list[Episode] = []
    counted = counted_rows(errors.kinds, errors.data)
    state, since = State.ACTIVE, 0
    for k in np.argsort(errors.start_ns, kind="stable").tolist():
        counters = errors.data[k] if counted[k] else None
        now, at_ns = _state_after(state, int(errors.kinds[k]), int(status[k]), counters), int(errors.start_ns[k])
        if now is state:
            continue
        if state in (State.PASSIVE, State.OFF):
            found.append(Episode(state, since, at_ns, True))
        state, since = now, at_ns
    if state in (State.PASSIVE, State.OFF):
        found.append(Episode(state, since, until_ns, False))
    return found


def _state_after(state: State, kind: int, status: int, counters: NDArray[np.uint8] | None) -> State:
    """The controller's state after an error frame; the same where it says nothing of it."""
    if kind & BUS_OFF:
        return State.OFF
    if kind & RESTARTED:
        return State.ACTIVE
    if status & _PASSIVE_BITS:
        return State.PASSIVE
    if status & _ACTIVE_AGAIN:
        return State.ACTIVE
    if status & _WARNING_BITS:
        return State.WARNING
    if counters is not None and state is not State.OFF:
        highest = int(counters[6:8].max())
        if highest >= PASSIVE_LEVEL:
            return State.PASSIVE
        return State.WARNING if highest >= WARNING_LEVEL else State.ACTIVE
    return state
