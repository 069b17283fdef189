"""Serial text logs: every line is a sample, something else, or damaged, and is counted as such."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.capture.frames import MAX_BAD_LINES_NAMED, BadLine
from logscope.capture.line_formats import Row, Unmatched, line_reader
from logscope.capture.samples import SerialAccount
from logscope.capture.serial_assemble import Rows
from logscope.capture.text_encoding import windows_text
from logscope.definitions.checksums import checksum_named
from logscope.definitions.serial import LineChecksum, SerialDefinition

Stamp = tuple[int, str]  # nanoseconds, and the rest of the line

_FRACTION = r"(?:[.,](?P<fraction>\d{1,9})\d*)?"
_SHAPES = {
    "iso": rf"(?P<date>\d{{4}}-\d\d-\d\d)[T ](?P<clock>\d\d:\d\d:\d\d){_FRACTION}\s?(?P<zone>Z|[+-]\d\d:?\d\d)?",
    "clock": rf"(?P<clock>\d\d:\d\d:\d\d){_FRACTION}",
    "epoch": rf"(?P<seconds>\d{{9,10}}){_FRACTION}",
    "uptime": rf"(?P<seconds>\d{{1,9}}){_FRACTION}",
}
_DAY_S = 86_400


def stamp_reader(kind: str, decimal_comma: bool = True) -> Callable[[str], Stamp | None]:
    """The reader for one kind of stamp: line → (time [ns], rest of the line); None where there is no stamp.

    kind : "iso" (since 1970, UTC; without a zone it is taken as UTC), "clock" (since midnight), "epoch"
        (since 1970) or "uptime" (in square brackets, since a zero of its own). Brackets around the other
        kinds and one separator behind the stamp are passed over.
    decimal_comma : whether a comma may stand before its fraction; not where a comma separates columns
    """
    shape = _SHAPES[kind] if decimal_comma else _SHAPES[kind].replace(_FRACTION, _FRACTION.replace("[.,]", "[.]"))
    bracketed = rf"\[\s*{shape}\s*\]" if kind == "uptime" else rf"[\[(]?{shape}(?![\w.])[\])]?"
    match = re.compile(rf"{bracketed}\s*[:;,|>]?\s*", re.ASCII).match
    seconds_of = {"iso": _iso_s, "clock": _clock_s}.get(kind, _plain_s)

    def read(line: str) -> Stamp | None:
        found = match(line)
        if found is None or (seconds := seconds_of(found)) is None:
            return None
        fraction = found["fraction"]
        return seconds * 1_000_000_000 + (int(fraction.ljust(9, "0")) if fraction else 0), line[found.end() :]

    return read


def has_zone(line: str) -> bool:
    """Whether the ISO 8601 stamp in front of a line says in which time zone it is."""
    found = re.match(rf"[\[(]?{_SHAPES['iso']}", line, re.ASCII)
    return found is not None and found["zone"] is not None


def _plain_s(found: re.Match[str]) -> int | None:
    return int(found["seconds"])


def _clock_s(found: re.Match[str]) -> int | None:
    hours, minutes, seconds = map(int, found["clock"].split(":"))
    total = 3600 * hours + 60 * minutes + seconds
    return total if hours < 24 and minutes < 60 and seconds <= 60 else None  # 60: a leap second, as the next one


def _iso_s(found: re.Match[str]) -> int | None:
    return _utc_s(found["date"], found["clock"], found["zone"] or "Z")


@lru_cache(maxsize=64)  # many lines share their second
def _utc_s(date: str, clock: str, zone: str) -> int | None:
    leaps = clock.endswith(":60")  # which counts since 1970 as the second after it (POSIX, seconds since the Epoch)
    try:
        moment = datetime.fromisoformat(f"{date}T{clock[:-2] + '59' if leaps else clock}{zone}")
    except ValueError:
        return None
    return int((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) + leaps


_COLOURS = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]")  # control sequences of a terminal (ECMA-48, 5.4)
_BOM = b"\xef\xbb\xbf"


def read_text(blocks: Iterable[bytes], definition: SerialDefinition, file: str) -> tuple[Rows, SerialAccount]:
    """The sound lines of a text log, given as blocks of whole lines, and the account of all lines.

    Lines end in LF, CR or both. Bytes that are no UTF-8 text, NUL and control characters damage the
    line they are in. Nothing is raised for what a line holds.
    """
    reader = TextReader(definition, file)
    for number, block in enumerate(blocks):
        lines = (block.removeprefix(_BOM) if number == 0 else block).splitlines()
        reader.add(lines)
    return reader.rows(), reader.account()


@dataclass
class TextReader:
    """Goes through a log line by line and keeps count."""

    definition: SerialDefinition
    file: str
    lines: int = 0
    other: int = 0
    damaged: int = 0
    bad: list[BadLine] = field(default_factory=list)
    sound: int = 0
    zoneless: bool = False
    places: list[tuple[int, int, int]] = field(default_factory=list)  # line, turn, stamp of the samples at hand
    samples: list[Row] = field(default_factory=list)
    place_tables: list[NDArray[np.int64]] = field(default_factory=list)
    value_tables: list[FloatArray] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.read_line = line_reader(self.definition)
        kind = self.definition.time.stamp
        columns = self.definition.delimited
        decimal_comma = columns is None or columns.separator != ","
        self.read_stamp: Callable[[str], Stamp | None] = (
            stamp_reader(kind, decimal_comma) if kind else lambda text: (0, text)
        )
        self.is_other = _any_of(self.definition.console.other)
        names = (self.definition.time.field, *(signal.written_as for signal in self.definition.signal))
        self.header_names = tuple(name for name in names if name) if self.definition.delimited else ()

    def add(self, lines: Sequence[bytes]) -> None:
        """Read more lines."""
        texts = [self._text(line) for line in lines]
        stamps: list[Stamp | None] = [self.read_stamp(text) if text else None for text in texts]
        unstamped = [stamp[1] if stamp else None for stamp in stamps]
        checksum = self.definition.line_checksum
        bodies = unstamped if checksum is None else checked(unstamped, checksum)
        for text, stamp, body in zip(texts, stamps, bodies, strict=True):
            self.lines += 1
            if text is None:
                self._reject("it holds bytes that are not text")
            elif not text or self.is_other(stamp[1] if stamp else text):
                self.other += 1
            elif stamp is None or body is None:
                self._unmatched("it does not begin with a timestamp")
            elif not stamp[1]:
                self.other += 1
            else:
                self._take(stamp[0], body)
                self.zoneless = self.zoneless or (self.definition.time.stamp == "iso" and not has_zone(text))
        # as arrays a number takes eight bytes, as an object some thirty
        self.place_tables.append(np.array(self.places, np.int64).reshape(-1, 3))
        self.value_tables.append(np.array(self.samples, np.float64).reshape(-1, 1 + len(self.definition.signal)))
        self.places.clear()
        self.samples.clear()

    def _text(self, line: bytes) -> str | None:
        """The line as text; None where it holds what is no text."""
        text = _as_text(line)
        if text is None and self.header_names:  # a header by an older Windows program, such as one with a degree sign
            header = windows_text(line).strip(" \t")
            return header if header.isprintable() and all(name in header for name in self.header_names) else None
        return text

    def _take(self, time_ns: int, body: str | ValueError) -> None:
        """Count one line: `body` is its text without stamp and checksum, or what is wrong with its checksum."""
        row = body if isinstance(body, ValueError) else self._row(body)
        if isinstance(row, Unmatched):
            self._unmatched(str(row))
        elif isinstance(row, ValueError):
            self._reject(str(row))
        elif row is None:
            self.other += 1
        else:
            self.places.append((self.lines, self.sound + self.damaged, time_ns))
            self.samples.append(row)
            self.sound += 1

    def _row(self, text: str) -> Row | ValueError | None:
        try:
            return self.read_line(text)
        except ValueError as reason:
            return reason

    def _unmatched(self, reason: str) -> None:
        if self.definition.unmatched_is_other:
            self.other += 1
        else:
            self._reject(reason)

    def _reject(self, reason: str) -> None:
        self.damaged += 1
        if len(self.bad) < MAX_BAD_LINES_NAMED:
            self.bad.append(BadLine(self.file, self.lines, reason))

    def rows(self) -> Rows:
        """The sound lines so far."""
        table = np.concatenate(self.value_tables or [np.empty((0, 1 + len(self.definition.signal)))])
        places = np.concatenate(self.place_tables or [np.empty((0, 3), np.int64)])
        return Rows(
            line=places[:, 0],
            turn=places[:, 1],
            value=table[:, 1:],
            time=table[:, 0],
            stamp_ns=places[:, 2] if self.definition.time.stamp else None,
        )

    def take_rows(self) -> Rows:
        """The sound lines since the last call, for a log that has no end."""
        rows = self.rows()
        self.place_tables.clear()
        self.value_tables.clear()
        return rows

    def account(self) -> SerialAccount:
        """The account of the lines so far."""
        assumed = (f"{self.file}: its timestamps name no time zone and were taken as UTC",) if self.zoneless else ()
        return SerialAccount(
            files=(self.file,),
            lines=self.lines,
            sample_lines=self.sound,
            other=self.other,
            lines_bad=self.damaged,
            bad=tuple(self.bad),
            notes=assumed,
            assumptions=assumed,
        )


def _as_text(line: bytes) -> str | None:
    """The line without blanks around it and colours in it; None where it holds what is no text."""
    text = line.decode("utf-8", "surrogateescape").strip(" \t")
    if text.isprintable():  # neither control characters nor the marks of bytes that are no UTF-8
        return text
    if "\x1b" in text:
        text = _COLOURS.sub("", text).strip(" \t")
    return text if text.replace("\t", " ").isprintable() else None


def _any_of(patterns: Sequence[re.Pattern[str]]) -> Callable[[str], bool]:
    searches = [pattern.search for pattern in patterns]

    def found(text: str) -> bool:
        for search in searches:  # noqa: SIM110 - a generator for every line would cost as much as the search
            if search(text):
                return True
        return False

    return found


def checked(texts: Sequence[str | None], checksum: LineChecksum) -> list[str | ValueError | None]:
    """For each line the text that its checksum covers, or what is wrong with it; None stays None."""
    algorithm = checksum_named(checksum.algorithm)
    assert algorithm is not None  # the rules of the definition see to it
    result: list[str | ValueError | None] = [None if text is None else _FAILS for text in texts]
    by_length: dict[int, list[tuple[int, bytes, bytes]]] = {}
    for place, text in enumerate(texts):
        body, mark, digits = (text or "").rpartition(checksum.mark)
        _, start, covered = body.partition(checksum.start) if checksum.start else ("", "", body)
        if not mark or (checksum.start and not start):
            result[place] = None if text is None else _HAS_NONE
        elif len(digits) == 2 * algorithm.width_bytes and (stored := _from_hex(digits)) is not None:
            encoded = covered.encode("utf-8")
            by_length.setdefault(len(encoded), []).append((place, encoded, stored))
    for length, group in by_length.items():  # lines of one length are checked together
        rows = np.frombuffer(b"".join(item[1] for item in group), np.uint8).reshape(len(group), length)
        given = np.frombuffer(b"".join(item[2] for item in group), np.uint8).reshape(len(group), -1)
        for holds, (place, encoded, _) in zip(algorithm.holds(rows, given, "big"), group, strict=True):
            if holds:
                result[place] = encoded.decode("utf-8")
    return result


_HAS_NONE = Unmatched("it has no checksum")
_FAILS = ValueError("its checksum is wrong")


def _from_hex(digits: str) -> bytes | None:
    try:
        return bytes.fromhex(digits)
    except ValueError:
        return None
