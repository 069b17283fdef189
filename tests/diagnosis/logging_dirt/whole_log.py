"""A log's text through the whole program."""

from __future__ import annotations

import tempfile
from pathlib import Path

import logscope
from logscope.result import Result
from logscope.vehicle import Vehicle


def checked(text: bytes, vehicle: Vehicle, only: str | tuple[str, ...] = ()) -> Result:
    """What the program says of a candump log. Raises LogscopeError where it cannot be used."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.log"
        path.write_bytes(text)
        return logscope.check(logscope.read(path, vehicle=vehicle), vehicle, only=only)
