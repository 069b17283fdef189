"""cantools' view of a definition file as plain `MessageSpec`s.

The only module that knows cantools, and it imports it when a file is read.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from pathlib import Path
from threading import Lock
from types import ModuleType
from typing import TYPE_CHECKING

from logscope.definitions.complaints import END_MARK
from logscope.definitions.dbc_entries import NO_NODE
from logscope.definitions.namesakes import one_name_each
from logscope.definitions.spec import MAX_BITS, MessageSpec, Selection, SignalSpec

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cantools.database.can import Database, Message, Signal


_importing = Lock()


def database() -> ModuleType:
    """The module `cantools.database`; a later `import cantools` gives the whole package as ever."""
    name = "cantools"
    with _importing:
        if name not in sys.modules and (spec := find_spec(name)) is not None:
            sys.modules[name] = module_from_spec(spec)  # the bare package: where its parts lie, nothing executed
            try:
                return import_module(f"{name}.database")
            finally:
                del sys.modules[name]
        return import_module(f"{name}.database")


def parse(text: str, file_format: str, *, strict: bool = True) -> Database:
    """The database in a text of the format "dbc", "kcd", "sym" or "arxml".

    strict : refuse signals that overlap or do not fit their message

    Raises whatever the parser raises: a malformed file surfaces as many kinds of error, also built-in ones.
    """
    import logging

    from logscope.definitions.database import database as cantools_database

    reader = cantools_database()
    # Two messages with one identifier are reported by us; cantools would also log them.
    logging.getLogger("cantools").addHandler(logging.NullHandler())
    try:
        text = text + END_MARK if file_format == "dbc" and text.strip() else text
        database = reader.load_string(text, file_format, strict=strict)
    except Exception as error:
        raise getattr(error, f"e_{file_format}", None) or error from None
    assert isinstance(database, reader.Database)  # only a format that is none of the four gives another kind
    found: Database = database
    return found


def message_specs(database: Database, path: Path) -> tuple[MessageSpec, ...]:
    """The messages in the order of the file, without ARXML container messages.

    Raises ValueError, naming message and signal, where a message contradicts itself.
    """
    messages = (message for message in database.messages if not message.is_container)
    return tuple(_message_spec(message, _is_j1939(message, database), path) for message in messages)


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
        if by_name.setdefault(signal.name, signal).multiplexer_ids is None and by_name[signal.name] is not signal:
            raise ValueError(f"message {message.name} has two signals named {signal.name}")
    try:
        signals = one_name_each(_signal_spec(s, by_name) for s in message.signals if s.length <= MAX_BITS)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"message {message.name}: {error}") from None
    return MessageSpec(
        name=message.name,
        identifier=message.frame_id,
        extended=bool(message.is_extended_frame),
        length=message.length,
        signals=signals,
        fd=bool(message.is_fd),
        j1939=j1939,
        senders=tuple(name for name in message.senders if name != NO_NODE),
        source=path,
        left_out=tuple(dict.fromkeys(s.name for s in message.signals if s.length > MAX_BITS)),
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
    mux_path: list[Selection] = []
    inner, seen = signal, {signal.name}
    while (selector := inner.multiplexer_signal) is not None:
        if selector in seen:
            raise ValueError(f"signal {signal.name}: its multiplexer {selector} is selected by itself")
        if selector not in by_name or by_name[selector].length > MAX_BITS:
            raise ValueError(f"signal {signal.name}: its multiplexer {selector} is not in the message")
        mux_path.append(Selection(selector, as_ranges(inner.multiplexer_ids or ())))
        seen.add(selector)
        inner = by_name[selector]
    return tuple(reversed(mux_path))


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
