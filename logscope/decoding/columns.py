"""The signals of one message in one block of frames, as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray
from logscope.decoding.bits import Formulas, Payloads, formulas, physical_columns, physical_values, raw_integers
from logscope.decoding.branches import Branches
from logscope.definitions.spec import MessageSpec, SignalSpec


class Column(NamedTuple):
    """The samples of one signal.

    values : float64 with NaN where there is no sample; or int64/uint64 for integers that a double
        may not hold exactly, then with 0 where `absent` says that there is no sample
    absent : shape (n,), for integers only; None where every sample is there
    """

    values: NDArray[Any]
    absent: BoolArray | None = None

    def where(self, keep: BoolArray) -> Column:
        """Some of the samples. keep : which, shape (n,)."""
        return Column(self.values[keep], None if self.absent is None else self.absent[keep])


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """How the named signals of a message are decoded; made once.

    plain : signals that are in every frame, as doubles by scale and offset, with their formulas
    others : floating, multiplexed, or exact integers
    selectors : signals that are not named but choose the branch of one that is
    """

    spec: MessageSpec
    names: tuple[str, ...]
    plain: tuple[SignalSpec, ...]
    formulas: Formulas
    others: tuple[SignalSpec, ...]
    selectors: tuple[SignalSpec, ...]


def plan_of(spec: MessageSpec, names: Sequence[str]) -> Plan:
    """The plan for the named signals."""
    signals = [spec.by_name[name] for name in names]
    plain = tuple(signal for signal in signals if not (signal.multiplexer or signal.floating or signal.exact_integer))
    chosen_by = dict.fromkeys(
        selection.selector for signal in signals for variant in signal.variants for selection in variant.multiplexer
    )
    return Plan(
        spec=spec,
        names=tuple(names),
        plain=plain,
        formulas=formulas(plain),
        others=tuple(signal for signal in signals if signal not in plain),
        selectors=tuple(spec.by_name[name] for name in chosen_by if name not in names),
    )


def decode_columns(plan: Plan, payloads: Payloads) -> tuple[dict[str, Column], int]:
    """The planned signals of n frames by name, and how many samples were lost to short payloads.

    The lost samples are those of the named signals and of the selectors that choose their branch;
    whether a signal under a lost selector was there is unknown, so it does not count.
    """
    values, lost = physical_columns(payloads, plan.formulas)
    columns = {signal.name: Column(values[k]) for k, signal in enumerate(plan.plain)}
    branches = Branches(plan.spec, payloads)
    columns |= {signal.name: _decode(signal, branches) for signal in plan.others}
    elsewhere = sum(_lost(v, branches) for signal in (*plan.others, *plan.selectors) for v in signal.variants)
    return {name: columns[name] for name in plan.names}, int(lost.sum()) + elsewhere


def _decode(signal: SignalSpec, branches: Branches) -> Column:
    first, *others = signal.variants
    column = _decode_variant(first, branches)
    for other in others:  # then doubles, and in no frame both
        values = _decode_variant(other, branches).values
        column = Column(np.where(np.isnan(values), column.values, values))
    return column


def _decode_variant(signal: SignalSpec, branches: Branches) -> Column:
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
    """Columns one after the other."""
    values = np.concatenate([part.values for part in parts])
    if all(part.absent is None for part in parts):
        return Column(values)
    return Column(
        values,
        np.concatenate(
            [np.zeros(part.values.shape, np.bool_) if part.absent is None else part.absent for part in parts]
        ),
    )
