"""CAN definitions: DBC, KCD, SYM and ARXML files, read by cantools, as plain `MessageSpec`s.

The only module that knows cantools, and it imports it when a file is read. Three steps, so that a
mending pass can stand between them: text of the file, cantools' database, our specs.
"""

from __future__ import annotations

import codecs
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.definitions.complaints import as_definition_error
from logscope.definitions.spec import MAX_BITS, MessageSpec, Selection, SignalSpec
from logscope.errors import DefinitionError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cantools.database.can import Database, Message, Signal

__all__ = ["FORMATS", "MessageSpec", "Selection", "SignalSpec", "load_definitions"]

FORMATS = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}


def load_definitions(path: Path | str) -> tuple[MessageSpec, ...]:
    """The messages of a DBC, KCD, SYM or ARXML file, in the order of the file.

    The file is checked strictly: signals must fit their message and must not overlap, identifiers
    must fit their frame format. ARXML container messages are not among the result, as their content
    moves from frame to frame; signals wider than 64 bits are named in `MessageSpec.left_out`.

    Raises DefinitionError, with file and line as far as it can be told, where the file cannot be
    opened or understood.
    """
    path = Path(path)
    file_format = FORMATS.get(path.suffix.lower())
    if file_format is None:
        raise DefinitionError(
            f"“{path.suffix or path.name}” is no ending of a definition file",
            where=path,
            do="Give a DBC, KCD, SYM or ARXML file.",
        )
    text = read_definition_text(path)
    database = _parse(text, file_format, path)
    messages = (message for message in database.messages if not message.is_container)
    return tuple(_message_spec(message, _is_j1939(message, database), path) for message in messages)


def read_definition_text(path: Path) -> str:
    """The text of a definition file: UTF-8 if it is that, else the Western 8-bit set of older tools.

    Raises DefinitionError where the file cannot be opened.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"cannot read the definitions ({error.strerror or error})", where=path, do="Check the path."
        ) from None
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return content.decode("latin-1")


def _parse(text: str, file_format: str, path: Path) -> Database:
    import logging

    from cantools.database import Database, load_string

    # Two messages with one identifier are reported by the decoder; cantools would also log them.
    logging.getLogger("cantools").addHandler(logging.NullHandler())
    try:
        database = load_string(text, file_format, strict=True)
    except Exception as error:  # a malformed file surfaces as many kinds of error, also built-in ones
        cause = getattr(error, f"e_{file_format}", None) or error
        raise as_definition_error(cause, text, path) from None
    assert isinstance(database, Database)  # only a format not in FORMATS gives another kind
    return database


def _is_j1939(message: Message, database: Database) -> bool:
    """By the message's own frame format or, where the file has no such attribute, by its bus's protocol."""
    if message.protocol == "j1939":
        return bool(message.is_extended_frame)
    if database.dbc is None or "VFrameFormat" in database.dbc.attribute_definitions:
        return False
    protocol = database.dbc.attributes.get("ProtocolType")
    return protocol is not None and protocol.value == "J1939" and bool(message.is_extended_frame)


def _message_spec(message: Message, j1939: bool, path: Path) -> MessageSpec:
    by_name: dict[str, Signal] = {}
    for signal in message.signals:
        if by_name.setdefault(signal.name, signal) is not signal:
            raise DefinitionError(
                f"message {message.name} has two signals named {signal.name}",
                where=path,
                do="Rename one of them.",
            )
    try:
        signals = tuple(_signal_spec(s, by_name) for s in message.signals if s.length <= MAX_BITS)
    except ValueError as error:
        what = f"message {message.name}: {error}"
        raise DefinitionError(what, where=path, do="Correct the definition.") from None
    return MessageSpec(
        name=message.name,
        identifier=message.frame_id,
        extended=bool(message.is_extended_frame),
        length=message.length,
        signals=signals,
        fd=bool(message.is_fd),
        j1939=j1939,
        source=path,
        left_out=tuple(s.name for s in message.signals if s.length > MAX_BITS),
    )


def _signal_spec(signal: Signal, by_name: dict[str, Signal]) -> SignalSpec:
    return SignalSpec(
        name=signal.name,
        start=signal.start,
        bits=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=bool(signal.is_signed) and not signal.is_float,
        floating=bool(signal.is_float),
        scale=float(signal.scale),
        offset=float(signal.offset),
        unit=signal.unit or "",
        choices={int(raw): str(text) for raw, text in (signal.choices or {}).items()},
        multiplexer=_selections(signal, by_name),
    )


def _selections(signal: Signal, by_name: dict[str, Signal]) -> tuple[Selection, ...]:
    """The way from the outermost selector to the signal.

    Raises ValueError where it names a signal that is missing or leads in a circle.
    """
    way: list[Selection] = []
    inner, seen = signal, {signal.name}
    while (selector := inner.multiplexer_signal) is not None:
        if selector in seen:
            raise ValueError(f"signal {signal.name}: its multiplexer {selector} is selected by itself")
        if selector not in by_name or by_name[selector].length > MAX_BITS:
            raise ValueError(f"signal {signal.name}: its multiplexer {selector} is not in the message")
        way.append(Selection(selector, as_ranges(inner.multiplexer_ids or ())))
        seen.add(selector)
        inner = by_name[selector]
    return tuple(reversed(way))


def as_ranges(values: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Whole numbers as closed ranges, so that thousands of selector values stay cheap to test.

    >>> as_ranges([3, 1, 2, 7])
    ((1, 3), (7, 7))
    """
    ranges: list[tuple[int, int]] = []
    for value in sorted(set(values)):
        if ranges and value == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], value)
        else:
            ranges.append((value, value))
    return tuple(ranges)
