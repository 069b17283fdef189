"""One line of a serial text log → numbers. The rest of the line, after any stamp, is what is given here."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Sequence
from math import inf, nan

from logscope.definitions.serial import Pairs, SerialDefinition, SerialSignal

Row = tuple[float, ...]  # the time field, then every signal; NaN where the line does not hold it
ReadLine = Callable[[str], Row | None]  # None: a header. Raises Unmatched, or ValueError where it is damaged
ReadValue = Callable[[str], float]

_INFINITE = (inf, -inf)
_WITH_UNIT = re.compile(r"[+-]?[\d.]+\s*([A-Za-z°%][A-Za-z°%/]{0,5})", re.ASCII)
_SHOWN = 24  # characters of a text that is no number: enough to recognise it


class Unmatched(ValueError):
    """The line is not written as the definition says."""


def line_reader(definition: SerialDefinition) -> ReadLine:
    """The reader for a definition's lines. For columns it remembers the last header it saw."""
    if definition.delimited is not None:
        return _Columns(definition)
    if definition.pairs is not None:
        return _pairs(definition, definition.pairs)
    return _patterns(definition)


def _readers(definition: SerialDefinition) -> tuple[tuple[str, ReadValue], ...]:
    """Name in the log and reader of the time field, then of every signal; no name where there is no time field."""
    decimal = definition.delimited.decimal if definition.delimited is not None else "."
    time, unit = definition.time.field or "", definition.time.unit
    return (
        (time, _value_reader(SerialSignal(name="time", unit=unit), decimal)),
        *((signal.written_as, _value_reader(signal, decimal)) for signal in definition.signal),
    )


def _value_reader(signal: SerialSignal, decimal: str) -> ReadValue:
    """Text → raw number. Empty and “nan” are no sample; the unit may stand after the number."""
    texts = {text: float(raw) for raw, text in signal.choices.items()}

    def number(text: str) -> float:
        if signal.base == 16:
            return _hexadecimal(text)
        value = float(text if decimal == "." else text.replace(decimal, "."))
        if value in _INFINITE or "_" in text or not text.isascii():
            raise ValueError  # Python alone takes these for numbers
        return value

    def unusual(text: str) -> float:
        text = text.strip()
        if not text:
            return nan
        if text in texts:
            return texts[text]
        try:
            return number(text.removesuffix(signal.unit))
        except (ValueError, OverflowError):
            said = f"{signal.name}: “{text[:_SHOWN]}” is not a value"
            if not signal.unit and (unit := _WITH_UNIT.fullmatch(text)):
                said += f'; if it ends in its unit, add unit = "{unit[1]}" to the signal'
            raise ValueError(said) from None

    def read(text: str) -> float:
        try:
            return number(text)
        except (ValueError, OverflowError):
            return unusual(text)

    def read_plain(text: str) -> float:  # as `read`, without a further call: most values of most logs
        try:
            value = float(text)
        except ValueError:
            return unusual(text)
        return unusual(text) if value in _INFINITE or "_" in text or not text.isascii() else value

    return read_plain if signal.base == 10 and decimal == "." else read


def _hexadecimal(text: str) -> float:
    digits = text.strip().removeprefix("0x").removeprefix("0X")
    if not digits.isalnum() or not digits.isascii():
        raise ValueError
    return float(int(digits, 16))


class _Columns:
    """Values in columns, named by a header line or by the definition."""

    def __init__(self, definition: SerialDefinition) -> None:
        assert definition.delimited is not None  # the caller's condition
        self._separator = definition.delimited.separator
        self._readers = _readers(definition)
        self._names = {name for name, _ in self._readers if name}
        self._width = 0
        self._picked: tuple[tuple[int, ReadValue], ...] = ()
        self._timed = definition.time.field is not None
        if definition.delimited.columns is not None:
            self._pick(definition.delimited.columns)

    def __call__(self, line: str) -> Row | None:
        fields = self._split(line)
        if len(fields) == self._width + 1 and not fields[-1]:
            fields.pop()  # a separator after the last value
        try:
            if len(fields) != self._width:
                raise Unmatched(self._misfit(len(fields)))
            row = tuple([read(fields[place]) for place, read in self._picked])
        except ValueError:
            if not self._is_header(fields):
                raise
            return None
        if not self._timed:
            return (nan, *row)
        if row[0] != row[0]:
            raise ValueError("the time column is empty")
        return row

    def _split(self, line: str) -> list[str]:
        if self._separator.isspace() and self._separator != "\t":
            return line.split()
        if '"' not in line or len(self._separator) > 1 or self._separator == '"':
            return line.split(self._separator)
        try:
            return next(csv.reader([line], delimiter=self._separator))
        except csv.Error as reason:
            raise ValueError(f"its quotation marks are wrong ({reason})") from None

    def _is_header(self, fields: Sequence[str]) -> bool:
        names = [field.strip() for field in fields]
        if not self._names <= set(names):
            return False
        self._pick(names[:-1] if not names[-1] else names)
        return True

    def _pick(self, names: Sequence[str]) -> None:
        self._width = len(names)
        self._picked = tuple((names.index(name), read) for name, read in self._readers if name)

    def _misfit(self, found: int) -> str:
        if not self._picked:
            return f"no header line before it names {', '.join(sorted(self._names))}"
        return f"it has {found} instead of {self._width} columns"


def _pairs(definition: SerialDefinition, pairs: Pairs) -> ReadLine:
    readers = _readers(definition)
    known = sorted({name for name, _ in readers if name}, key=len, reverse=True)  # the longest that fits
    names = "|".join(map(re.escape, known))
    find = re.compile(rf"(?<![\w.])({names})\s*[{re.escape(pairs.assign)}]\s*([^\s,;|]*)").findall

    def read_line(line: str) -> Row:
        found = find(line)
        if not found:
            raise Unmatched("it holds none of the defined values")
        texts = dict(found)
        if len(texts) != len(found):
            raise ValueError("it holds a value twice")
        return tuple([read(texts[name]) if name in texts else nan for name, read in readers])

    return read_line


def _patterns(definition: SerialDefinition) -> ReadLine:
    readers = _readers(definition)
    shapes = [(p.line.fullmatch, [name in p.line.groupindex for name, _ in readers]) for p in definition.pattern]

    def read_line(line: str) -> Row:
        for fits, has in shapes:
            if found := fits(line):
                return tuple(
                    [
                        read(found[name] or "") if there else nan
                        for (name, read), there in zip(readers, has, strict=True)
                    ]
                )
        raise Unmatched("it matches no pattern")

    return read_line
