"""What the description of a recording says, and what is said of it; by hand (the folder is a format of our own)."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.capture.drive_folder import DriveFolder, DriveSource, is_drive, read_drive
from logscope.capture.frames import Account
from logscope.capture.open import stream
from logscope.capture.shift import Shift
from logscope.definitions.serial import load_serial_definition
from logscope.errors import LogError

CLOCK = "[clock]\nfirst_stamp = 1700000000.0\n"
CAN = '[[source]]\nname = "can0"\nform = "candump"\n'


def folder_of(folder: Path, text: str, *files: str) -> Path:
    (folder / "drive.toml").write_text("schema = 1\n" + text, encoding="utf-8")
    for file in files:
        (folder / file).write_bytes(b"x")
    return folder


def read_of(folder: Path, text: str) -> DriveFolder:
    return read_drive(folder_of(folder, text, "can0-001.log"))


def test_a_recording_has_its_sources_with_their_files_in_order(tmp_path: Path) -> None:
    text = (
        f'ended = "by the user"\n{CLOCK}{CAN}[[source]]\nname = "b"\nform = "blf"\n'
        '[[source]]\nname = "c"\nform = "lines"\ndefinition = "c.toml"\n[[source]]\nname = "d"\nform = "bytes"\n'
        '[[source]]\nname = "none"\nform = "blf"\n'
    )
    names = ["can0-002.log", "can0-001.log", "can0-1000.log", "can0-01.log", "can0-001.txt", "can01-001.log"]
    folder = folder_of(tmp_path, text, *names, "b-001.blf", "c-001.txt", "d-001.bin", "d-001.times")
    (folder / "can0-003.log").write_bytes(b"")  # of an empty file nothing is read
    assert read_drive(folder) == DriveFolder(
        folder,
        (
            DriveSource("can0", "candump", tuple(folder / f"can0-{n}.log" for n in ("001", "002", "1000"))),
            DriveSource("b", "blf", (folder / "b-001.blf",)),
            DriveSource("c", "lines", (folder / "c-001.txt",), folder / "c.toml"),
            DriveSource("d", "bytes", (folder / "d-001.bin",)),
        ),
        Account(notes=(f"{folder}: can0, b, c, d, none were recorded on one clock, and were not aligned again",)),
    )


def test_a_recording_is_a_folder_with_its_description(tmp_path: Path) -> None:
    assert not is_drive(tmp_path)
    assert not is_drive(tmp_path / "none")
    assert is_drive(folder_of(tmp_path, ""))
    assert not is_drive(tmp_path / "drive.toml")
    (tmp_path / "other" / "drive.toml").mkdir(parents=True)
    assert not is_drive(tmp_path / "other")


@pytest.mark.parametrize(
    ("ended", "said"),
    [
        ("", "the recording was not ended properly (the process was killed, or the power failed)"),
        ('ended = ""\n', "the recording was not ended properly (the process was killed, or the power failed)"),
        ('ended = "by the user"\n', None),
        ('ended = "after the time asked for"\n', None),
        ('ended = "the disk is full"\n', "the recording ended because the disk is full"),
    ],
)
def test_how_it_ended_is_said_where_that_was_not_asked_for(tmp_path: Path, ended: str, said: str | None) -> None:
    notes = read_of(tmp_path, f"{ended}{CLOCK}{CAN}").account.notes
    assert list(notes[1:]) == ([] if said is None else [f"{tmp_path}: {said}"])


@pytest.mark.parametrize(("moved", "said"), [("0.999", ""), ("1.0", "+1.0"), ("-1.0", "-1.0"), ("-0.9", "")])
def test_a_clock_that_was_set_by_a_second_is_said(tmp_path: Path, moved: str, said: str) -> None:
    notes = read_of(tmp_path, f'ended = "by the user"\n{CLOCK}wall_moved_s = {moved}\n{CAN}').account.notes
    words = f"{tmp_path}: the computer's clock was set by {said} s meanwhile; the recording did not follow it"
    assert list(notes[1:]) == ([words] if said else [])


def test_losses_outages_events_and_notes_are_said_from_the_first_stamp_on(tmp_path: Path) -> None:
    text = (
        f'ended = "by the user"\n{CLOCK}{CAN}lost_in_queue = 5\nlost_in_driver = 7\n'
        '[[source.outage]]\nstart = 1700000001.0\nend = 1700000002.54\nreason = "gone"\n'
        "[[source.outage]]\nstart = 1700000003.0\n"
        '[[source]]\nname = "b"\nform = "blf"\nlost_in_queue = 1\nlost_in_driver = 20\n'
        '[[event]]\nat = 1700000004.0\n[[note]]\nat = 1700000005.0\ntext = "louder"\n'
    )
    account = read_of(tmp_path, text).account
    assert account.lost == 26  # what text says of its driver is counted when the text is read
    assert list(account.notes[1:]) == [
        f"{tmp_path}: 5 frames or reads of can0 were lost, as the disk was too slow",
        f"{tmp_path}: can0 was unplugged from 1.0 s to 2.5 s (gone)",
        f"{tmp_path}: can0 was unplugged from 3.0 s to the end ()",
        f"{tmp_path}: 1 frames or reads of b were lost, as the disk was too slow",
        "event marked at 4.0 s",
        "note at 5.0 s: louder",
    ]


def test_without_a_first_stamp_moments_are_times_of_day(tmp_path: Path) -> None:
    """1700000000 s since 1970 are 2023-11-14 22:13:20 UTC by calendar."""
    text = f'ended = "by the user"\n[clock]\n{CAN}[[event]]\nat = 1700000000.9\n'
    assert read_of(tmp_path, text).account.notes[1] == "event marked at 22:13:20 UTC"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[source]]\nname = "can0"\nform = "pcap"\n', "the source “can0” is of no known form"),
        ('[[source]]\nname = ""\nform = "blf"\n', "the source “” is of no known form"),
        ('[[source]]\nname = "../x"\nform = "blf"\n', "the source “../x” is of no known form"),
        ('[[source]]\nform = "blf"\n', "the source “” is of no known form"),
        ("source = 3\n", "this is no description of a recording that can be read here"),
        ("", "this is no description of a recording that can be read here"),
        ('[[source]]\nname = "none"\nform = "blf"\n', "the recording holds nothing"),
        (f'{CAN}lost_in_queue = "x"\n', "the description of the recording was changed, and cannot be read (ValueError"),
        (f"{CAN}[[event]]\nx = 1\n", "was changed, and cannot be read (KeyError: 'at')"),
        (f"clock = 3\n{CAN}", "was changed, and cannot be read (AttributeError"),
        ("source = [1]\n", "was changed, and cannot be read (AttributeError"),
        (f'{CLOCK}{CAN}[[event]]\nat = "x"\n', "was changed, and cannot be read (TypeError"),
    ],
)
def test_a_description_that_cannot_be_used_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(LogError) as refused:
        read_of(tmp_path, text)
    assert said in str(refused.value)


def test_a_description_of_another_schema_is_refused(tmp_path: Path) -> None:
    (tmp_path / "drive.toml").write_text(f"schema = 2\n{CAN}", encoding="utf-8")
    with pytest.raises(LogError, match="Name the log files in the folder instead"):
        read_drive(tmp_path)


# -- what is read of it -----------------------------------------------------------------------------

CONSOLE = '[console]\nname = "C"\n[pairs]\n[time]\nrate_Hz = 1\n[[signal]]\nname = "x"\nscale = {}\n'


def test_a_recording_is_read_by_the_console_definition_that_the_vehicle_file_has_now(tmp_path: Path) -> None:
    text = f'ended = "by the user"\n{CLOCK}{CAN}[[source]]\nname = "c"\nform = "lines"\ndefinition = "c.toml"\n'
    folder = folder_of(tmp_path, text)
    (folder / "c.toml").write_text(CONSOLE.format(2), encoding="utf-8")
    (folder / "c-001.txt").write_bytes(b"(1700000000.500000) x=5\n")
    for number, stamp in ((1, 0), (2, 1)):
        (folder / f"can0-00{number}.log").write_bytes(b"(170000000%d.000000) can0 123#0%d\n" % (stamp, number))
    now = tmp_path / "now.toml"
    other = tmp_path / "other.toml"
    now.write_text(CONSOLE.format(3), encoding="utf-8")
    other.write_text(CONSOLE.format(7).replace('"C"', '"D"'), encoding="utf-8")
    consoles = [load_serial_definition(other), load_serial_definition(now)]
    for given, value in ((consoles, 15.0), (consoles[:1], 10.0), ([], 10.0)):
        capture = stream([folder], consoles=given).in_memory()
        assert capture.serial[0].signals["x"].value.tolist() == [value]
    assert (capture.frames.time_ns - 1_700_000_000 * 10**9).tolist() == [0, 10**9]
    assert (capture.account.frames, capture.account.gaps) == (2, ())  # a second is no gap
    moved = stream([folder], shifts=[Shift(5)]).in_memory()
    assert (moved.frames.time_ns - capture.frames.time_ns).tolist() == [5, 5]
    assert (moved.serial[0].signals["x"].time_ns - capture.serial[0].signals["x"].time_ns).tolist() == [5]
