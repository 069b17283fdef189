"""What is handed to the process that works out the view."""

from __future__ import annotations

from typing import NamedTuple

from logscope.capture.frames import Frames


class Lines(NamedTuple):
    """Whole stamped lines of a console, by the number of its definition."""

    console: int
    text: bytes


class Records(NamedTuple):
    """Bytes of a binary console, by the number of its definition, and when they arrived [ns]; cut anywhere."""

    console: int
    data: bytes
    arrival_ns: int


class Now(NamedTuple):
    """The time on the clock of the recording [ns]."""

    now_ns: int


class LeftOut(NamedTuple):
    """So many frames were kept from the view, for it could not keep up."""

    frames: int


class End(NamedTuple):
    """There is no more."""


Item = Frames | Lines | Records | Now | LeftOut | End
