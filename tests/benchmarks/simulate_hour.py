"""How long an hour of driving takes to simulate, and to write down as a CAN log.

    python tests/benchmarks/simulate_hour.py [seconds]

Compilation aside. Nothing is asserted about times: they depend on the machine.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

from logscope.simulate.drive import simulate_drive
from logscope.simulate.encoder import Interference
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.hazel_drives import healthy_drive, pedal
from logscope.simulate.scenarios import KeyCycle, Scenario

_LAP_S = 60.0


def long_drive(duration_s: float) -> Scenario:
    """Laps of three presses and a brake, with interference all the while."""
    laps = [lap * _LAP_S for lap in range(1, int(duration_s // _LAP_S))]
    return replace(
        healthy_drive(),
        duration_s=duration_s,
        key_cycles=(KeyCycle(2.5, duration_s - 4.0),),
        throttle=pedal(*((s + a, s + b, p) for s in laps for a, b, p in ((0, 8, 0.4), (12, 18, 0.6), (24, 30, 0.3)))),
        brake=pedal(*((s + 34.0, s + 50.0, 0.2) for s in laps)),
        interference=(Interference(10.0, duration_s, rate_per_s=0.05, size_rpm=200.0),),
    )


def main() -> None:
    """Print the times."""
    duration_s = float(sys.argv[1]) if len(sys.argv) > 1 else 3600.0
    simulate_drive(healthy_drive(), 0)  # compiles
    begin = time.process_time()
    drive = simulate_drive(long_drive(duration_s), 0)
    played = time.process_time()
    text, _ = log_drive(drive, 0, 0.0)
    written = time.process_time()
    print(f"{duration_s:.0f} s of driving, {drive.column('speed_kmh').mean():.0f} km/h on average")
    print(f"simulated in {played - begin:.1f} s of processor time")
    print(f"logged in {written - played:.1f} s: {len(text) / 1e6:.0f} MB of candump text")


if __name__ == "__main__":
    main()
