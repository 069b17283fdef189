"""A log moved onto another log's clock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from logscope.capture.clock import Stamps
from logscope.capture.frames import Account, Block, Gap, TimeStep
from logscope.capture.samples import SerialLog


@dataclass(frozen=True, slots=True)
class Shift:
    """New stamp = stamp + offset_ns + drift · (stamp − middle_ns), in nanoseconds."""

    offset_ns: int
    drift: float = 0.0
    middle_ns: int = 0

    def stamps(self, stamps: Stamps) -> Stamps:
        """Stamps on the other clock, int64."""
        drifted = np.rint(self.drift * (stamps - self.middle_ns)).astype(np.int64)
        return np.asarray(stamps + self.offset_ns + drifted)

    def stamp(self, stamp_ns: int) -> int:
        """One stamp on the other clock."""
        return stamp_ns + self.offset_ns + round(self.drift * (stamp_ns - self.middle_ns))


def shifted_blocks(blocks: Iterable[Block], shift: Shift) -> Iterator[Block]:
    """The blocks of a log on the other clock, what the account says of time among it."""
    for block in blocks:
        frames = replace(block.frames, time_ns=shift.stamps(block.frames.time_ns))
        yield replace(block, frames=frames, account=_account(block.account, shift))


def _account(account: Account, shift: Shift) -> Account:
    return replace(
        account,
        time_steps=tuple(TimeStep(shift.stamp(each.at_ns), each.step_ns) for each in account.time_steps),
        gaps=_shifted(account.gaps, shift),
    )


def _shifted(gaps: tuple[Gap, ...], shift: Shift) -> tuple[Gap, ...]:
    return tuple(Gap(shift.stamp(each.start_ns), shift.stamp(each.end_ns)) for each in gaps)


def shifted_serial(log: SerialLog, shift: Shift) -> SerialLog:
    """A serial log on the other clock."""
    signals = {name: replace(each, time_ns=shift.stamps(each.time_ns)) for name, each in log.signals.items()}
    return replace(log, signals=signals, account=replace(log.account, restarts=_shifted(log.account.restarts, shift)))
