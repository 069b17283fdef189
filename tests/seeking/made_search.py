"""Searches whose fields are given as rows over the grid, without a log to divide."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from logscope.payload.fields import Field
from logscope.payload.segmentation import Segment, Sort
from logscope.seeking.candidates import Candidate, Searched
from logscope.seeking.gather import Key, Stream
from logscope.seeking.hits import Hit
from logscope.seeking.scene import Scene
from logscope.seeking.search import Search

FIRST = 0x100  # identifier of the first row, the others follow


def field_of(number: int, time_s: np.ndarray, raw: np.ndarray, bits: int = 16) -> Candidate:
    """A field of one identifier that holds these values."""
    rows = np.int64(np.round(raw)).astype("<i8").view(np.uint8).reshape(-1, 8)
    sort = Sort.FLAG if bits == 1 else Sort.NUMBER
    signed = bool(np.min(raw) < 0)
    return Candidate(Stream(Key("can0", FIRST + number, False, 8), time_s, rows), Segment(Field(0, bits), sort, signed))


def search_of(
    rows: Sequence[np.ndarray],
    step_s: float,
    known: Mapping[str, np.ndarray] | None = None,
    flags: Sequence[np.ndarray] = (),
) -> Search:
    """Fields of 16 bits and states over a grid from 0 s, and known parts over the same grid."""
    count = len([*rows, *flags, *(known or {}).values()][0])
    time_s = step_s * np.arange(count)
    numbers = [field_of(number, time_s, row) for number, row in enumerate(rows)]
    bits = [field_of(0x50 + number, time_s, row, 1) for number, row in enumerate(flags)]
    series = {part: (time_s, values) for part, values in (known or {}).items()}
    search = Search(Searched((*numbers, *bits), {}), series, 0.0, float(time_s[-1]))
    vars(search)["scene"] = Scene(time_s, np.array(rows, dtype=float).reshape(len(rows), count), dict(known or {}))
    return search


STEP_S = 0.05
AT = np.arange(0.0, 60.0, STEP_S)
_RUNS = ((3.0, 10.0, 30.0), (16.0, 12.0, 50.0), (33.0, 20.0, 40.0))  # begin, duration, highest speed
_ON = [(begin <= AT) & (begin + lasts > AT) for begin, lasts, _ in _RUNS]
SPEED = np.sum([on * top * np.sin(np.pi * (AT - begin) / lasts) ** 2
                for on, (begin, lasts, top) in zip(_ON, _RUNS, strict=True)], axis=0)  # fmt: skip
FORCE = np.sum([on * top * np.pi / lasts * np.sin(2 * np.pi * (AT - begin) / lasts)
                for on, (begin, lasts, top) in zip(_ON, _RUNS, strict=True)], axis=0)  # fmt: skip
LINK = np.where(AT < 5.0, 0.0, 400.0 * (1 - np.exp(-np.maximum(AT - 5.0, 0.0) / 0.3))) * (AT < 55.0)


def hiss(seed: int = 1, scale: float = 100.0) -> np.ndarray:
    """What has nothing to do with a drive."""
    return np.random.default_rng(seed).uniform(0, scale, AT.size)


def numbers(hits: list[Hit]) -> list[int]:
    """Which rows, the best first."""
    return [hit.candidate.key.identifier - FIRST for hit in hits]


def by_number(hits: list[Hit]) -> dict[int, Hit]:
    """The hits by row."""
    return dict(zip(numbers(hits), hits, strict=True))
