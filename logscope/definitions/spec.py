"""What a message and its signals look like in the payload: plain data, free of any file format.

A definition file is read into these once; the decoder needs nothing else. Start bits follow the DBC
numbering: bit 0 is the least significant bit of the first byte, bit 7 its most significant one, bit
8 the least significant bit of the second byte. The start bit names a little-endian signal's least
significant bit and a big-endian signal's most significant bit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MAX_BITS = 64  # the widest signal that is a number; wider ones are opaque bytes
EXACT_BITS = 53  # a double holds every integer of so many bits (IEEE 754 binary64)
FLOAT_BITS = (16, 32, 64)  # IEEE 754 binary16, binary32, binary64


@dataclass(frozen=True, slots=True)
class Selection:
    """A signal is present where the raw value of `selector` lies in one of `ranges` (ends included)."""

    selector: str
    ranges: tuple[tuple[int, int], ...]

    def holds(self, raw: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of the selector's raw values, shape (n,), select the branch; shape (n,)."""
        held = np.zeros(raw.shape, dtype=np.bool_)
        for low, high in self.ranges:
            held |= (raw >= low) & (raw <= high)
        return held


@dataclass(frozen=True)
class SignalSpec:
    """One signal.

    start : see the module; bits : 1 … 64
    floating : the raw value is an IEEE 754 number of 16, 32 or 64 bits
    scale, offset : value in `unit` = raw × scale + offset
    choices : texts by raw value
    multiplexer : what must hold for the signal to be in a frame, the outermost selector first; empty
        for a signal that is in every frame
    elsewhere : the same quantity in other multiplexer branches, where it lies or is scaled otherwise; no frame
        holds two of them
    """

    name: str
    start: int
    bits: int
    big_endian: bool = False
    signed: bool = False
    floating: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    choices: Mapping[int, str] = field(default_factory=dict, hash=False)
    multiplexer: tuple[Selection, ...] = ()
    elsewhere: tuple[SignalSpec, ...] = ()

    def __post_init__(self) -> None:
        if not 1 <= self.bits <= MAX_BITS or self.start < 0:
            raise ValueError(f"signal {self.name}: {self.bits} bits from bit {self.start} cannot be a number")
        if self.floating and self.bits not in FLOAT_BITS:
            raise ValueError(f"signal {self.name}: a float has 16, 32 or 64 bits, not {self.bits}")

    @property
    def first_bit(self) -> int:
        """Bits in front of the signal, counted from its first byte on in the signal's own byte order.

        For big endian every byte counts from its most significant bit, as on the wire.
        """
        return 8 * (self.start // 8) + 7 - self.start % 8 if self.big_endian else self.start

    @cached_property
    def bytes_needed(self) -> int:
        """How many payload bytes a frame must have to hold the whole signal."""
        return (self.first_bit + self.bits + 7) // 8

    @property
    def variants(self) -> tuple[SignalSpec, ...]:
        """The signal in each of its layouts, every one by itself."""
        return (replace(self, elsewhere=()), *self.elsewhere) if self.elsewhere else (self,)

    @property
    def step(self) -> float | None:
        """The resolution of the value in `unit`; None for floating point, which has no fixed step.

        The coarsest, where the layouts of several branches differ.
        """
        if self.floating or any(other.floating for other in self.elsewhere):
            return None
        return max(abs(variant.scale) for variant in (self, *self.elsewhere))

    @property
    def all_one(self) -> bool:
        """Whether factor and offset leave but one value in some layout: a factor of 0, or one that no double holds."""
        return any(each.scale == 0 or not isfinite(each.scale + each.offset) for each in (self, *self.elsewhere))

    @property
    def exact_integer(self) -> bool:
        """Whether the value is a plain integer that a double may not hold exactly."""
        plain = not self.floating and self.scale == 1 and self.offset == 0 and not self.elsewhere
        return plain and self.bits > EXACT_BITS

    @property
    def labels(self) -> dict[float, str]:
        """Texts by value in `unit` (by the integer itself for `exact_integer`)."""
        exact = self.exact_integer
        return {
            raw if exact else float(raw) * variant.scale + variant.offset: text
            for variant in (self, *self.elsewhere)
            for raw, text in variant.choices.items()
        }


@dataclass(frozen=True)
class MessageSpec:
    """One message.

    identifier : 11 bits, or 29 where `extended`; length : payload bytes by its definition
    fd : defined as a CAN FD frame
    j1939 : matched by parameter group and source address (SAE J1939-21), whatever the priority
    senders : the nodes that send it, where the file names them
    source : the file it comes from
    left_out : its signals wider than 64 bits, which are bytes and not numbers
    """

    name: str
    identifier: int
    extended: bool
    length: int
    signals: tuple[SignalSpec, ...]
    fd: bool = False
    j1939: bool = False
    senders: tuple[str, ...] = ()
    source: Path | None = None
    left_out: tuple[str, ...] = ()

    @cached_property
    def by_name(self) -> dict[str, SignalSpec]:
        """The signals by name."""
        return {signal.name: signal for signal in self.signals}

    @cached_property
    def variants(self) -> tuple[SignalSpec, ...]:
        """Every layout of every signal."""
        return tuple(variant for signal in self.signals for variant in signal.variants)

    @cached_property
    def bytes_needed(self) -> int:
        """How many payload bytes hold every signal of every multiplexer branch."""
        return max((variant.bytes_needed for variant in self.variants), default=0)
