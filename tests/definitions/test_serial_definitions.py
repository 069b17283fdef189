"""Definitions of serial consoles: what is accepted, and what is said about what is not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.definitions.record_layout import lay_out
from logscope.definitions.serial import load_serial_definition
from logscope.errors import DefinitionError

DECODERS = Path(__file__).parents[2] / "decoders"

TEXT = """\
[console]
name = "Console"

[delimited]
columns = ["t", "rpm"]

[time]
field = "t"

[[signal]]
name = "Speed"
field = "rpm"
"""
BINARY = """\
[console]
name = "Telemetry"

[record]
sync = "A5 5A"
checksum = "Crc16Modbus"

[time]
field = "Tick"

[[signal]]
name = "Tick"
type = "u32"

[[signal]]
name = "Speed"
type = "i16"
"""


def load(folder, text):
    path = folder / "my console.toml"
    path.write_text(text, encoding="utf-8")
    return load_serial_definition(path)


@pytest.mark.parametrize("name", ["hazel-console.toml", "hazel-telemetry.toml"])
def test_the_examples_load(name):
    definition = load_serial_definition(DECODERS / name)
    assert definition.message.name == definition.name
    assert definition.message.by_name["MotorSpeed"].unit == "rpm"
    assert definition.message.by_name["Fault"].labels == {0.0: "None", 3.0: "Overcurrent"}


def test_defaults_are_those_of_the_table(tmp_path):
    definition = load(tmp_path, TEXT)
    assert (definition.time.unit, definition.time.modulus_ns) == ("ms", None)
    assert not definition.unmatched_is_other
    assert load(tmp_path, TEXT.replace('[delimited]\ncolumns = ["t", "rpm"]', "[pairs]")).unmatched_is_other


@pytest.mark.parametrize(
    ("way", "unmatched", "other"),
    [
        ("[delimited]", "", False),
        ("[delimited]", 'unmatched = "other"', True),
        ("[delimited]", 'unmatched = "bad"', False),
        ("[pairs]", "", True),
        ("[pairs]", 'unmatched = "other"', True),
        ("[pairs]", 'unmatched = "bad"', False),
    ],
)
def test_a_line_without_a_sample_is_damage_as_the_file_says_and_else_by_how_samples_are_written(
    tmp_path: Path, way: str, unmatched: str, other: bool
) -> None:
    text = TEXT.replace('[delimited]\ncolumns = ["t", "rpm"]', way).replace('"Console"', f'"Console"\n{unmatched}')
    assert (
        load(tmp_path, text.replace("[delimited]", '[delimited]\ncolumns = ["t", "rpm"]')).unmatched_is_other is other
    )


def test_the_fields_of_a_record_follow_each_other(tmp_path):
    layout = lay_out(load(tmp_path, BINARY))
    assert [(field.at, field.dtype) for field in layout.fields] == [(2, "<u4"), (6, "<i2")]
    assert (layout.length, layout.needed, layout.checksum_bytes) == (10, 10, 2)
    layout = lay_out(load(tmp_path, BINARY.replace("[time]", "length_at_byte = 2\n[time]")))
    assert ([field.at for field in layout.fields], layout.length) == ([3, 7], None)


@pytest.mark.parametrize(
    ("text", "old", "new", "line", "said"),
    [
        (TEXT, "[time]", "[tme]", 7, "unknown key “tme”. Did you mean “time”?"),
        (TEXT, 'field = "rpm"', 'feild = "rpm"', 12, "unknown key “signal 1.feild”. Did you mean “field”?"),
        (TEXT, 'field = "rpm"', "scale = 0", 12, "“signal 1.scale”: a scale of 0"),
        (TEXT, 'field = "rpm"', "offset = inf", 12, "“signal 1.offset”: should be a finite number"),
        (TEXT, 'field = "rpm"', 'field = "rmp"', 10, "no column is named “rmp”. Did you mean “rpm”?"),
        (TEXT, 'field = "rpm"', 'type = "u8"', 12, "“type” belongs to the signals of a [record]"),
        (TEXT, 'name = "Console"', 'name = "A.B"', 2, "“console.name”"),
        (TEXT, 'name = "Console"', 'name = "A"\nother = ["("]', 3, "“console.other 1”"),
        (TEXT, 'name = "Speed"', "", 10, "“signal 1.name”: this key is required"),
        (TEXT, '[[signal]]\nname = "Speed"\nfield = "rpm"', "", None, "“signal”: this key is required"),
        (TEXT, 'field = "t"', 'field = "t"\nstamp = "iso"', 9, "and field and stamp is given"),
        (TEXT, 'field = "t"', "", 7, "and none is given"),
        (TEXT, 'field = "t"', "rate_Hz = 5\nwrap_bits = 16", 9, "“time.wrap_bits” belongs to “time.field”"),
        (TEXT, 'field = "t"', 'field = "t"\nwrap_bits = 12', 9, "“time.wrap_bits”: should be 8, 16, 24 or 32"),
        (TEXT, "[delimited]", "[pairs]\n[delimited]", 4, "2 formats are given (delimited and pairs)"),
        (TEXT, "[delimited]\ncolumns", "[line_checksum]\nalgorithm", 5, "algorithm”: should be a valid string"),
        (TEXT, "[time]", '[line_checksum]\nalgorithm = "crc16"\n[time]', 8, "bits is named “crc16”. Did"),
        (BINARY, "Crc16Modbus", "Crc16Modbs", 6, "Did you mean “Crc16Modbus”?"),
        (BINARY, 'sync = "A5 5A"', 'sync = "A5 5"', 5, "should be bytes in hexadecimal"),
        (BINARY, 'sync = "A5 5A"', "", 4, "the start of a record is not defined"),
        (BINARY, 'sync = "A5 5A"', 'sync = "A5 5A"\nlength_bytes = 9', 6, "need 10 bytes, and the record has 9"),
        (BINARY, 'sync = "A5 5A"', 'sync = "A5 5A"\nlength_bytes = 10\nlength_at_byte = 2', 7, "exclude each other"),
        (BINARY, 'type = "i16"', 'type = "i16"\nat_byte = 1', 18, "lies on the sync bytes"),
        (BINARY, 'type = "i16"', "", 15, "signal “Speed” of a record needs a “type”"),
        (BINARY, 'type = "i16"', 'type = "i12"', 17, "“signal 2.type”: should be"),
        (BINARY, 'name = "Speed"', 'name = "Tick"', 16, "two signals are named “Tick”"),
        (BINARY, 'field = "Tick"', 'field = "Tock"', 9, "no signal of the record is named “Tock”"),
        (BINARY, 'field = "Tick"', 'stamp = "iso"', 9, "no stamp in front of a line"),
        (BINARY, "[console]", "path = 1\n[console]", 1, "unknown key “path”"),
        (BINARY, "[record]", "[record", 4, "not valid TOML"),
    ],
)  # fmt: skip
def test_mistakes_are_named_with_their_line(tmp_path, text, old, new, line, said):
    with pytest.raises(DefinitionError) as caught:
        load(tmp_path, text.replace(old, new, 1))
    place = "" if line is None else f":{line}"
    assert str(caught.value).startswith(f"{tmp_path / 'my console.toml'}{place}: ")
    assert said in str(caught.value)


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(DefinitionError, match=re.escape("cannot read the console definition")):
        load_serial_definition(tmp_path / "none.toml")
    (tmp_path / "utf16.toml").write_text(TEXT, encoding="utf-16")
    with pytest.raises(DefinitionError, match="not UTF-8"):
        load_serial_definition(tmp_path / "utf16.toml")


@settings(max_examples=60)
@given(cut=st.integers(0, len(BINARY)), drop=st.integers(1, 12), text=st.sampled_from([TEXT, BINARY]))
def test_a_mutilated_file_loads_or_is_complained_about(tmp_path_factory, cut, drop, text):
    path = tmp_path_factory.getbasetemp() / "mutilated.toml"
    path.write_text(text[:cut] + text[cut + drop :], encoding="utf-8")
    try:
        load_serial_definition(path)
        complaint = str(path)
    except DefinitionError as error:
        complaint = str(error)
    assert str(path) in complaint
