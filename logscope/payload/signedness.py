"""Whether a field's values are two's complement.

A number passes through its middle step by step. Read without a sign, a signed number jumps by its whole span where it
passes zero; read with one, an unsigned number jumps where it passes the middle of its span. So the reading with the
shorter way is right. Where a number passes neither, what shows is where it stays: a signed one near both ends of its
span, its highest bits alike.
"""

from __future__ import annotations

import numpy as np

from logscope.payload.fields import Bytes, Field

_CLEARLY = 1.05  # ratio of the two ways


def is_signed(field: Field, rows: Bytes) -> bool:
    """Whether the values read better as two's complement; False also where nothing shows, as of a single bit."""
    if field.bits < 3:
        return False
    unsigned = field.values(rows)
    top = unsigned >> (field.bits - 1)
    if not top.any():
        return False
    signed = unsigned - (top << field.bits)
    ways = [float(np.sum(np.abs(np.diff(each)))) for each in (unsigned, signed)]
    if ways[0] > _CLEARLY * ways[1]:
        return True
    if ways[1] > _CLEARLY * ways[0]:
        return False
    # It never crossed: all values beyond the middle lie at the upper end, as small negative numbers do.
    return bool(np.median(unsigned) > 0.75 * 2**field.bits and unsigned.min() > 2 ** (field.bits - 1))
