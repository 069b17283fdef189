"""Frames of one identifier at given times."""

from __future__ import annotations

import numpy as np

from logscope.capture.frames import Frames

S = 1_000_000_000
START = 1_700_000_000 * S


def frames(*stamps_ns: int, flags: int = 0, data: bytes = b"\x05") -> Frames:
    n = len(stamps_ns)
    return Frames(
        np.array(stamps_ns, np.int64), np.zeros(n, np.uint8), np.full(n, 0x1A, np.uint32),
        np.full(n, flags, np.uint8), np.full(n, len(data), np.uint8), np.arange(n, dtype=np.int64) * len(data),
        np.frombuffer(data * n, np.uint8), ("can0",),
    )  # fmt: skip
