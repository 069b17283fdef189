"""What may be written where: nothing that was given is harmed, and what is not ours is replaced only on request.

An earlier output of ours is recognised by its content, never by its name: a page by its generator tag, JSON by its
first keys, Parquet by its metadata, CSV by its header line, a picture by the text after its header, a summary by the
checksum in its last line. What cannot be recognised counts as the user's own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from logscope.errors import RequestError
from logscope.files import file_key, refuse_no_place, write_text

PARQUET_MARK = b"logscope"  # the key in a Parquet file's metadata
TABLE_HEADER = '"time_s [s]"'  # how each CSV file of a decoded table begins

_HEAD_BYTES = 4096  # in which every mark of ours stands
_SUMMARY_BYTES = 1 << 20  # more than any summary has; a longer file ends without its last line
_PAGE = re.compile(rb'^\s*<!doctype html>.*<meta name="generator" content="logscope ', re.IGNORECASE | re.DOTALL)
_FIELDS = re.compile(rb'^\s*\{\s*"schema"\s*:\s*\d+\s*,\s*"logscope"\s*:\s*"')


_SCHEMA = re.compile(rb'^\s*\{\s*"\$schema"\s*:\s*"[^"]*",\s*"title"\s*:\s*"logscope ')


@dataclass(frozen=True)
class Kind:
    """A kind of output. `recognise` decides from a file whether it is an earlier one of ours."""

    name: str
    suffixes: tuple[str, ...]
    recognise: Callable[[Path], bool]


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def _is_our_csv(path: Path) -> bool:
    from logscope.inventory.show import CSV_COLUMNS

    first_line = _head(path).decode("utf-8", "replace").split("\n", 1)[0].rstrip("\r")
    return first_line.split(",", 1)[0] == TABLE_HEADER or first_line == ",".join(CSV_COLUMNS)


def _is_our_parquet(path: Path) -> bool:
    from pyarrow import ArrowException, parquet

    try:
        return PARQUET_MARK in (parquet.read_schema(path).metadata or {})
    except ArrowException:
        return False


def _is_untouched_summary(path: Path) -> bool:
    from logscope.report.seal import is_untouched

    with path.open("rb") as file:
        return is_untouched(file.read(_SUMMARY_BYTES))


def _is_our_picture(path: Path) -> bool:
    from logscope.pictures.png import is_ours

    return is_ours(_head(path))


HTML = Kind("HTML page", (".html", ".htm"), lambda path: bool(_PAGE.match(_head(path))))
JSON = Kind("JSON file", (".json",), lambda path: bool(_FIELDS.match(_head(path))))
SCHEMA = Kind("schema of vehicle files", (".json",), lambda path: bool(_SCHEMA.match(_head(path))))
PNG = Kind("PNG picture", (".png",), _is_our_picture)
MARKDOWN = Kind("Markdown summary", (".md",), _is_untouched_summary)  # once edited, it is the user's
CSV = Kind("CSV file", (".csv",), _is_our_csv)
PARQUET = Kind("Parquet file", (".parquet",), _is_our_parquet)
VEHICLE = Kind("vehicle file", (".toml",), lambda _: False)  # a draft is edited: from then on it is the user's
DBC = Kind("definition file", (".dbc",), lambda _: False)  # found definitions are edited too
FOLDER = Kind("folder", (), lambda _: False)


def kind_for(path: Path, kinds: Sequence[Kind]) -> Kind:
    """Which of the kinds a path asks for, by its suffix where there is a choice.

    Raises RequestError where it asks for none of them, naming what is possible.
    """
    if str(path) != "-":
        if path.is_dir() and FOLDER in kinds:
            return FOLDER
        if len(kinds) == 1 and FOLDER not in kinds:
            return kinds[0]
    suffix = path.suffix.lower()
    for kind in kinds:
        if suffix in kind.suffixes:
            return kind
    if FOLDER in kinds and str(path) != "-" and not _names_a_file(suffix):
        return FOLDER
    what = "the output does not go to standard output" if str(path) == "-" else f"cannot write “{suffix}” files"
    raise RequestError(what, where=path, do=f"Possible: {' or '.join(_possible(kind) for kind in kinds)}.")


def _possible(kind: Kind) -> str:
    return f"a {kind.suffixes[0]} file" if kind.suffixes else "a folder (a name without an ending)"


def _names_a_file(suffix: str) -> bool:
    """Whether a suffix is the ending of a file, as .png is; .2026 or .03 may end the name of a folder."""
    return bool(re.fullmatch(r"\.[a-z][a-z0-9]{0,9}", suffix))


@dataclass(frozen=True)
class Guard:
    """Holds what was given, and refuses each output that would harm it.

    inputs : files and folders that were given; overwrite : whether what is not ours may be replaced
    """

    inputs: tuple[Path, ...] = ()
    overwrite: bool = False

    @cached_property
    def _given(self) -> frozenset[Hashable]:
        return frozenset(map(file_key, self.inputs))

    def _in_a_given_folder(self, path: Path) -> bool:
        key = file_key(path)
        return any(file_key(file) == key for folder in self.inputs if folder.is_dir() for file in _files(folder))

    def refuse_inputs(self, outputs: Iterable[Path]) -> None:
        """Refuse outputs that are any of the inputs."""
        for path in outputs:
            if file_key(path) in self._given:
                raise _is_input(path)

    def allow(self, path: Path, kind: Kind) -> None:
        """Return where a file, or a folder, of this kind may be written.

        Raises RequestError where it is an input, cannot be written, or would replace a file that is not ours.
        """
        self.refuse_inputs([path])
        if kind is FOLDER:
            if path.exists() and not path.is_dir():
                raise RequestError("this is a file, not a folder", where=path, do="Name another folder.")
            return
        refuse_no_place(path)
        if not path.is_file() or kind.recognise(path):  # devices and pipes are no files
            return
        if self._in_a_given_folder(path):
            raise _is_input(path)
        if not self.overwrite:
            raise RequestError(
                f"this file exists, and is not a {kind.name} that logscope wrote"
                if kind is not VEHICLE
                else "this file exists",
                where=path,
                do="Name another file, or replace it with --overwrite.",
            )


def refuse_repeated_outputs(outputs: Mapping[str, Path]) -> None:
    """Refuse two outputs, by the names of their options, that are one file."""
    seen: dict[Hashable, str] = {}
    for name, path in outputs.items():
        first = seen.setdefault(file_key(path), name)
        if first != name:
            raise RequestError(f"{first} and {name} name the same file", where=path, do="Give each its own.")


def write_output(
    path: Path | str, text: str, kind: Kind, inputs: Iterable[Path | str] = (), *, overwrite: bool = False
) -> None:
    """Write an output as text, where `Guard.allow` allows it."""
    Guard(tuple(map(Path, inputs)), overwrite).allow(Path(path), kind)
    write_text(path, text)


def _is_input(path: Path) -> RequestError:
    return RequestError("this is an input and would be overwritten", where=path, do="Name another file to write.")


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in folder.rglob("*") if path.is_file())
