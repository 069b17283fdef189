"""Rows kept from earlier runs, by the content of everything they rest on: a log that was renamed is still the same."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import datetime
from functools import cache
from hashlib import file_digest, sha256
from pathlib import Path
from typing import Any

from logscope.errors import LogscopeError
from logscope.files import write_text
from logscope.findings import Measured
from logscope.history.rows import Row
from logscope.history.tuning import Advice, Tuning

_FORMAT = 4  # of the kept files
# What a result does not rest on: a change there need not cost the checks of a thousand logs.
_WITHOUT_EFFECT = frozenset({"commands", "draft", "inventory", "pictures", "seek", "simulate", "sizing", "survey"})


def cache_folder() -> Path:
    """Where this system keeps what programs can make again."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
        return Path(base) / "logscope" / "Cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "logscope"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "logscope"


def content_key(log: Path, others: Iterable[Path]) -> str:
    """A digest of the log, of vehicle file and definitions, and of logscope itself."""
    return combined_key([file_content(path) for path in (log, *others)])


def combined_key(contents: Iterable[bytes]) -> str:
    """The same of what is known by its digest already."""
    whole = sha256(f"{_FORMAT} {_own_digest()}".encode())
    for content in contents:
        whole.update(content)
    return whole.hexdigest()


def file_content(path: Path) -> bytes:
    """A digest of a file's bytes."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").digest()


@cache
def _own_digest() -> str:
    """Of the code that results rest on: those of another version are not taken for this one's."""
    package = Path(__file__).parents[1]
    whole = sha256()
    for path in sorted(package.rglob("*.py")):
        if path.relative_to(package).parts[0] not in _WITHOUT_EFFECT:
            whole.update(path.read_bytes())
    return whole.hexdigest()


def kept(folder: Path, key: str, log: Path) -> Row | None:
    """The row of an earlier run; None where there is none, or it cannot be read."""
    try:
        stored = json.loads((folder / f"{key}.json").read_text(encoding="utf-8"))
        return Row(
            log=str(log),
            date=datetime.fromisoformat(stored["date"]),
            dated=bool(stored["dated"]),
            duration_s=float(stored["duration_s"]),
            values=_measured(stored["values"]),
            tuning=tuning_from(stored["tuning"]),
            cautions=tuple(map(str, stored["cautions"])),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def tuning_from(stored: Mapping[str, Any]) -> Tuning:
    """What `asdict` made of it, after JSON."""
    return Tuning(
        _measured(stored["values"]),
        tuple(stored["step_s"]),
        tuple(stored["step_share"]),
        Advice(*stored["advice"]) if stored["advice"] else None,
        stored["loop"],
    )


def _measured(stored: dict[str, Any]) -> dict[str, Measured]:
    return {name: Measured(**value) for name, value in stored.items()}


def keep(folder: Path, key: str, row: Row) -> None:
    """Keep a row for the next run; where that cannot be, it is worked out again then."""
    fields: dict[str, Any] = {
        "date": row.date.isoformat(),
        "dated": row.dated,
        "duration_s": row.duration_s,
        "values": {name: asdict(each) for name, each in row.values.items()},
        "tuning": asdict(row.tuning),
        "cautions": list(row.cautions),
    }
    with suppress(OSError, LogscopeError):
        folder.mkdir(parents=True, exist_ok=True)
        write_text(folder / f"{key}.json", json.dumps(fields))
