"""A CAN bus with priority arbitration, and loggers that record it as real ones do. Truth for `bus_score`.

Nodes queue messages by their own clocks; whenever the bus falls idle the queued message of the lowest identifier is
sent, for as many bits as it has on the wire, counted one by one (`tests/bus/can_bits`). Shares no code with logscope.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from bus_frames import Frame
from can_bits import classic_frame

from logscope.capture.frames import Flag

ERROR_FLAG_BITS = 20  # an error flag, its echo, the delimiter and the interframe space


@dataclass(frozen=True)
class Message:
    """A message of a node: a counter of 4 bits in the high half of byte 6, a sum of the others in byte 7.

    period_s : None for one that comes on events, `mean_s` apart on average
    """

    identifier: int
    period_s: float | None
    length: int = 8
    mean_s: float = 1.0
    plain: bool = False  # without counter and checksum
    extended: bool = False


@dataclass(frozen=True)
class Node:
    """A sender; off : spans in which it is silent, after which its counters begin anew (unless `keeps`)."""

    name: str
    messages: tuple[Message, ...]
    ppm: float = 0.0
    off: tuple[tuple[float, float], ...] = ()
    keeps: bool = False
    drops: float = 0.0  # share of messages that it counts and does not send
    first: int | None = None  # identifier of which alone that share is dropped, is late or is frozen
    wrong_sums: float = 0.0
    late: float = 0.0  # share of messages that its task queues three and a half periods later than they were due
    frozen: tuple[tuple[float, float], ...] = ()  # spans in which it sends old values, with a counter that runs


@dataclass(frozen=True)
class Bus:
    """A bus for so many seconds; errors : moments of disturbance, each a run of so many error frames."""

    nodes: tuple[Node, ...]
    bit_rate: int = 500_000
    seconds: float = 30.0
    errors: tuple[tuple[float, int], ...] = ()
    seed: int = 0


def play(bus: Bus) -> list[Frame]:
    """The frames on the wire, stamped at their end, with error frames among them."""
    rng = np.random.default_rng(bus.seed)
    due: list[tuple[float, int, int]] = []
    senders: list[_Sender] = []
    for node in bus.nodes:
        clock = 1.0 + node.ppm * 1e-6
        for message in node.messages:
            start = float(rng.uniform(0, message.period_s or message.mean_s))
            senders.append(_Sender(node, message, clock, rng))
            heapq.heappush(due, (start, message.identifier, len(senders) - 1))
    waiting: list[tuple[int, int, bytes]] = []
    frames: list[Frame] = []
    errors = list(bus.errors)
    now = 0.0
    while now < bus.seconds:
        while due and due[0][0] <= now:
            at, identifier, which = heapq.heappop(due)
            data = senders[which].data(at)
            if data is not None:
                heapq.heappush(waiting, (senders[which].priority, which, data))
            heapq.heappush(due, (senders[which].next_after(at), identifier, which))
        if errors and errors[0][0] <= now:
            count = errors.pop(0)[1]
            for _ in range(count):
                now += ERROR_FLAG_BITS / bus.bit_rate
                frames.append(Frame(now, 0x008, bytes([0, 0, 4, 0, 0, 0, 0, 0]), Flag.ERROR))
            continue
        if not waiting:
            now = max(now, min(due[0][0], errors[0][0] if errors else np.inf))
            continue
        _, which, data = heapq.heappop(waiting)
        message = senders[which].message
        bits = classic_frame(message.identifier, data, extended=message.extended)
        now += bits / bus.bit_rate
        frames.append(Frame(now, message.identifier, data, Flag.EXTENDED if message.extended else 0))
    return frames


class _Sender:
    """One message while it is sent."""

    def __init__(self, node: Node, message: Message, clock: float, rng: np.random.Generator) -> None:
        self.node, self.message, self._clock, self._rng = node, message, clock, rng
        self._count = 0
        self._values = rng.integers(0, 256, 8)
        self._moves = rng.random(8) < 0.8
        self._was_off = False
        self._only = node.first in (None, message.identifier)
        self.priority = message.identifier << (0 if message.extended else 18)

    def next_after(self, at: float) -> float:
        """When it is due next: its period by its own clock, a task's jitter at each, or the next event."""
        if self.message.period_s is None:
            return at + 1e-3 + float(self._rng.exponential(self.message.mean_s))
        period = self.message.period_s * self._clock
        if self._only and self.node.late and self._rng.random() < self.node.late:
            at += 3.5 * period
            return at if self._phase is None else max(at, self._phase)
        ticks = round(at / period) + 1
        return (
            ticks * period if self._phase is None else self._phase + (round((at - self._phase) / period) + 1) * period
        )

    _phase: float | None = None

    def data(self, at: float) -> bytes | None:
        """The payload now, or None where the node sends nothing."""
        if self._phase is None:
            self._phase = at
        if any(start <= at < end for start, end in self.node.off):
            self._was_off = True
            return None
        if self._was_off and not self.node.keeps:
            self._count = 0
        self._was_off = False
        count = self._count
        self._count += 1
        if self._only and self.node.drops and self._rng.random() < self.node.drops:
            return None
        frozen = self._only and any(start <= at < end for start, end in self.node.frozen)
        if not frozen:
            self._values = np.where(self._moves, self._values + self._rng.integers(-2, 3, 8), self._values) & 255
        data = self._values[: self.message.length].astype(np.uint8)
        if not self.message.plain and self.message.length == 8:
            data[6] = (count % 16) << 4 | 3
            data[7] = int(data[:7].sum()) & 255
            if self.node.wrong_sums and self._rng.random() < self.node.wrong_sums:
                data[7] ^= 0x5A
        return data.tobytes()


Logger = Callable[[list[Frame], np.random.Generator], list[Frame]]


def _restamped(frames: list[Frame], times: np.ndarray) -> list[Frame]:
    return [replace(frame, time_s=float(t)) for frame, t in zip(frames, times, strict=True)]


def exact(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """Stamps of hardware, to the microsecond."""
    del rng
    return _restamped(frames, np.round([f.time_s for f in frames], 6))


def on_grid(step_s: float) -> Logger:
    """Stamps rounded down to a grid."""

    def logged(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
        del rng
        return _restamped(frames, np.floor(np.array([f.time_s for f in frames]) / step_s) * step_s)

    return logged


def in_batches(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """An adapter on USB hands its frames over every few milliseconds; the computer stamps them then."""
    flush = np.cumsum(rng.uniform(0.5e-3, 6e-3, 400 + int(frames[-1].time_s / 3e-3)))
    times = np.array([f.time_s for f in frames])
    arrived = flush[np.minimum(np.searchsorted(flush, times), flush.size - 1)]
    return _restamped(frames, np.maximum.accumulate(arrived + 4e-6 * rng.random(times.size)))


def interrupt_stamps(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """A small computer stamps in its interrupt, late by some tens of microseconds, at times by more."""
    late = rng.exponential(15e-6, len(frames)) + (rng.random(len(frames)) < 0.01) * rng.exponential(1e-3, len(frames))
    return _restamped(frames, np.maximum.accumulate(np.array([f.time_s for f in frames]) + late))


def losing(share: float, *, bursts: bool) -> Logger:
    """A logger that loses frames: at random, or all of some tens of milliseconds at a time."""

    def logged(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
        times = np.array([f.time_s for f in frames])
        lost = rng.random(times.size) < share
        if bursts:
            lost[:] = False
            for moment in rng.uniform(0, times[-1], max(round(share * times[-1] / 0.03), 1)):
                lost |= (times >= moment) & (times < moment + 0.03)
        return exact([f for f, gone in zip(frames, lost, strict=True) if not gone], rng)

    return logged


def pausing(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """A logger that is unplugged for two seconds."""
    start = frames[-1].time_s * float(rng.uniform(0.3, 0.6))
    return exact([f for f in frames if not start < f.time_s < start + 2.0], rng)


def out_of_order(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """Some frames are written up to a millisecond before those that came earlier."""
    times = np.array([f.time_s for f in frames])
    order = np.argsort(times + 1e-3 * rng.random(times.size) * (rng.random(times.size) < 0.1), kind="stable")
    stamped = exact(frames, rng)
    return [stamped[k] for k in order.tolist()]


LOGGERS: dict[str, Logger] = {
    "exact": exact,
    "0.1 ms": on_grid(1e-4),
    "1 ms": on_grid(1e-3),
    "batches": in_batches,
    "interrupt": interrupt_stamps,
    "loses at random": losing(0.01, bursts=False),
    "loses in bursts": losing(0.01, bursts=True),
    "pauses": pausing,
    "out of order": out_of_order,
}


def requests_beside(frames: list[Frame], identifier: int) -> list[Frame]:
    """The same log of a logger that sends an identifier itself and lists its requests beside the frames."""
    out: list[Frame] = []
    for frame in frames:
        if frame.identifier == identifier:
            out.append(replace(frame, time_s=frame.time_s - 3e-4, flags=frame.flags | Flag.TRANSMITTED))
        out.append(frame)
    return out
