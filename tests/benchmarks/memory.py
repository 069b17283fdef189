"""The most memory that a process has held."""

from __future__ import annotations

import sys
from pathlib import Path


def peak_megabytes() -> float | None:
    """Of this process alone [MB]; None where the system does not say.

    `getrusage` is no use on Linux: a process that is started by a large one inherits its peak.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(each for each in status.read_text(encoding="ascii").splitlines() if each.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    try:
        import resource
    except ImportError:  # Windows
        return None
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6
