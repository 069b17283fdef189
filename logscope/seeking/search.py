"""What the likeness of a part is judged on: the fields, what is known, and the moments of a precharge."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, wraps
from typing import Any, TypeVar

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.seeking.candidates import Candidate, Searched, states
from logscope.seeking.likeness.driving import speedlike
from logscope.seeking.likeness.link import Precharge, precharge_of, shuffled
from logscope.seeking.scene import Scene, grid, scene_of

Series = tuple[FloatArray, FloatArray]
_T = TypeVar("_T")

LEAST_SPEED = 0.4  # likeness of a field that serves as the speed where none is known
LEAST_LINK = 0.5  # of one that serves as the link's voltage
_TRIES = 60


@dataclass(frozen=True, eq=False)
class Search:
    """One log: its fields, and the parts that are known already as times and values in their units.

    kept : what `once` has calculated; it goes with the search, which holds all frames of the log
    """

    searched: Searched
    known: Mapping[str, Series]
    start_s: float
    end_s: float
    kept: dict[Callable[[Search], Any], Any] = field(default_factory=dict, repr=False)

    @cached_property
    def numbers(self) -> tuple[Candidate, ...]:
        """Fields of more than one bit."""
        return self.searched.numbers

    @cached_property
    def flags(self) -> tuple[Candidate, ...]:
        """Single bits that may be states."""
        return tuple(bit for each in self.searched.candidates for bit in states(each))

    @cached_property
    def scene(self) -> Scene:
        """The numbers and the known parts on one grid."""
        return scene_of(self.numbers, self.known, grid(self.start_s, self.end_s))

    @cached_property
    def rises(self) -> list[tuple[Candidate, Precharge]]:
        """The fields with a rise like a precharge's, the likest first."""
        found = [(each, precharge_of(*each.samples())) for each in self.numbers]
        rising = [(each, rise) for each, rise in found if rise is not None]
        return sorted(rising, key=lambda pair: -pair[1].score)

    @cached_property
    def rise_chance(self) -> FloatArray:
        """The best likeness of any field where the changes of each rise are shuffled, shape (k,)."""
        rng = np.random.default_rng(0)
        best = np.zeros(_TRIES)
        for each, rise in self.rises[:12]:
            samples = each.samples()
            for k in range(_TRIES):
                best[k] = max(best[k], shuffled(*samples, rise, rng))
        return best

    @cached_property
    def link(self) -> tuple[Series, str] | None:
        """The link's voltage: the known one, else the field most like it; and where it is from."""
        for part in ("dc_link_voltage", "dc_link_voltage_second"):
            if part in self.known:
                return self.known[part], f"the known {part_name(part)}"
        if self.rises and self.rises[0][1].score >= LEAST_LINK:
            best = self.rises[0][0]
            return best.samples(), f"{best.name}, which is most like a link voltage"
        return None

    @cached_property
    def speed(self) -> tuple[FloatArray, str] | None:
        """A speed over the grid, zero at rest: a known one, else the field most like one; and where it is from."""
        for part in ("motor_speed", "motor_speed_second", "vehicle_speed", "stator_frequency"):
            if part in self.scene.known:
                return self.scene.known[part], f"the known {part_name(part)}"
        if not self.numbers:
            return None
        scores = speedlike(self.scene.rows, self.scene.step_s)
        at = int(np.argmax(scores))
        if scores[at] < LEAST_SPEED:
            return None
        row = self.scene.rows[at]
        values, counts = np.unique(np.round(row), return_counts=True)
        rest = float(values[np.argmax(counts)])
        way = 1.0 if np.max(row) - rest >= rest - np.min(row) else -1.0
        return way * (row - rest), f"{self.numbers[at].name}, which is most like a speed"


def once(calculate: Callable[[Search], _T]) -> Callable[[Search], _T]:
    """A function of a search that is calculated once for it, when first asked for."""

    @wraps(calculate)
    def kept(search: Search) -> _T:
        if calculate not in search.kept:
            search.kept[calculate] = calculate(search)
        found: _T = search.kept[calculate]
        return found

    return kept
