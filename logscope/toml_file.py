"""TOML files checked strictly: what is wrong with one, in which line, and what was probably meant."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from logscope.errors import LogscopeError, check_the_path, did_you_mean

if TYPE_CHECKING:  # a log alone is read and decoded without it
    from pydantic import BaseModel, ValidationError

Keys = tuple[str | int, ...]  # the path to a value: keys of tables, places in arrays

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]#]+?)\s*\]")
_KEY = re.compile(r"\s*((?:[\w\-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w\-]+|\"[^\"]*\"|'[^']*'))*)\s*=")
_KEY_PART = re.compile(r"[\w\-]+|\"[^\"]*\"|'[^']*'")


def read_toml(path: Path, what: str, error: type[LogscopeError]) -> tuple[dict[str, Any], str]:
    """The content of a TOML file and its text. `what` names the file in messages: 'the console definition'.

    Raises `error`, with the line where there is one, if the file cannot be read or is no TOML.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as failure:
        reason = failure.strerror or str(failure)
        raise error(f"cannot read {what} ({reason})", where=path, do=check_the_path(path)) from None
    except UnicodeDecodeError:
        raise error(f"{what} is not UTF-8 text", where=path, do="Save it as UTF-8.") from None
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as failure:
        line = re.search(r"at line (\d+)", str(failure))
        said = re.sub(r"\s*\(at .*\)", "", str(failure))
        number = int(line[1]) if line else _unclosed(text)
        what, do = _slip(text, number) or (f"not valid TOML: {said}", "Correct that line.")
        raise error(what, where=path, line=number, do=do) from None


_DECIMAL_COMMA = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(#.*)?$")
_NUMBER_WITH_TEXT = re.compile(r"=\s*([+-]?\d+(?:\.\d+)?)\s*[^\W\d_][^#\"'=]*(#.*)?$")
_BACKSLASH = re.compile(r'"[^"]*\\[^"]*"?')
_BARE_TEXT = re.compile(r"=\s*([A-Za-z_][\w.:\- ]*?)\s*(#.*)?$")
_OPEN_QUOTE = re.compile(r"""=\s*(?:"[^"]*|'[^']*)$""")
_NO_VALUE = re.compile(r"=\s*(#.*)?$")


def _slip(text: str, number: int | None) -> tuple[str, str] | None:
    """What a line that is no TOML probably means, and what to write instead; None where that is not plain."""
    lines = text.splitlines()
    if number is None or not 0 < number <= len(lines):
        return None
    line = lines[number - 1].strip()
    if found := _DECIMAL_COMMA.search(line):
        return "a number with a decimal comma", f"Write a point: {found[1]}.{found[2]}."
    if _BACKSLASH.search(line):
        return "a backslash inside double quotes", "Write / instead, or put the path in single quotes: 'logs\\a.log'."
    if _OPEN_QUOTE.search(line):
        return "a quotation mark is missing at the end of the line", "Close the text with the same mark it opens with."
    if found := _NUMBER_WITH_TEXT.search(line):
        return "text after a number", f"Write the number alone: {found[1]}. A unit stands in the name of the key."
    if found := _BARE_TEXT.search(line):
        return "text without quotation marks", f'Write "{found[1]}".'
    if _NO_VALUE.search(line):
        return "there is no value after the =", "Fill it in, or put a # in front of the line."
    return None


def _unclosed(text: str) -> int | None:
    """The first line whose text is not closed, for a parser that looks for its end up to that of the file."""
    lines = enumerate(map(str.strip, text.splitlines()), start=1)
    return next((number for number, line in lines if _OPEN_QUOTE.search(line) and line[0] != "#"), None)


def as_error(
    failure: ValidationError, model: type[BaseModel], text: str, path: Path, error: type[LogscopeError]
) -> LogscopeError:
    """A strict model's complaint about the file's content, with its line and the nearest known key.

    An unknown key comes first: mistyped, it is also why another seems to be missing.
    """
    first = min(failure.errors(), key=lambda complaint: complaint["type"] != "extra_forbidden")
    keys: Keys = tuple(first["loc"])
    line = line_of(text, keys)
    if first["type"] == "extra_forbidden":
        known = _known_keys(model, keys[:-1])
        hint = did_you_mean(str(keys[-1]), known) or f"Known here: {', '.join(known)}."
        return error(f"unknown key “{dotted(keys)}”", where=path, line=line, do=hint)
    if first["type"] == "missing":
        what, do = "this key is required", "Add it."
    else:
        said = re.sub(r"^Value error, ", "", first["msg"]).rstrip(".")
        what, do = said.replace("Input should be", "should be"), "Correct that value."
    return error(f"“{dotted(keys)}”: {what}", where=path, line=line, do=do)


def dotted(keys: Sequence[str | int]) -> str:
    """The path to a value as text; places in arrays count from 1.

    >>> dotted(("signal", 0, "unit"))
    'signal 1.unit'
    """
    words = ""
    for key in keys:
        words += f" {key + 1}" if isinstance(key, int) else f".{key}" if words else key
    return words


def line_of(text: str, keys: Sequence[str | int]) -> int | None:
    """The line that sets a value, or else the nearest table around it, as far as plain TOML layout shows it.

    >>> line_of("[[signal]]\\n[[signal]]\\nunit = 'V'", ("signal", 1, "unit"))
    3
    """
    places: dict[Keys, int] = {}
    for place, line in _places(text):
        places.setdefault(place, line)
    wanted = tuple(keys)
    return next((places[wanted[:cut]] for cut in range(len(wanted), 0, -1) if wanted[:cut] in places), None)


def _places(text: str) -> Iterator[tuple[Keys, int]]:
    counts: dict[tuple[str, ...], int] = {}
    section: Keys = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            names = _names(header[2])
            if header[1] == "[[":
                counts[names] = counts.get(names, -1) + 1
            section = _with_array_places(names, counts)
            yield section, number
        elif key := _KEY.match(line):
            yield (*section, *_names(key[1])), number


def _names(text: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(text))


def _with_array_places(names: tuple[str, ...], counts: dict[tuple[str, ...], int]) -> Keys:
    place: list[str | int] = []
    for cut, name in enumerate(names, start=1):
        place.append(name)
        if names[:cut] in counts:
            place.append(counts[names[:cut]])
    return tuple(place)


def _known_keys(model: type[BaseModel], keys: Sequence[str | int]) -> tuple[str, ...]:
    for key in keys:
        if isinstance(key, str) and key in model.model_fields:
            model = _model_in(model.model_fields[key].annotation) or model
    return tuple(name for name, field in model.model_fields.items() if not field.exclude)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The table that a field holds, also inside a tuple or next to None."""
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _model_in(inner))), None)
