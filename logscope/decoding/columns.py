"""The signals of one message in one block of frames, as columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.decoding.bits import Payloads, physical_values, raw_integers
from logscope.decoding.branches import Branches
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.findings import BoolArray


class Column(NamedTuple):
    """The samples of one signal.

    values : float64 with NaN where there is no sample; or int64/uint64 for integers that a double
        may not hold exactly, then with 0 where `absent` says that there is no sample
    absent : shape (n,), for integers only; None where every sample is there
    """

    values: NDArray[Any]
    absent: BoolArray | None = None


def decode_columns(spec: MessageSpec, payloads: Payloads, names: Sequence[str]) -> tuple[dict[str, Column], int]:
    """The named signals of n frames, and how many samples were lost to short payloads.

    The lost samples are those of the named signals and of the selectors that choose their branch;
    of a signal behind a lost selector nobody knows whether it was there, so it does not count.
    """
    branches = Branches(spec, payloads)
    columns = {name: _decode(spec.by_name[name], branches) for name in names}
    lost = sum(_lost(spec.by_name[name], branches) for name in with_selectors(spec, names))
    return columns, lost


def with_selectors(spec: MessageSpec, names: Sequence[str]) -> tuple[str, ...]:
    """The named signals and the selectors that they need, each once."""
    selectors = (selection.selector for name in names for selection in spec.by_name[name].multiplexer)
    return tuple(dict.fromkeys((*names, *selectors)))


def _decode(signal: SignalSpec, branches: Branches) -> Column:
    payloads = branches.payloads
    active = branches.active(signal.multiplexer)
    if active is not None:
        payloads = payloads.where(active)
    if not signal.exact_integer:
        values, _ = physical_values(payloads, signal)
        return Column(values if active is None else _spread(values, active, np.nan))
    raw, _ = raw_integers(payloads, signal)
    integers = raw if signal.signed else raw.view(np.uint64)
    there = branches.payloads.size >= signal.bytes_needed
    if active is not None:
        there &= active
        integers = _spread(integers, active, 0)
    return Column(integers, None if there.all() else ~there)


def _spread(values: NDArray[Any], active: BoolArray, elsewhere: float) -> NDArray[Any]:
    spread = np.full(active.shape, elsewhere, dtype=values.dtype)
    spread[active] = values
    return spread


def _lost(signal: SignalSpec, branches: Branches) -> int:
    short = branches.payloads.size < signal.bytes_needed
    active = branches.active(signal.multiplexer)
    return int(np.count_nonzero(short if active is None else short & active))


def joined(parts: Sequence[Column]) -> Column:
    """Columns one behind the other."""
    values = np.concatenate([part.values for part in parts])
    if all(part.absent is None for part in parts):
        return Column(values)
    return Column(
        values,
        np.concatenate(
            [np.zeros(part.values.shape, np.bool_) if part.absent is None else part.absent for part in parts]
        ),
    )
