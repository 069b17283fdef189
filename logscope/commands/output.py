"""What all commands do around their work: refuse, count, warn, show where the results are."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TextIO, TypeVar, cast

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.capture.frames import Block
    from logscope.capture.open import Capture
    from logscope.comparison.outcome import Comparison
    from logscope.result import Result


_UNWRAPPED = 10_000  # columns: longer than any line of a summary
_FILLING = re.compile(r" +(?=\n)")

Made = TypeVar("Made", "Result", "Comparison")


def with_progress(capture: Capture) -> Capture:
    """The same capture; its frames are counted on stderr while they pass, when someone is watching."""
    return replace(capture, blocks=_counted(capture.blocks)) if sys.stderr.isatty() else capture


def _counted(blocks: Iterable[Block]) -> Iterator[Block]:
    from rich.console import Console

    frames = 0
    with Console(stderr=True).status("Reading …") as status:
        for block in blocks:
            frames += len(block.frames)
            status.update(f"Reading … {frames:,} frames")
            yield block
        status.update("Checking …")


@contextmanager
def log_progress() -> Iterator[Callable[[int, int], None]]:
    """How many logs are done and the time left, on stderr, when someone is watching."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("Checking …"), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=None)
        yield lambda done, of: progress.update(task, completed=done, total=of)


def warn(notes: Iterable[str]) -> None:
    for note in notes:
        print(f"Note: {note}", file=sys.stderr)


class _Trimmed:
    """A stream whose lines lose the blanks with which tables are filled up at their right edge."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        return self._stream.write(_FILLING.sub("", text))


def terminal() -> Console:
    """Where a summary is shown: the terminal, or what it is piped into, which gets lines that are not wrapped."""
    from rich.console import Console

    # What is piped on is read by a program or an editor, which wrap by themselves.
    return Console() if sys.stdout.isatty() else Console(file=cast(TextIO, _Trimmed(sys.stdout)), width=_UNWRAPPED)


def deliver(
    made: Made,
    show: Callable[[Made, Console], None],
    report: Path | None,
    json: Path | None,
    also: Mapping[str, Path | None] = MappingProxyType({}),
) -> None:
    """Write what was made, show it on the terminal, and say where it is. also : what was written already, by name."""
    if json is not None:
        made.to_json(json, overwrite=True)  # `guarded` has allowed it
    if report is not None:
        made.to_html(report, overwrite=True)
    console = terminal()
    show(made, console)
    tell_where(console, {"Report": report, "JSON": json, **also})


def tell_where(console: Console, written: Mapping[str, Path | None]) -> None:
    """The outputs by name, each on a line with its path."""
    for name, path in written.items():
        if path is not None:
            console.print(f"{name}: {path}", markup=False, highlight=False, soft_wrap=True)
