"""The screen that `record` and `replay` share."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType


def someone_watches() -> bool:
    """Whether standard output is a terminal."""
    return sys.stdout.isatty()


@contextmanager
def shown(draw: Callable[[int], RenderableType]) -> Iterator[Callable[[], None]]:
    """A screen that is drawn anew when asked. draw : gives it for so many rows"""
    from rich.console import Console
    from rich.live import Live

    console = Console()
    with Live(draw(console.height), console=console, auto_refresh=False, transient=True) as live:
        yield lambda: live.update(draw(console.height), refresh=True)
