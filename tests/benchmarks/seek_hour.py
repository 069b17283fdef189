"""Speed and memory of the search in an hour of two buses: ten million frames of 80 identifiers.

    python tests/benchmarks/seek_hour.py [FRAMES]

Frames are made block by block, so that what is measured is the search, without a reader. Prints, asserts nothing.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Iterator

import numpy as np

from logscope.capture.frames import Block, Frames
from logscope.seeking.candidates import candidates
from logscope.seeking.gather import gather
from logscope.seeking.rank import ranked
from logscope.seeking.search import Search

IDENTIFIERS, LENGTH_S, BLOCK = 80, 3600.0, 100_000


def blocks(count: int) -> Iterator[Block]:
    """Frames in turn of 80 identifiers: each a counter, wandering numbers in both orders, states and constants."""
    rng = np.random.default_rng(5)
    state = rng.uniform(0, 4000, (IDENTIFIERS, 2))
    sent = np.zeros(IDENTIFIERS, np.int64)
    for start in range(0, count, BLOCK):
        rows = np.arange(start, min(start + BLOCK, count))
        which = rows % IDENTIFIERS
        payload = np.zeros((rows.size, 8), np.uint8)
        for number in range(IDENTIFIERS):
            own = np.flatnonzero(which == number)
            walk = np.cumsum(rng.normal(0, 1.5, (own.size, 2)), axis=0) + state[number]
            state[number] = walk[-1]
            values = np.abs(walk).astype(np.int64)
            payload[own, 0], payload[own, 1] = values[:, 0] & 0xFF, values[:, 0] >> 8 & 0xFF
            payload[own, 2], payload[own, 3] = values[:, 1] >> 8 & 0xFF, values[:, 1] & 0xFF
            payload[own, 4] = (rows[own] // (count // 7 + number)) & 1
            payload[own, 7] = (sent[number] + np.arange(own.size)) % 16
            sent[number] += own.size
        yield Block(
            Frames(
                time_ns=(rows * (LENGTH_S / count) * 1e9).astype(np.int64),
                bus=(which % 2).astype(np.uint8),
                identifier=(0x100 + which).astype(np.uint32),
                flags=np.zeros(rows.size, np.uint8),
                length=np.full(rows.size, 8, np.uint8),
                offset=8 * np.arange(rows.size, dtype=np.int64),
                payload=payload.ravel(),
                buses=("can0", "can1"),
            )
        )


def main() -> None:
    """Gather, divide, seek."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    began = time.process_time()
    for _ in blocks(count):
        pass
    made = time.process_time() - began
    began = time.process_time()
    streams, _ = gather(blocks(count))
    print(f"{count:,} frames gathered: {time.process_time() - began - made:.1f} s of processor time")
    for part in ("", "dc_link_voltage", "motor_speed", "precharge_relay"):
        began = time.process_time()
        if not part:
            searched = candidates(streams)
            search = Search(searched, {}, 0.0, LENGTH_S)
            what = f"{len(searched.candidates)} fields cut out"
        else:
            ranked(search, part)
            what = f"{part} sought"
        print(f"{what}: {time.process_time() - began:.1f} s")
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
