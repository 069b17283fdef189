"""Whether a field's values are two's complement.

A number passes through its middle step by step. Read without a sign, a signed number jumps by its whole span where it
passes zero; read with one, an unsigned number jumps where it passes the middle of its span. So what counts is where it
passes by small steps. Where it passes by jumps alone, the reading with the shorter way is right, if there are enough of
them: a mark for no value jumps too.
"""

from __future__ import annotations

import numpy as np

from logscope.payload.fields import Bytes, Field

_STEP = 0.1  # of the span: what a number changes from frame to frame where it passes a place
_CLEARLY = 1.05  # ratio of the two ways, where a number was never seen to pass
_LEAST_JUMPS = 4  # changes of the highest bit; a mark for no value and back makes two


def is_signed(field: Field, rows: Bytes) -> bool:
    """Whether the values read better as two's complement; False also where nothing shows, as of a single bit."""
    if field.bits < 3:
        return False
    unsigned = field.values(rows)
    top = unsigned >> (field.bits - 1)
    turns = np.flatnonzero(np.diff(top))
    if not turns.size:
        return False
    signed = unsigned - (top << field.bits)
    span = float(1 << field.bits)
    jumps = [np.abs(np.diff(each))[turns] / span for each in (unsigned, signed)]
    through_middle, through_zero = (int(np.count_nonzero(each <= _STEP)) for each in jumps)
    if through_middle or through_zero:
        return through_zero > through_middle
    ways = [float(np.sum(np.abs(np.diff(each)))) for each in (unsigned, signed)]
    return turns.size >= _LEAST_JUMPS and ways[0] > _CLEARLY * ways[1]
