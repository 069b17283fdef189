"""Decoded signals into files: one table a message, or one wide table on a common clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logscope import __version__
from logscope.arrays import BoolArray, FloatArray
from logscope.decoding.table import Table, coded
from logscope.errors import RequestError, did_you_mean
from logscope.files import create_folder, write_file
from logscope.outputs import PARQUET_MARK
from logscope.statistics.sampling import zero_order_hold

if TYPE_CHECKING:
    import pyarrow as pa

# A value is held from one sample to the next, but not through a silence longer than this many of its periods.
HELD_PERIODS = 5


def choose(tables: Mapping[str, Table], wanted: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Table names and their signals to write: all, or those named 'Message.Signal', 'bus:Message.Signal' or 'Message'.

    Raises RequestError for a name that is not in the log, with the nearest that is.
    """
    if not wanted:
        return {name: tuple(table.columns) for name, table in tables.items()}
    chosen: dict[str, list[str]] = {}
    known = {f"{name}.{signal}": (name, signal) for name, table in tables.items() for signal in table.columns}
    for text in wanted:
        found = [(name, signal) for full, (name, signal) in known.items() if text in (full, name)]
        found = found or [(name, s) for full, (name, s) in known.items() if full.rpartition(":")[2] == text]
        # with its bus also where the message occurs on no other
        found = found or [(name, s) for full, (name, s) in known.items() if f"{tables[name].bus}:{full}" == text]
        if not found:
            hint = did_you_mean(text, [*known, *tables]) or "`logscope inventory` lists the signals."
            raise RequestError(f"no signal “{text}” in this log", do=hint)
        for name, signal in found:
            if signal not in chosen.setdefault(name, []):
                chosen[name].append(signal)
    return {name: tuple(signals) for name, signals in chosen.items()}


def write_messages(
    tables: Mapping[str, Table],
    chosen: Mapping[str, Sequence[str]],
    folder: Path,
    suffix: str,
    *,
    labels: bool,
    allow: Callable[[Path], None] = lambda _: None,
) -> list[Path]:
    """One file a message into a folder, which is created; returns their paths.

    labels : enumerations as texts
    allow : is asked for each file that exists, before any is written, and raises where it must stay
    """
    files = {name: folder / (word + suffix) for name, word in _file_names(chosen).items()}
    for path in files.values():
        if path.exists():
            allow(path)
    create_folder(folder)
    for name, signals in chosen.items():
        write_table(message_table(tables[name], signals, labels=labels), files[name])
    return list(files.values())


def _file_names(tables: Iterable[str]) -> dict[str, str]:
    """A file name for each table, no two the same where the system ignores letter case."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for table in tables:
        plain = _file_name(table)
        words = chain([plain], (f"{plain}-{k}" for k in count(2)))
        names[table] = next(word for word in words if word.casefold() not in taken)
        taken.add(names[table].casefold())
    return names


def _file_name(table: str) -> str:
    """A table's name as a file name that Windows takes as well: 'can1:Pack' → 'can1-Pack'."""
    return "".join(c if c.isalnum() or c in "._-@ " else "-" for c in table)


def message_table(table: Table, signals: Sequence[str], *, labels: bool) -> pa.Table:
    """One message: `time_s` and its signals, each with its unit in the column's metadata."""
    import pyarrow as pa

    fields, arrays = [_field("time_s", pa.float64(), "s")], [_arrow(table.time_s)]
    units = {spec.name: spec.unit for spec in table.spec.signals}
    for signal in signals:
        array = _signal_array(table, signal, labels=labels)
        arrays.append(array)
        fields.append(_field(signal, array.type, units.get(signal, "")))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _signal_array(table: Table, signal: str, *, labels: bool) -> pa.Array:
    """One signal's samples, null where there is none; an enumeration as texts where asked for."""
    import pyarrow as pa

    values, absent = table.columns[signal], table.absent.get(signal)
    if labels and (texts := table.spec.by_name[signal].labels):
        codes, words = coded(values, absent, texts)
        return pa.DictionaryArray.from_arrays(_arrow(codes, codes >= 0), pa.array(words, pa.string()))
    if absent is not None:
        return _arrow(values, ~absent)
    return _arrow(values, ~np.isnan(values) if values.dtype.kind == "f" else None)


def _arrow(values: NDArray[Any], there: BoolArray | None = None) -> pa.Array:
    """Numbers as an Arrow array, null where they are not `there`. By its buffers, for `pa.array` imports pandas."""
    import pyarrow as pa

    mask = None if there is None or there.all() else pa.py_buffer(np.packbits(there, bitorder="little"))
    kind = pa.from_numpy_dtype(values.dtype)
    return pa.Array.from_buffers(kind, values.size, [mask, pa.py_buffer(np.ascontiguousarray(values))])


def wide_table(
    tables: Mapping[str, Table], chosen: Mapping[str, Sequence[str]], every_s: float, end_s: float
) -> pa.Table:
    """All chosen signals on one clock with a row every `every_s` [s] from 0 to `end_s`.

    The rule: each value is the latest sample at or before the row's time, held until the next; none before
    the first sample, and none from `HELD_PERIODS` typical periods after the latest.
    """
    import pyarrow as pa

    grid = np.arange(0.0, end_s + every_s / 2, every_s)
    fields, arrays = [_field("time_s", pa.float64(), "s")], [_arrow(grid)]
    for name, signals in chosen.items():
        units = {spec.name: spec.unit for spec in tables[name].spec.signals}
        for signal in signals:
            values = held(tables[name].time_s, tables[name].floats(signal), grid)
            arrays.append(_arrow(values, ~np.isnan(values)))
            fields.append(_field(f"{name}.{signal}", pa.float64(), units.get(signal, "")))
    rule = f"latest sample at or before each time, held for {HELD_PERIODS} periods; a row every {every_s:g} s"
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata={"resampling": rule}))


def held(time_s: FloatArray, value: FloatArray, grid_s: FloatArray) -> FloatArray:
    """The latest sample at or before each time of a grid; NaN where there is none or it is too old.

    time_s, value : shape (n,), NaN where there is no sample; grid_s : shape (m,). Returns shape (m,).
    """
    there = np.isfinite(value)
    time_s, value = time_s[there], value[there]
    longest_s = HELD_PERIODS * float(np.median(np.diff(time_s))) if time_s.size > 1 else np.inf
    return zero_order_hold(time_s, value, grid_s, longest_s)


def write_table(table: pa.Table, path: Path) -> None:
    """Parquet or CSV by the path's suffix; in CSV the unit stands after the name, 'Voltage [V]'."""
    if path.suffix.lower() == ".parquet":
        from pyarrow import parquet

        marked = table.replace_schema_metadata({**(table.schema.metadata or {}), PARQUET_MARK: __version__})
        write_file(path, lambda target: parquet.write_table(marked, target))
        return
    from pyarrow import csv

    named = table.rename_columns([_with_unit(field) for field in table.schema])
    write_file(path, lambda target: csv.write_csv(named, target))


def _field(name: str, kind: pa.DataType, unit: str) -> pa.Field:
    import pyarrow as pa

    return pa.field(name, kind, metadata={"unit": unit} if unit else None)


def _with_unit(field: pa.Field) -> str:
    unit = (field.metadata or {}).get(b"unit", b"").decode("utf-8")
    return f"{field.name} [{unit}]" if unit else str(field.name)
