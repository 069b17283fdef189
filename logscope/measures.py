"""What a check hands to a comparison: its measures by name. Plain data only.

A measure says where in the findings its numbers stand. The comparison does the rest: exposure, like with like,
limits, verdict. `checks/measures.py` is the table of them all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from logscope.arrays import FloatArray
from logscope.signals import Signals
from logscope.vehicle import Vehicle


class Aim(StrEnum):
    """Which way is better."""

    LOWER = "lower"
    HIGHER = "higher"
    EXPECTED = "closer to the expected value"


@dataclass(frozen=True, slots=True)
class EventRate:
    """How often something happens while the vehicle drives: all episodes of some kinds of findings. Lower is better.

    name, title : for programs and in words; unit : '1/min' or '1/h'
    kinds : of the findings whose episodes count
    part : the part they are seen in, which must be sampled alike on both sides
    lead_s : how long before an episode the driving counts that led to it [s]
    margin : fraction by which a change does not matter
    sections : sections of the vehicle file that decide what counts as one
    threshold : measured or expected value of the findings above which an episode is seen at all, where there is one
    """

    name: str
    title: str
    unit: str
    kinds: tuple[str, ...]
    part: str
    lead_s: float
    margin: float
    sections: tuple[str, ...] = ()
    threshold: tuple[str, ...] = ()

    @property
    def per_s(self) -> float:
        """Seconds of the unit of time."""
        return {"1/min": 60.0, "1/h": 3600.0}[self.unit]


@dataclass(frozen=True, slots=True)
class Repeated:
    """A value that each of several findings measures with limits, such as one a precharge.

    kinds : beginnings of the kinds of findings that hold it; value : its name in `measured`
    ratio : whether a change is a ratio (of values above zero), or a difference in `unit`
    repeatability : standard deviation from time to time without any change; margin : change that does not matter;
        both as a fraction for ratios, else in `unit`
    """

    name: str
    title: str
    unit: str
    kinds: tuple[str, ...]
    value: str
    ratio: bool
    aim: Aim
    repeatability: float
    margin: float


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """A signal whose noise can be judged: evenly spaced samples, shape (n,), and the resolution of its values."""

    time_s: FloatArray
    value: FloatArray
    quantum: float


@dataclass(frozen=True, slots=True)
class NoiseFloor:
    """The noise of a part within cells of alike driving. Lower is better.

    part : that is judged; samples : gives its samples; margin : fraction by which a change does not matter
    """

    name: str
    title: str
    unit: str
    part: str
    samples: Callable[[Signals, Vehicle], Scatter | None]
    margin: float


Measure = EventRate | Repeated | NoiseFloor
