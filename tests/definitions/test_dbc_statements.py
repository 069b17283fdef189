"""The statements of a DBC file one by one: what is read as it stands, what is forgiven, and what is refused.

Expected by hand from the grammar of DBC files as cantools reads it; 0x80000000 marks a frame of 29 bits.
"""

from __future__ import annotations

import pytest

from logscope.definitions.dbc_entries import (
    DetailEntry,
    MessageEntry,
    SignalEntry,
    defined_attribute,
    read_detail,
    read_message,
    read_signal,
    subject,
)
from logscope.definitions.dbc_words import Unreadable, as_identifier, as_name, extended, factor_and_offset
from logscope.definitions.statements import statements

MARK = 0x80000000


@pytest.mark.parametrize(
    ("written", "name", "said"),
    [
        ("Speed_2", "Speed_2", None),
        (" Speed ", "Speed", None),
        ("_x", "_x", None),
        ("2nd", "_2nd", "“2nd” is not a name of letters, digits and underscores; read as “_2nd”"),
        ("Pack-Volt (HV)", "Pack_Volt_HV_", "read as “Pack_Volt_HV_”"),
        ("Größe", "Gr_e", "read as “Gr_e”"),
    ],
)
def test_a_name_has_letters_digits_and_underscores(written: str, name: str, said: str | None) -> None:
    found, repairs = as_name(written)
    assert found == name
    assert [each.doubtful for each in repairs] == ([] if said is None else [True])
    assert said is None or said in repairs[0].reason


@pytest.mark.parametrize(
    ("written", "number", "said"),
    [
        ("0", 0, []),
        ("2047", 2047, []),
        ("2048", MARK | 2048, ["identifier 0x800 needs an extended frame but lacks the mark 0x80000000"]),
        ("536870911", MARK | 0x1FFFFFFF, ["identifier 0x1FFFFFFF needs an extended frame"]),
        (str(MARK | 0x1FFFFFFF), MARK | 0x1FFFFFFF, []),
        (str(MARK | 5), MARK | 5, []),
        ("0x7FF", 2047, ["the identifier 0x7FF is hexadecimal; read as 2047"]),
        ("0X800", MARK | 2048, ["hexadecimal; read as 2048", "0x800 needs an extended frame"]),
    ],
)
def test_an_identifier_is_a_number_of_11_or_29_bits(written: str, number: int, said: list[str]) -> None:
    found, repairs = as_identifier(written, "M")
    assert found == number
    assert len(repairs) == len(said)
    assert all(words in each.reason and each.doubtful for words, each in zip(said, repairs, strict=True))


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("536870912", "identifier 0x20000000 is more than an extended frame's 29 bits"),
        (str(MARK | 0x20000000), "identifier 0xA0000000 is more than"),
        ("12x", "the identifier “12x” is not a number"),
        ("0x123456789", "is not a number"),
        ("12345678901", "is not a number"),
        ("-1", "is not a number"),
    ],
)
def test_an_identifier_that_no_frame_has_is_refused(written: str, said: str) -> None:
    with pytest.raises(Unreadable, match=said) as caught:
        as_identifier(written, "Pack")
    assert (caught.value.name, caught.value.marker) == ("Pack", "")


def test_what_needs_29_bits_gets_their_mark() -> None:
    numbers = (0, 2047, 2048, 0x1FFFFFFF, 0x20000000, MARK | 2048)
    assert [extended(value) for value in numbers] == [0, 2047, MARK | 2048, MARK | 0x1FFFFFFF, 0x20000000, MARK | 2048]


@pytest.mark.parametrize(
    ("written", "factor", "offset", "sound"),
    [
        ("0.1,-40", "0.1", "-40", True),
        (" 1 , 0 ", "1", "0", True),
        ("1e-3,+5", "1e-3", "+5", True),
        ("2.,0", "2.", "0", True),
        (".5,-.25", "0.5", "-0.25", False),
        ("0,1;-4,5", "0.1", "-4.5", False),
        ("0.1;5", "0.1", "5", False),
        ("0,1,5", "0.1", "5", False),
        ("-0,1,5", "-0.1", "5", False),
        ("1,5,2,5", "1.5", "2.5", False),
        ("1,5, 2", "1.5", "2", False),
        ("1, 2,5", "1", "2.5", False),
        ("9.9e299,0", "9.9e299", "0", True),
    ],
)
def test_factor_and_offset_are_read_where_only_one_reading_is_left(
    written: str, factor: str, offset: str, sound: bool
) -> None:
    found = factor_and_offset(written)
    assert found[:2] == (factor, offset)
    assert [each.doubtful for each in found[2]] == ([] if sound else [True])
    if not sound:
        reason = f"factor and offset ({written}) are not in standard form; read as {factor} and {offset}"
        assert found[2][0].reason == reason


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("1,0,5", "are ambiguous; write decimals with a point"),
        ("2,5,1", "are ambiguous"),
        ("1", "cannot be read"),
        ("1,2,3,4,5", "cannot be read"),
        ("a,0", "cannot be read"),
        ("1,b", "cannot be read"),
        ("1.1e300,0", "cannot be read"),
        ("1,-1.1e300", "cannot be read"),
        ("1e1000,0", "cannot be read"),
    ],
)
def test_factor_and_offset_with_two_readings_are_refused(written: str, said: str) -> None:
    with pytest.raises(Unreadable, match=said) as caught:
        factor_and_offset(written)
    assert f"({written})" in caught.value.reason


@pytest.mark.parametrize(
    ("text", "expected", "said"),
    [
        ("BO_ 256 Pack: 8 Hazel", MessageEntry(256, "Pack", 8, (), "Hazel"), []),
        ("BO_ 2147483653  Pack : 64 Hazel ", MessageEntry(MARK | 5, "Pack", 64, (), "Hazel"), []),
        ("BO_ 256 Pack: 8", MessageEntry(256, "Pack", 8), [("the sender is missing or not a name", False)]),
        ("BO_ 256 Pack: 8 a b", MessageEntry(256, "Pack", 8), [("the sender is missing", False)]),
        (
            "BO_ 0x800 2nd Pack: 0 Hazel",
            MessageEntry(MARK | 2048, "_2nd_Pack", 0, (), "Hazel"),
            [("read as “_2nd_Pack”", True), ("hexadecimal", True), ("extended frame", True)],
        ),
    ],
)
def test_a_message_has_its_identifier_name_length_and_sender(
    text: str, expected: MessageEntry, said: list[tuple[str, bool]]
) -> None:
    found = read_message(text)
    assert (found.number, found.name, found.length, found.sender) == (
        expected.number, expected.name, expected.length, expected.sender,
    )  # fmt: skip
    assert [each.doubtful for each in found.repairs] == [doubtful for _, doubtful in said]
    assert all(words in each.reason for (words, _), each in zip(said, found.repairs, strict=True))
    assert expected.sender == "Hazel" or found.sender == "Vector__XXX"  # what DBC files call an unknown sender


@pytest.mark.parametrize(
    ("text", "name"), [("BO_ 256 Pack 8 Hazel", "Pack"), ("BO_ 256 Pack: x Hazel", "Pack"), ("BO_ 256", "")]
)
def test_a_damaged_message_is_refused_by_its_likely_name(text: str, name: str) -> None:
    with pytest.raises(Unreadable, match="“BO_ identifier Name: length Sender” is expected") as caught:
        read_message(text)
    assert caught.value.name == name


@pytest.mark.parametrize(
    ("text", "name", "marker", "bits", "layout", "said"),
    [
        ('SG_ A : 7|16@0- (0.5,-1) [0|9] "V" Hazel', "A", "", 16, '7|16@0- (0.5,-1) [0|0] "V"', []),
        ('SG_ A M : 0|4@1+ (1,0) [0|0] "" X,Y', "A", "M", 4, '0|4@1+ (1,0) [0|0] ""', []),
        ('SG_ A m12 : 0|4@1+ (1,0) [-1e3|2.5] "" X', "A", "m12", 4, '0|4@1+ (1,0) [0|0] ""', []),
        ('SG_ A m3M : 0|4@1+ (1,0) [0|0] "" X', "A", "m3M", 4, '0|4@1+ (1,0) [0|0] ""', []),
        ('SG_ A:0|4@1+(1,0)"" X', "A", "", 4, '0|4@1+ (1,0) [0|0] ""', [("the range", False)]),
        ('SG_ A : 0|4@1+ (1,0) [0|x] "" X', "A", "", 4, '0|4@1+ (1,0) [0|0] ""', [("the range", False)]),
        ('SG_ A : 0|4@1+ (1,0) [0|1] "" ?', "A", "", 4, '0|4@1+ (1,0) [0|0] ""', [("the receivers", False)]),
        (
            'SG_ My A m0 : 16383|16383@1+ (.5,0) "a b" X', "My_A", "m0", 16383,
            '16383|16383@1+ (0.5,0) [0|0] "a b"',
            [("read as “My_A”", True), ("read as 0.5 and 0", True), ("the range", False)],
        ),
    ],
)  # fmt: skip
def test_a_signal_has_its_mark_place_and_conversion(
    text: str, name: str, marker: str, bits: int, layout: str, said: list[tuple[str, bool]]
) -> None:
    found = read_signal(text)
    assert (found.name, found.marker, found.bits, found.layout) == (name, marker, bits, layout)
    assert [each.doubtful for each in found.repairs] == [doubtful for _, doubtful in said]
    assert all(words in each.reason for (words, _), each in zip(said, found.repairs, strict=True))


@pytest.mark.parametrize(
    ("text", "name", "marker", "said"),
    [
        ('SG_ A m1 : 0|0@1+ (1,0) [0|0] "" X', "A", "m1", "the signal has no bits"),
        ('SG_ A : 16384|8@1+ (1,0) [0|0] "" X', "A", "", "beyond any payload"),
        ('SG_ A : 0|16384@1+ (1,0) [0|0] "" X', "A", "", "beyond any payload"),
        ('SG_ A M : 0|8@1+ (1,0,5) [0|0] "" X', "A", "M", "ambiguous"),
        ('SG_ A m2M 7 : 0|8@1+ (1,0) [0|0] "" X', "A", "M", "the multiplexer mark is inside the name"),
        ('SG_  : 0|8@1+ (1,0) [0|0] "" X', "", "", "the signal has no name"),
        ('SG_ A m1 : 0/8@1+ (1,0) [0|0] "" X', "A", "m1", "the signal cannot be read: “SG_ Name : start"),
        ("SG_ A M : 0|8@1+ (1,0) [0|0] X", "A", "M", "the unit is missing or its quotation marks are incomplete"),
        ('SG_ A : 0|8@1+ (1,0) [0|0] "V', "A", "", "quotation marks are incomplete"),
        ('SG_ A : 0|8@2+ (1,0) [0|0] "V" X', "A", "", "cannot be read"),
    ],
)
def test_a_damaged_signal_is_refused_by_its_name_and_mark(text: str, name: str, marker: str, said: str) -> None:
    with pytest.raises(Unreadable, match=said) as caught:
        read_signal(text)
    assert (caught.value.name, caught.value.marker) == (name, marker)


@pytest.mark.parametrize(
    ("marker", "selects", "selected", "written"),
    [
        ("", False, False, ' SG_ A : 0|4@1+ (1,0) [0|0] "" Receiver'),
        ("M", True, False, ' SG_ A M : 0|4@1+ (1,0) [0|0] "" Receiver'),
        ("m4", False, True, ' SG_ A m4 : 0|4@1+ (1,0) [0|0] "" Receiver'),
        ("m4M", True, True, ' SG_ A m4M : 0|4@1+ (1,0) [0|0] "" Receiver'),
    ],
)
def test_the_mark_says_who_selects_and_who_is_selected(
    marker: str, selects: bool, selected: bool, written: str
) -> None:
    entry = SignalEntry("A", marker, 4, '0|4@1+ (1,0) [0|0] ""')
    assert (entry.selects, entry.selected, entry.dbc()) == (selects, selected, written)


@pytest.mark.parametrize(
    ("kind", "text", "written"),
    [
        ("VAL_", 'VAL_ 256 State 1 "On" -2 "Off" ;', 'VAL_ 256 State 1 "On" -2 "Off" ;'),
        ("VAL_", 'VAL_ 2048 State 1 "On";', f'VAL_ {MARK | 2048} State 1 "On" ;'),
        ("SIG_VALTYPE_", "SIG_VALTYPE_ 256 Gain : 1;", "SIG_VALTYPE_ 256 Gain : 1;"),
        ("SG_MUL_VAL_", "SG_MUL_VAL_ 256 Gain Page 0-1, 5-9;", "SG_MUL_VAL_ 256 Gain Page 0-1, 5-9;"),
        ("BA_", 'BA_ "Period" BO_ 256 10;', 'BA_ "Period" BO_ 256 10;'),
        ("BA_", 'BA_ "Long" SG_ 256 Gain "Of \\"it\\"";', 'BA_ "Long" SG_ 256 Gain "Of \\"it\\"";'),
        ("BA_", 'BA_ "Type" "J1939";', 'BA_ "Type" "J1939";'),
        ("VAL_", 'VAL_ Mode 1 "On";', None),  # of an environment variable
        ("VAL_", "VAL_ 256 State;", None),  # without any text
        ("BA_", 'BA_ "Node" BU_ Hazel 1;', None),
        ("BA_", 'BA_ "Variable" EV_ Mode 1;', None),
    ],
)  # fmt: skip
def test_a_detail_is_written_as_the_standard_has_it(kind: str, text: str, written: str | None) -> None:
    found = read_detail(kind, text)
    assert (None if found is None else found.dbc()) == written
    if found is not None:
        assert found.repairs == ()
        (repair,) = (read_detail(kind, text.rstrip(";")) or found).repairs
        assert "semicolon at its end is missing" in repair.reason
        assert not repair.doubtful


def test_a_detail_knows_whom_it_is_about() -> None:
    assert read_detail("BA_", 'BA_ "P" BO_ 256 10;') == DetailEntry("BA_", 256, "", "10", attribute="P")
    assert read_detail("BA_", 'BA_ "P" SG_ 256 A 1.5e3;') == DetailEntry("BA_", 256, "A", "1.5e3", attribute="P")
    assert read_detail("BA_", 'BA_ "P" 10;') == DetailEntry("BA_", None, "", "10", attribute="P")
    assert read_detail("SIG_VALTYPE_", "SIG_VALTYPE_ 9 G : 2;") == DetailEntry("SIG_VALTYPE_", 9, "G", ": 2")
    assert read_detail("SG_MUL_VAL_", "SG_MUL_VAL_ 9 G P 3-3;") == DetailEntry("SG_MUL_VAL_", 9, "G", "3-3", "P")


@pytest.mark.parametrize(
    ("kind", "text", "said", "name"),
    [
        ("SIG_VALTYPE_", "SIG_VALTYPE_ 256 Gain 1;", "cannot be read", ""),
        ("SIG_VALTYPE_", "SIG_VALTYPE_ 256 Gain : 3;", "cannot be read", ""),
        ("VAL_", 'VAL_ 256 State 1 "On" 2 Off "x";', "the list of numbers and texts cannot be read", "State"),
        ("VAL_", 'VAL_ 25x State 1 "On";', "the identifier “25x” is not a number", ""),
        ("BA_", 'BA_ "P" BO_ ;', "the attribute cannot be read", ""),
        ("BA_", 'BA_ "P" BO_ 5 6 7;', "it is unclear what the attribute belongs to", ""),
        ("BA_", 'BA_ "P" SG_ 256 7;', "it is unclear what the attribute belongs to", ""),
        ("BA_", 'BA_ "P" Pack 7;', "it is unclear what the attribute belongs to", ""),
    ],
)
def test_a_damaged_detail_is_refused(kind: str, text: str, said: str, name: str) -> None:
    with pytest.raises(Unreadable, match=said) as caught:
        read_detail(kind, text)
    assert caught.value.name == name


def test_a_damaged_statement_may_still_show_its_subject() -> None:
    assert subject("SIG_VALTYPE_ 256 Gain ? 1") == (256, "Gain")
    assert subject("VAL_ 2048 State") == (MARK | 2048, "State")
    assert subject("VAL_ x State") is None
    assert defined_attribute('BA_DEF_ BO_ "Period" INT 0 9') == "Period"
    assert defined_attribute('BA_DEF_ "All" INT') == "All"
    assert defined_attribute("BA_DEF_ BO_ Period INT") is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("// x\n\nBO_ 1 A: 8 X // y\n SG_ B", [(3, "BO_", "BO_ 1 A: 8 X"), (4, "SG_", "SG_ B")]),
        ('CM_ "a // b";', [(1, "CM_", 'CM_ "a // b";')]),
        ("NS_ :\n\tCM_\n\tVAL_\nBS_:", [(1, "NS_", "NS_ :"), (4, "BS_", "BS_:")]),
        ('VAL_ 1 A 0 "x;y" ; VAL_ 2 B 1 "z";', [(1, "VAL_", 'VAL_ 1 A 0 "x;y" ;'), (1, "VAL_", 'VAL_ 2 B 1 "z";')]),
        ('VAL_ 1 A 0 "x"\n1 "y" ;\nstray', [(1, "VAL_", 'VAL_ 1 A 0 "x"\n1 "y" ;'), (3, "", "stray")]),
        ('VAL_ 1 A 0 "x"\nstray', [(1, "VAL_", 'VAL_ 1 A 0 "x"'), (2, "", "stray")]),
        ('CM_ "a\nb";BU_: X', [(1, "CM_", 'CM_ "a\nb";'), (2, "BU_", "BU_: X")]),
        ('CM_ "a\nBU_: X', [(1, "CM_", 'CM_ "a'), (2, "BU_", "BU_: X")]),
        ('CM_ "a\nVAL_ 1 A 0 "x" ;', [(1, "CM_", 'CM_ "a'), (2, "VAL_", 'VAL_ 1 A 0 "x" ;')]),
        ('CM_ "the "a; b" value";', [(1, "CM_", 'CM_ "the "a; b" value";')]),
        ("BU_: X\n Y\n Z\nBO_ 1 A: 8 X", [(1, "BU_", "BU_: X\n Y\n Z"), (4, "BO_", "BO_ 1 A: 8 X")]),
        (
            'BO_ 1 A: 8 X SG_ B : 0|8@1+ (1,0) [0|0] "" X SG_ C : 1',
            [(1, "BO_", "BO_ 1 A: 8 X"), (1, "SG_", 'SG_ B : 0|8@1+ (1,0) [0|0] "" X'), (1, "SG_", "SG_ C : 1")],
        ),
        ('SG_ B : 0|8@1+\n(1,0)\n[0|0]\n"V"\nX', [(1, "SG_", 'SG_ B : 0|8@1+\n(1,0)\n[0|0]\n"V"\nX')]),
        (
            'SG_ B : 0|8@1+\n(1,0)\n[0|0]\n"V"\n-\nX',
            [(1, "SG_", "SG_ B : 0|8@1+"), *((k, "", t) for k, t in ((2, "(1,0)"), (3, "[0|0]"), (4, '"V"'), (5, "-"),
                                                                    (6, "X")))],
        ),
        ("BO_ 1\nA: 8\n\nX", [(1, "BO_", "BO_ 1"), (2, "", "A: 8"), (4, "", "X")]),
        ("BOX 1", [(1, "", "BOX 1")]),
    ],
)  # fmt: skip
def test_statements_begin_and_end_as_their_kind_does(text: str, expected: list[tuple[int, str, str]]) -> None:
    assert [(each.line, each.kind, each.text) for each in statements(text)] == expected
