"""Ties: what physics and the vehicle file demand of parts and their products, and which single slip mends them all.

A tie says that a product of powers of readings lies in a range. Several ties share parts; a slip of one part breaks
every tie that it is in, and no other. So the part in doubt is the one whose single slip mends all broken ties and
breaks none. Where several could, all of them are in doubt.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from logscope.plausibility.slips import SLIPS, Slip

_WIDE = 200.0  # a range as wide as this says only which side a reading is off to
_BY_FILE = "."  # in the name of a value of the vehicle file, "driveline.ratio"; no part has one


class Unexplained(Enum):
    """What a broken tie means where no usual slip of one reading explains it."""

    DOUBT = "nothing in a vehicle explains it either: all its parts are in doubt"
    ODD = "something else may explain it: it is reported, and nothing is in doubt"
    NOTHING = "it has an everyday explanation"


@dataclass(frozen=True, slots=True)
class Tie:
    """One demand.

    of : power of each part, or value of the vehicle file by its keys, in the product
    ratio : of the product to what it should be, with 95 % limits low and high
    lowest, highest : between which the ratio is sound
    fact : what was found, part of a sentence; start_s, end_s : when [s]
    """

    of: Mapping[str, int]
    ratio: float
    low: float
    high: float
    lowest: float
    highest: float
    fact: str
    start_s: float
    end_s: float
    unexplained: Unexplained = Unexplained.NOTHING

    @property
    def broken(self) -> bool:
        """Whether the demand is not met, limits of the ratio included."""
        return not (self.high >= self.lowest and self.low <= self.highest)

    def mended_by(self, name: str, slip: Slip) -> bool:
        """Whether the demand is met if this one reading is off by the slip."""
        return self.lowest <= self.ratio * slip.cure ** self.of.get(name, 0) <= self.highest


@dataclass(frozen=True, slots=True)
class Suspect:
    """A part, or value of the vehicle file, whose single slip mends all that is broken; the likeliest slip first."""

    name: str
    slips: tuple[Slip, ...]

    @property
    def in_file(self) -> bool:
        """Whether it is a value of the vehicle file and no part."""
        return in_file(self.name)


def in_file(name: str) -> bool:
    """Whether a name of a tie is a value of the vehicle file, “driveline.ratio”, and no part."""
    return _BY_FILE in name


@dataclass(frozen=True, slots=True)
class Broken:
    """Broken ties that hang together, and who may be the cause; nobody where no usual slip explains them."""

    ties: tuple[Tie, ...]
    suspects: tuple[Suspect, ...]


def suspects(ties: Sequence[Tie]) -> list[Broken]:
    """The broken ties in groups that share names, each with its suspects."""
    return [Broken(group, _explain(group, ties)) for group in _groups([tie for tie in ties if tie.broken])]


def _groups(broken: Sequence[Tie]) -> list[tuple[Tie, ...]]:
    groups: list[list[Tie]] = []
    for tie in broken:
        touching = [group for group in groups if any(set(tie.of) & set(other.of) for other in group)]
        groups = [group for group in groups if group not in touching]
        groups.append([each for group in touching for each in group] + [tie])
    return [tuple(group) for group in groups]


def _explain(group: Sequence[Tie], ties: Sequence[Tie]) -> tuple[Suspect, ...]:
    shared = set.intersection(*(set(tie.of) for tie in group))
    found = (Suspect(name, tuple(_slips(name, ties))) for name in group[0].of if name in shared)
    return tuple(suspect for suspect in found if suspect.slips)


def _slips(name: str, ties: Sequence[Tie]) -> Iterable[Slip]:
    """The slips of one name that meet every tie it is in, the commoner first, then by how well they meet it."""
    own = [tie for tie in ties if name in tie.of]
    tightest = min(own, key=lambda tie: tie.highest / tie.lowest)
    middle = (tightest.lowest * tightest.highest) ** 0.5
    fitting = [slip for slip in SLIPS if all(tie.mended_by(name, slip) for tie in own)]

    def off(slip: Slip) -> tuple[bool, float]:
        if tightest.highest / tightest.lowest > _WIDE:
            return slip.rare, max(slip.cure, slip.factor)  # any of many would do: the smallest is the likeliest
        mended = tightest.ratio * slip.cure ** tightest.of[name] / middle
        return slip.rare, float(max(mended, 1.0 / mended))

    return sorted(fitting, key=off)
