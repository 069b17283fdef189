"""Logs as they come, or packed as gzip, xz, or a zip archive with one file. The content decides, not the name."""

from __future__ import annotations

import gzip
import lzma
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, cast

from logscope.errors import LogError, check_the_path

_GZIP, _XZ, _ZIP = b"\x1f\x8b", b"\xfd7zXZ\x00", b"PK\x03\x04"

DAMAGE = (EOFError, zlib.error, gzip.BadGzipFile, lzma.LZMAError, zipfile.BadZipFile)


def is_compressed(path: Path) -> bool:
    """Whether a file's first bytes are those of a packed log."""
    with path.open("rb") as raw:
        return raw.read(6).startswith((_GZIP, _XZ, _ZIP))


@contextmanager
def open_content(path: Path) -> Iterator[IO[bytes]]:
    """The content of a log as a binary stream.

    Raises LogError where the file cannot be opened, or is an archive of several files. Reading a damaged
    or cut file raises one of DAMAGE after the last sound byte.
    """
    with ExitStack() as stack:
        try:
            stream = _opened(path, stack)
        except DAMAGE as error:
            raise damaged(path, error) from None
        except (RuntimeError, NotImplementedError) as error:  # a password, or a method zipfile does not know
            raise LogError(f"the zip file cannot be unpacked ({error})", where=path, do="Unpack it first.") from None
        except OSError as error:
            reason = error.strerror or str(error)
            raise LogError(f"cannot open the log ({reason})", where=path, do=check_the_path(path)) from None
        yield stream


def _opened(path: Path, stack: ExitStack) -> IO[bytes]:
    raw = stack.enter_context(path.open("rb"))
    magic = raw.read(6)
    raw.seek(0)
    if magic.startswith(_GZIP):
        return cast(IO[bytes], stack.enter_context(gzip.open(raw, "rb")))
    if magic.startswith(_XZ):
        return cast(IO[bytes], stack.enter_context(lzma.open(raw, "rb")))
    if magic.startswith(_ZIP):
        return stack.enter_context(_only_member(stack.enter_context(zipfile.ZipFile(raw)), path))
    return raw


def _only_member(archive: zipfile.ZipFile, path: Path) -> IO[bytes]:
    members = [member for member in archive.infolist() if not member.is_dir()]
    if len(members) != 1:
        raise LogError(
            f"the zip archive holds {len(members)} files, and only one can be read from it",
            where=path,
            do="Unpack it and name the logs.",
        )
    return archive.open(members[0])


def damaged(path: Path, error: BaseException) -> LogError:
    """The error for a packed file of which nothing can be read."""
    return LogError(f"the compressed file is damaged ({error})", where=path, do="Copy it again from the logger.")


def cut_note(path: Path) -> str:
    """The note for a packed file of which the beginning was read."""
    return f"{path}: the compressed file is cut short or damaged; everything before the damage was read"


def unpack(path: Path, folder: Path) -> tuple[Path, tuple[str, ...]]:
    """The content as a plain file, put into `folder` where it is packed; and a note where it was cut."""
    if not is_compressed(path):
        return path, ()
    target = folder / "content"
    with open_content(path) as packed, target.open("wb") as plain:
        try:
            shutil.copyfileobj(packed, plain, 1 << 16)
        except DAMAGE:
            return target, (cut_note(path),)
    return target, ()
