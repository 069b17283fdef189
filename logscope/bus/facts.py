"""What is known of a bus and its identifiers after the last block: plain data, from which everything else follows."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray

Stamps = NDArray[np.int64]
Payloads = NDArray[np.uint8]
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch without a frame [ns]; others : frames of the same bus that were logged meanwhile."""

    start_ns: int
    end_ns: int
    others: int

    @property
    def length_ns(self) -> int:
        """How long it lasted."""
        return self.end_ns - self.start_ns


@dataclass(frozen=True, slots=True)
class Still:
    """A stretch [ns] in which the content of an identifier stood still while its counter was sent; frames in it."""

    start_ns: int
    end_ns: int
    frames: int


@dataclass(frozen=True, slots=True)
class Skip:
    """A step of an identifier's counter that is not its own.

    before_ns, after_ns : the frames around it; missing : messages that are missing by the counter, modulo its span
    others : frames of the same bus that were logged meanwhile; value : of the counter after it, above its lowest
    """

    before_ns: int
    after_ns: int
    missing: int
    others: int
    value: int


@dataclass(frozen=True, slots=True)
class CounterFacts:
    """A counter and how it was kept.

    start, bits, big_endian : its field, in the numbering of DBC files; span : its values
    skips : steps that are not its own, their count; skipped : messages missing by it; repeats : values that came twice
    listed : the skips themselves, as far as they were kept
    """

    start: int
    bits: int
    big_endian: bool
    span: int
    skips: int
    skipped: int
    repeats: int
    listed: tuple[Skip, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MessageFacts:
    """One identifier on one bus.

    count : frames; requests : requests for transmission that were logged besides their frames, not among them
    sent : frames that the logger sent itself; remotes : remote frames, among `count`
    first_ns, last_ns : stamps of the first and last frame; shortest, longest : payload bytes
    changing : for each byte whether it ever changed; silences : the longest, by their start
    stamps_ns, sizes, payloads : windows of consecutive frames, spread over the log, shape (frames, …)
    window : which window each of these frames is of; all frames where there are few
    learnt_ns : period by the first frames, 0 where they show none
    content : for each byte its bits that are neither counter nor checksum, where there is a counter
    stills : the longest stretches in which these bits stood still, by their start
    fd : whether its frames are CAN FD
    """

    bus: str
    identifier: int
    extended: bool
    count: int
    requests: int
    sent: int
    remotes: int
    first_ns: int
    last_ns: int
    shortest: int
    longest: int
    changing: tuple[bool, ...]
    silences: tuple[Silence, ...]
    stamps_ns: Stamps
    sizes: Payloads
    payloads: Payloads
    window: NDArray[np.int64]
    learnt_ns: int
    counter: CounterFacts | None
    content: tuple[int, ...] = ()
    stills: tuple[Still, ...] = ()
    fd: bool = False

    @property
    def intervals_s(self) -> FloatArray:
        """Times from frame to frame within the windows, in the order of the log, shape (intervals,) [s]."""
        within = self.window[1:] == self.window[:-1]
        return np.asarray(np.diff(self.stamps_ns)[within] / 1e9)

    @property
    def identifier_text(self) -> str:
        """As it is usually written: 3 hexadecimal digits, or 8 for 29 bits."""
        return f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"


@dataclass(frozen=True, slots=True, eq=False)
class ErrorFrames:
    """The error frames of a bus.

    count : all of them; alike : their count by what they say: class bits in the identifier, second and third byte
    transmit_counter, receive_counter : highest values of the logger's error counters, None where none were logged
    until_ns : up to which stamp the runs below reach; None where they reach to the last error frame
    start_ns, end_ns, frames, kinds, data : runs of error frames that say the same, each within a tenth of a second of
        the one before: first and last stamp, how many, class bits, and payload with the highest error counters;
        shape (runs,), data (runs, 8)
    """

    count: int = 0
    alike: dict[tuple[int, int, int], int] = field(default_factory=dict)
    transmit_counter: int | None = None
    receive_counter: int | None = None
    until_ns: int | None = None
    start_ns: Stamps = field(default_factory=lambda: np.empty(0, np.int64))
    end_ns: Stamps = field(default_factory=lambda: np.empty(0, np.int64))
    frames: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    kinds: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    data: Payloads = field(default_factory=lambda: np.empty((0, 8), np.uint8))


@dataclass(frozen=True, slots=True, eq=False)
class BusFacts:
    """One bus.

    frames, remotes, requests : as for `MessageFacts`; first_ns, last_ns : of any frame
    bits : on the wire at the nominal rate, stuff bits and interframe space included
    fast_bits : at the faster rate of CAN FD, of `switched` frames
    unlisted : frames of identifiers beyond those in `messages`, which are bounded
    busiest_bits : most bits at the nominal rate within any second; busiest_ns : its end
    silences : the longest stretches without a frame
    spacing_ns, spacing_bits : windows of consecutive frames: time since the frame before, and bits of that frame and
        of this one, shape (n, 2)
    """

    name: str
    frames: int
    remotes: int
    requests: int
    first_ns: int
    last_ns: int
    bits: int
    fast_bits: int
    switched: int
    busiest_bits: int
    busiest_ns: int
    silences: tuple[Silence, ...]
    spacing_ns: Stamps
    spacing_bits: NDArray[np.int64]
    errors: ErrorFrames
    messages: tuple[MessageFacts, ...]
    unlisted: int = 0

    @property
    def busiest_bits_per_s(self) -> float:
        """The rate of the busiest second [bit/s], the silence before it included where one ends in it.

        A logger that stalls stamps what it held back all at once: more than a second's bits seem to pass in one.
        """
        begin_ns = self.busiest_ns - _SECOND_NS
        starts = [s.start_ns for s in self.silences if s.start_ns < begin_ns < s.end_ns <= self.busiest_ns]
        return self.busiest_bits * _SECOND_NS / (self.busiest_ns - min(starts, default=begin_ns))


@dataclass(frozen=True, slots=True, eq=False)
class Traffic:
    """The buses of a log, by name; start_ns : its earliest stamp."""

    buses: tuple[BusFacts, ...]
    start_ns: int
    end_ns: int
