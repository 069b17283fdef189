"""The tables of an archive: their columns, with type, unit and meaning. They are written into every file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import pyarrow as pa

VERSION = 3  # of the tables below; an archive of another version is not added to
Record = Mapping[str, Any]


class Column(NamedTuple):
    """`kind` is text, texts, word, flag, count, counts, number or time (UTC); the unit of a number ends its name."""

    name: str
    kind: str
    meaning: str


_KEY = Column("key", "text", "of the recording: a digest of its logs, vehicle file, definitions and the checks")
_FINDING = Column("finding", "count", "number of the finding in its recording, from 0")
_VALUE = (
    Column("value", "number", "in `unit`; empty where the log gives limits alone"),
    Column("low", "number", "lower 95 % limit"),
    Column("high", "number", "upper 95 % limit"),
    Column("unit", "text", "of the value"),
)

# `rows` is written last: what has no row there is not finished and does not count.
TABLES: Mapping[str, tuple[Column, ...]] = {
    "samples": (
        _KEY._replace(kind="word"),
        Column("part", "word", "that the signal plays, or the reading of a load"),
        Column("time_s", "number", "from the start of the recording"),
        Column("value", "number", "in `unit`, turned and shifted as the vehicle file says"),
        Column("unit", "word", "of the value; empty for states, faults and modes"),
        Column("source", "word", "the signal that is mapped to the part"),
        Column("in_doubt", "flag", "whether the part was in doubt, so that no check used it"),
    ),
    "measures": (
        _KEY,
        Column("finding", "count", "that it belongs to; empty for a measure of the whole recording"),
        Column("kind", "text", "of the finding; empty for a measure of the whole recording"),
        Column("name", "text", "of the measure or value"),
        *_VALUE,
        Column("period_s", "number", "of the samples behind a measure of the whole recording"),
        Column("expected_value", "number", "what was expected, in `unit`"),
        Column("expected_low", "number", "lower limit of what was expected"),
        Column("expected_high", "number", "upper limit of what was expected"),
    ),
    "findings": (
        _KEY,
        _FINDING,
        Column("kind", "text", "topic.outcome"),
        Column("severity", "text", "good, info, warning or danger"),
        Column("start_s", "number", "from the start of the recording"),
        Column("end_s", "number", "from the start of the recording"),
        Column("title", "text", "the part, the verdict, the number"),
        Column("explanation", "text", "what happened and what it means"),
        Column("next_step", "text", "what to look at next"),
        Column("caution", "text", "where hands go near high voltage"),
        Column("cause", "text", "where one was found"),
        Column("parts", "texts", "that it was seen in"),
        Column("count", "count", "of episodes, where it gathers several"),
    ),
    "explanations": (
        _KEY,
        Column("explanation", "count", "number in its recording, the most dangerous first, from 0"),
        Column("cause", "text", "its name"),
        Column("title", "text", "the origin in words"),
        Column("likelihood", "number", "0 to 1"),
        Column("members", "counts", "numbers of the findings that it explains"),
        Column("for", "texts", "signs seen"),
        Column("against", "texts", "signs that are absent"),
        Column("rival", "text", "the likeliest other origin"),
        Column("deciding_test", "text", "between the two"),
        Column("actions", "texts", "what to do, in order"),
    ),
    "rows": (
        _KEY,
        Column("logs", "texts", "the files of the recording, as named when it was checked"),
        Column("log_keys", "texts", "the key of each file by itself"),
        Column("vehicle_file", "text", "with which it was checked"),
        Column("status", "text", "checked; failed; changed (while it was read, so that the next run does it again)"),
        Column("reason", "text", "why it was not checked"),
        Column("date", "time", "of the first stamp, or as `date_from` says"),
        Column("date_from", "text", "log; name or file where the log has no date, or one after its file was written"),
        Column("duration_s", "number", "from the first to the last sound stamp"),
        Column("severity", "text", "of the verdict"),
        Column("headline", "text", "the verdict"),
        Column("advice", "text", "what to do about it"),
        Column("dangers", "count", "findings of this severity"),
        Column("warnings", "count", "findings of this severity"),
        Column("lines", "count", "or records read"),
        Column("lines_bad", "count", "that could not be read"),
        Column("lines_other", "count", "comments and blank lines"),
        Column("sample_lines", "count", "lines of a serial console with samples"),
        Column("frames", "count", "decoded + undefined + undecodable + error + remote"),
        Column("frames_decoded", "count", "by the definitions of the vehicle file"),
        Column("frames_undefined", "count", "without a definition"),
        Column("frames_undecodable", "count", "too short for their definition"),
        Column("error_frames", "count", ""),
        Column("remote_frames", "count", ""),
        Column("identifiers", "counts", "of the data frames, rising"),
        Column("content", "text", "digest of the first frames without their stamps: of one drive in whatever format"),
        Column("mapping", "text", "digest of the vehicle file's signals and definitions"),
        Column("checks", "text", "digest of the version of the checks"),
        Column("cautions", "texts", "what is in doubt, or was assumed, to read the log"),
        Column("not_checked", "texts", "checks that could not run, each with the reason"),
        Column("tuning", "text", "tuning measures as JSON"),
        Column("work_s", "number", "time that the check took on one core (CPU time)"),
        Column("memory_MB", "number", "most memory that the process had used until then"),
    ),
}
ROWS = "rows"
SAMPLES = "samples"  # kept where that is asked for


@cache
def arrow_schema(table: str) -> pa.Schema:
    """The schema of a table with its meanings, and the versions in its metadata."""
    import pyarrow as pa

    kinds = {
        "text": pa.string(),
        "texts": pa.list_(pa.string()),
        "word": pa.dictionary(pa.int32(), pa.string()),  # one of few, in millions of rows
        "flag": pa.bool_(),
        "count": pa.int64(),
        "counts": pa.list_(pa.int64()),
        "number": pa.float64(),
        "time": pa.timestamp("us", "UTC"),
    }
    fields = [pa.field(c.name, kinds[c.kind], metadata={"meaning": c.meaning}) for c in TABLES[table]]
    return pa.schema(fields, metadata={"logscope": table, "schema": str(VERSION)})


def arrow_table(table: str, records: Sequence[Record]) -> pa.Table:
    """Records as a table; a column that a record lacks is empty there."""
    import pyarrow as pa

    return pa.Table.from_pylist(list(records), schema=arrow_schema(table))
