"""Where the signals of a message lie: which of them share bits, and which do not fit its length."""

from __future__ import annotations

from itertools import combinations

from logscope.definitions.spec import MessageSpec, SignalSpec


def overlaps(message: MessageSpec) -> list[tuple[SignalSpec, SignalSpec]]:
    """The pairs of signals that share a bit of the payload in at least one multiplexer branch."""
    placed = [(variant, occupied(variant)) for variant in message.variants]
    return [
        (one, other)
        for (one, here), (other, there) in combinations(placed, 2)
        if here & there and not exclusive(one, other)
    ]


def misfits(message: MessageSpec) -> list[SignalSpec]:
    """The signals that reach beyond the length that the message is defined with."""
    return [signal for signal in message.variants if signal.bytes_needed > message.length]


def occupied(signal: SignalSpec) -> int:
    """The bits of a signal as a mask; bit 8·n + k of it is bit k of payload byte n.

    >>> hex(occupied(SignalSpec("Current", start=7, bits=12, big_endian=True)))
    '0xf0ff'
    """
    if not signal.big_endian:
        return ((1 << signal.bits) - 1) << signal.start
    mask = 0
    for position in range(signal.first_bit, signal.first_bit + signal.bits):
        mask |= 1 << (position ^ 7)  # big-endian positions count each byte from its most significant bit
    return mask


def exclusive(one: SignalSpec, other: SignalSpec) -> bool:
    """Whether no frame can hold both: they hang on different values of the same selector."""
    theirs = {selection.selector: selection.ranges for selection in other.multiplexer}
    return any(
        selection.selector in theirs and not _meet(selection.ranges, theirs[selection.selector])
        for selection in one.multiplexer
    )


def _meet(ours: tuple[tuple[int, int], ...], theirs: tuple[tuple[int, int], ...]) -> bool:
    return any(a_low <= b_high and b_low <= a_high for a_low, a_high in ours for b_low, b_high in theirs)
