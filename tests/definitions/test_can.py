"""Definition files to specs. The oracle is cantools, which also writes the file as KCD and SYM."""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest
from cantools.database import load_file
from cantools.database.can import Database
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logscope.definitions.can import load_definitions
from logscope.definitions.database import as_ranges
from logscope.definitions.spec import MessageSpec, Selection
from logscope.errors import DefinitionError

DATA = Path(__file__).parent / "data"
HAZEL = DATA / "hazel_drive.dbc"
HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: Hazel\n'


def message(line: str, identifier: int = 1) -> str:
    return f'{HEAD}BO_ {identifier} Pack: 8 Hazel\n SG_ First : 0|8@1+ (1,0) [0|0] "V" Hazel\n {line}\n'


@pytest.mark.parametrize("ending", ["dbc", "kcd", "sym"])
def test_every_format_gives_what_cantools_reads(ending: str, tmp_path: Path) -> None:
    messages = load_file(HAZEL, encoding="utf-8").messages
    database = Database([m for m in messages if m.name != "Service"])  # KCD and SYM cannot nest multiplexers
    path = tmp_path / f"a folder with spaces.{ending}"
    text = HAZEL.read_text(encoding="utf-8") if ending == "dbc" else getattr(database, f"as_{ending}_string")()
    path.write_text(text, encoding="utf-8")
    expected = {m.name: m for m in load_file(path, encoding="utf-8").messages}
    specs = load_definitions(path).messages
    assert {spec.name for spec in specs} == set(expected)
    for spec in specs:
        theirs = expected[spec.name]
        assert (spec.identifier, spec.extended, spec.length) == (
            theirs.frame_id,
            theirs.is_extended_frame,
            theirs.length,
        )
        assert spec.source == path
        for signal in theirs.signals:
            ours = spec.by_name[signal.name]
            assert (ours.start, ours.bits, ours.big_endian) == (
                signal.start,
                signal.length,
                signal.byte_order == "big_endian",
            )
            assert (ours.scale, ours.offset, ours.unit) == (signal.scale, signal.offset, signal.unit or "")
            assert dict(ours.choices) == {raw: str(text) for raw, text in (signal.choices or {}).items()}
            assert ours.floating == signal.is_float
            assert ours.step == (None if signal.is_float else abs(signal.scale))


def test_an_arxml_frame_is_read_with_its_conversion() -> None:
    path = DATA / "hazel_pack.arxml"
    (spec,) = load_definitions(path).messages
    (theirs,) = load_file(path).messages
    (signal,) = theirs.signals
    assert (spec.name, spec.identifier, spec.extended, spec.length) == (theirs.name, 0x1234, True, 8)
    ours = spec.by_name[signal.name]
    assert (ours.start, ours.bits, ours.scale, ours.offset) == (
        signal.start,
        signal.length,
        signal.scale,
        0.0,
    )
    assert (ours.unit, ours.step) == ("V", 0.1)


def test_nested_multiplexing_keeps_the_whole_way_and_its_ranges() -> None:
    service = next(spec for spec in load_definitions(HAZEL).messages if spec.name == "Service")
    assert service.by_name["Hours"].multiplexer == (
        Selection("Page", ((2, 2),)),
        Selection("Item", ((0, 3),)),
    )
    assert service.by_name["Gain"].multiplexer == (Selection("Page", ((0, 1), (5, 9))),)
    assert service.by_name["Page"].multiplexer == ()


@given(st.sets(st.integers(0, 300)))
def test_ranges_hold_the_same_numbers(numbers: set[int]) -> None:
    ranges = as_ranges(numbers)
    assert {n for low, high in ranges for n in range(low, high + 1)} == numbers
    assert all(b[0] > a[1] + 1 for a, b in pairwise(ranges))


def test_j1939_is_told_by_the_frame_format_or_by_the_protocol_of_the_bus(tmp_path: Path) -> None:
    text = (DATA / "hazel_j1939.dbc").read_text(encoding="utf-8")
    by_protocol = "\n".join(line for line in text.splitlines() if "VFrameFormat" not in line)
    neither = by_protocol.replace('"J1939"', '"CAN"')
    path = tmp_path / "x.dbc"
    for content, expected in ((text, True), (by_protocol, True), (neither, False)):
        path.write_text(content, encoding="utf-8")
        assert [spec.j1939 for spec in load_definitions(path).messages] == [expected]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_units_survive_the_usual_encodings(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "x.dbc"
    path.write_text(message('SG_ T : 8|8@1+ (1,0) [0|0] "°C" Hazel'), encoding=encoding)
    assert load_definitions(path).messages[0].by_name["T"].unit == "°C"


def test_signals_wider_than_a_number_are_named_and_left_out(tmp_path: Path) -> None:
    path = tmp_path / "x.dbc"
    path.write_text(f'{HEAD}BO_ 1 Blob: 16 Hazel\n SG_ Bytes : 0|128@1+ (1,0) [0|0] "" Hazel\n', encoding="utf-8")
    (spec,) = load_definitions(path).messages
    assert spec.signals == ()
    assert spec.left_out == ("Bytes",)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (HEAD + 'BO_ 1 Pack: 8 Hazel\n SG_ T : 8|8@1+ (1 0) [0|0] "" Hazel\n', 6, "cannot be read from column 20"),
        (HEAD + 'BO_ 1 Pack: 8 Hazel\n SG_ T : 8|0@1+ (1,0) [0|0] "" Hazel\n', 6, "not greater than 0"),
        (HEAD + "BO_ 4294967295 Pack: 8 Hazel\n", 5, "more than 29 bits"),
        (message("") + "SIG_VALTYPE_ 1 First : 1;\n", None, "float has 16, 32 or 64 bits"),
        ("dear reader,\nthis is a letter\n", 1, "cannot be read"),
        ("\n", None, "empty"),
    ],
)
def test_a_file_of_which_nothing_can_be_used_is_refused_with_the_line_to_mend(
    text: str, line: int | None, words: str, tmp_path: Path
) -> None:
    path = tmp_path / "faulty.dbc"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DefinitionError) as caught:
        load_definitions(path)
    said = str(caught.value)
    assert said.startswith(f"{path}:{line}: " if line else f"{path}: ")
    assert words in said
    assert "\n" not in said


@pytest.mark.parametrize(("name", "content"), [("x.kcd", "<a>\n<b></a>"), ("x.arxml", "<a>\n<b></a>")])
def test_broken_xml_is_refused_with_its_line(name: str, content: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text(content, encoding="utf-8")
    with pytest.raises(DefinitionError, match=rf"{name}:2: cannot be read: mismatched tag, column 5"):
        load_definitions(tmp_path / name)


@pytest.mark.parametrize("name", ["missing.dbc", "notes.txt", "noending"])
def test_what_is_no_definition_file_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=name):
        load_definitions(tmp_path / name)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=60), st.integers(0, 2000), st.sampled_from([".dbc", ".kcd", ".sym", ".arxml"]))
def test_any_damage_is_a_definition_error_or_still_a_file(tmp_path: Path, noise: bytes, at: int, ending: str) -> None:
    path = tmp_path / f"damaged{ending}"
    whole = HAZEL.read_bytes()
    path.write_bytes(whole[:at] + noise + whole[at + len(noise) :])
    specs: tuple[MessageSpec, ...] = ()
    with suppress(DefinitionError):
        specs = load_definitions(path).messages
    assert all(spec.bytes_needed <= spec.length for spec in specs)


def test_cantools_is_imported_only_when_a_file_is_read() -> None:
    code = "import sys, logscope.definitions.can, logscope.definitions.mend; sys.exit('cantools' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
