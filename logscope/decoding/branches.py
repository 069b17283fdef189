"""Multiplexed messages: which frames carry which signals, and what short frames have lost."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray
from logscope.decoding.bits import Payloads, raw_integers
from logscope.definitions.spec import MessageSpec, Selection

MuxPath = tuple[Selection, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Branches:
    """The multiplexer branches of n frames of one message; each selector is read once."""

    spec: MessageSpec
    payloads: Payloads
    _selectors: dict[str, tuple[NDArray[np.int64], BoolArray]] = field(default_factory=dict)
    _active: dict[MuxPath, BoolArray] = field(default_factory=dict)

    def active(self, mux_path: MuxPath) -> BoolArray | None:
        """Which frames carry the signals that `mux_path` selects, shape (n,); None where every frame does.

        A frame too short for a selector is in none of its branches: which is unknown.
        """
        if not mux_path:
            return None
        if mux_path not in self._active:
            *outer, last = mux_path
            raw, present = self._selector(last.selector)
            held = present & last.holds(raw)
            before = self.active(tuple(outer))
            self._active[mux_path] = held if before is None else held & before
        return self._active[mux_path]

    def _selector(self, name: str) -> tuple[NDArray[np.int64], BoolArray]:
        if name not in self._selectors:
            signal = self.spec.by_name[name]
            raw, _ = raw_integers(self.payloads, signal)
            self._selectors[name] = raw, self.payloads.size >= signal.bytes_needed
        return self._selectors[name]


def undecodable_frames(spec: MessageSpec, payloads: Payloads) -> int:
    """How many frames are too short for at least one signal that they should carry.

    Counts by the branch that is active in each frame; a cut-off selector counts as such a signal.
    """
    short = payloads.where(payloads.size < spec.bytes_needed)
    branches = Branches(spec, short)
    needed: dict[MuxPath, int] = {}
    for signal in spec.variants:
        needed[signal.multiplexer] = max(needed.get(signal.multiplexer, 0), signal.bytes_needed)
    lacking = np.zeros(short.size.size, dtype=np.bool_)
    for mux_path, count in needed.items():
        lost = short.size < count
        active = branches.active(mux_path)
        lacking |= lost if active is None else lost & active
    return int(lacking.sum())
