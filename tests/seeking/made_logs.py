"""Logs made for the search: streams of payloads over a minute with one precharge in it."""

from __future__ import annotations

import numpy as np
from test_counters import written

from logscope.payload.fields import Field
from logscope.seeking.gather import Key, Stream

LENGTH_S = 60.0
RISES_S, TAU_S, OPENS_S = 10.0, 0.15, 50.0
PACK_V = 330.0


def stream(identifier: int, period_s: float, *parts: tuple[Field, np.ndarray], length: int = 8) -> Stream:
    """A message with these fields; times come from `times(period_s)`."""
    at = times(period_s)
    rows = np.zeros((at.size, length), np.uint8)
    for field, raw in parts:
        rows = written(field, np.int64(raw) & ((1 << field.bits) - 1), rows)
    return Stream(Key("can0", identifier, False, length), at, rows)


def times(period_s: float) -> np.ndarray:
    return np.arange(0.003, LENGTH_S, period_s)


def link_volts(at: np.ndarray, seed: int = 0) -> np.ndarray:
    """A link that is dead, is precharged to the pack's level, and bleeds down after the contactor has opened."""
    rng = np.random.default_rng(seed)
    up = np.where(at >= RISES_S, PACK_V * (1 - np.exp(-(at - RISES_S) / TAU_S)), 0.0)
    down = np.where(at > OPENS_S, up * np.exp(-(at - OPENS_S) / 30.0), up)
    return np.maximum(down + rng.normal(0, 0.2, at.size), 0.0)


def speed(at: np.ndarray) -> np.ndarray:
    """Rests until 15 s, then three accelerations and stops until 45 s [rpm]."""
    moving = (at > 15) & (at < 45)
    return np.where(moving, 2000 * np.sin(2 * np.pi * (at - 15) / 20) ** 2, 0.0)


def others(seed: int) -> list[Stream]:
    """What has nothing to do with the drive: wandering levels, counters, states that change now and then."""
    rng = np.random.default_rng([seed, 9])
    made = []
    for number in range(6):
        at = times(0.02)
        wander = 500 + np.cumsum(rng.normal(0, 0.8, at.size)) + rng.normal(0, 2, at.size)
        changes = np.sort(rng.uniform(0, LENGTH_S, 6))
        state = np.searchsorted(changes, at) % 2
        made.append(
            stream(
                0x300 + number, 0.02, (Field(0, 12), np.clip(wander, 0, 4095)), (Field(16, 1), state),
                (Field(60, 4), np.arange(at.size) % 16),
            )
        )  # fmt: skip
    return made


def log(*own: Stream, seed: int = 0) -> dict[Key, Stream]:
    """A log of these messages and of others."""
    return {each.key: each for each in (*own, *others(seed))}
