"""Whole messages, multiplexers and files with faults: what can be used, what is left out, and in what time."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from cantools.database import load_string
from sloppy_files import HEAD, MOTOR, PACK, SOUND, assert_same_as, load, places

from logscope.definitions.can import load_definitions
from logscope.definitions.skipped import why_lost
from logscope.errors import DefinitionError


def test_overlapping_signals_stay_readable_and_are_reported_with_each_other(tmp_path: Path) -> None:
    found = load(SOUND.replace("16|4@1+", "12|4@1+"), tmp_path)
    assert [signal.name for signal in found.messages[0].signals] == ["Voltage", "State"]
    (place,) = found.skipped
    assert (place.line, place.kept, place.message, place.signals) == (9, True, "Pack", ("State", "Voltage"))
    assert place.concerns("Pack", "Voltage")
    assert not place.concerns("Motor", "Speed")


def test_a_message_is_made_as_long_as_its_signals_need_it(tmp_path: Path) -> None:
    found = load(SOUND.replace("256 Pack: 8", "256 Pack: 2"), tmp_path)
    assert (found.messages[0].length, found.messages[0].bytes_needed) == (3, 3)
    assert [signal.name for signal in found.messages[0].signals] == ["Voltage", "State"]
    assert places(found) == [(9, True)]
    assert "needs 3 bytes, but the message is defined with 2" in found.skipped[0].reason


def test_a_signal_beyond_every_frame_is_left_out(tmp_path: Path) -> None:
    found = load(SOUND.replace("16|4@1+", "5160|4@1+"), tmp_path)
    assert places(found) == [(9, False)]
    assert [signal.name for signal in found.messages[0].signals] == ["Voltage"]


@pytest.mark.parametrize("also_faulty", ["", "stray\n"])
def test_of_two_messages_with_one_identifier_the_first_is_used(also_faulty: str, tmp_path: Path) -> None:
    found = load(SOUND + MOTOR.replace("Motor", "Engine") + also_faulty, tmp_path)
    assert [message.name for message in found.messages] == ["Pack", "Motor"]
    assert (found.skipped[0].line, found.skipped[0].kept, found.skipped[0].message) == (12, False, "Engine")
    assert_same_as(found, SOUND, tmp_path)


def test_of_two_heads_of_one_message_the_one_with_signals_is_used(tmp_path: Path) -> None:
    found = load(SOUND.replace("BO_ 512 Motor: 8 Hazel\n", "BO_ 512 Motor: 8 Hazel\n" * 2) + "stray\n", tmp_path)
    assert places(found) == [(10, False), (13, False)]
    assert_same_as(found, SOUND, tmp_path)


@pytest.mark.parametrize("also_faulty", ["", "stray\n"])
def test_two_messages_of_one_name_are_both_used(also_faulty: str, tmp_path: Path) -> None:
    found = load(SOUND + MOTOR.replace("512", "513") + also_faulty, tmp_path)
    assert [message.identifier for message in found.messages] == [256, 512, 513]
    assert (found.skipped[0].line, found.skipped[0].kept, found.skipped[0].message) == (12, True, "Motor")


def test_signals_of_a_lost_message_do_not_go_to_the_one_above(tmp_path: Path) -> None:
    for damaged in ("BO_ 51x Motor: 8 Hazel", "BO 512 Motor: 8 Hazel", "BO_ 512 Motor 8 Hazel"):
        found = load(SOUND.replace("BO_ 512 Motor: 8 Hazel", damaged), tmp_path)
        assert_same_as(found, HEAD + PACK, tmp_path)
        assert places(found) == [(10, False)]


MULTIPLEXED = (
    'BO_ 800 Service: 8 Hazel\n SG_ Page M : 0|4@1+ (1,0) [0|15] "" Hazel\n'
    ' SG_ Item m2M : 4|4@1+ (1,0) [0|15] "" Hazel\n SG_ Gain m0 : 8|32@1- (1,0) [0|0] "" Hazel\n'
    ' SG_ Hours m3 : 8|24@1+ (0.1,0) [0|0] "h" Hazel\n'
    "SIG_VALTYPE_ 800 Gain : 1;\nSG_MUL_VAL_ 800 Item Page 2-2;\nSG_MUL_VAL_ 800 Gain Page 0-1, 5-9;\n"
    "SG_MUL_VAL_ 800 Hours Item 3-3;\n"
)


@pytest.mark.parametrize(
    ("old", "new", "left"),
    [
        ("nothing", "nothing", ["Page", "Item", "Gain", "Hours"]),
        ("SG_ Page M", "SG Page M", []),  # no multiplexer: nobody knows when the others are there
        ("SG_ Item m2M", "SG_ Item m2M 7", ["Page", "Gain"]),
        ("4|4@1+", "4|4@1", ["Page", "Gain"]),
        ("800 Hours Item 3-3", "800 Hours Item", ["Page", "Item", "Gain"]),
        ("SG_MUL_VAL_ 800 Item Page 2-2;\n", "", ["Page", "Gain"]),
        ("0-1, 5-9", "0-999999999999", ["Page", "Item", "Hours"]),
    ],
)
def test_a_multiplexed_signal_goes_with_its_multiplexer(old: str, new: str, left: list[str], tmp_path: Path) -> None:
    assert old == "nothing" or old in MULTIPLEXED
    found = load(SOUND + MULTIPLEXED.replace(old, new) + "stray\n", tmp_path)
    assert [signal.name for signal in found.messages[2].signals] == left
    whole = load(SOUND + MULTIPLEXED, tmp_path).messages[2]
    assert all(signal == whole.by_name[signal.name] for signal in found.messages[2].signals)
    lost = {"Page", "Item", "Gain", "Hours"} - set(left)
    assert all(why_lost(found.skipped, "Service", name) for name in lost - {"Page"})


@pytest.mark.parametrize(
    "damaged", ["SIG_VALTYPE_ 800 Gain 1;", "SIG_VALTYPE_ 8o0 Gain : 1;", "SIG_VALTYPE_ 801 Gain : 1;"]
)
def test_a_signal_that_may_be_a_float_or_an_integer_is_left_out(damaged: str, tmp_path: Path) -> None:
    found = load(SOUND + MULTIPLEXED.replace("SIG_VALTYPE_ 800 Gain : 1;", damaged), tmp_path)
    assert "Gain" not in found.messages[2].by_name
    lost = why_lost(found.skipped, "Service", "Gain")
    assert lost is not None
    assert lost.line is not None


def test_frame_formats_and_long_names_survive_mending(tmp_path: Path) -> None:
    attributes = (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
        'BA_DEF_DEF_ "SystemSignalLongSymbol" "";\nBA_ "VFrameFormat" BO_ 2566844926 3;\n'
        'BA_ "SystemSignalLongSymbol" SG_ 256 Voltage "VoltageOfTheWholeTractionPack";\n'
    )
    text = SOUND.replace("BO_ 512", "BO_ 2566844926") + attributes
    found = load(text + "stray\n", tmp_path)
    assert found.messages[1].j1939
    assert "VoltageOfTheWholeTractionPack" in found.messages[0].by_name
    assert_same_as(found, text, tmp_path)
    assert places(found) == [(18, False)]


@pytest.mark.parametrize(
    "attributes",
    [
        'BA_DEF_ BO_ "VFrameFormat" ENUM "a",;\n',
        'BA_DEF_ BO_ "VFrameFormat" INT 0 9;\nBA_ "VFrameFormat" BO_ 256 "x";\n',
    ],
)
def test_faulty_attributes_do_not_cost_the_messages(attributes: str, tmp_path: Path) -> None:
    found = load(SOUND + attributes, tmp_path)
    assert_same_as(found, SOUND, tmp_path)
    assert found.skipped


@pytest.mark.parametrize("ending", ["kcd", "sym"])
def test_overlaps_are_forgiven_in_other_formats_too(ending: str, tmp_path: Path) -> None:
    sloppy = SOUND.replace("16|4@1+", "12|4@1+")
    path = tmp_path / f"x.{ending}"
    database = load_string(sloppy, "dbc", strict=False)
    path.write_text(getattr(database, f"as_{ending}_string")(), encoding="utf-8")
    found = load_definitions(path)
    assert {message.name for message in found.messages} == {"Pack", "Motor"}
    assert [(place.message, place.line, place.kept) for place in found.skipped] == [("Pack", None, True)]


def test_why_a_signal_is_missing_is_told_by_its_place(tmp_path: Path) -> None:
    found = load(SOUND.replace("7|16@0-", "7/16@0-"), tmp_path)
    lost = why_lost(found.skipped, "Motor", "Speed")
    assert lost is not None
    assert lost.where == "sloppy file.dbc:11"
    assert why_lost(found.skipped, "Pack", "Voltage") is None


@pytest.mark.parametrize(
    "text",
    [
        SOUND.replace("7|16@0-", "9999999999|16@0-"),
        SOUND.replace("(1,-100)", "(1e999999999,0)"),
        SOUND.replace("512 Motor: 8", "512 Motor: 99999999999"),
    ],
)
def test_a_number_that_would_fill_the_memory_is_not_tried(text: str, tmp_path: Path) -> None:
    begun = time.process_time()
    found = load(text, tmp_path)
    assert time.process_time() - begun < 2
    assert found.messages[0].name == "Pack"
    assert found.skipped


def test_a_long_sloppy_file_loads_in_seconds(tmp_path: Path) -> None:
    block = "BO_ {0} M{0}: 8 Hazel\n" + "".join(f' SG_ S{k} : {8 * k}|8@1+ (1,0) [0|0] "V" Hazel\n' for k in range(8))
    details = 'VAL_ {0} S1 0 "Off" 1 "On" ;\nCM_ SG_ {0} S1 "of {0}"\n'
    text = HEAD + "".join((block + details).format(n) for n in range(900)) + "stray\n"
    assert text.count("\n") > 9_900
    begun = time.process_time()
    found = load(text, tmp_path)
    assert time.process_time() - begun < 10  # measured: 1.5 s
    assert len(found.messages) == 900


def test_real_sloppy_files_load_but_for_what_is_reported() -> None:
    """Source: the DBC files of the package opendbc (MIT licence) that cantools refuses; written by hand."""
    opendbc = pytest.importorskip("opendbc")
    refused = 0
    for path in sorted((Path(opendbc.__file__).parent / "dbc").glob("**/*.dbc")):
        if path.stat().st_size > 60_000:  # parsing these takes most of the time; the faults are like the others'
            continue
        text = path.read_bytes().decode("cp1252", errors="replace").replace("\r", "")
        try:
            load_string(text, "dbc", strict=True)
        except Exception:  # cantools has many kinds
            refused += 1
            found = load_definitions(path)
            assert found.skipped, path.name
            heads = len(re.findall(r"^\s*BO_ (?!3221225472 |1073741824 )", text, re.MULTILINE))  # but pseudo-messages
            lost = sum(not place.kept and place.text.startswith("BO_") for place in found.skipped)
            assert len(found.messages) == heads - lost, path.name
    assert refused > 20


@pytest.mark.parametrize("cut", range(len("Hazel\n"), len(MOTOR.splitlines()[1]) - len(" SG")))
def test_a_last_statement_that_is_cut_off_is_always_reported(cut: int, tmp_path: Path) -> None:
    """cantools on its own passes over it in silence."""
    found = load(SOUND[:-cut], tmp_path)
    assert {place.line for place in found.skipped} == {11}
    assert found.messages[0].name == "Pack"


def test_nothing_at_all_is_an_error_as_before(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=r"sloppy file.dbc:1: "):
        load("no definitions in here\n", tmp_path)


def test_a_mended_file_keeps_who_sends_a_message(tmp_path: Path) -> None:
    found = load(SOUND + "nonsense\n", tmp_path)
    assert found.skipped
    assert {message.senders for message in found.messages} == {("Hazel",)}
