"""The facts of every bus, gathered block by block while a log is read; memory grows with the identifiers alone.

It is bounded too: the first identifiers have windows of frames, further ones their counts, and what comes after
`walk.MAX_ROWS` is counted for the load of the bus only (`BusFacts.unlisted`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from logscope.bus import walk as w
from logscope.bus.echoes import Echoes
from logscope.bus.error_runs import ErrorRuns, error_rows
from logscope.bus.facts import BusFacts, CounterFacts, MessageFacts, Silence, Skip, Still, Traffic
from logscope.bus.period import period_of
from logscope.capture.frames import Block, Flag, Frames
from logscope.payload.counters import find_counters

_FIRST_ROWS = 64
_CLASSIC_BYTES = 8
_WINDOWED, _WINDOWED_FD = 4096, 1024  # identifiers with windows: 140 MB of 8 bytes each, 150 MB of 64
_COUNTER_BITS = 16  # counters have 2 to 8 bits mostly; wider ones are clocks, which skip as they like
_ALWAYS = 0.9  # of the frames, in which a checksum differs from the one before
_COUNTER_VALUES = 3  # a field that flips is no counter by which anything could be missed


class BusGathering:
    """What is gathered while the blocks pass; `traffic` is complete after the last one."""

    def __init__(self) -> None:
        self._names: list[str] = []
        self._state = _state(_FIRST_ROWS, 1, _CLASSIC_BYTES)
        self._echoes = Echoes()
        self._errors: dict[str, ErrorRuns] = {}
        self._counters: dict[int, CounterFacts] = {}
        self._span: tuple[int, int] | None = None

    def watch(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The same blocks; each is taken up as it passes."""
        for block in blocks:
            self.add(block.frames)
            yield block

    def add(self, frames: Frames) -> None:
        """Take up the next frames of the log."""
        if not len(frames):
            return
        first, last = int(frames.time_ns.min()), int(frames.time_ns.max())
        self._span = (first, last) if self._span is None else (min(first, self._span[0]), max(last, self._span[1]))
        for name, rows in error_rows(frames).items():
            self._number(name)
            self._errors.setdefault(name, ErrorRuns()).add(*rows)
        echo = self._echoes.of(frames)
        numbers = np.array([self._number(name) for name in frames.buses], np.int64)
        if np.bitwise_or.reduce(frames.flags) & Flag.FD and self._state.payloads.shape[2] < w.MAX_PAYLOAD:
            self._state = _grown(self._state, payload=w.MAX_PAYLOAD)
        at, why = 0, w.LEARN
        while why != w.DONE:
            at, why, row = w.walk(
                at, frames.time_ns, frames.bus, numbers, frames.identifier, frames.flags, frames.length, frames.offset,
                frames.payload, echo, self._state,
            )  # fmt: skip
            if why == w.GROW:
                self._state = _grown(self._state, rows=min(2 * self._state.ids.shape[0], w.MAX_ROWS))
            elif why == w.LEARN:
                self._learn(row)

    def _number(self, name: str) -> int:
        if name not in self._names:
            self._names.append(name)
            if len(self._names) > self._state.buses.shape[0]:
                self._state = _grown(self._state, buses=2 * self._state.buses.shape[0])
        return self._names.index(name)

    def _learn(self, row: int) -> None:
        """What an identifier's first frames show of its period and its counter, and how they kept to it themselves."""
        state = self._state
        me, count = state.ids[row], int(state.ids[row, w.COUNT])
        stamps, sizes = state.stamps[row, :count], state.sizes[row, :count]
        period_s = period_of(np.diff(stamps) / 1e9)
        if period_s is not None:
            me[w.PERIOD] = round(period_s * 1e9)
        size = int(sizes[0])
        if me[w.REMOTES] or not size or np.any(sizes != size):
            return
        rows = state.payloads[row, :count, : min(size, state.payloads.shape[2])]
        for counter in sorted(find_counters(rows), key=lambda found: -found.share):
            places = counter.field.positions()
            bytes_of = list(dict.fromkeys(place // 8 for place in places))
            if counter.field.bits > _COUNTER_BITS or len(bytes_of) > 2 or counter.span < _COUNTER_VALUES:
                continue
            try:
                inverse = pow(counter.step, -1, counter.span)
            except ValueError:  # a step that shares a factor with the span: what it skips has no one number
                continue
            if len(bytes_of) == 2 and counter.field.big_endian and places[0] % 8:
                continue  # its bits do not follow each other in two bytes taken as one number
            me[w.LOW_BYTE], me[w.HIGH_BYTE] = bytes_of[0], bytes_of[1] if len(bytes_of) == 2 else -1
            me[w.SHIFT], me[w.MASK] = places[0] % 8, (1 << counter.field.bits) - 1
            me[w.LOWEST], me[w.SPAN], me[w.INVERSE], me[w.VALUE] = counter.low, counter.span, inverse, -1
            field = counter.field
            self._counters[row] = CounterFacts(field.start, field.bits, field.big_endian, counter.span, 0, 0, 0, ())
            self._count_again(row, stamps, field.values(rows))
            self._watch_content(row, rows, places)
            return

    def _count_again(self, row: int, stamps: NDArray[np.int64], values: NDArray[np.int64]) -> None:
        """Skips among the frames that the counter was learned from."""
        me, state = self._state.ids[row], self._state
        missing = np.mod(np.diff(values) * me[w.INVERSE] - 1, me[w.SPAN])
        repeats = missing == me[w.SPAN] - 1
        me[w.REPEATS] += np.sum(repeats)
        for k in np.flatnonzero((missing != 0) & ~repeats).tolist():
            me[w.SKIPS] += 1
            me[w.SKIPPED] += missing[k]
            if (at := int(state.counts[1])) < len(state.events):
                value = values[k + 1] - me[w.LOWEST]
                state.events[at] = row, stamps[k], stamps[k + 1], missing[k], -1, value
            state.counts[1] += 1
        me[w.VALUE] = values[-1] - me[w.LOWEST]

    def _watch_content(self, row: int, rows: NDArray[np.uint8], counter: Sequence[int]) -> None:
        """From here on note where the content stands still: all bits but the counter's, and bytes that always change.

        A checksum over a counter changes with each frame; so do the lowest bits of a noisy value, which are no loss.
        """
        state, size = self._state, rows.shape[1]
        content = np.full(size, 0xFF, np.uint8)
        for place in counter:
            content[place // 8] &= ~np.uint8(1 << place % 8)
        always = np.mean(rows[1:] != rows[:-1], axis=0) >= _ALWAYS
        always[[place // 8 for place in counter]] = False
        content[always] = 0
        state.content[row, :size] = content
        me = state.ids[row]
        me[w.WATCHED], me[w.STILL_SINCE], me[w.STILL_COUNT] = 1, me[w.LAST], 0

    def traffic(self) -> Traffic:
        """The facts of all buses, by name."""
        start, end = self._span or (0, 0)
        state = self._state
        messages: dict[int, list[MessageFacts]] = {}
        skips: dict[int, list[Skip]] = {}
        for row, *skip in state.events[: min(int(state.counts[1]), len(state.events))].tolist():
            skips.setdefault(row, []).append(Skip(*skip))
        for row in range(min(int(state.counts[0]), w.SHARED)):
            number = int(state.ids[row, w.BUS])
            messages.setdefault(number, []).append(self._message(row, skips.get(row, [])))
        buses = [self._bus(number, messages.get(number, [])) for number in range(len(self._names))]
        return Traffic(tuple(sorted(buses, key=lambda bus: bus.name)), start, end)

    def _message(self, row: int, skips: Sequence[Skip]) -> MessageFacts:
        state = self._state
        me = state.ids[row].tolist()
        count, stride = me[w.COUNT], me[w.STRIDE]
        numbers = np.arange(0, -(-count // w.WINDOW), stride)[: w.WINDOWS]
        window = np.repeat(np.arange(numbers.size), w.WINDOW)
        kept = int((np.minimum((numbers + 1) * w.WINDOW, count) - numbers * w.WINDOW).sum())
        kept, at = (kept, row) if row < len(state.stamps) else (0, 0)  # the others have no windows
        counter = self._counters.get(row)
        if counter is not None:
            counter = CounterFacts(
                counter.start, counter.bits, counter.big_endian, counter.span, me[w.SKIPS], me[w.SKIPPED],
                me[w.REPEATS], tuple(skips),
            )  # fmt: skip
        return MessageFacts(
            fd=bool(me[w.KIND] & Flag.FD),
            bus=self._names[me[w.BUS]],
            identifier=me[w.NAME] >> 1,
            extended=bool(me[w.NAME] & 1),
            count=count,
            requests=me[w.REQUESTS],
            sent=me[w.SENT],
            remotes=me[w.REMOTES],
            first_ns=me[w.FIRST],
            last_ns=me[w.LAST],
            shortest=me[w.SHORTEST],
            longest=me[w.LONGEST_LENGTH],
            changing=tuple(state.changed[row, : me[w.LONGEST_LENGTH]].tolist()),
            silences=_silences(state.gaps[row]),
            stamps_ns=state.stamps[at, :kept].copy(),
            sizes=state.sizes[at, :kept].copy(),
            payloads=state.payloads[at, :kept].copy(),
            window=window[:kept] if stride > 1 else np.zeros(kept, np.int64),
            learnt_ns=me[w.PERIOD],
            counter=counter,
            content=tuple(state.content[row, : me[w.LONGEST_LENGTH]].tolist()),
            stills=self._stills(row),
        )

    def _stills(self, row: int) -> tuple[Still, ...]:
        state = self._state
        me = state.ids[row]
        found = [Still(*still) for still in state.stills[row].tolist() if still[2]]
        if me[w.STILL_COUNT]:
            found.append(Still(int(me[w.STILL_SINCE]), int(me[w.LAST]), int(me[w.STILL_COUNT])))
        return tuple(sorted(found, key=lambda each: each.start_ns))

    def _bus(self, number: int, messages: Sequence[MessageFacts]) -> BusFacts:
        state, name = self._state, self._names[number]
        it = state.buses[number].tolist()
        stamps, bits = _spacing(state.bus_stamps[number], state.bus_bits[number], it[w.BUS_COUNT], it[w.BUS_STRIDE])
        return BusFacts(
            name=name,
            frames=it[w.BUS_COUNT],
            remotes=it[w.BUS_REMOTES],
            requests=it[w.BUS_REQUESTS],
            first_ns=it[w.BUS_FIRST],
            last_ns=it[w.BUS_LAST],
            bits=it[w.BUS_BITS],
            fast_bits=it[w.BUS_FAST],
            switched=it[w.BUS_SWITCHED],
            busiest_bits=it[w.BUSIEST],
            busiest_ns=it[w.BUSIEST_AT],
            silences=_silences(state.bus_gaps[number]),
            spacing_ns=stamps,
            spacing_bits=bits,
            errors=self._errors.get(name, ErrorRuns()).frames(),
            unlisted=it[w.BUS_UNLISTED],
            messages=tuple(sorted(messages, key=lambda m: (m.extended, m.identifier))),
        )


def _silences(gaps: NDArray[np.int64]) -> tuple[Silence, ...]:
    found = [Silence(*gap) for gap in gaps.tolist() if gap[1] > gap[0]]
    return tuple(sorted(found, key=lambda each: each.start_ns))


def _spacing(
    stamps: NDArray[np.int64], bits: NDArray[np.int64], count: int, stride: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Times between consecutive frames and the bits of both, of whole windows by order of time; no CAN FD frames."""
    times: list[NDArray[np.int64]] = []
    pairs: list[NDArray[np.int64]] = []
    for slot, first in enumerate(range(0, count, w.BUS_WINDOW * max(stride, 1))):
        if slot == w.BUS_WINDOWS:
            break
        size = min(w.BUS_WINDOW, count - first)
        at = slice(slot * w.BUS_WINDOW, slot * w.BUS_WINDOW + size)
        order = np.argsort(stamps[at], kind="stable")
        sorted_ns, lengths = stamps[at][order], bits[at][order]
        classic = (lengths[1:] > 0) & (lengths[:-1] > 0)
        times.append(np.diff(sorted_ns)[classic])
        pairs.append(np.stack([lengths[:-1], lengths[1:]], axis=1)[classic])
    if not times:
        return np.empty(0, np.int64), np.empty((0, 2), np.int64)
    return np.concatenate(times), np.concatenate(pairs)


def _state(rows: int, buses: int, payload: int, windowed: int = 0) -> w.State:
    """Room for so many identifiers and buses; windowed : identifiers that have windows already."""
    kept = w.WINDOW * w.WINDOWS
    windowed = max(windowed, min(rows, _WINDOWED if payload <= _CLASSIC_BYTES else _WINDOWED_FD))
    table = 4 * rows
    return w.State(
        ids=np.zeros((rows, w.ID_COLUMNS), np.int64),
        stamps=np.zeros((windowed, kept), np.int64),
        payloads=np.zeros((windowed, kept, payload), np.uint8),
        sizes=np.zeros((windowed, kept), np.uint8),
        last=np.zeros((rows, w.MAX_PAYLOAD), np.uint8),
        changed=np.zeros((rows, w.MAX_PAYLOAD), np.bool_),
        gaps=np.zeros((rows, w.LONGEST, 3), np.int64),
        content=np.zeros((rows, w.MAX_PAYLOAD), np.uint8),
        stills=np.zeros((rows, w.STILLS, 3), np.int64),
        buses=np.zeros((buses, w.BUS_COLUMNS), np.int64),
        bus_stamps=np.zeros((buses, w.BUS_WINDOW * w.BUS_WINDOWS), np.int64),
        bus_bits=np.zeros((buses, w.BUS_WINDOW * w.BUS_WINDOWS), np.int64),
        bus_gaps=np.zeros((buses, w.LONGEST, 3), np.int64),
        second_ns=np.zeros((buses, w.SECOND_FRAMES), np.int64),
        second_bits=np.zeros((buses, w.SECOND_FRAMES), np.int64),
        standard=np.full((buses, 1 << 11), -1, np.int32),
        keys=np.zeros(1 << (table - 1).bit_length(), np.uint64),
        rows=np.full(1 << (table - 1).bit_length(), -1, np.int32),
        events=np.zeros((w.EVENTS, w.EVENT_COLUMNS), np.int64),
        counts=np.zeros(3, np.int64),
    )


def _grown(state: w.State, rows: int = 0, buses: int = 0, payload: int = 0) -> w.State:
    """The same state with more room. The hash table is filled anew, since places in it depend on its size."""
    larger = _state(
        max(rows, state.ids.shape[0]),
        max(buses, state.buses.shape[0]),
        max(payload, state.payloads.shape[2]),
        len(state.stamps),
    )
    for name in ("ids", "stamps", "sizes", "last", "changed", "gaps", "content", "stills", "buses", "bus_stamps",
                 "bus_bits", "bus_gaps", "second_ns", "second_bits", "standard", "counts"):  # fmt: skip
        old = getattr(state, name)
        getattr(larger, name)[: len(old)] = old
    larger.events[:] = state.events
    larger.payloads[: len(state.payloads), :, : state.payloads.shape[2]] = state.payloads
    w.refill(state.keys, state.rows, larger.keys, larger.rows)
    return larger
