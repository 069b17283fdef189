"""What a signal is compared with: the other signals, the voltages at pack level, the rise of the link."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logscope.draft.behaviour import Rise, voltage_shape
from logscope.draft.logged import Logged
from logscope.draft.words import Word


@dataclass(frozen=True, slots=True)
class Evidence:
    """Points for a part (or against, negative), and why."""

    points: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """What a signal is compared with.

    packs : voltages at the level of a traction battery, by reference
    rise : of the link; rise_of : which signal shows it
    """

    signals: Sequence[Logged]
    packs: dict[str, float]
    rise: Rise | None
    rise_of: str

    @property
    def pack_level(self) -> float | None:
        """The level that the rise comes to [V]."""
        return self.packs.get(self.rise_of)


def look_around(signals: Sequence[Logged]) -> Surroundings:
    """What of the other signals serves as a reference. The link's rise is the first that is gradual,
    of a signal that is named as the link's before any other."""
    packs: dict[str, float] = {}
    rises: list[tuple[bool, float, Rise, str]] = []
    for signal in signals:
        named = signal.unit or Word.VOLTAGE in signal.sense.own
        volts = signal.as_part("dc_link_voltage") if named else None
        shape = voltage_shape(signal.time_s, volts) if volts is not None else None
        if shape is not None:
            packs[signal.reference] = shape.level_V
            if shape.rise and shape.gradual:
                unnamed = Word.LINK not in signal.sense.own
                rises.append((unnamed, shape.rise.start_s, shape.rise, signal.reference))
    first = min(rises, key=lambda found: found[:2], default=None)
    return Surroundings(signals, packs, first[2] if first else None, first[3] if first else "")
