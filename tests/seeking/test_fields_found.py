"""Fields as candidates and as lines of a DBC file: names, widths, ranges and marks; expected values by hand."""

from __future__ import annotations

from dataclasses import replace

import cantools
import numpy as np
import pytest

from logscope.payload.fields import Field
from logscope.payload.segmentation import Segment, Segmentation, Sort
from logscope.seeking.candidates import Candidate, states, widened
from logscope.seeking.dbc_line import dbc_texts, roomy, signal_line
from logscope.seeking.gather import Key, Stream
from logscope.seeking.hits import Hit
from logscope.seeking.show import identifier_text


def candidate(
    field: Field, rows: list[list[int]], *, signed: bool = False, page: int | None = None, key: Key | None = None
) -> Candidate:
    of = key or Key("can0", 0x1A0, False, len(rows[0]))
    stream = Stream(of, 0.1 * np.arange(len(rows)), np.array(rows, np.uint8))
    selector = None if page is None else Field(0, 8)
    return Candidate(stream, Segment(field, Sort.NUMBER, signed, page), selector)


def hit(of: Candidate, scale: float = 1.0, offset: float = 0.0, unit: str = "", part: str = "motor_speed") -> Hit:
    return Hit(part, of, 0.876, 0.01, scale, offset, unit, scale_from="Fitted “so”.")


@pytest.mark.parametrize(
    ("score", "rate", "stands_out"), [(0.5, 0.05, True), (0.499, 0.05, False), (0.5, 0.0501, False), (1.0, 0.0, True)]
)
def test_a_field_stands_out_that_is_like_the_part_and_no_chance(score: float, rate: float, stands_out: bool) -> None:
    assert Hit("aux_voltage", candidate(Field(0, 8), [[0]]), score, rate).stands_out is stands_out


@pytest.mark.parametrize(
    ("field", "signed", "page", "key", "name", "words"),
    [
        (Field(16, 12), False, None, Key("can0", 0x1A0, False, 8), "can0 0x1A0 16|12@1+",
         "can0 0x1A0, 12 bits from bit 16, low byte first"),
        (Field(23, 12, True), True, None, Key("can1", 0x1A0, True, 8), "can1 0x000001A0 23|12@0-",
         "can1 0x000001A0, 12 bits from bit 23, high byte first, with a sign"),
        (Field(5, 1), False, 3, Key("can0", 0xA, False, 8), "can0 0x00A 5|1@1+ m3",
         "can0 0x00A, bit 5, where its selector is 3"),
    ],
)  # fmt: skip
def test_a_field_is_named_in_the_notation_of_dbc_files_and_in_words(
    field: Field, signed: bool, page: int | None, key: Key, name: str, words: str
) -> None:
    of = candidate(field, [[0] * 8], signed=signed, page=page, key=key)
    assert (of.name, of.in_words) == (name, words)


def test_a_field_behind_a_selector_has_the_samples_of_its_page() -> None:
    of = candidate(Field(8, 8), [[1, 10], [2, 20], [1, 0xFF], [3, 40]], signed=True, page=1)
    time_s, raw = of.samples()
    assert (time_s.tolist(), raw.tolist()) == ([0.0, pytest.approx(0.2)], [10.0, -1.0])


@pytest.mark.parametrize(
    ("field", "places"),
    [
        (Field(5, 1), [5]), (Field(4, 3), [4, 5, 6]), (Field(0, 8), list(range(8))), (Field(0, 9), []),
        (Field(2, 4, True), [15, 0, 1, 2]),
    ],
)  # fmt: skip
def test_a_short_field_may_be_several_states(field: Field, places: list[int]) -> None:
    found = states(candidate(field, [[0, 0]], page=4))
    assert [each.field.positions()[0] for each in found] == places
    assert all(each.field.bits == 1 and each.segment.selected_by == 4 for each in found)


@pytest.mark.parametrize(
    ("field", "rows", "keys", "bits", "above"),
    [
        # twelve bits hold 0x4D2 to 0x4D3; of the four above, 0b0100 stands for the whole log
        (Field(0, 8), [[0xD2, 0x04], [0xD3, 0x04]], {}, 11, 0x400),
        (Field(0, 8), [[0xD2, 0x00], [0xD3, 0x00]], {}, 8, 0.0),
        (Field(0, 8), [[0xD2, 0x80], [0xD3, 0x80]], {}, 16, 0x8000),  # up to 16 bits
        (Field(0, 8), [[0xD2, 0x00, 1], [0xD3, 0x00, 1]], {}, 8, 0.0),  # and no more
        (Field(0, 8), [[0xD2, 0x05], [0xD3, 0x07]], {}, 9, 0x100),  # up to the first bit that moves
        (Field(0, 8), [[0xD2, 0x05], [0xD3, 0x04]], {}, 8, 0.0),
        (Field(15, 8, True), [[0x04, 0xD2], [0x04, 0xD3]], {}, 11, 0x400),
        (Field(0, 8), [[0xD2, 0x04], [0xD3, 0x04]], {"signed": True}, 8, 0.0),
        (Field(8, 8), [[9, 0xD2, 0x04], [9, 0xD3, 0x04]], {"page": 9}, 8, 0.0),
        (Field(0, 16), [[0xD2, 0x04, 1], [0xD3, 0x04, 1]], {}, 16, 0.0),
    ],
)
def test_a_level_takes_in_the_ones_that_stand_above_it(
    field: Field, rows: list[list[int]], keys: dict[str, int], bits: int, above: float
) -> None:
    wide, added = widened(candidate(field, rows, **keys))  # type: ignore[arg-type]
    assert (wide.field.bits, added) == (bits, above)
    assert wide.field.positions()[: field.bits] == field.positions()
    if above:
        assert wide.samples()[1][0] == (field.values(np.array(rows, np.uint8))[0] + above)


@pytest.mark.parametrize(
    ("field", "rows", "bits"),
    [
        (Field(0, 5), [[0x1F], [0x01]], 8),  # the zeros above it in its highest byte
        (Field(0, 5), [[0x3F], [0x21]], 5),  # a one that stands is somebody else's
        (Field(0, 5), [[0x1F], [0x41]], 6),  # so is a bit that moves
        (Field(0, 8), [[0xFF, 0], [0x01, 0]], 8),  # never beyond the byte
        (Field(4, 10), [[0, 0x3F], [0, 0]], 12),
        (Field(5, 14, True), [[0x3F, 0xFF], [0, 0]], 16),
        (Field(0, 1), [[1], [0]], 1),
        (Field(4, 30), [[0xF0, 0xFF, 0xFF, 0xFF, 3], [0, 0, 0, 0, 0]], 32),  # no more than 32
    ],
)
def test_a_field_is_given_the_zeros_above_it_in_its_byte(field: Field, rows: list[list[int]], bits: int) -> None:
    found = roomy(hit(candidate(field, rows)))
    assert found.bits == bits
    assert found.big_endian == field.big_endian
    assert found.positions()[: field.bits] == field.positions()


def test_a_field_of_a_page_keeps_its_bits() -> None:
    assert roomy(hit(candidate(Field(8, 5), [[1, 0x1F], [1, 0]], page=1))) == Field(8, 5)


@pytest.mark.parametrize(
    ("field", "keys", "scale", "offset", "unit", "line"),
    [
        (Field(0, 8), {}, 0.5, -40.0, "°C", ' SG_ MotorSpeed : 0|8@1+ (0.5,-40) [-40|87.5] "degC" Vector__XXX'),
        (Field(7, 8, True), {"signed": True}, 2.0, 0.0, "rpm",
         ' SG_ MotorSpeed : 7|8@0- (2,0) [-256|254] "rpm" Vector__XXX'),
        (Field(0, 8), {}, -1.0, 10.0, "", ' SG_ MotorSpeed : 0|8@1+ (-1,10) [-245|10] "" Vector__XXX'),
        (Field(8, 4), {"page": 0}, 1.0, 0.0, "", ' SG_ MotorSpeed m0 : 8|4@1+ (1,0) [0|15] "" Vector__XXX'),
    ],
)  # fmt: skip
def test_a_line_has_the_range_that_its_bits_can_hold(
    field: Field, keys: dict[str, int], scale: float, offset: float, unit: str, line: str
) -> None:
    of = candidate(field, [[0, 1], [255, 9]], **keys)  # type: ignore[arg-type]
    assert signal_line(hit(of, scale, offset, unit)) == line


def test_messages_are_marked_as_extended_as_long_as_their_longest_and_their_signals_named_apart() -> None:
    short, long = Key("can0", 0x1A0, True, 2), Key("can0", 0x1A0, True, 4)
    hits = [
        hit(candidate(Field(0, 8), [[0, 1], [255, 9]], key=short)),
        hit(candidate(Field(8, 8), [[0, 1, 0, 0], [255, 255, 0, 0]], key=long)),
        hit(candidate(Field(0, 8), [[0, 1], [255, 9]], key=replace(short, extended=False, bus="can1"))),
    ]
    texts = dbc_texts(hits)
    assert list(texts) == ["can0", "can1"]
    # 0x1A0 is 416; DBC files mark 29 bits by the highest of 32
    assert "BO_ 2147484064 Found_1A0: 4 Vector__XXX\n SG_ MotorSpeed : 0|8" in texts["can0"]
    assert " SG_ MotorSpeed2 : 8|8" in texts["can0"]
    assert (
        'CM_ SG_ 2147484064 MotorSpeed2 "Found by its behaviour on can0, likeness 0.88. Fitted ?so?.";' in texts["can0"]
    )
    assert "BO_ 416 Found_1A0: 2 Vector__XXX" in texts["can1"]


def test_pages_of_a_message_come_with_their_selector() -> None:
    (text,) = dbc_texts([hit(candidate(Field(8, 4), [[0, 1], [0, 9]], page=0))]).values()
    assert ' SG_ Selector M : 0|8@1+ (1,0) [0|255] "" Vector__XXX' in text


def test_the_fields_of_an_identifier_are_written_as_in_dbc_files() -> None:
    """Start bit|bits@order and sign, order 1 low byte first (the DBC format; cantools reads the same from a line)."""
    made = Segmentation(
        (
            Segment(Field(0, 16), Sort.NUMBER),
            Segment(Field(23, 12, big_endian=True), Sort.NUMBER, signed=True),
            Segment(Field(40, 8), Sort.NUMBER, selected_by=3),
        ),
        (), (), None,
    )  # fmt: skip
    assert identifier_text(Key("can0", 0x1A0, False, 8), made) == "can0 0x1A0 [8]: 0|16@1+, 23|12@0-, 40|8@1+ m3"
    line = ' SG_ A : 23|12@0- (1,0) [0|0] "" X'
    (message,) = cantools.database.load_string(f"BO_ 416 M: 8 X\n{line}\n", "dbc").messages
    assert (message.signals[0].byte_order, message.signals[0].is_signed) == ("big_endian", True)
    empty = Segmentation((), (), (), None)
    assert identifier_text(Key("can1", 0x18FF0102, True, 2), empty) == "can1 0x18FF0102 [2]: nothing changes"
