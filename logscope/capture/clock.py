"""One clock for a log: stamps that are wrong, jump or wrap.

Buses that a logger buffers apart come a little out of order; that is no fault, and the tables are sorted later.
What goes further is one of four things. A single stamp far off, with its neighbours in agreement, is wrong and gets
the stamp before it. A stamp that falls back by the whole range of a counter is a wrap, and unrolled. A lasting fall,
or a leap so far that nobody recorded through it, is a step of the logger's clock (a suspended laptop, a time fix):
the log goes on from where it was, and the step is noted. Any other lasting leap is time without data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Account, Block, Gap, TimeStep

Stamps = NDArray[np.int64]

SECOND_NS = 1_000_000_000
# Loggers flush their buffers within a second; stamps that fall back by less are frames out of order.
REORDER_NS = SECOND_NS
# No one records a conversion for a day without a frame: a leap this far is the clock, not the time.
STEP_FORWARD_NS = 86_400 * SECOND_NS
GAP_NS = SECOND_NS  # common cyclic messages repeat ten times a second or more; a second without any is a gap
# Counters that loggers and adapters stamp with: 16 and 32 bits of milliseconds, 32 bits of microseconds. (16 bits of
# microseconds wrap within 66 ms, where a wrap cannot be distinguished from frames out of order.)
WRAPS_NS = ((1 << 16) * 1_000_000, (1 << 32) * 1_000_000, (1 << 32) * 1_000)
# A counter that stood so near its end and starts again so near zero has wrapped in a silence of the bus; a restart
# would have to hit the same minute out of more than an hour.
_WRAP_SILENCE_NS = 60 * SECOND_NS
_AHEAD = 3  # stamps after a suspicious one that vote on which clock holds


@dataclass(slots=True)
class Clock:
    """The clock of one log while it is read. `steps` and `gaps` are complete after the last block."""

    steps: list[TimeStep] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    repaired: int = 0
    wraps: int = 0
    _offset: int = 0
    _span: int = 0  # of the latest wrap
    _latest: int | None = None

    def mend(self, stamps: Stamps, ahead: Stamps) -> Stamps:
        """The stamps of the next block on one clock; `ahead` are the first stamps after the block.

        stamps : int64, shape (n,) [ns]; ahead : a few stamps, or none at the end of the log
        """
        if not stamps.size:
            return stamps
        everything = np.concatenate([stamps, ahead[:_AHEAD]])
        mended = stamps + self._offset
        start = self._first(everything, mended)
        while start < stamps.size:
            index = self._next_jump(everything, start, stamps.size)
            mended[start:index] = everything[start:index] + self._offset
            if index > start:
                self._latest = max(self._known(everything[0]), int(mended[start:index].max()))
            if index == stamps.size:
                break
            start = self._jump(everything, mended, index)
        return mended

    def _first(self, stamps: Stamps, mended: Stamps) -> int:
        """Mend the very first stamp of a log where the next ones agree on another time; returns where to go on."""
        following = stamps[1 : 1 + _AHEAD]
        agree = following.size >= 2 and int(np.ptp(following)) <= GAP_NS
        if self._latest is not None or not agree or abs(int(stamps[0]) - int(following[0])) <= GAP_NS:
            return 0
        if stamps[0] < following[0] and following[0] - stamps[0] <= STEP_FORWARD_NS:
            return 0  # a log may well begin with a silence
        span = self._wrapped(int(stamps[0]), int(following[0]))
        if span and int(following[0]) + span - int(stamps[0]) <= GAP_NS:
            return 0  # or just before its counter wraps
        mended[0] = self._latest = int(following[0])
        self.repaired += 1
        return 1

    def _known(self, first: int) -> int:
        return int(first) + self._offset if self._latest is None else self._latest

    def _next_jump(self, stamps: Stamps, start: int, end: int) -> int:
        """The next stamp from `start` on that lies far from the latest before it, or `end`."""
        known = np.maximum.accumulate(np.concatenate([[self._known(stamps[start]) - self._offset], stamps[start:end]]))
        away = stamps[start:end] - known[:-1]
        far = np.flatnonzero((away < -REORDER_NS) | (away > GAP_NS))
        return start + int(far[0]) if far.size else end

    @staticmethod
    def _wrapped(latest: int, stamp: int) -> int:
        """The range of the counter that fell back from `latest` to `stamp`, both as logged; 0 where it did not wrap."""
        for span in WRAPS_NS:
            if -REORDER_NS <= stamp + span - latest <= GAP_NS:
                return span
            silence = min(_WRAP_SILENCE_NS, span >> 6)
            if span - silence <= latest <= span and 0 <= stamp <= silence:
                return span
        return 0

    def _jump(self, stamps: Stamps, mended: Stamps, index: int) -> int:
        """Decide what a far stamp is; returns where to go on."""
        latest = self._known(stamps[0])
        away = int(stamps[index]) + self._offset - latest
        if self.wraps and -REORDER_NS <= away - self._span <= GAP_NS:  # by the counter as it was before the wrap
            if away >= self._span:
                self._offset -= self._span  # ... and time goes on from there: there was no wrap
                self.wraps -= 1
                return index
            mended[index] = latest + away - self._span
            return index + 1
        if away < 0 and (span := self._wrapped(latest - self._offset, int(stamps[index]))):
            self._offset += span
            self._span = span
            self.wraps += 1
            if away + span > GAP_NS:
                self.gaps.append(Gap(latest, latest + away + span))
                self._latest = latest + away + span
            return index
        following = stamps[index + 1 : index + 1 + _AHEAD] + self._offset - latest
        back = np.count_nonzero((following >= -REORDER_NS) & (following <= GAP_NS))
        with_it = np.count_nonzero(np.abs(following - away) <= REORDER_NS)
        if back > with_it:
            mended[index] = latest
            self.repaired += 1
            return index + 1
        if away < 0 or away > STEP_FORWARD_NS:
            self._offset -= away
            self.steps.append(TimeStep(latest, away))
        else:
            self.gaps.append(Gap(latest, latest + away))
            self._latest = latest + away
        return index


def on_one_clock(blocks: Iterable[Block], clock: Clock) -> Iterator[Block]:
    """The blocks of one log with mended stamps; what was mended goes into the account of the last block."""
    waiting: Block | None = None
    for block in blocks:
        if waiting is not None:
            yield _mended(waiting, clock, block.frames.time_ns)
        waiting = block
    if waiting is None:
        return
    last = _mended(waiting, clock, np.empty(0, np.int64))
    yield replace(last, account=last.account + _told(clock, last.account.files[:1]))


def _mended(block: Block, clock: Clock, ahead: Stamps) -> Block:
    return replace(block, frames=replace(block.frames, time_ns=clock.mend(block.frames.time_ns, ahead)))


def _told(clock: Clock, files: tuple[str, ...]) -> Account:
    where = files[0] if files else "the log"
    notes = []
    if clock.repaired:
        notes.append(f"{where}: {clock.repaired} single timestamps far off were replaced by the one before")
    if clock.wraps:
        notes.append(f"{where}: the time counter wrapped {clock.wraps} times; the times continue")
    return Account(
        files=files,
        stamps_repaired=clock.repaired,
        time_steps=tuple(clock.steps),
        gaps=tuple(clock.gaps),
        notes=tuple(notes),
    )
