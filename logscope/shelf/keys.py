"""Keys by content: a log that was renamed is still the same, and what has changed in any way is not."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from functools import cache
from hashlib import file_digest, sha256
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logscope.vehicle import Vehicle

# What a result does not rest on: a change there need not cost the checks of a thousand logs.
_WITHOUT_EFFECT = frozenset({"commands", "draft", "inventory", "live", "pictures", "recording", "seeking", "simulate",
                             "sizing", "survey", "tasks"})  # fmt: skip
_SHORT = 12  # digits that distinguish a few versions


def cache_folder() -> Path:
    """Where this system keeps what programs can make again."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
        return Path(base) / "logscope" / "Cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "logscope"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "logscope"


def combined_key(contents: Iterable[bytes]) -> str:
    """A digest of the digests of a log, its vehicle file and definitions, and of logscope itself."""
    whole = sha256(_own_digest().encode())
    for content in contents:
        whole.update(content)
    return whole.hexdigest()


def file_content(path: Path) -> bytes:
    """A digest of a file's bytes."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").digest()


def checks_version() -> str:
    """The code that results rest on, in a few digits."""
    return _own_digest()[:_SHORT]


def mapping_version(vehicle: Vehicle) -> str:
    """The signals of a vehicle file and their definitions, in a few digits; what is fitted does not count."""
    named = {"can": {"__all__": {"definitions"}}, "serial": {"__all__": {"definitions"}}}
    whole = sha256(vehicle.model_dump_json(include={"can", "serial", "signals"}, exclude=named).encode())
    for path in vehicle.files[0 if vehicle.path is None else 1 :]:
        whole.update(file_content(path))
    return whole.hexdigest()[:_SHORT]


@cache
def _own_digest() -> str:
    """Of the code that results rest on: those of another version are not taken for this one's."""
    package = Path(__file__).parents[1]
    whole = sha256()
    for path in sorted(package.rglob("*.py")):
        if path.relative_to(package).parts[0] not in _WITHOUT_EFFECT:
            whole.update(path.read_bytes())
    return whole.hexdigest()
