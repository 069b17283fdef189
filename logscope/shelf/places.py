"""Files by path or URL: of this machine as they are, those elsewhere through fsspec."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.request import url2pathname

from logscope.errors import LogError, RequestError

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

_SCHEME = re.compile(r"([a-z][a-z0-9+.-]+):[/\\]+(?=[^/\\])")  # two letters and more: C:/ is a drive
_UNDATED = datetime.fromtimestamp(0, UTC)  # of a store that keeps no dates


def name_of(given: Path | str) -> str:
    """A path or URL as given; a URL also where it went through `Path`, which keeps one slash of two.

    >>> name_of(Path("s3://logs/2026")), name_of("memory://a.log"), name_of("a.log")
    ('s3://logs/2026', 'memory://a.log', 'a.log')
    """
    text = str(given)
    scheme = _SCHEME.match(text)
    if scheme is None:
        return text
    rest = text[scheme.end() :].replace("\\", "/")
    return url2pathname(f"/{rest}") if scheme[1] == "file" else f"{scheme[1]}://{rest}"


def is_remote(name: str) -> bool:
    """Whether a name is a URL, which stands for a file of another place than this machine's disk.

    >>> is_remote("s3://logs/a.log"), is_remote("C:/logs/a.log")
    (True, False)
    """
    return "://" in name


def store_of(name: str) -> tuple[AbstractFileSystem, str]:
    """The store that a URL names, and the path in it. Raises RequestError where nothing serves it."""
    try:
        import fsspec
    except ImportError:
        raise RequestError(
            "reading logs from a URL needs fsspec", where=name, do='Run pip install "logscope-drive[cluster]".'
        ) from None
    try:
        store, path = fsspec.core.url_to_fs(name)
    except (ImportError, ValueError) as error:
        raise RequestError(f"nothing reads this URL ({error})", where=name, do="Install what it needs.") from None
    return store, path


def stamp_of(name: str) -> tuple[int, datetime] | None:
    """Size [bytes] and time of the last change of a file; None where it is gone."""
    try:
        if is_remote(name):
            store, path = store_of(name)
            known = store.info(path)
            return int(known["size"] or 0), _modified(known)
        found = Path(name).stat()
    except OSError:
        return None
    return found.st_size, datetime.fromtimestamp(found.st_mtime, UTC)


def _modified(known: dict[str, Any]) -> datetime:
    """Stores differ in what they call the time of the last change."""
    found = (known.get(name) for name in ("LastModified", "last_modified", "mtime", "updated", "created"))
    when = next((each for each in found if each is not None), _UNDATED)
    if isinstance(when, int | float):
        return datetime.fromtimestamp(when, UTC)
    moment = datetime.fromisoformat(when) if isinstance(when, str) else when
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def fetched(name: str, folder: Path) -> Path:
    """A file as a path of this machine: itself, or a copy in `folder`. Raises LogError where it cannot be had."""
    if not is_remote(name):
        return Path(name)
    store, path = store_of(name)
    target = folder / PurePosixPath(path).name
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with store.open(path, "rb") as source, target.open("wb") as copy:
            shutil.copyfileobj(source, copy)
    except OSError as error:
        raise LogError(f"the log cannot be fetched ({error})", where=name, do="Check the address.") from None
    return target
