"""The columns of a delimited log from its first rows, where header and rows leave no doubt.

What is not certain is not guessed: an identifier of digits alone, or a time without a unit, is only taken
where the rows themselves decide. Everything that was guessed is said in a note.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from logscope.capture.columns import DELIMITER_CHARACTERS, Column, ColumnLayout, Delimiter, TimeUnit
from logscope.capture.delimited_header import base_of, roles_of, time_unit_of
from logscope.capture.known_columns import known_layout
from logscope.capture.time_unit import LONGEST_PERIOD_S, SHORTEST_PERIOD_S, UNIT_S, UNIT_WORDS, TimeColumn
from logscope.time_doubt import LONGEST_S, length_text

Rows = list[list[str]]

HEADER_WITHIN = 40  # lines of remarks that a logger may write before its header
_MOST_ROWS = 500  # enough to see the shape
_FEWEST_ROWS = 10  # too few to see it
# Frames follow each other by at least the bits of the shortest frame, 47 at 1 Mbit/s (ISO 11898-1; half of
# it for two buses in one log), and a vehicle's bus in operation by less than some tenths of a second (common
# practice, no published source). Between the two the mean step of the stamps decides the unit.
_SHORTEST_STEP_S, _LONGEST_STEP_S = 23e-6, 0.3
# Where identifiers repeat, the pace of the most frequent one decides: in a vehicle it comes between every millisecond
# and every few seconds (common practice, no published source). A sparse log, of a diagnostic scanner, fits two units
# by that and is not guessed.
_FEWEST_REPEATS = 5  # of one identifier, for its mean period to mean something
_EPOCH_S = (1e9, 4.1e9)  # 2001 to 2100
# As many different identifiers without one letter are decimal: of three hexadecimal digits, the last two hold no
# letter by a chance of (10/16)² each, so twelve of them by 1e-5
_DECIMAL_FROM = 12


class Doubt(Exception):
    """Why the columns cannot be determined.

    remedy : what to write instead, with the log's own column names; empty where too little is known
    """

    def __init__(self, reason: str, remedy: str = "") -> None:
        super().__init__(reason)
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Guess:
    """How the columns are read.

    layout : by column numbers; skip : lines before the first row
    words : what was guessed; empty where nothing was
    time : where the unit of time comes from; None where it is certain
    """

    layout: ColumnLayout
    skip: int
    words: str = ""
    time: TimeColumn | None = None


def split(line: str, delimiter: Delimiter) -> list[str]:
    """The fields of a line, without quotes and outer blanks."""
    if delimiter == "space":
        return line.split()
    row = next(csv.reader([line], delimiter=DELIMITER_CHARACTERS[delimiter], skipinitialspace=True), [])
    return [field.strip() for field in row]


def most_regular(lines: Sequence[str]) -> Delimiter:
    """The delimiter that gives most lines the same number of columns, at least two; the earlier one where equal."""

    def regularity(delimiter: Delimiter) -> float:
        counts = Counter(len(split(line, delimiter)) for line in lines[:_MOST_ROWS])
        columns, most = counts.most_common(1)[0]
        return most / counts.total() if columns > 1 else 0.0

    order: tuple[Delimiter, ...] = (";", "tab", "|", ",", "space")
    return max(order, key=regularity)


def find_header(lines: Sequence[str], names: Sequence[str]) -> tuple[int, Delimiter, list[str]] | None:
    """The line that holds all the names, its delimiter and its fields."""
    for number, line in enumerate(lines[:HEADER_WITHIN]):
        for delimiter in DELIMITER_CHARACTERS:
            fields = split(line, delimiter)
            if set(names) <= set(fields):
                return number, delimiter, fields
    return None


def known_format(lines: Sequence[str]) -> Guess | None:
    """The layout of a known format by its header line, or None."""
    for number, line in enumerate(lines[:HEADER_WITHIN]):
        for delimiter in DELIMITER_CHARACTERS:
            if layout := known_layout(split(line, delimiter), delimiter):
                return Guess(layout, number + 1)
    return None


def guess(lines: Sequence[str]) -> Guess:
    """The columns from the first lines of a log. Raises Doubt where they are not unmistakable."""
    for number, line in enumerate(lines[:HEADER_WITHIN]):
        for delimiter in DELIMITER_CHARACTERS:
            header = split(line.lstrip("#; "), delimiter)
            if len(header) > 2 and (roles := roles_of(header)):
                return _from_header(header, roles, lines[number + 1 :], number + 1, delimiter)
    return _from_shape(lines)


def _from_header(
    header: list[str], roles: dict[str, tuple[Column, ...]], lines: Sequence[str], skip: int, delimiter: Delimiter
) -> Guess:
    rows = _rows(lines, delimiter)
    named = {role: tuple(header[int(column) - 1] for column in columns) for role, columns in roles.items()}
    (last,) = roles["data"][-1:]
    longest = max((len(row) for row in rows), default=0)
    if last == len(header) and longest > len(header) and delimiter != "space":  # one name over all the bytes
        roles["data"] = (*roles["data"], *range(len(header) + 1, min(longest, len(header) + 63) + 1))
    unit, base = time_unit_of(named["time"][0]), base_of(named["identifier"][0])
    return _completed(rows, roles, named, skip, delimiter, unit, base)


def _rows(lines: Sequence[str], delimiter: Delimiter) -> Rows:
    rows = [split(line, delimiter) for line in lines[:_MOST_ROWS] if line.strip() and not line.lstrip().startswith("#")]
    return [row for row in rows if len(row) > 2]


def _completed(
    rows: Rows,
    roles: dict[str, tuple[Column, ...]],
    named: dict[str, tuple[str, ...]],
    skip: int,
    delimiter: Delimiter,
    unit: TimeUnit | None,
    base: int | None,
) -> Guess:
    times, identifiers = _column(rows, roles["time"][0]), _column(rows, roles["identifier"][0])
    rest = delimiter == "space" and len(roles["data"]) == 1
    data = [text for column in roles["data"] for text in _column(rows, column, to_end=rest)]
    one_field = len(roles["data"]) == 1
    in_header, unit = unit is not None, _date_or(unit, times)
    asked: dict[str, str] = {}
    try:
        unit = unit or _unit_from_steps(times, identifiers)
    except Doubt as doubt:
        asked["time_unit"] = str(doubt)
    try:
        base = base or _identifier_base(identifiers)
    except Doubt as doubt:
        asked["identifier_base"] = str(doubt)
    data_base = None
    try:
        data_base = _data_base(data, one_field=one_field)
    except Doubt as doubt:
        asked["data_base"] = str(doubt)
    by_number: dict[str, object] = {role: columns[0] for role, columns in roles.items() if role != "data"}
    by_number["data"] = roles["data"]
    by_name = _as_user_would(by_number, named, roles, skip)
    rest_keys = {"time_unit": unit or "s", "identifier_base": base or 16, "data_base": data_base or 16}
    user_layout = ColumnLayout.model_validate(by_name | rest_keys | _delimiter_key(delimiter))
    if asked:
        raise Doubt("; ".join(asked.values()), _remedy(user_layout, list(asked), times))
    layout = ColumnLayout.model_validate(by_number | rest_keys | {"delimiter": delimiter, "header": False})
    source = "named in the header" if in_header else "guessed from the timestamps"
    time = None if layout.time_unit == "date" else TimeColumn(layout.time_unit, source, user_layout)
    return Guess(layout, skip, _words(named, layout), time)


def _as_user_would(
    by_number: dict[str, object], named: dict[str, tuple[str, ...]], roles: dict[str, tuple[Column, ...]], skip: int
) -> dict[str, object]:
    """The columns by their names, where the header has names that differ; else by their numbers."""
    names = [name for columns in named.values() for name in columns]
    complete = all(len(named[role]) == len(columns) for role, columns in roles.items())
    if skip and complete and all(names) and len(names) == len(set(names)):
        return {role: columns[0] for role, columns in named.items() if role != "data"} | {"data": named["data"]}
    return by_number | {"header": skip > 0}


def _delimiter_key(delimiter: Delimiter) -> dict[str, object]:
    return {"delimiter": "space"} if delimiter == "space" else {}  # the others are found by themselves


_CHOICES = {
    "time_unit": 'time_unit is "s", "ms", "us" or "ns", as the logger writes it',
    "identifier_base": "identifier_base is 16 (hexadecimal) or 10 (decimal)",
    "data_base": "data_base is 16 (hexadecimal) or 10 (decimal)",
}


def _remedy(layout: ColumnLayout, asked: Sequence[str], times: Sequence[str]) -> str:
    """The line to write, with every key that is asked for, and what each may be."""
    line = layout.as_toml()
    for key in asked:
        if f"{key} =" not in line:
            line = line.replace(", data =", f", {key} = {getattr(layout, key)}, data =", 1)
    choices = "; ".join(_CHOICES[key] for key in asked)
    return f"Describe the columns in the vehicle file, under [[can]]: {line}, where {choices}.{_spans(times, asked)}"


def _spans(times: Sequence[str], asked: Sequence[str]) -> str:
    numbers = list(_numbers(times))
    if "time_unit" not in asked or len(numbers) < 2:
        return ""
    span = max(numbers) - min(numbers)
    spans = ", ".join(f"{length_text(span * size)} in {UNIT_WORDS[unit]}" for unit, size in UNIT_S.items())
    return f" The first {len(numbers)} rows span {spans}."


def _column(rows: Rows, column: Column, *, to_end: bool = False) -> list[str]:
    first = int(column) - 1
    return [" ".join(row[first:]) if to_end else row[first] for row in rows if len(row) > first]


_BASE_WORDS = {16: "hexadecimal", 10: "decimal"}


def _words(named: dict[str, tuple[str, ...]], layout: ColumnLayout) -> str:
    def column(role: str) -> str:
        names = named[role]
        return f"“{names[0]}”" if len(names) == 1 else f"“{names[0]}” to “{names[-1]}”"

    parts = [
        f"time in column {column('time')}, {UNIT_WORDS[layout.time_unit]}",
        f"identifier in {column('identifier')}, {_BASE_WORDS[layout.identifier_base]}",
        f"data in {column('data')}, {_BASE_WORDS[layout.data_base]}",
        *(f"{role} in {column(role)}" for role in ("bus", "extended", "length", "direction") if role in named),
    ]
    return "columns guessed: " + "; ".join(parts)


def _date_or(unit: TimeUnit | None, times: Sequence[str]) -> TimeUnit | None:
    dated = re.compile(r"\d{4}[-/]\d\d[-/]\d\d[T ]\d\d:|\d\d:\d\d:\d\d")
    return "date" if times and all(dated.match(time) for time in times[:_FEWEST_ROWS]) else unit


def _numbers(texts: Sequence[str]) -> Iterator[float]:
    for text in texts:
        try:
            yield float(text.replace(",", "."))
        except ValueError:
            continue


def _unit_from_steps(times: Sequence[str], identifiers: Sequence[str]) -> TimeUnit:
    """The unit by the pace of the most frequent identifier and by the mean step of the stamps.

    A number that reads as a date in one unit decides only where the pace allows that unit.
    """
    numbers = list(_numbers(times))
    dated = _unit_of_date(numbers[0]) if numbers else None
    span = max(numbers) - min(numbers) if numbers else 0.0
    if len(numbers) < _FEWEST_ROWS or span <= 0:
        if dated is not None and span * UNIT_S[dated] < LONGEST_S:
            return dated
        raise Doubt(
            "the unit of the time column is unknown: it is not given, and there are too few rows to determine it"
        )
    step = span / (len(numbers) - 1)
    ((_, most),) = Counter(identifiers).most_common(1)
    if most >= _FEWEST_REPEATS:
        period = span / (most - 1)
        paced = [unit for unit, size in UNIT_S.items() if SHORTEST_PERIOD_S <= period * size <= LONGEST_PERIOD_S]
        fitting = [unit for unit in paced if step * UNIT_S[unit] >= _SHORTEST_STEP_S]
    else:
        fitting = [unit for unit, size in UNIT_S.items() if _SHORTEST_STEP_S <= step * size <= _LONGEST_STEP_S]
    if dated in fitting:
        assert dated is not None
        return dated
    if len(fitting) != 1:
        raise Doubt("the unit of the time column is unknown: it is not given, and the timestamps do not determine it")
    return fitting[0]


def _unit_of_date(number: float) -> TimeUnit | None:
    return next((unit for unit, size in UNIT_S.items() if _EPOCH_S[0] <= number * size <= _EPOCH_S[1]), None)


def _identifier_base(identifiers: Sequence[str]) -> int:
    bare = {re.sub(r"(?i)^0x|[hx]$", "", identifier) for identifier in identifiers}
    if any(re.search(r"(?i)^0x|h$|[a-f]", identifier) for identifier in identifiers):
        return 16
    if {len(text) for text in bare} <= {3, 8} and any(text.startswith("0") for text in bare):
        return 16  # written with leading zeros, as hexadecimal identifiers are
    if len(bare) >= _DECIMAL_FROM:
        return 10
    raise Doubt("it cannot be determined whether the identifiers are hexadecimal or decimal")


def _data_base(data: Sequence[str], *, one_field: bool) -> int:
    tokens = [token for text in data for token in re.split(r"[\s\-:._,]+", text) if token]
    if any(re.search(r"(?i)[a-fxh]", token) for token in tokens):
        return 16
    if (one_field and any(len(token) > 3 for token in tokens)) or all(len(token) == 2 for token in tokens):
        return 16
    if any(len(token) == 3 for token in tokens):
        return 10
    raise Doubt("it cannot be determined whether the data are hexadecimal or decimal")


_DATA = re.compile(r"(?:0x)?[0-9A-Fa-f]{2}(?:[ \-:.]?(?:0x)?[0-9A-Fa-f]{2}){0,63}")
_TIME = re.compile(r"\d+[.,]?\d*|\d{4}[-/]\d\d[-/]\d\d[T ]\d\d:\d\d:\d\d\S*")
_IDENTIFIER = re.compile(r"(?:0x)?[0-9A-Fa-f]{3,8}[hHxX]?")


def _from_shape(lines: Sequence[str]) -> Guess:
    """Columns of rows by what they hold: a length that counts the bytes after it, a clock, an identifier.

    The log has no header, or one in words that are not known.
    """
    delimiter = most_regular(lines) if lines else ","
    header, skip = _unknown_header(lines, delimiter)
    rows = _rows(lines[skip:], delimiter)
    if len(rows) < _FEWEST_ROWS:
        raise Doubt(
            "the log has no header that names time, identifier and data, and too few rows to determine them from"
        )
    length, data = _length_and_data(rows, delimiter)
    free = range(1, length)
    times = [k for k in free if _is_clock(_column(rows, k))]
    identifiers = [k for k in free if k not in times and _all_match(_IDENTIFIER, _column(rows, k))]
    if len(times) != 1 or len(identifiers) != 1:
        raise Doubt("the log has no known header, and more than one column could be the time or the identifier")
    roles: dict[str, tuple[Column, ...]] = {
        "time": (times[0],), "identifier": (identifiers[0],), "length": (length,), "data": data,
    }  # fmt: skip

    def name(column: Column) -> str:
        return header[int(column) - 1] if int(column) <= len(header) else str(column)

    named = {role: tuple(map(name, columns)) for role, columns in roles.items()}
    unit, base = (time_unit_of(named["time"][0]), base_of(named["identifier"][0])) if header else (None, None)
    return _completed(rows, roles, named, skip, delimiter, unit, base)


def _unknown_header(lines: Sequence[str], delimiter: Delimiter) -> tuple[list[str], int]:
    """The fields of a header line without one number, and the lines up to it; nothing where the first row is sound."""
    for number, line in enumerate(lines[:HEADER_WITHIN]):
        fields = split(line, delimiter)
        if len(fields) > 2:
            words = not any(_IDENTIFIER.fullmatch(field) or _TIME.fullmatch(field) for field in fields)
            return (fields, number + 1) if words and all(fields) else ([], 0)
    return [], 0


def _length_and_data(rows: Rows, delimiter: Delimiter) -> tuple[int, tuple[Column, ...]]:
    for length in range(1, min(len(row) for row in rows) + 1):
        counted = [(int(row[length - 1]), row[length:]) for row in rows if row[length - 1].isdecimal()]
        if len(counted) < len(rows) or all(count == 0 for count, _ in counted):
            continue
        if delimiter == "space" and all(_bytes_in(" ".join(rest)) == count for count, rest in counted):
            return length, (length + 1,)
        if all(_bytes_in(rest[0] if rest else "") == count for count, rest in counted):
            return length, (length + 1,)
        if all(sum(_bytes_in(field) == 1 for field in rest) == count for count, rest in counted):
            widest = max(count for count, _ in counted)
            return length, tuple(range(length + 1, length + 1 + widest))
    raise Doubt(
        "the log has no header that names time, identifier and data, and no column counts the data bytes after it"
    )


def _bytes_in(text: str) -> int:
    """How many hexadecimal bytes a field holds; -1 where it holds something else."""
    if not text:
        return 0
    if not _DATA.fullmatch(text):
        return -1
    return len(re.sub(r"(?i)0x|[ \-:.]", "", text)) // 2


def _is_clock(texts: Sequence[str]) -> bool:
    if not _all_match(_TIME, texts):
        return False
    numbers = list(_numbers(texts))
    if len(numbers) < len(texts):
        return not numbers  # dates
    rises = sum(later > earlier for earlier, later in pairwise(numbers))
    falls = sum(later < earlier for earlier, later in pairwise(numbers))
    return rises > 10 * falls and rises > len(numbers) // 4


def _all_match(pattern: re.Pattern[str], texts: Sequence[str]) -> bool:
    return bool(texts) and all(pattern.fullmatch(text) for text in texts)
