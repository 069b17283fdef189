"""The first seconds of a log that comes with the project, for tests that need a drive, not the whole of one."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import logscope

LOGS = Path(logscope.__file__).parents[1] / "sample_logs"


@cache
def beginning(sample: str, until_s: float) -> str:
    """The lines of `hazel-<sample>.log` from its first stamp to so many seconds later."""
    lines = (LOGS / f"hazel-{sample}.log").read_text(encoding="utf-8").splitlines(keepends=True)
    stamps = [float(line[1:].partition(")")[0]) for line in lines]
    return "".join(line for line, at_s in zip(lines, stamps, strict=True) if at_s - stamps[0] < until_s)
