"""Slips of the hand in DBC files: each costs what it must and no more, and is reported with its line.

The oracle for what a mended statement means is cantools, reading the same file written properly.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from sloppy_files import HEAD, MOTOR, PACK, SOUND, assert_same_as, load, places

from logscope.definitions.can import load_definitions


@pytest.mark.parametrize(
    ("sloppy", "proper", "expected", "words"),
    [
        pytest.param(
            SOUND.replace("0|16@1+ (0.1,0)", "0|16@1+ (0,1,0)"), SOUND, [(8, True)], "read as 0.1 and 0", id="comma"
        ),
        pytest.param(
            SOUND.replace("(1,-100)", "(1,0; -100,0)"),
            SOUND.replace("(1,-100)", "(1.0,-100.0)"),
            [(11, True)],
            "read as 1.0 and -100.0",
            id="comma and semicolon",
        ),
        pytest.param(SOUND.replace("(0.1,0)", "(.1,0)"), SOUND, [(8, True)], "read as 0.1 and 0", id="no leading zero"),
        pytest.param(
            SOUND.replace("BO_ 256", "BO_ 0x100"), SOUND, [(7, True)], "hexadecimal; read as 256", id="hexadecimal"
        ),
        pytest.param(
            SOUND.replace("BO_ 512", "BO_ 419361278"),
            SOUND.replace("BO_ 512", f"BO_ {419361278 | 1 << 31}"),
            [(10, True)],
            "needs an extended frame",
            id="no mark of an extended frame",
        ),
        pytest.param(
            SOUND.replace("SG_ Voltage", "SG_ Pack-Voltage (HV)"),
            SOUND.replace("SG_ Voltage", "SG_ Pack_Voltage_HV_"),
            [(8, True)],
            "read as “Pack_Voltage_HV_”",
            id="spaces and hyphen in a name",
        ),
        pytest.param(
            SOUND.replace("512 Motor", "512 2nd Motor"),
            SOUND.replace("512 Motor", "512 _2nd_Motor"),
            [(10, True)],
            "read as “_2nd_Motor”",
            id="digit before a name",
        ),
        pytest.param(
            SOUND.replace(": 8 Hazel\n SG_ Sp", ": 8\n SG_ Sp"), SOUND, [(10, True)], "sender", id="no sender"
        ),
        pytest.param(SOUND.replace('"rpm" Hazel', '"rpm"'), SOUND, [(11, True)], "receivers", id="no receiver"),
        pytest.param(SOUND.replace('[0|15] "" ', '"" '), SOUND, [(9, True)], "the range", id="no range"),
        pytest.param(SOUND.replace("[0|15]", "[0|15,0]"), SOUND, [(9, True)], "the range", id="comma in the range"),
        pytest.param(
            SOUND.replace("BO_ 512", "see the forum\nBO_ 512"), SOUND, [(10, False)], "no statement", id="stray text"
        ),
        pytest.param(
            SOUND.replace(" SG_ State", "and this one?\n\n SG_ State"),
            SOUND,
            [(9, False)],
            "no statement",
            id="stray text within a message",
        ),
        pytest.param(
            SOUND + 'CM_ SG_ 256 Voltage "of the\nwhole pack"\nVAL_ 256 State 1 "On" 0 "Off"\n',
            SOUND + 'VAL_ 256 State 1 "On" 0 "Off" ;\n',
            [(12, True), (14, True)],
            "semicolon",
            id="no semicolons",
        ),
        pytest.param(
            SOUND + 'CM_ "never ends;\nVAL_ 256 State 1 "On" 0 "Off" ;\n',
            SOUND + 'VAL_ 256 State 1 "On" 0 "Off" ;\n',
            [(12, False)],
            "a quotation mark is missing",
            id="no closing quotation mark",
        ),
        pytest.param(
            SOUND + 'CM_ "the "true; real" value";\nVAL_ 256 State 1 "On" 0 "Off" ;\n',
            SOUND + 'VAL_ 256 State 1 "On" 0 "Off" ;\n',
            [(12, False)],
            "not in standard form",
            id="quotation marks in a comment",
        ),
        pytest.param(
            SOUND + 'VAL_ 256 Gone 1 "On" ;\nVAL_ 257 State 1 "On" ;\nVAL_ 256 State 1 "On" 0 "Off" ;\n',
            SOUND + 'VAL_ 256 State 1 "On" 0 "Off" ;\n',
            [(12, False), (13, False)],
            "has no signal Gone",
            id="VAL_ of something unknown",
        ),
        pytest.param(
            SOUND + "SG_MUL_VAL_ 256 Gone State 0-1;\nSG_MUL_VAL_ 1 Gone State 0-1;\nstray\n",
            SOUND,
            [(12, False), (13, False), (14, False)],
            "has no signal Gone",
            id="SG_MUL_VAL_ of something unknown",
        ),
        pytest.param(
            SOUND + 'BA_ "Period" BO_ 256 10;\nBA_ "Period" BO_ 257 10;\n',
            SOUND,
            [(12, False)],
            "not defined by BA_DEF_",
            id="BA_ of an unknown attribute",
        ),
        pytest.param(
            SOUND + 'BA_DEF_ BO_ "Period" INT 0 9;\nBA_ "Period" BO_ 257 1\nBA_ "Period" SG_ 256 Gone 1;\n',
            SOUND,
            [(13, False), (14, False)],
            "no message 257",
            id="BA_ of something unknown",
        ),
        pytest.param(SOUND + ' SG_ Torque : 16|16@1+ (1,0) [0|0] "N', SOUND, [(12, False)], "unit", id="truncated"),
        pytest.param(SOUND + "BO_ 768 Ch", SOUND, [(12, False)], "the message cannot be read", id="truncated message"),
        pytest.param(
            SOUND.replace("SG_ State : 16|4", "SG_ Voltage : 16|4"),
            HEAD + PACK.splitlines()[0] + "\n" + PACK.splitlines()[1] + "\n" + MOTOR,
            [(9, False)],
            "a signal of that name in line 8",
            id="a signal twice",
        ),
        pytest.param(
            SOUND.replace("(0.1,0)", "(1,0,5)"),
            SOUND.replace(PACK.splitlines()[1] + "\n", ""),
            [(8, False)],
            "ambiguous",
            id="commas with ambiguous",
        ),
        pytest.param(
            "\n".join([PACK.replace(" SG_ State", "\n\n SG_ State"), "", "nonsense", MOTOR]),
            SOUND,
            [(8, False)],
            "no statement",
            id="no sections before the messages, blank lines",
        ),
    ],
)
def test_a_slip_costs_what_it_must_and_no_more(
    sloppy: str, proper: str, expected: list[tuple[int, bool]], words: str, tmp_path: Path
) -> None:
    found = load(sloppy, tmp_path)
    assert places(found) == expected
    assert words in found.skipped[0].reason
    assert_same_as(found, proper, tmp_path)


@pytest.mark.parametrize("ending", ["\r\n", "\r", "\n", "\r\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16"])
def test_line_ends_tabs_and_encodings_are_no_fault(ending: str, encoding: str, tmp_path: Path) -> None:
    text = SOUND.replace('"rpm"', '"°C"').replace(" SG_", "\t\tSG_").replace("// end", "")
    found = load(("// by hand\n" + text).replace("\n", ending), tmp_path, encoding)
    assert found.skipped == ()
    assert_same_as(found, text, tmp_path)


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_lines_are_counted_the_same_whatever_ends_them(ending: str, tmp_path: Path) -> None:
    found = load((SOUND + "stray\n").replace("\n", ending), tmp_path)
    assert places(found) == [(12, False)]


def test_one_stray_byte_spoils_neither_the_units_of_other_lines_nor_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.dbc"
    content = SOUND.replace('"rpm"', '"°C"').encode() + b'CM_ "\xff\x9d\xb0";\n'
    path.write_bytes(content)
    assert load_definitions(path).messages[1].by_name["Speed"].unit == "°C"


def test_missing_sections_and_undeclared_nodes_are_no_fault(tmp_path: Path) -> None:
    found = load(PACK.replace("Hazel", "Nobody") + MOTOR, tmp_path)
    assert found.skipped == ()
    assert_same_as(found, SOUND, tmp_path)
