"""Consoles by hand: where the fields of a record lie, when a time starts again, and what contradicts itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logscope.definitions.record_layout import FieldPlace, RecordLayout, lay_out
from logscope.definitions.serial import SerialDefinition, Time, load_serial_definition
from logscope.definitions.serial_rules import Fault, faults
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import DefinitionError


def console(record: dict[str, Any] | None = None, *signals: dict[str, Any], **sections: Any) -> SerialDefinition:
    made: dict[str, Any] = {"console": {"name": "C"}, "time": {"rate_Hz": 10}, "signal": signals} | sections
    return SerialDefinition.model_validate(made | ({} if record is None else {"record": record}))


@pytest.mark.parametrize(
    ("record", "signals", "expected"),
    [
        (
            {"sync": "A5 5A", "checksum": "sum8", "order": "big"},
            ({"name": "A", "type": "u16"}, {"name": "B", "type": "f32", "order": "little"}),
            RecordLayout((FieldPlace(2, 2, ">u2"), FieldPlace(4, 4, "<f4")), 9, 1, 9),
        ),
        (
            {"sync": "A5", "length_at_byte": 1, "checksum": "Crc32"},
            ({"name": "A", "type": "i8"}, {"name": "B", "type": "u64", "at_byte": 9}, {"name": "C", "type": "u8"}),
            RecordLayout((FieldPlace(2, 1, "<i1"), FieldPlace(9, 8, "<u8"), FieldPlace(17, 1, "<u1")), 22, 4, None),
        ),
        (
            {"framing": "cobs", "length_bytes": 12, "length_at_byte": None},
            ({"name": "A", "type": "u32", "at_byte": 4}, {"name": "B", "type": "u8", "at_byte": 0}),
            RecordLayout((FieldPlace(4, 4, "<u4"), FieldPlace(0, 1, "<u1")), 8, 0, 12),
        ),
    ],
)  # fmt: skip
def test_a_record_is_laid_out_signal_after_signal(
    record: dict[str, Any], signals: tuple[dict[str, Any], ...], expected: RecordLayout
) -> None:
    assert lay_out(console(record, *signals)) == expected


@pytest.mark.parametrize(
    ("facts", "modulus_ns"),
    [
        ({"field": "t", "wrap_bits": 16}, 65_536_000_000),
        ({"field": "t", "wrap_bits": 8, "unit": "s"}, 256_000_000_000),
        ({"field": "t", "wrap_bits": 32, "unit": "us"}, 4_294_967_296_000),
        ({"field": "t", "wrap_bits": 24, "unit": "ns"}, 16_777_216),
        ({"field": "t"}, None),
        ({"stamp": "clock"}, 86_400_000_000_000),
        ({"stamp": "iso"}, None),
    ],
)
def test_a_time_starts_again_after_its_bits_or_at_midnight(facts: dict[str, Any], modulus_ns: int | None) -> None:
    assert Time(**facts).modulus_ns == modulus_ns


def test_a_signal_of_a_console_is_like_one_of_a_bus() -> None:
    definition = console(
        {"sync": "A5"},
        {"name": "A", "type": "i16", "at_byte": 3, "scale": 0.1, "offset": -4, "unit": "A", "choices": {"1": "x"}},
        {"name": "B", "field": "b"},
    )
    assert definition.message == MessageSpec(
        "C", 0, False, 0,
        (SignalSpec("A", 24, 16, signed=True, scale=0.1, offset=-4.0, unit="A", choices={1: "x"}),
         SignalSpec("B", 0, 64, floating=True)),
    )  # fmt: skip
    assert [each.written_as for each in definition.signal] == ["A", "b"]


@pytest.mark.parametrize(
    ("definition", "expected"),
    [
        (console({"sync": "A5", "length_bytes": 3}, {"name": "A", "type": "u16"}), []),
        (
            console({"sync": "A5", "length_bytes": 2}, {"name": "A", "type": "u16"}),
            [Fault(("record", "length_bytes"), "signals and checksum need 3 bytes, and the record has 2",
                   "Correct the length or the signals’ “at_byte”.")],
        ),
        (
            console({"sync": "A5 5A"}, {"name": "A", "type": "u8"}, {"name": "B", "type": "u8", "at_byte": 1}),
            [Fault(("signal", 1, "at_byte"), "signal “B” lies on the sync bytes",
                   "“at_byte” counts from the record's first byte, 0.")],
        ),
        (console({"framing": "slip"}, {"name": "A", "type": "u8"}), []),
        (
            console({}, {"name": "A", "type": "u8", "base": 16, "field": "a"}),
            [Fault(("record",), "the start of a record is not defined", "Give “sync” or “framing”."),
             Fault(("signal", 0, "field"), "“field” belongs to text logs", "Remove it."),
             Fault(("signal", 0, "base"), "“base” belongs to text logs", "Remove it.")],
        ),
        (
            console({"sync": "A5"}, {"name": "A", "type": "u8"}, line_checksum={"algorithm": "xor8"}),
            [Fault(("line_checksum",), "binary records have no text lines", "Give “record.checksum”.")],
        ),
        (
            console(None, {"name": "A"}),
            [Fault(("console",), "no format is given", "Give one of [delimited], [pairs], [[pattern]], [record].")],
        ),
        (
            console(None, {"name": "A"}, pairs={}, delimited={"columns": ["A"]}),
            [Fault(("pairs",), "2 formats are given (delimited and pairs)",
                   "Give one of [delimited], [pairs], [[pattern]], [record].")],
        ),
        (console(None, {"name": "A"}, delimited={}), []),
        (
            console(None, {"name": "A"}, {"name": "rpm"}, pattern=[{"line": "(?P<rpm>.*)"}], time={"field": "tt"}),
            [Fault(("signal", 0), "no group in a pattern is named “A”", "There are: rpm."),
             Fault(("time", "field"), "no group in a pattern is named “tt”", "There are: rpm.")],
        ),
        (
            console(None, {"name": "A"}, pairs={}, time={"rate_Hz": 5, "stamp": "iso"}),
            [Fault(("time", "rate_Hz"), "“time” takes one of field, stamp, rate_Hz, and stamp and rate_Hz is given",
                   "Keep the one that matches the log.")],
        ),
        (
            console(None, {"name": "A", "type": "u8", "at_byte": 0, "order": "big"}, pairs={}),
            [Fault(("signal", 0, key), f"“{key}” belongs to the signals of a [record]", "Remove it.")
             for key in ("type", "at_byte", "order")],
        ),
    ],
)  # fmt: skip
def test_what_contradicts_itself_in_a_console_is_said_at_its_key(
    definition: SerialDefinition, expected: list[Fault]
) -> None:
    assert list(faults(definition)) == expected


def test_a_console_that_has_no_name_for_a_bus_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    for name, sound in (("A B", True), ("A:B", False), (" A", False), (".", False)):
        text = f'[console]\nname = "{name}"\n[pairs]\n[time]\nrate_Hz = 10\n[[signal]]\nname = "S"\n'
        path.write_text(text, encoding="utf-8")
        if sound:
            assert load_serial_definition(path).name == name
        else:
            with pytest.raises(DefinitionError, match=r"console\.name"):
                load_serial_definition(path)
