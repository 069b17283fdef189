"""Raw values that devices send in place of a reading: patterns at the edges of what the bits can hold.

SAE J1939-71 reserves the highest first byte for them: 0xFF… is “not available”, 0xFE… “error indicator”; of two-bit
states 3 and 2. Its way is followed far beyond it. All-ones, all-ones less one or two, and the most negative and most
positive number of a signed field, are common practice elsewhere, without a published source. Which of such values
are marks, and which are readings that reach the edge, their neighbours decide (`no_value`).
"""

from __future__ import annotations

import re

import numpy as np

from logscope.arrays import BoolArray
from logscope.parts import PARTS, Role
from logscope.signals import Encoding, Part

_FEWEST_BITS = 8  # a shorter number has no values to spare for marks
_EXACT_BITS = 53  # beyond it raw values cannot be recovered from a double
_SPARED = 2  # all-ones, less one, less two
_ERROR_BYTE = 0xFE  # highest byte of a number of whole bytes from which on J1939-71 has marks
_AT_ZERO = 2.0  # steps from zero within which a reading is the zero of its quantity

_NAMED = re.compile(
    r"\bsna\b|\bn/?a\b|not ?avail|unavailable|no ?value|invalid|not ?valid|undefined|no ?signal", re.IGNORECASE
)
_NAMED_IN_A_STATE = re.compile(r"\berror\b|\breserved\b|\bunknown\b", re.IGNORECASE)


def mark_ranges(encoding: Encoding) -> list[tuple[int, int]]:
    """Ranges of raw values, both ends included, that may be marks.

    >>> mark_ranges(Encoding(12, False, 1.0, 0.0))
    [(4093, 4095), (2046, 2048)]
    >>> mark_ranges(Encoding(16, True, 1.0, 0.0))
    [(32765, 32767), (-32768, -32767)]
    """
    bits = encoding.bits
    if not _FEWEST_BITS <= bits <= _EXACT_BITS:
        return []
    if encoding.signed:
        return [(encoding.highest - _SPARED, encoding.highest), (encoding.lowest, encoding.lowest + 1)]
    top = encoding.highest - _SPARED
    if bits % 8 == 0:
        top = min(top, _ERROR_BYTE << (bits - 8))
    sign = 1 << (bits - 1)
    return [(top, encoding.highest), (sign - _SPARED, sign)]


def may_be_mark(part: Part) -> BoolArray:
    """Which samples of a quantity hold a raw value that may be a mark, shape (n,).

    What reads zero is none: an offset may well put the zero of a quantity at such a place.
    """
    found = np.zeros(part.value.size, np.bool_)
    encoding = part.encoding
    if encoding is None:
        return found
    for low, high in mark_ranges(encoding):
        ends = encoding.value(np.array([low - 0.5, high + 0.5]))
        found |= (part.value > ends.min()) & (part.value < ends.max())
    found &= np.abs(part.value) > _AT_ZERO * abs(encoding.scale)
    return found


def named_mark(part: Part) -> BoolArray:
    """Which samples the definition itself names as no value, by the text of an enumeration, shape (n,)."""
    role = PARTS[part.name].role
    named = [value for value, text in part.labels.items() if _is_named(text, role)]
    return np.isin(part.value, named) if named else np.zeros(part.value.size, np.bool_)


def _is_named(text: str, role: Role) -> bool:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).replace("_", " ").replace("-", " ")
    if _NAMED.search(spaced):
        return True
    return role in (Role.STATE, Role.QUANTITY) and _NAMED_IN_A_STATE.search(spaced) is not None


def raw_text(encoding: Encoding, raw: int) -> str:
    """A raw value as its bits in hexadecimal.

    >>> raw_text(Encoding(16, True, 1.0, 0.0), -32768)
    '0x8000'
    """
    return f"0x{raw & ((1 << encoding.bits) - 1):0{-(-encoding.bits // 4)}X}"
