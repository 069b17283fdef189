"""What is said of a definition file's faults: which place, in which line, and whose values are lost. By hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.definitions.can import load_definitions
from logscope.definitions.complaints import END_MARK, Complaint, as_complaint
from logscope.definitions.skipped import Skipped, shown, why_lost

FILE = Path("folder") / "hazel.dbc"


def place(message: str = "", *signals: str, kept: bool = False, line: int | None = 7) -> Skipped:
    return Skipped(FILE, line, "text", "reason", kept, message, signals)


@pytest.mark.parametrize(
    ("places", "expected"),
    [
        ([place("Pack", "Voltage")], 0),
        ([place("Pack", "Voltage", kept=True)], None),  # in doubt, but defined all the same
        ([place("Pack", "Voltage", kept=True), place("Pack", "Voltage")], 1),
        ([place("Pack", "Current", "Voltage")], 0),
        ([place("Pack", "Current")], None),
        ([place("Motor", "Voltage")], None),
        ([place("Pack")], 0),  # the whole message
        ([place("")], None),  # nobody's values
        ([place("Motor"), place("Pack"), place("Pack", "Voltage")], 1),  # the first
        ([], None),
    ],
)
def test_a_signal_is_lost_by_the_first_place_that_concerns_it_and_was_left_out(
    places: list[Skipped], expected: int | None
) -> None:
    assert why_lost(places, "Pack", "Voltage") is (None if expected is None else places[expected])


def test_a_place_concerns_its_signals_or_all_of_its_message() -> None:
    assert not place("", "Voltage").concerns("", "Voltage")
    assert place("Pack", kept=True).concerns("Pack", "Voltage")  # in doubt counts here
    assert (place(line=7).where, place(line=None).where) == ("hazel.dbc:7", "hazel.dbc")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a  b\n c", "a b c"),
        ("x" * 60, "x" * 60),
        ("x" * 61, "x" * 60 + "…"),
        ("x" * 59 + " yz", "x" * 59 + "…"),
    ],
)
def test_sixty_characters_of_a_place_are_shown(text: str, expected: str) -> None:
    assert shown(text) == expected


TEXT = "VERSION\nBO_ 5 Motor: 8 X\n SG_ Speed : x\nBO_ 6 Pack: 8 X\n SG_ Speed : y\nVAL_ 6 Speed 1 ;\n"


@pytest.mark.parametrize(
    ("said", "text", "expected"),
    [
        ("", "a", Complaint("Exception", None, "Correct the definition.")),
        ("any", " \n", Complaint("the file is empty", None, "Export the definitions again.")),
        (
            'Invalid syntax at line 3, column 9: " SG_ Spe>>!<<ed : x"', TEXT,
            Complaint("cannot be read from column 9 on: “ed : x”", 3, "Correct that line."),
        ),
        (
            f'Invalid syntax at line 7, column 1: ">>!<<{END_MARK.strip()}"', TEXT,
            Complaint("the last statement is cut off", 6, "Complete it, or remove it."),
        ),
        (
            f'Invalid syntax at line 3, column 9: ">>!<<{"y" * 40}"', TEXT,
            Complaint(f"cannot be read from column 9 on: “{'y' * 40}”", 3, "Correct that line."),
        ),
        (
            f'Invalid syntax at line 3, column 9: ">>!<<{"y" * 41}"', TEXT,
            Complaint(f"cannot be read from column 9 on: “{'y' * 40}…”", 3, "Correct that line."),
        ),
        (
            'Invalid syntax at line 3, column 9: "abc>>!<< "', TEXT,
            Complaint("cannot be read from column 9 on", 3, "Correct that line."),
        ),
        (
            "mismatched tag: line 2, column 5", "<a>\n<b></a>",
            Complaint("cannot be read: mismatched tag, column 5", 2, "Correct that line."),
        ),
        (
            "The signals Speed and Torque are overlapping in message Pack.", TEXT,
            Complaint("The signals Speed and Torque are overlapping in message Pack.", 5,
                      "Correct the start bit, the length or the byte order of one of them."),
        ),
        (
            "The signal Gone does not fit in message Pack.", TEXT,
            Complaint("The signal Gone does not fit in message Pack.", 4,
                      "Correct the signal's start bit, length or byte order, or the message's length."),
        ),
        (
            "more than 11 bits in message Motor", TEXT,
            Complaint("more than 11 bits in message Motor", 2,
                      "In a DBC file, an extended frame's identifier has 2147483648 (0x80000000) added."),
        ),
        (
            "no signal for VAL_ 6 Speed", TEXT,
            Complaint("no signal for VAL_ 6 Speed", 6,
                      "Name an existing message and signal there, or remove the line."),
        ),
        (
            "message Gone has two signals named X", TEXT,
            Complaint("message Gone has two signals named X", None, "Rename one of them."),
        ),
        ("only supported is 4", TEXT, Complaint("only supported is 4", None, "Save it in a supported version of the "
                                                                             "format.")),
    ],
)  # fmt: skip
def test_what_a_parser_says_becomes_a_line_and_an_advice(said: str, text: str, expected: Complaint) -> None:
    assert as_complaint(Exception(said), text) == expected


@pytest.mark.parametrize("cause", [KeyError("x"), IndexError("x"), TypeError("x"), AttributeError("x")])
def test_a_built_in_error_is_a_contradiction(cause: Exception) -> None:
    expected = f"the definitions are contradictory or incomplete ({type(cause).__name__}: {cause})"
    assert as_complaint(cause, "a").what == expected
    assert as_complaint(ValueError("x"), "a").what == "x"


def test_a_complaint_as_an_error_names_file_and_line() -> None:
    assert str(Complaint("bad", 7, "Mend it.").as_error(FILE)) == f"{FILE}:7: bad. Mend it."
    assert str(Complaint("bad", None, "Mend it.").as_error(FILE)) == f"{FILE}: bad. Mend it."


# ------------------------------------------------------------------------------------ factors of zero

SOUND = """BU_: A
BO_ 16 Pack: 8 A
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" A
 SG_ Voltage : 8|16@1+ (0.1,0) [0|0] "V" A
 SG_ Current m1 : 24|16@1- (0.1,-5) [0|0] "A" A
"""


@pytest.mark.parametrize(
    ("old", "new", "lost", "reason"),
    [
        ("(0.1,0)", "(0,0)", {"Voltage"}, "a factor of 0 makes every value 0"),
        ("(0.1,0)", "(-0.0,0)", {"Voltage"}, "a factor of 0 makes every value 0"),
        ("(0.1,0)", "(1e-400,0)", {"Voltage"}, "a factor of 0 makes every value 0"),  # smaller than any double
        ("(0.1,-5)", "(0,-5)", {"Current"}, "a factor of 0 makes every value -5"),
        ("(0.1,-5)", "(1e400,-5)", {"Current"}, "factor and offset (1e400,-5) cannot be read"),
        ("(0.1,-5)", "(1,-1e400)", {"Current"}, "factor and offset (1,-1e400) cannot be read"),
    ],
)
def test_a_signal_whose_values_could_only_be_one_is_left_out_and_reported(
    tmp_path: Path, old: str, new: str, lost: set[str], reason: str
) -> None:
    """Some files hold a factor of 0, which the editor for them refuses (cantools, issues 435 and 613)."""
    path = tmp_path / "pack.dbc"
    path.write_text(SOUND.replace(old, new), encoding="utf-8")
    found = load_definitions(path)
    (message,) = found.messages
    assert {signal.name for signal in message.signals} == {"Page", "Voltage", "Current"} - lost
    (only,) = found.skipped
    assert (only.signals, only.kept) == (tuple(lost), False)
    assert only.reason == reason
    assert only.line == SOUND[: SOUND.index(old)].count("\n") + 1


def test_a_multiplexer_of_factor_zero_is_its_bits(tmp_path: Path) -> None:
    """What it selects goes by them, whatever its own values are."""
    path = tmp_path / "pack.dbc"
    path.write_text(SOUND.replace("(1,0)", "(0,0)"), encoding="utf-8")
    found = load_definitions(path)
    assert [(signal.name, signal.scale) for signal in found.messages[0].signals] == [
        ("Page", 1.0), ("Voltage", 0.1), ("Current", 0.1),
    ]  # fmt: skip
    (only,) = found.skipped
    assert (only.signals, only.kept, only.line) == (("Page",), True, 3)
    assert only.reason == "a factor of 0 makes every value 0; read as 1"


@pytest.mark.parametrize(("factor", "lost"), [("0", True), ("0.5", False)])
def test_a_factor_of_zero_in_another_format_is_reported_and_kept(tmp_path: Path, factor: str, lost: bool) -> None:
    path = tmp_path / "pack.kcd"
    path.write_text(
        '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/><Bus name="A">'
        '<Message id="0x10" name="Pack" length="8"><Signal name="Voltage" offset="8" length="16">'
        f'<Value slope="{factor}" intercept="3" unit="V"/></Signal></Message></Bus></NetworkDefinition>',
        encoding="utf-8",
    )
    found = load_definitions(path)
    assert [signal.scale for signal in found.messages[0].signals] == [float(factor)]
    assert [(each.text, each.reason, each.kept) for each in found.skipped] == (
        [("Pack.Voltage", "its factor and offset make every value 3", True)] if lost else []
    )
