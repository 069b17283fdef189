"""How long the complete check takes, and how much memory: an hour of driving with two buses, and a minute of it.

    python tests/benchmarks/check_hour.py [seconds] [frames]

An hour of simulated driving with every part mapped is logged on one bus; frames of a second bus without
definitions are put between, up to so many frames in all (10 million unless told). Each log is checked by the
command in a process of its own, with its report. Nothing is asserted about times: they depend on the machine.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from simulate_hour import long_drive

from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_bus import log_drive

SIMULATED = Path(__file__).parents[2] / "logscope" / "simulate"
EPOCH_S = 1_772_442_000.0
OTHER_IDENTIFIERS = 60
# What the measured process runs: the command, then its own peak memory where the system tells it.
MEASURED = """
import sys
from logscope.cli import main
try:
    main()
finally:
    try:
        import resource
    except ImportError:
        sys.exit()
    unit = 1 if sys.platform == "darwin" else 1024
    print("peak", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6, file=sys.stderr)
"""


def with_second_bus(log: bytes, frames: int) -> bytes:
    """The log with frames of another bus between its own, each a little behind one of them."""
    lines = log.splitlines(keepends=True)
    others = max(frames - len(lines), 0)
    draw = np.random.default_rng(7)
    behind = np.sort(draw.integers(len(lines), size=others))
    counts = np.bincount(behind, minlength=len(lines))
    identifiers = 0x600 + draw.integers(OTHER_IDENTIFIERS, size=others)
    digits = draw.integers(256, size=(others, 8), dtype=np.uint8).tobytes().hex().upper()
    joined: list[bytes] = []
    k = 0
    for line, count in zip(lines, counts.tolist(), strict=True):
        joined.append(line)
        stamp = line.split(b" ", 1)[0]
        for _ in range(count):
            joined.append(b"%s can1 %03X#%s\n" % (stamp, identifiers[k], digits[16 * k : 16 * k + 16].encode()))
            k += 1
    return b"".join(joined)


def check(log: Path, folder: Path) -> None:
    """Check one log and print what it took."""
    command = ["check", str(log), "--vehicle", str(SIMULATED / "hazel.toml"), "--report", str(folder / "report.html")]
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", MEASURED, *command], capture_output=True, check=False)
    seconds = time.perf_counter() - begin
    told = done.stderr.decode("utf-8", "replace").splitlines()
    peak = next((f"{float(line.split()[1]):,.0f} MB at most" for line in told if line.startswith("peak ")), "")
    if done.returncode not in (0, 1):  # 1 says that something dangerous was found
        sys.exit("\n".join(told))
    report = (folder / "report.html").stat().st_size / 1e6
    print(f"{log.name}: {log.stat().st_size / 1e6:,.0f} MB, status {done.returncode}", flush=True)
    print(f"  {seconds:.2f} s whole process   {peak}   report {report:.1f} MB", flush=True)


def main() -> None:
    """Make the logs, check them."""
    duration_s = float(sys.argv[1]) if len(sys.argv) > 1 else 3600.0
    frames = int(sys.argv[2].replace("_", "")) if len(sys.argv) > 2 else 10_000_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, seconds, count in (("minute", 60.0, 0), ("hour", duration_s, frames)):
            text, _ = log_drive(simulate_drive(long_drive(seconds), 0), 0, EPOCH_S)
            log = folder / f"{name}.log"
            log.write_bytes(with_second_bus(text, count))
            del text
            check(log, folder)


if __name__ == "__main__":
    main()
