"""A damaged DBC file read and mended: each place that is reported, by its line and whose values it costs. By hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.definitions import mend
from logscope.definitions.complaints import Complaint
from logscope.definitions.dbc_reading import Reading, read_dbc
from logscope.definitions.mend import _selected, lenient, mended_dbc, too_large
from logscope.definitions.skipped import Skipped
from logscope.definitions.spec import MessageSpec

FILE = Path("folder") / "hazel.dbc"

HEAD = 'BO_ 256 Pack: 8 Hazel\n SG_ Voltage : 0|16@1+ (0.1,0) [0|0] "V" Hazel\n'  # lines 1 and 2


def said(reading: Reading) -> list[tuple[int | None, str, bool, str, tuple[str, ...]]]:
    return [(each.line, each.reason, each.kept, each.message, each.signals) for each in reading.skipped]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("stray", (3, "no statement of a DBC file begins like this", False, "", ())),
        ("BO_ 5x5 Bad: 8 X", (3, "the identifier “5x5” is not a number", False, "Bad", ())),
        (
            'BO_ 256 Other: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X',
            (3, "its identifier is that of message Pack in line 1, which is used", False, "Other", ()),
        ),
        (
            'SG_ Voltage : 8|8@1+ (1,0) [0|0] "" X',
            (3, "message Pack has a signal of that name in line 2, which is used", False, "Pack", ("Voltage",)),
        ),
        ("SG_ A : 8/8@1+", (3, "the unit is missing or its quotation marks are incomplete", False, "Pack", ("A",))),
        (
            'SG_ A b : 8|8@1+ (1,0) [0|0] "" X',
            (3, "“A b” is not a name of letters, digits and underscores; read as “A_b”", True, "Pack", ("A_b",)),
        ),
        (
            'SG_ A : 8|8@1+ (1,0) "" X',
            (3, "the range [minimum|maximum] is missing or unreadable; not needed", True, "", ()),
        ),
        ('BS_:\nSG_ A : 8|8@1+ (1,0) [0|0] "" X', (4, "the signal is outside any message", False, "", ())),
        ('VAL_ 257 Voltage 1 "On" ;', (3, "there is no message 257", False, "", ())),
        ('VAL_ 256 Gone 1 "On" ;', (3, "message Pack has no signal Gone", False, "", ())),
        ('VAL_ 256 Voltage 1 "On" 2 b "x" ;', (3, "the list of numbers and texts cannot be read", False, "Pack",
                                               ("Voltage",))),
        ('BA_ "P" BO_ 256 1;', (3, "attribute P is used but not defined by BA_DEF_; not needed", False, "", ())),
        ('BA_DEF_ "P" INT 0 1', (3, "the semicolon at its end is missing; read as if it were there", True, "", ())),
        ('CM_ BO_ 256 "a" b;', (3, "the comment is not in standard form; not needed", False, "", ())),
        ('EV_ "a;', (3, "a quotation mark is missing; not needed", False, "", ())),
    ],
)  # fmt: skip
def test_each_damaged_place_is_reported_with_whose_values_it_costs(
    text: str, expected: tuple[int, str, bool, str, tuple[str, ...]]
) -> None:
    assert said(read_dbc(HEAD + text + "\n", FILE)) == [expected]


def test_statements_that_nothing_needs_are_read_in_silence() -> None:
    sound = (
        'CM_ "a; b";\nCM_ SG_ 256 Voltage "of the \\"pack\\"";\nCM_ BU_ Hazel "x";\nVAL_ Mode 1 "On";\n'
        'BA_DEF_ BO_ "P" INT 0 9;\nBA_ "P" BO_ 256 1;\nBO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n'
        ' SG_ Lost : 0|8@1+ (1,0) [0|0] "" X\n'
    )
    reading = read_dbc(HEAD + sound, FILE)
    assert said(reading) == []
    assert list(reading.blocks) == [256]
    assert reading.header == []
    assert reading.attributes == {"P"}


def test_an_attribute_that_is_not_defined_is_reported_once() -> None:
    reading = read_dbc(HEAD + 'BA_ "P" BO_ 256 1;\nBA_ "P" BO_ 256 1;\nBA_ "Q" 1;\n', FILE)
    assert [(each.line, each.reason[:11]) for each in reading.skipped] == [(3, "attribute P"), (5, "attribute Q")]


def test_of_two_heads_the_one_with_signals_is_used() -> None:
    reading = read_dbc(f"BO_ 256 Empty: 8 Hazel\n{HEAD}", FILE)
    assert said(reading) == [
        (1, "it has no signals, and line 2 defines the same identifier; that one is used", False, "", ())
    ]
    assert (reading.blocks[256].line, list(reading.blocks[256].signals)) == (2, ["Voltage"])
    assert reading.blocks[256].lines == {"Voltage": 3}


def test_a_message_knows_its_selectors_and_what_was_refused() -> None:
    text = (
        HEAD + 'SG_ Page M : 16|8@1+ (1,0) [0|0] "" X\nSG_ Item m1M : 24|8@1 "" X\nSG_ A m1 : 1\n'
        "SIG_VALTYPE_ 256 Gone : 1;\nSIG_VALTYPE_ 999 A : 1;\nSIG_VALTYPE_ 256 Voltage 1;\nBO_ 9999999999 Far: 8 X\n"
    )
    reading = read_dbc(text, FILE)
    block = reading.blocks[256]
    assert (block.selectors, block.wanting) == ({"Page", "Item"}, {"Item", "A"})
    assert list(block.signals) == ["Voltage", "Page"]
    assert [(at.line, about) for at, about in reading.unclear] == [(8, (256, "Voltage")), (7, (999, "A"))]
    assert reading.refused == {9999999999}
    block.refuse("Page")
    assert (list(block.signals), block.wanting) == (["Voltage"], {"Item", "A", "Page"})


def test_only_the_attributes_that_decide_how_frames_are_matched_are_kept() -> None:
    text = HEAD + (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "a","b";\nBA_DEF_DEF_ "VFrameFormat" "a";\nBA_DEF_ "ProtocolType" STRING ;\n'
        'BA_DEF_ "Other" INT 0 1;\nBA_ "ProtocolType" "J1939";\nBA_ "Other" 1;\nBA_ "VFrameFormat" BO_ 256 1;\n'
        'BA_DEF_ SG_ "Long" STRING ;\nBA_ "Long" SG_ 256 Voltage "x";\n'
    )
    reading = read_dbc(text, FILE)
    assert said(reading) == []
    assert reading.header == [
        'BA_DEF_ BO_ "VFrameFormat" ENUM "a","b" ;', 'BA_DEF_DEF_ "VFrameFormat" "a" ;',
        'BA_DEF_ "ProtocolType" STRING ;', 'BA_ "ProtocolType" "J1939";',
    ]  # fmt: skip
    assert [(line, detail.attribute) for line, detail in reading.blocks[256].details] == [(9, "VFrameFormat")]


# ------------------------------------------------------------------------------------ what is mended


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (HEAD, None),
        (HEAD + 'SG_ A : 99999|8@1+ (1,0) [0|0] "" X', None),
        (HEAD + 'SG_ A : 100000|8@1+ (1,0) [0|0] "" X', 3),
        (HEAD + 'SG_ A : 0|100000@1+ (1,0) [0|0] "" X', 3),
        (HEAD + 'SG_ A : 0|8@1+ (1e999,0) [0|0] "" X', None),
        (HEAD + 'SG_ A : 0|8@1+ (1e1000,0) [0|0] "" X', 3),
        (HEAD + "BO_ 7 Other: 100000 X", 3),
        (HEAD + 'BA_ "P" 1e1000;', 3),
        (HEAD + "SG_MUL_VAL_ 256 A B 0-65535;", None),
        (HEAD + "SG_MUL_VAL_ 256 A B 0-65536;", 3),
        (HEAD + "SG_MUL_VAL_ 256 A B 1-40000, 5-40000;\nBO_ 7 Other: 100000 X", 3),
        ("BO_ 7 Other: 100000 X\n" + HEAD, 1),
    ],
)
def test_a_number_that_no_file_means_is_found_before_it_is_parsed(text: str, line: int | None) -> None:
    found = too_large(text)
    said_of_it = "a number is too large to be intended"
    assert found == (None if line is None else Complaint(said_of_it, line, "Correct the definition."))


@pytest.mark.parametrize(
    ("ranges", "count"),
    [("3-3", 1), ("0-1, 5-9", 7), ("9-5", 0), ("0-999999999999999999", 10**18), ("1-1234567890123456789", 65_537)],
)
def test_the_values_that_select_a_signal_are_counted(ranges: str, count: int) -> None:
    assert _selected(f"SG_MUL_VAL_ 5 A B {ranges}") == count


def signal(name: str, place: str, marker: str = "", sign: str = "+") -> str:
    return f' SG_ {name} {marker} : {place}@1{sign} (1,0) [0|0] "" X\n'


def mended(text: str) -> tuple[dict[str, MessageSpec], list[tuple[int | None, str, bool, str, tuple[str, ...]]]]:
    found = mended_dbc(text, FILE)
    return {message.name: message for message in found.messages}, [
        (each.line, each.reason, each.kept, each.message, each.signals) for each in found.skipped
    ]


@pytest.mark.parametrize(
    ("length", "body", "long", "names", "expected"),
    [
        (2, signal("A", "0|16"), 2, ["A"], []),
        (2, signal("A", "0|17"), 3, ["A"],
         [(2, "it needs 3 bytes, but the message is defined with 2; kept", True, "M", ("A",))]),
        (8, signal("A", "504|8"), 64, ["A"],
         [(2, "it needs 64 bytes, but the message is defined with 8; kept", True, "M", ("A",))]),
        (8, signal("A", "0|8") + signal("B", "505|8"), 8, ["A"],
         [(3, "it reaches beyond the 64 bytes of the longest frame, or its multiplexer does", False, "M", ("B",))]),
        (100, signal("A", "792|8"), 100, ["A"], []),
        (100, signal("A", "0|8") + signal("B", "793|8"), 100, ["A"],
         [(3, "it reaches beyond the 100 bytes of the longest frame, or its multiplexer does", False, "M", ("B",))]),
        (8, signal("A", "0|8") + signal("S", "512|8", "M") + signal("B", "8|8", "m1"), 8, ["A"],
         [(4, "it reaches beyond the 64 bytes of the longest frame, or its multiplexer does", False, "M", ("B",)),
          (3, "it reaches beyond the 64 bytes of the longest frame, or its multiplexer does", False, "M", ("S",))]),
        (8, signal("A", "0|8") + signal("B", "7|8"), 8, ["A", "B"],
         [(3, "it overlaps A; all are kept, but one of them must be wrong", True, "M", ("B", "A"))]),
        (8, "".join(signal(n, "0|2") for n in "ABC") + signal("D", "1|8"), 8, ["A", "B", "C", "D"],
         [(3, "it overlaps A; all are kept, but one of them must be wrong", True, "M", ("B", "A")),
          (4, "it overlaps A, B; all are kept, but one of them must be wrong", True, "M", ("C", "A", "B")),
          (5, "it overlaps A, B, C; all are kept, but one of them must be wrong", True, "M", ("D", "A", "B", "C"))]),
        (8, "".join(signal(n, p) for n, p in zip("ABCD", ("0|1", "1|1", "2|1", "3|1"), strict=True))
         + signal("E", "0|8"), 8, ["A", "B", "C", "D", "E"],
         [(6, "it overlaps A, B, C and 1 more; all are kept, but one of them must be wrong", True, "M",
           ("E", "A", "B", "C", "D"))]),
    ],
)  # fmt: skip
def test_signals_that_overlap_or_do_not_fit_are_reported_by_their_lines(
    length: int, body: str, long: int, names: list[str], expected: list[tuple[int, str, bool, str, tuple[str, ...]]]
) -> None:
    messages, places = mended(f"BO_ 5 M: {length} X\n{body}")
    assert places == expected
    assert (messages["M"].length, sorted(each.name for each in messages["M"].signals)) == (long, names)


@pytest.mark.parametrize(
    ("body", "names", "reasons"),
    [
        (signal("P", "0|8", "M") + signal("A", "8|8", "m1"), ["P", "A"], []),
        (signal("A", "8|8", "m1"), [], [(2, "its multiplexer is unknown")]),
        (signal("P", "0|8", "M") + signal("Q", "8|8", "M") + signal("A", "16|8", "m1"), ["P", "Q"],
         [(4, "its multiplexer is unknown")]),
        (signal("P", "0|8", "M") + signal("A", "8|8", "m1") + "SG_MUL_VAL_ 5 A A 1-1;\n", ["P"],
         [(3, "its multiplexer is unknown")]),
        (signal("P", "0|8", "M") + signal("A", "8|8", "m1") + "SG_MUL_VAL_ 5 A Gone 1-1;\n", ["P"],
         [(3, "its multiplexer Gone is missing")]),
        (signal("P", "0|65", "M") + signal("A", "80|8", "m1"), [], [(3, "its multiplexer P is wider than 64 bits")]),
        (signal("P", "0|64", "M") + signal("A", "80|8", "m1"), ["P", "A"], []),
        (signal("P", "0|8", "M") + signal("A", "8|8", "m1M") + signal("B", "16|8", "m2")
         + "SG_MUL_VAL_ 5 A Gone 1-1;\nSG_MUL_VAL_ 5 B A 2-2;\n", ["P"],
         [(3, "its multiplexer Gone is missing"), (4, "its multiplexer A is missing")]),
        (signal("P", "0|32", "M") + signal("A", "32|8", "m1") + "SG_MUL_VAL_ 5 A P 0-65536;\n", ["P", "A"],
         [(4, "it is selected by more than 65536 values")]),
    ],
)  # fmt: skip
def test_a_selected_signal_is_refused_without_its_selector(
    body: str, names: list[str], reasons: list[tuple[int, str]]
) -> None:
    messages, places = mended(f"BO_ 5 M: 16 X\n{body}")
    assert [(line, reason) for line, reason, *_ in places] == reasons
    assert [each.name for each in messages["M"].signals] == names


@pytest.mark.parametrize(
    ("body", "names", "reasons"),
    [
        (signal("A", "0|32") + "SIG_VALTYPE_ 5 A : 1;\n", ["A"], []),
        (signal("A", "0|32") + "SIG_VALTYPE_ 5 A 1;\n", [],
         [(3, "cannot be read"), (2, "integer or float is unknown, because line 3 cannot be used")]),
        (signal("A", "0|31") + "SIG_VALTYPE_ 5 A 1;\n", ["A"], [(3, "cannot be read")]),  # can be no float
        (signal("A", "0|16") + signal("B", "16|16") + "SIG_VALTYPE_ 5 B : 0;\nSIG_VALTYPE_ 5x : A B;\n", ["B"],
         [(5, "cannot be read"), (2, "integer or float is unknown, because line 5 cannot be used")]),
        (signal("A", "0|24") + "SIG_VALTYPE_ 5 A : 1;\n", [],
         [(2, "line 3 says that it is a float, but it has 24 bits, not 16, 32 or 64")]),
        (signal("A", "0|24") + "SIG_VALTYPE_ 5 A : 0;\n", ["A"], []),
    ],
)  # fmt: skip
def test_what_may_be_a_float_or_an_integer_is_refused(
    body: str, names: list[str], reasons: list[tuple[int, str]]
) -> None:
    messages, places = mended(f"BO_ 5 M: 8 X\n{body}")
    assert [(line, reason) for line, reason, *_ in places] == reasons
    assert [each.name for each in messages["M"].signals] == names


def test_other_formats_are_read_for_what_overlaps_and_nothing_else() -> None:
    assert lenient("<a>", "kcd", FILE).messages == ()
    signals = '<Signal name="A" offset="0" length="12"/><Signal name="B" offset="8" length="8"/>'
    text = (
        '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document name="H"/><Bus name="b">'
        f'<Message id="0x1A" length="8" name="M">{signals}</Message></Bus></NetworkDefinition>'
    )
    (only,) = lenient(text, "kcd", FILE).skipped
    overlap = "it overlaps A; all are kept, but one of them must be wrong"
    assert only == Skipped(FILE, None, "M.B", overlap, True, "M", ("B", "A"))


# ------------------------------------------------------------------------------ attributes at fault

FORMAT = 'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'


@pytest.mark.parametrize(
    ("attributes", "j1939", "said"),
    [
        ("", False, []),
        (FORMAT + 'BA_ "VFrameFormat" BO_ 2147483653 3;\n', True, []),
        (FORMAT + 'BA_ "VFrameFormat" BO_ 2147483653 1;\n', False, []),
        ('BA_DEF_ "ProtocolType" STRING ;\nBA_ "ProtocolType" "J1939";\n', True, []),
        ('BA_DEF_ BO_ "VFrameFormat" ENUM "a",;\n', False, [("frame formats and protocol are unknown: ", False, "")]),
        (
            'BA_DEF_ BO_ "VFrameFormat" INT 0 9;\nBA_ "VFrameFormat" BO_ 2147483653 "x";\n', False,
            [("its attributes are left out: ", True, "M")],
        ),
    ],
)  # fmt: skip
def test_attributes_decide_how_frames_are_matched_or_are_left_out(
    attributes: str, j1939: bool, said: list[tuple[str, bool, str]]
) -> None:
    messages, places = mended(f"BO_ 2147483653 M: 8 X\n{signal('A', '0|8')}{attributes}")
    assert (messages["M"].j1939, messages["M"].extended) == (j1939, True)
    assert [(kept, message) for _, _, kept, message, _ in places] == [(kept, message) for _, kept, message in said]
    assert all(reason.startswith(words) for (_, reason, *_), (words, *_) in zip(places, said, strict=True))


def test_a_message_that_no_reading_can_use_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(text: str, *_: object, **__: object) -> None:
        raise ValueError("of " + ("attributes" if "BA_DEF_" in text else "signals"))

    monkeypatch.setattr(mend, "parse", refused)
    messages, places = mended(f"BO_ 5 M: 8 X\n{signal('A', '0|8')}")
    assert messages == {}
    assert places == [(1, "the message cannot be used: of signals", False, "M", ())]
