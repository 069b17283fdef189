"""The description of a recording, and a recording that is opened and not started: by hand, no threads."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from recording_rigs import numbered

from logscope.capture.drive_folder import is_drive, read_drive
from logscope.capture.frames import Account, Flag
from logscope.errors import LogError, RequestError
from logscope.recording.clock import RecordingClock
from logscope.recording.port import CanBatch, SerialBatch
from logscope.recording.recorder import Recorder, Request, refuse_used
from logscope.recording.source import Outage, SourceAccount
from logscope.recording.specs import CanSpec
from logscope.recording.writers import (
    CandumpWriter,
)

S = 1_000_000_000
CLOCK = cast(RecordingClock, SimpleNamespace(now_ns=lambda: 7 * S, start_ns=5 * S))


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


# --------------------------------------------------------------------------------- the whole recording


def test_only_a_new_or_empty_folder_is_recorded_into(tmp_path: Path) -> None:
    refuse_used(tmp_path / "new")
    refuse_used(tmp_path)
    (tmp_path / "a").write_text("x", encoding="utf-8")
    with pytest.raises(RequestError, match="this folder is not empty"):
        refuse_used(tmp_path)
    with pytest.raises(RequestError, match="this is a file, not a folder"):
        refuse_used(tmp_path / "a")


class Quiet:
    """A port that gives nothing."""

    stamps, listening = "by the kernel", "listens"

    def __init__(self) -> None:
        self.closed = 0

    def read(self) -> None:
        return None

    def close(self) -> None:
        self.closed += 1


def test_how_each_source_stands(tmp_path: Path) -> None:
    """Opened, not started: no thread runs."""
    cans = [CanSpec("can0", "virtual", "0"), CanSpec("can1", "slcan", "COM3", 5)]
    ports = {name: Quiet() for name in ("can0", "can1")}
    request = Request(cans, [], tmp_path / "drive")
    assert request.given == ["virtual:0", "slcan:COM3@5"]
    recorder = Recorder(request, CLOCK, {name: (lambda port=port: port) for name, port in ports.items()})
    recorder._writers = [CandumpWriter(tmp_path, spec.bus, 1) for spec in cans]
    recorder.description = recorder._describe()
    described = recorder.description.sources
    assert [(each.name, each.form, each.given, each.stamps, each.definition) for each in described] == [
        ("can0", "candump", "virtual:0", "by the kernel", ""), ("can1", "candump", "slcan:COM3@5", "by the kernel", ""),
    ]  # fmt: skip
    recorder.sources[1].account = SourceAccount(30, 2, 0, 4, outages=[Outage(1, 2, "before"), Outage(3, None, "gone")])
    recorder._intake.lost[1] = 7
    first, second = recorder.status()
    assert (first.name, first.serial, first.count, first.error_frames, first.lost, first.unplugged) == (
        "can0", False, 0, 0, 0, "",
    )  # fmt: skip
    assert (second.count, second.error_frames, second.lost, second.unplugged) == (30, 2, 11, "gone")
    recorder.sources[1].account.outages[-1] = Outage(3, 4, "gone")
    assert recorder.status()[1].unplugged == ""


def test_what_was_opened_is_closed_where_another_cannot_be(tmp_path: Path) -> None:
    port = Quiet()

    def refused() -> Any:
        raise RequestError("no")

    cans = [CanSpec("can0", "virtual", "0"), CanSpec("can1", "virtual", "1")]
    with pytest.raises(RequestError, match="no"):
        Recorder(Request(cans, [], tmp_path / "d"), CLOCK, {"can0": lambda: port, "can1": refused})
    assert port.closed == 1


def test_batches_say_their_size_and_last_stamp() -> None:
    assert (CanBatch(numbered(0, 3, 5)).size, CanBatch(numbered(0, 3, 5)).last_ns) == (3, 2005)
    assert CanBatch(numbered(0, 0, 5)).last_ns is None
    assert (SerialBatch(b"abc", 9).size, SerialBatch(b"abc", 9).last_ns) == (1, 9)
    assert np.all(numbered(0, 2, 0).flags & Flag.ERROR == 0)
