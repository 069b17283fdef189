"""Parts as a controller with a given encoding would send them, for the tests of plausibility. All of it invented."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.parts import PARTS, Role
from logscope.signals import Encoding, Part, Signals


def encoded(name: str, time_s: FloatArray, true: FloatArray, encoding: Encoding, message: str = "") -> Part:
    """True values as the bits hold them: rounded, and clipped at the edges of the range."""
    raw = np.clip(np.rint((true - encoding.offset) / encoding.scale), encoding.lowest, encoding.highest)
    value = raw * encoding.scale + encoding.offset
    state = PARTS[name].role is Role.STATE
    return Part(
        name, time_s, value, PARTS[name].unit, f"{message or name}.Made", abs(encoding.scale),
        on=value != 0 if state else None, encoding=encoding,
    )  # fmt: skip


def with_raw(part: Part, where: NDArray[np.bool_], raw: int) -> Part:
    """The same with a raw value in some of its samples."""
    assert part.encoding is not None
    value = np.where(where, raw * part.encoding.scale + part.encoding.offset, part.value)
    on = None if part.on is None else value != 0
    return Part(
        part.name, part.time_s, value, part.unit, part.source, part.step, part.labels, on, encoding=part.encoding
    )


def signals(*parts: Part) -> Signals:
    """Parts as a capture that ends with the last sample."""
    return Signals({part.name: part for part in parts}, 0.0, max(float(part.time_s[-1]) for part in parts))
