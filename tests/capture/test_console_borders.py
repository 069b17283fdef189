"""Which console a log is of, where a stamp ends and a value begins, and what lies between binary records. By hand."""

from __future__ import annotations

import pytest
from serial_definitions import CONSOLE, DELIMITED, PAIRS, defined

from logscope.capture.serial import misfit, sniff
from logscope.capture.serial_binary import BinaryReader
from logscope.capture.serial_text import read_text
from logscope.definitions.serial import SerialDefinition

MS, S = 1_000_000, 1_000_000_000


@pytest.mark.parametrize(("separator", "speed"), [(",", [5.0, 6.0]), (";", [7.0, 8.0])])
def test_a_comma_that_separates_columns_is_no_decimal_mark_of_a_stamp(separator: str, speed: list[float]) -> None:
    """Of whole seconds the first value follows at once; with another separator a stamp may have a decimal comma."""
    text = f'[delimited]\nseparator = "{separator}"\ncolumns = ["rpm"]\n[time]\nstamp = "iso"\n'
    definition = defined(CONSOLE + text + '[[signal]]\nname = "Speed"\nfield = "rpm"\n')
    lines = {",": b"2026-03-02T09:00:00,5\n2026-03-02T09:00:01.5,6\n",
             ";": b"2026-03-02T09:00:00,25;7\n2026-03-02T09:00:01.5;8\n"}[separator]  # fmt: skip
    found, account = read_text([lines], definition, "a.log")
    assert (account.sample_lines, account.lines_bad, account.other) == (2, 0, 0)
    assert found.value.ravel().tolist() == speed
    assert found.stamp_ns is not None
    first_ns = 0 if separator == "," else 250 * MS
    assert (found.stamp_ns - 1_772_442_000 * S).tolist() == [first_ns, 1500 * MS]


@pytest.mark.parametrize(
    ("toml", "head", "said"),
    [
        (DELIMITED, b"1,2\n3,4\n", "line 1: no header line before it names rpm, st, t, udc"),
        (DELIMITED, b"t,rpm,udc,st\n1,2,3\n", "line 2: it has 3 instead of 4 columns"),
        (PAIRS, b"boot\n", "no line holds any of rpm, udc, st"),
        (CONSOLE + '[record]\nsync = "A5"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\ntype = "u8"\n', b"x",
         "no record as it describes them is found"),
    ],
)  # fmt: skip
def test_why_a_log_is_not_what_was_defined(toml: str, head: bytes, said: str) -> None:
    assert misfit(head, defined(toml)) == said


def test_a_log_looks_like_its_definition_with_no_more_damage_than_samples() -> None:
    for good, bad, alike in ((1, 1, True), (1, 2, False), (0, 0, False), (2, 1, True)):
        head = b"t,rpm,udc,st\n" + b"10,1,2,0\n" * good + b"10,1,2\n" * bad + b"cut"
        assert sniff(head, defined(DELIMITED)) is alike


# ------------------------------------------------------------------------------------- binary stretches


@pytest.mark.parametrize(
    ("content", "samples", "other", "damaged"),
    [
        (b"\xa5\x01" * 3, 3, 0, 0),
        (b"\xa5\x01ready\n\xa5\x02\xa5\x03", 2, 0, 4),  # no sync follows the first
        (b"ready\n\xa5\x01\xa5\x02", 2, 1, 0),
        (b"\x00\x01\x02\x03\xa5\x01", 1, 0, 2),  # as many as records fit
        (b"\x00\xa5\x01", 1, 0, 1),
        (b"", 0, 0, 0),
    ],
)
def test_bytes_between_records_are_text_or_damage(content: bytes, samples: int, other: int, damaged: int) -> None:
    text = '[record]\nsync = "A5"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\ntype = "u8"\n'
    reader = BinaryReader(defined(CONSOLE + text), "a.bin")
    reader.add(content)
    reader.finish()
    assert (reader.samples, reader.other, reader.damaged) == (samples, other, damaged)
    assert reader.lines == samples + other + damaged
    assert reader.account().lines_bad == damaged
    assert [len(each) for each in (reader.take_rows(), reader.take_rows())] == [samples, 0]


def test_a_packet_that_is_no_record_says_why() -> None:
    text = (
        '[record]\nframing = "slip"\nsync = "A5"\nchecksum = "xor8"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\n'
        'type = "u8"\n'
    )
    definition: SerialDefinition = defined(CONSOLE + text)
    reader = BinaryReader(definition, "a.bin")
    reader.add(b"\xa5\x01\xa4\xc0\xc0\xa5\x01\xa5\xc0\xa5\x01\xc0\xa4\x01\xa5\xc0\xdb\xc0\xa5\x02\xa7")
    reader.finish()
    assert [(bad.line, bad.reason) for bad in reader.bad] == [
        (2, "its checksum is wrong"), (3, "its length or its first bytes do not match a record"),
        (4, "its length or its first bytes do not match a record"), (5, "it is not a valid SLIP packet"),
    ]  # fmt: skip
    assert (reader.samples, reader.rows().value.tolist(), reader.rows().turn.tolist()) == (2, [[1.0], [2.0]], [0, 5])
