"""The picture of a moment, as plain data: who shows it needs nothing of what works it out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logscope.findings import Severity


class Phase(StrEnum):
    """The steps of the sequence."""

    UNKNOWN = "unknown"
    OFF = "off"
    PRECHARGING = "precharging"
    CLOSED = "closed"
    LIVE = "live"
    BELOW_60 = "below 60 V"


@dataclass(frozen=True, slots=True)
class Sequence:
    """A step of the sequence, in words too. link_V : the link's voltage now; share : of the pack's voltage"""

    phase: Phase
    text: str
    link_V: float | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check says of one event. final : whether it stays as it is"""

    check: str
    kind: str
    severity: Severity
    start_s: float
    title: str
    cause: str | None
    time_constant_s: float | None
    final: bool


@dataclass(frozen=True, slots=True)
class Margin:
    """What was left to a limit at the worst moment so far; negative where it was passed."""

    what: str
    left: float
    unit: str


@dataclass(frozen=True, slots=True)
class BusNow:
    """A bus at this moment. load : share of the bit rate, None where that is not known"""

    name: str
    frames_per_s: float
    bits_per_s: float
    load: float | None
    error_frames: int
    frames: int


@dataclass(frozen=True, slots=True)
class PartNow:
    """A mapped part at this moment. rate_Hz : samples a second of late; value : the newest, as text; age_s : of it"""

    name: str
    arriving: bool
    rate_Hz: float
    value: str
    age_s: float


@dataclass(frozen=True, slots=True)
class View:
    """What is shown of a moment. now_s : from the first stamp; absent : mapped parts that never came; doubted : why"""

    now_s: float
    parts: tuple[PartNow, ...]
    absent: tuple[str, ...]
    sequence: Sequence
    verdicts: tuple[Verdict, ...]
    by_minute: tuple[tuple[int, int], ...]
    buses: tuple[BusNow, ...]
    margins: tuple[Margin, ...]
    missing: tuple[str, ...]
    doubted: tuple[tuple[str, str], ...]
    frames_left_out: int = 0
