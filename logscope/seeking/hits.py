"""What a search found: fields in the order of their likeness, each with its evidence, and how far chance goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logscope.payload.segmentation import Segmentation
from logscope.seeking.candidates import Candidate
from logscope.seeking.gather import Key

STANDS_OUT = 0.05  # a false-positive rate up to which a field is more than chance
LEAST_SCORE = 0.5  # below, a field is unlike the part, however rare the likeness is by chance


@dataclass(frozen=True, slots=True, eq=False)
class Hit:
    """A field that behaves like what was sought.

    score : likeness, 0 to 1
    false_positive_rate : share of logs with shifted or shuffled time in which any field reaches this score
    scale, offset, unit : value = raw × scale + offset, without a unit where the scale is unknown; scale_from says
        what they rest on
    scale_limits, offset_limits : of 95 %, where a known part or series gives them
    reasons : what was seen, in words; moments : where to look [s]; on_is_high : of a state, whether 1 means on
    """

    part: str
    candidate: Candidate
    score: float
    false_positive_rate: float
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    scale_from: str = ""
    reasons: tuple[str, ...] = ()
    moments: tuple[float, ...] = ()
    on_is_high: bool = True
    scale_limits: tuple[float, float] | None = None
    offset_limits: tuple[float, float] | None = None

    @property
    def stands_out(self) -> bool:
        """Whether it is like the part, and more than chance gives."""
        return self.score >= LEAST_SCORE and self.false_positive_rate <= STANDS_OUT

    @property
    def dbc_line(self) -> str:
        """The signal's line in a DBC file."""
        from logscope.seeking.dbc_line import signal_line

        return signal_line(self)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The outcome of a search.

    hits : the best first; sought : what, in words; fields, identifiers : how many were searched
    segmentations : how each identifier divides; notes : what the log or the request did not allow
    left_out : what of the definitions could not be used
    """

    sought: str
    hits: tuple[Hit, ...]
    fields: int
    identifiers: int
    duration_s: float
    segmentations: Mapping[Key, Segmentation]
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def standing_out(self) -> tuple[Hit, ...]:
        """The hits that are more than chance."""
        return tuple(hit for hit in self.hits if hit.stands_out)

    def to_dbc(self, hits: Sequence[Hit] | None = None) -> dict[str, str]:
        """The hits that stand out, or those given, as texts of DBC files, one for each bus."""
        from logscope.seeking.dbc_line import dbc_texts

        return dbc_texts(self.standing_out if hits is None else hits)
