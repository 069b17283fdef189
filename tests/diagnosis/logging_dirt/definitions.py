"""Definitions of the messages that take the place of Hazel's where a log is laid out otherwise."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from logscope.simulate.hazel_bus import definitions

if TYPE_CHECKING:
    from cantools.database.can import Database

HAZEL_FILE = Path(__file__).parents[3] / "decoders" / "hazel.dbc"
OTHER_FILE = Path(__file__).with_name("other_layouts.dbc")


def message(name: str) -> Any:
    """A message of Hazel or of the other layouts, as cantools reads it."""
    known = {each.name: each for each in (*definitions().messages, *_other().messages)}
    return known[name]


@cache
def _other() -> Database:
    from cantools.database import load_file

    return cast("Database", load_file(OTHER_FILE))
