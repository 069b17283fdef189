"""What the checks of the bus ask of the signals: the parts in a message, and whether the drive was in use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.bus.facts import MessageFacts
from logscope.bus.record import BusRecord
from logscope.signals import Signals
from logscope.vehicle import Vehicle, split_signal

_TURNING_RPM = 100.0  # above the noise of an encoder at rest
_CARRYING_A = 5.0  # above the offset of a current sensor; what stands draws less from the pack
_AROUND_S = 0.3  # a state is logged up to so much late
_COVERED = 0.5  # of a span must lie between samples that show use
_FEWEST_VALUES = 3  # of a part that shows use: one that never changes may itself be frozen
_NAMED = 4  # messages named in a sentence


@dataclass(frozen=True, slots=True)
class Context:
    """The traffic beside the signals."""

    record: BusRecord
    signals: Signals
    vehicle: Vehicle

    def parts_in(self, messages: Sequence[MessageFacts]) -> tuple[str, ...]:
        """The mapped parts that these messages carry."""
        names = {spec.name for each in messages if (spec := self.record.spec(each)) is not None}
        return tuple(name for name, part in self.signals.parts.items() if _bare(part.message) in names)

    def in_doubt(self, message: MessageFacts) -> bool:
        """Whether a part of this message is in doubt already, which has a finding of its own."""
        spec = self.record.spec(message)
        doubted = [self.vehicle.signals[part].signal for part in self.signals.doubtful if part in self.vehicle.signals]
        return spec is not None and spec.name in {split_signal(signal)[1] for signal in doubted}

    def in_use(self, start_s: float, end_s: float) -> bool:
        """Whether the motor turned or the pack carried current in a span, as far as that is logged."""
        for name, least in (("motor_speed", _TURNING_RPM), ("battery_current", _CARRYING_A)):
            part = self.signals.get(name)
            if part is not None:
                within = part.value[part.between(start_s - _AROUND_S, end_s + _AROUND_S)]
                if within.size and float(np.abs(within).max()) > least:
                    return True
        return False

    def in_use_throughout(self, start_s: float, end_s: float, without: MessageFacts) -> bool:
        """Whether the motor turned or the pack carried current all through a span, as other messages show by values
        that change."""
        own = set(self.parts_in([without]))
        for name, least in (("motor_speed", _TURNING_RPM), ("battery_current", _CARRYING_A)):
            part = self.signals.get(name)
            if part is None or name in own:
                continue
            at = part.between(start_s, end_s)
            within = part.value[at]
            covered = within.size and part.time_s[at][-1] - part.time_s[at][0] >= _COVERED * (end_s - start_s)
            if covered and np.unique(within).size >= _FEWEST_VALUES and float(np.abs(within).min()) > least:
                return True
        return False

    def listed(self, messages: Sequence[MessageFacts]) -> str:
        """The messages by name, the first of them: 'Pack, Cells and 3 more'."""
        names = list(dict.fromkeys(self.record.name(each) for each in messages))
        if len(names) > _NAMED:
            return f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"
        return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _bare(message: str) -> str:
    """A message's name without its bus and its sender."""
    return message.rpartition(":")[2].partition("@")[0]
