"""Writes the sample logs of the repository: `python tests/diagnosis/write_sample_logs.py [FOLDER]`."""

from __future__ import annotations

import sys
from pathlib import Path

from logscope.simulate.demo import log_and_truth
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_drives import healthy_drive, troubled_drive

SAMPLE_SEED = 3
_DATED_S = 1772442000.0  # 2026-03-02 09:00:00 UTC
_RELATIVE_S = 0.0


def write_samples(folder: Path) -> tuple[Path, ...]:
    """Write both logs with their truth into `folder`; rewriting them gives the same bytes."""
    written = []
    for scenario, epoch_s in ((healthy_drive(), _RELATIVE_S), (troubled_drive(), _DATED_S)):
        log, truth = log_and_truth(simulate_drive(scenario, SAMPLE_SEED), SAMPLE_SEED, epoch_s)
        for path, content in (
            (folder / f"hazel-{scenario.name}.log", log),
            (folder / f"hazel-{scenario.name}.truth.json", truth.encode("utf-8")),
        ):
            path.write_bytes(content)
            written.append(path)
    return tuple(written)


if __name__ == "__main__":
    for name in write_samples(Path(sys.argv[1] if len(sys.argv) > 1 else "sample_logs")):
        print(name)
