"""A recorded log once more, in slices of its own time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from logscope.capture.frames import Frames
from logscope.capture.open import Capture
from logscope.capture.rows import concatenate
from logscope.capture.samples import Samples, SerialLog

SLICE_NS = 250_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """What came in a quarter of a second, up to `until_ns`."""

    until_ns: int
    frames: Frames
    consoles: tuple[SerialLog, ...]
    lasts_s: float


def slices(capture: Capture, slice_ns: int = SLICE_NS) -> Iterator[Slice]:
    """The frames and samples of a log in the order of their stamps, slice by slice. The log is held in memory."""
    frames = concatenate([block.frames for block in capture.blocks])
    order = np.argsort(frames.time_ns, kind="stable")
    stamps = frames.time_ns[order]
    ends = [stamps[[0, -1]]] if stamps.size else []
    ends += [s.time_ns[[0, -1]] for log in capture.serial for s in log.signals.values() if len(s)]
    if not ends:
        return
    begin_ns, end_ns = int(min(each[0] for each in ends)), int(max(each[1] for each in ends))
    while begin_ns <= end_ns:
        until_ns = begin_ns + slice_ns
        rows = order[slice(*np.searchsorted(stamps, [begin_ns, until_ns]).tolist())]
        consoles = tuple(_part_of(log, begin_ns, until_ns) for log in capture.serial)
        yield Slice(until_ns, _rows(frames, rows), consoles, slice_ns / 1e9)
        begin_ns = until_ns


def in_slices(frames: Frames, slice_ns: int) -> Iterator[Frames]:
    """Frames of a recording, nearly in order, in slices of so much time."""
    if not len(frames) or int(np.ptp(frames.time_ns)) < slice_ns:
        yield frames
        return
    order = np.argsort(frames.time_ns, kind="stable")
    stamps = frames.time_ns[order]
    begin_ns = int(stamps[0])
    while begin_ns <= int(stamps[-1]):
        rows = order[slice(*np.searchsorted(stamps, [begin_ns, begin_ns + slice_ns]).tolist())]
        if rows.size:
            yield _rows(frames, rows)
        begin_ns += slice_ns


def _rows(frames: Frames, rows: np.ndarray) -> Frames:
    """Some of the frames; their payloads stay where they are."""
    return replace(
        frames,
        time_ns=frames.time_ns[rows],
        bus=frames.bus[rows],
        identifier=frames.identifier[rows],
        flags=frames.flags[rows],
        length=frames.length[rows],
        offset=frames.offset[rows],
    )


def _part_of(log: SerialLog, begin_ns: int, until_ns: int) -> SerialLog:
    def kept(samples: Samples) -> Samples:
        first, last = np.searchsorted(samples.time_ns, [begin_ns, until_ns])
        return Samples(samples.time_ns[first:last], samples.value[first:last])

    return replace(log, signals={name: kept(samples) for name, samples in log.signals.items()})
