"""Frames as columns from the few fields that a test is about."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.capture.frames import Frames


def frames_at(
    time_ns: Sequence[int],
    identifier: Sequence[int] | None = None,
    length: Sequence[int] | None = None,
    flags: Sequence[int] | None = None,
    bus: Sequence[int] | None = None,
    buses: tuple[str, ...] = ("can0",),
) -> Frames:
    """Frames at these stamps; what is not given is zero. The payload counts up from zero, byte by byte."""
    count = len(time_ns)
    sizes = np.array(length if length is not None else [0] * count, np.uint8)
    ends = np.cumsum(sizes.astype(np.int64))
    return Frames(
        time_ns=np.array(time_ns, np.int64),
        bus=np.array(bus if bus is not None else [0] * count, np.uint8),
        identifier=np.array(identifier if identifier is not None else [0] * count, np.uint32),
        flags=np.array(flags if flags is not None else [0] * count, np.uint8),
        length=sizes,
        offset=ends - sizes,
        payload=np.arange(int(sizes.astype(np.int64).sum()), dtype=np.uint8),
        buses=buses,
    )
