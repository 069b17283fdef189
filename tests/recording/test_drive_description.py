"""What is read of a recording's description, and what is said of it: by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logscope.capture.drive_folder import is_drive, read_drive
from logscope.capture.frames import Account
from logscope.errors import LogError

DRIVE = """schema = 1
ended = "{ended}"
[clock]
first_stamp = 1772442000.0
wall_moved_s = {moved}
[[source]]
name = "can0"
form = "{form}"
lost_in_queue = 3
lost_in_driver = 5
[[source.outage]]
start = 1772442001.5
end = 1772442002.0
reason = "no answer"
[[source.outage]]
start = 1772442005.0
[[source]]
name = "console"
form = "lines"
definition = "c.toml"
[[event]]
at = 1772442003.25
[[note]]
at = 1772442004.0
text = "second gear"
"""


def drive(folder: Path, text: str, *files: str) -> Any:
    (folder / "drive.toml").write_text(text, encoding="utf-8")
    for name in files:
        (folder / name).write_text("x" if name != "can0-003.log" else "", encoding="utf-8")
    return read_drive(folder)


def recorded(folder: Path, ended: str = "by the user", moved: str = "0.0", form: str = "candump") -> Any:
    text = DRIVE.format(ended=ended, moved=moved, form=form)
    return drive(folder, text, "can0-002.log", "can0-001.log", "can0-003.log", "can0-001.blf", "console-001.txt")


def test_a_recording_says_what_it_holds_and_what_happened(tmp_path: Path) -> None:
    found = recorded(tmp_path)
    first, second = found.sources
    assert (first.name, first.form, first.definition) == ("can0", "candump", None)
    assert [file.name for file in first.files] == ["can0-001.log", "can0-002.log"]  # the third is empty
    assert (second.form, second.definition, len(second.files)) == ("lines", tmp_path / "c.toml", 1)
    assert found.account == Account(
        lost=3,
        notes=(
            f"{tmp_path}: can0, console were recorded on one clock, and were not aligned again",
            f"{tmp_path}: 3 frames or reads of can0 were lost, as the disk was too slow",
            f"{tmp_path}: can0 was unplugged from 1.5 s to 2.0 s (no answer)",
            f"{tmp_path}: can0 was unplugged from 5.0 s to the end ()",
            "event marked at 3.2 s",
            "note at 4.0 s: second gear",
        ),
    )
    assert is_drive(tmp_path)
    assert not is_drive(tmp_path / "drive.toml")


@pytest.mark.parametrize(
    ("ended", "moved", "said"),
    [
        ("after the time asked for", "0.999", None),
        ("", "0.0", "the recording was not ended properly (the process was killed, or the power failed)"),
        ("the disk was full", "0.0", "the recording ended because the disk was full"),
        ("by the user", "-1.0", "the computer's clock was set by -1.0 s meanwhile; the recording did not follow it"),
        ("by the user", "3600.0", "the computer's clock was set by +3600.0 s meanwhile"),
    ],
)
def test_how_a_recording_ended_and_whether_the_clock_was_set(
    ended: str, moved: str, said: str | None, tmp_path: Path
) -> None:
    notes = recorded(tmp_path, ended, moved).account.notes
    assert len(notes) == 6 + (said is not None)
    assert said is None or said in notes[1]


def test_of_blf_the_losses_of_the_driver_count_too(tmp_path: Path) -> None:
    found = recorded(tmp_path, form="blf")
    assert found.account.lost == 8
    assert [file.name for file in found.sources[0].files] == ["can0-001.blf"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = 2\nsource = []\n", "no description of a recording that can be read here"),
        ("schema = 1\n", "no description of a recording"),
        ("schema = 1\nsource = []\n", "the recording holds nothing"),
        ('schema = 1\n[[source]]\nname = "a"\nform = "wav"\n', "the source “a” is of no known form"),
        ('schema = 1\n[[source]]\nname = "../a"\nform = "blf"\n', "the source “../a” is of no known form"),
        ('schema = 1\n[[source]]\nform = "blf"\n', "the source “” is of no known form"),
        ('schema = 1\n[[source]]\nname = "a"\nform = "blf"\nlost_in_queue = "x"\n', "was changed, and cannot be read"),
    ],
)
def test_a_description_that_was_changed_is_refused(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(LogError, match=said):
        drive(tmp_path, text)


def test_moments_without_a_first_stamp_are_times_of_day(tmp_path: Path) -> None:
    text = DRIVE.format(ended="by the user", moved="0.0", form="candump").replace("first_stamp = 1772442000.0\n", "")
    assert "event marked at 09:00:03 UTC" in drive(tmp_path, text, "can0-001.log").account.notes
