"""What Hazel's console prints while a drive is played, on a clock of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.simulate.drive import NO_FAULT, ROW_S, Drive
from logscope.simulate.drive_heat import sensed_temperatures
from logscope.simulate.sampling import at_rows, largest_since, noisy

_PRECHARGING, _RUNNING, _TRIPPED = "Precharge", "Run", "Tripped"
_VOLT_NOISE, _AMPERE_NOISE = 0.15, 0.6  # as on the bus
_JITTER_S = 2e-3  # printing waits for everything else that the controller does
_BUILD = 41


@dataclass(frozen=True, slots=True)
class Console:
    """A console and its clock.

    period_s : between lines; boots_s : when the controller starts, on the drive's clock, and its clock with it
    drift : of that clock, as a share: it shows (1 + drift)·seconds since it booted
    """

    period_s: float = 0.1
    boots_s: float = 0.6
    drift: float = 35e-6

    def shown_s(self, time_s: FloatArray) -> FloatArray:
        """What the console's clock shows at a time of the drive [s]."""
        return np.asarray((time_s - self.boots_s) * (1.0 + self.drift), dtype=np.float64)


def console_text(drive: Drive, seed: int, console: Console = Console()) -> bytes:
    """The console's lines: boot message, header, and comma-separated samples with milliseconds since boot."""
    rng = np.random.default_rng([seed, 3])
    end_s = drive.scenario.duration_s
    t = np.arange(console.boots_s + 0.4, end_s, console.period_s)
    t = np.sort(t + rng.uniform(0.0, _JITTER_S, t.size))
    trace = drive.high_voltage.solution.sample(t)
    peak = largest_since(drive.column("current_A"), ROW_S, console.period_s)
    heat = sensed_temperatures(drive)
    fault, enabled = (at_rows(drive.column(name), ROW_S, t) for name in ("fault", "enabled"))
    state = np.where(fault > NO_FAULT, _TRIPPED, np.where(enabled > 0, _RUNNING, _PRECHARGING))
    columns = (
        np.rint(console.shown_s(t) * 1e3).astype(np.int64),
        at_rows(drive.column("reading_rpm"), ROW_S, t) * drive.scenario.logged_speed_scale,
        np.abs(noisy(rng, at_rows(peak, ROW_S, t), _AMPERE_NOISE)),
        noisy(rng, trace.sensed_V + at_rows(drive.column("link_shift_V"), ROW_S, t), _VOLT_NOISE),
        np.interp(t, heat.time_s, heat.inverter),
    )
    lines = [f"boot: console 3, build {_BUILD}", "t,rpm,amps,volts,heatsink,state,fault"]
    for ms, rpm, amps, volts, sink, name, code in zip(*columns, state, fault, strict=True):
        lines.append(f"{ms},{rpm:.0f},{amps:.1f},{max(volts, 0.0):.1f},{sink:.1f},{name},{code:.0f}")
    return ("\r\n".join(lines) + "\r\n").encode("ascii")
