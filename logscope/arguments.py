"""Arguments as people type them, made into what the option parser takes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def spread(arguments: Sequence[str], options: Iterable[str]) -> list[str]:
    """An option with several values becomes the option once for each of them, so that `--before *.log` works.

    >>> spread(["compare", "--before", "a.log", "b.log", "--after", "c.log"], ["--before", "--after"])
    ['compare', '--before', 'a.log', '--before', 'b.log', '--after', 'c.log']
    """
    taking = set(options)
    written: list[str] = []
    current, values = "", 0
    for argument in arguments:
        if argument.startswith("-") and argument != "-":
            current, values = (argument, 0) if argument in taking else ("", 0)
        elif current:
            values += 1
            if values > 1:
                written.append(current)
        written.append(argument)
    return written
