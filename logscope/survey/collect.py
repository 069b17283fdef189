"""Every signal of a decoded log in figures, and the part that it resembles."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.decoded import Decoded
from logscope.decoding.table import Table
from logscope.draft.choose import Choice, choose
from logscope.draft.logged import collect
from logscope.draft.surroundings import look_around
from logscope.parts import normalise_unit
from logscope.statistics.sampling import typical_period_s
from logscope.survey.spark import spark_levels

CELLS = 10  # characters of a spark line: with the figures beside it a row fits 80 columns


@dataclass(frozen=True, slots=True)
class SignalRow:
    """One signal.

    name : as `--signal` and a vehicle file take it; message : with its bus where it occurs on several
    samples : with a value; period_s : typical time between two of them; None with fewer than two
    lowest, highest, last : in `unit`; None without a sample; last_text : what the definition calls the last value
    levels : its course over the whole log, see `spark`
    resembles : the part that it fits best among all signals, empty where none; surely : whether nothing speaks
    against it; reasons : why
    """

    name: str
    message: str
    signal: str
    unit: str
    samples: int
    period_s: float | None
    lowest: float | None
    highest: float | None
    last: float | None
    last_text: str
    levels: tuple[int | None, ...]
    resembles: str = ""
    surely: bool = False
    reasons: tuple[str, ...] = ()


def survey(decoded: Decoded) -> tuple[SignalRow, ...]:
    """All signals of the messages that occur, in the order of the tables."""
    signals = collect(decoded.tables)
    choices = choose(signals, look_around(signals))
    chosen = {choice.fit.signal.reference: (part, choice) for part, choice in choices.items()}
    span = (0.0, decoded.seconds(decoded.end_ns))
    return tuple(
        _row(key, table, name, span, chosen) for key, table in decoded.tables.items() for name in table.columns
    )


def full_name(key: str, table: Table, signal: str) -> str:
    """A signal's name; a serial console has a table a signal, which is called so already."""
    return key if key == f"{table.message}.{signal}" else f"{key}.{signal}"


def _row(
    key: str, table: Table, signal: str, span: tuple[float, float], chosen: Mapping[str, tuple[str, Choice]]
) -> SignalRow:
    name, spec = full_name(key, table, signal), table.spec.by_name[signal]
    values = table.floats(signal)
    there = np.isfinite(values)
    time_s, value = table.time_s[there], values[there]
    part, choice = chosen.get(name, ("", None))
    period_s = typical_period_s(time_s)
    last = float(value[-1]) if value.size else None
    return SignalRow(
        name=name,
        message=table.message if name == key else key,
        signal=signal,
        unit=normalise_unit(spec.unit),
        samples=int(value.size),
        period_s=period_s if math.isfinite(period_s) else None,
        lowest=float(value.min()) if value.size else None,
        highest=float(value.max()) if value.size else None,
        last=last,
        last_text=spec.labels.get(last, "") if last is not None else "",
        levels=tuple(spark_levels(time_s, value, span, CELLS)),
        resembles=part,
        surely=choice is not None and choice.sure,
        reasons=choice.fit.reasons if choice is not None else (),
    )
