"""The mapped signals of a recording as a Parquet file, a row a sample."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from logscope.shelf.schema import SAMPLES, TABLES, arrow_schema

if TYPE_CHECKING:
    import pyarrow as pa

    from logscope.result import Result
    from logscope.signals import Part

# Stamps differ from each other and are packed byte by byte: the file is a quarter smaller than by the usual way.
_REPEATED = [column.name for column in TABLES[SAMPLES] if column.name != "time_s"]
_PACKED: dict[str, Any] = {
    "compression": "zstd",
    "use_dictionary": _REPEATED,
    "column_encoding": {"time_s": "BYTE_STREAM_SPLIT"},
}


def samples_file(key: str, result: Result) -> bytes:
    """The content of the file; a part by itself in each group of rows, so that a reader can pass over the others.

    Readings that plausibility left out, such as marks for no value, are no samples.
    """
    import pyarrow as pa
    from pyarrow import parquet

    signals = result.logged
    parts = {**signals.parts, **{part.name: part for load in signals.loads for part in load.logged}}
    content = pa.BufferOutputStream()
    with parquet.ParquetWriter(content, arrow_schema(SAMPLES), **_PACKED) as file:
        for name, part in parts.items():
            file.write_table(_samples(key, part, name in result.doubted))
    return bytes(content.getvalue())


def _samples(key: str, part: Part, in_doubt: bool) -> pa.Table:
    import pyarrow as pa

    count = part.time_s.size
    first = np.zeros(count, np.int32)
    words = {"key": key, "part": part.name, "unit": part.unit, "source": part.source}
    columns = {name: pa.DictionaryArray.from_arrays(first, [word]) for name, word in words.items()}
    columns |= {"time_s": pa.array(part.time_s), "value": pa.array(part.value)}
    columns["in_doubt"] = pa.array(np.full(count, in_doubt))
    return pa.table([columns[name] for name in arrow_schema(SAMPLES).names], arrow_schema(SAMPLES))
