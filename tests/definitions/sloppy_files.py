"""A small sound DBC file to be made sloppy, and what a file means written properly, by cantools."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from cantools.database import load_string

from logscope.definitions.can import Definitions, load_definitions
from logscope.definitions.spec import MessageSpec

HEAD = 'VERSION ""\nNS_ :\n\tCM_\n\tVAL_\nBS_:\nBU_: Hazel\n'
PACK = (
    'BO_ 256 Pack: 8 Hazel\n SG_ Voltage : 0|16@1+ (0.1,0) [0|0] "V" Hazel\n'
    ' SG_ State : 16|4@1+ (1,0) [0|15] "" Hazel\n'
)
MOTOR = 'BO_ 512 Motor: 8 Hazel\n SG_ Speed : 7|16@0- (1,-100) [0|0] "rpm" Hazel\n'
SOUND = HEAD + PACK + MOTOR  # lines 7 to 9 and 10 to 11


def load(text: str, tmp_path: Path, encoding: str = "utf-8") -> Definitions:
    path = tmp_path / "sloppy file.dbc"
    path.write_bytes(text.encode(encoding))
    return load_definitions(path)


def without_source(messages: tuple[MessageSpec, ...]) -> list[MessageSpec]:
    """Messages without what a mended file may lack: where they stand, and who sends them."""
    return [replace(message, source=None, senders=()) for message in messages]


def assert_same_as(found: Definitions, proper: str, tmp_path: Path) -> None:
    """The messages equal those of a file that cantools takes strictly."""
    load_string(proper, "dbc", strict=True)
    (tmp_path / "proper.dbc").write_text(proper, encoding="utf-8")
    expected = load_definitions(tmp_path / "proper.dbc")
    assert expected.skipped == ()
    assert without_source(found.messages) == without_source(expected.messages)


def places(found: Definitions) -> list[tuple[int | None, bool]]:
    return [(place.line, place.kept) for place in found.skipped]
