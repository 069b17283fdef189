"""What the keys of a console definition demand of each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from logscope.definitions.checksums import algorithms, checksum_named
from logscope.definitions.record_layout import lay_out
from logscope.definitions.serial import SerialDefinition
from logscope.errors import did_you_mean
from logscope.toml_file import Keys


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, at which key, and what to do."""

    keys: Keys
    what: str
    do: str


def faults(definition: SerialDefinition) -> Iterator[Fault]:
    """Everything in which a definition contradicts itself, the most useful first."""
    yield from _one_format(definition)
    yield from _one_time(definition)
    yield from _names(definition)
    yield from _checksums(definition)
    if definition.record is not None:
        yield from _record(definition)
    else:
        yield from _text(definition)


def _one_format(definition: SerialDefinition) -> Iterator[Fault]:
    given = [name for name in ("delimited", "pairs", "pattern", "record") if getattr(definition, name)]
    if len(given) != 1:
        what = f"{len(given)} formats are given ({' and '.join(given)})" if given else "no format is given"
        do = "Give one of [delimited], [pairs], [[pattern]], [record]."
        yield Fault((given[1],) if given else ("console",), what, do)


def _one_time(definition: SerialDefinition) -> Iterator[Fault]:
    time = definition.time
    given = [name for name in ("field", "stamp", "rate_Hz") if getattr(time, name) is not None]
    if len(given) != 1:
        what = f"“time” takes one of field, stamp, rate_Hz, and {' and '.join(given) or 'none'} is given"
        yield Fault(("time", given[1]) if given else ("time",), what, "Keep the one that matches the log.")
    if time.field is None and time.wrap_bits is not None:
        yield Fault(("time", "wrap_bits"), "“time.wrap_bits” belongs to “time.field”", "Remove it.")
    if definition.record is not None and time.stamp is not None:
        do = "Give “field” or “rate_Hz”."
        yield Fault(("time", "stamp"), "binary records have no stamp in front of a line", do)


def _names(definition: SerialDefinition) -> Iterator[Fault]:
    seen: set[str] = set()
    for place, signal in enumerate(definition.signal):
        if signal.name in seen:
            yield Fault(("signal", place, "name"), f"two signals are named “{signal.name}”", "Rename one of them.")
        seen.add(signal.name)


def _checksums(definition: SerialDefinition) -> Iterator[Fault]:
    record, line = definition.record, definition.line_checksum
    if record is not None and line is not None:
        yield Fault(("line_checksum",), "binary records have no text lines", "Give “record.checksum”.")
    given = (
        (("record", "checksum"), record and record.checksum),
        (("line_checksum", "algorithm"), line and line.algorithm),
    )
    for keys, name in given:
        if name and checksum_named(name) is None:
            hint = did_you_mean(name, algorithms()) or "Give “sum8”, “xor8” or a class name of the crccheck library."
            yield Fault(keys, f"no checksum of up to 64 bits is named “{name}”", hint)


def _text(definition: SerialDefinition) -> Iterator[Fault]:
    for place, signal in enumerate(definition.signal):
        for key in ("type", "at_byte", "order"):
            if getattr(signal, key) is not None:
                yield Fault(("signal", place, key), f"“{key}” belongs to the signals of a [record]", "Remove it.")
    groups = {name for pattern in definition.pattern for name in pattern.line.groupindex}
    columns = definition.delimited.columns if definition.delimited else None
    known = sorted(groups) if definition.pattern else columns
    if known is None:
        return
    where = "no group in a pattern" if definition.pattern else "no column"
    wanted: list[tuple[Keys, str]] = [(("signal", k), signal.written_as) for k, signal in enumerate(definition.signal)]
    if definition.time.field is not None:
        wanted.append((("time", "field"), definition.time.field))
    for keys, name in wanted:
        if name not in known:
            hint = did_you_mean(name, known) or f"There are: {', '.join(known)}."
            yield Fault(keys, f"{where} is named “{name}”", hint)


def _record(definition: SerialDefinition) -> Iterator[Fault]:
    record, time = definition.record, definition.time
    assert record is not None  # the caller's condition
    if record.framing == "none" and not record.sync:
        yield Fault(("record",), "the start of a record is not defined", "Give “sync” or “framing”.")
    if record.length_bytes is not None and record.length_at_byte is not None:
        do = "Keep the one that the controller uses."
        yield Fault(("record", "length_at_byte"), "“length_bytes” and “length_at_byte” exclude each other", do)
    for place, signal in enumerate(definition.signal):
        if signal.type is None:
            yield Fault(("signal", place), f"signal “{signal.name}” of a record needs a “type”", "Add u8 … f64.")
        for key, unset in (("field", None), ("base", 10)):
            if getattr(signal, key) != unset:
                yield Fault(("signal", place, key), f"“{key}” belongs to text logs", "Remove it.")
    names = [signal.name for signal in definition.signal]
    if time.field is not None and time.field not in names:
        hint = did_you_mean(time.field, names) or f"There are: {', '.join(names)}."
        yield Fault(("time", "field"), f"no signal of the record is named “{time.field}”", hint)
    if all(signal.type for signal in definition.signal):
        yield from _layout(definition)


def _layout(definition: SerialDefinition) -> Iterator[Fault]:
    assert definition.record is not None
    layout, record = lay_out(definition), definition.record
    if record.length_bytes is not None and layout.needed > record.length_bytes:
        what = f"signals and checksum need {layout.needed} bytes, and the record has {record.length_bytes}"
        yield Fault(("record", "length_bytes"), what, "Correct the length or the signals’ “at_byte”.")
    for place, field in enumerate(layout.fields):
        if field.at < len(record.sync):
            what = f"signal “{definition.signal[place].name}” lies on the sync bytes"
            yield Fault(("signal", place, "at_byte"), what, "“at_byte” counts from the record's first byte, 0.")
