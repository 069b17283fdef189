"""The last minutes of a recording as parts: frames and console lines go in, signals come out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logscope.capture.frames import Frames
from logscope.capture.samples import Samples, SerialLog
from logscope.decoded import mapped_bindings, serial_tables
from logscope.decoding.tables import Decoder
from logscope.definitions.load import vehicle_definitions
from logscope.mapping import build_signals
from logscope.signals import Signals
from logscope.vehicle import Vehicle

# Long enough for the longest precharge with its retries and for a minute of driving before now; mapped signals of a
# drive at 100 Hz then take some 10 MB.
WINDOW_S = 120.0
_NS = 1_000_000_000


class Window:
    """The mapped parts of the last `WINDOW_S`. Times count from the first stamp of the recording, as in a report."""

    def __init__(self, vehicle: Vehicle) -> None:
        """Raises VehicleError where the vehicle file and its definitions do not fit each other."""
        definitions, skipped = vehicle_definitions(vehicle)
        self.vehicle = vehicle
        self.bindings, _ = mapped_bindings(vehicle, definitions, skipped)
        self._decoder = Decoder(definitions, wanted={binding.wanted for binding in self.bindings})
        self._consoles: dict[str, SerialLog] = {}
        self.start_ns: int | None = None
        self.latest_ns: int = 0

    def add_frames(self, frames: Frames) -> None:
        """Decode further frames of the recording."""
        if len(frames):
            self._reach(int(frames.time_ns.min()), int(frames.time_ns.max()))
            self._decoder.add(frames)

    def add_console(self, log: SerialLog) -> None:
        """Take further samples of a console."""
        times = [samples.time_ns for samples in log.signals.values() if len(samples)]
        if not times:
            return
        self._reach(min(int(each[0]) for each in times), max(int(each[-1]) for each in times))
        before = self._consoles.get(log.console)
        if before is not None:
            signals = {name: _joined(before.signals[name], samples) for name, samples in log.signals.items()}
            log = replace(log, signals=signals)
        self._consoles[log.console] = log

    def _reach(self, first_ns: int, last_ns: int) -> None:
        self.start_ns = first_ns if self.start_ns is None else min(self.start_ns, first_ns)
        self.latest_ns = max(self.latest_ns, last_ns)

    def seconds(self, stamp_ns: int) -> float:
        """A stamp in seconds from the start of the recording."""
        return (stamp_ns - (self.start_ns or 0)) / _NS

    def signals(self) -> Signals:
        """The parts of the window, as they are now; what is older is let go of."""
        if self.start_ns is None:
            return Signals({}, 0.0, 0.0, {binding.part: "nothing has arrived" for binding in self.bindings})
        before_ns = self.latest_ns - round(WINDOW_S * _NS)
        self._decoder.forget(before_ns)
        tables = dict(self._decoder.tables(self.start_ns))
        for name, log in self._consoles.items():
            kept = {signal: _since(samples, before_ns) for signal, samples in log.signals.items()}
            self._consoles[name] = replace(log, signals=kept)
            tables |= serial_tables(self._consoles[name], self.start_ns)
        signals = build_signals(self.vehicle, self.bindings, tables, self.seconds(self.latest_ns))
        return replace(signals, start_s=max(0.0, signals.end_s - WINDOW_S))


def between(signals: Signals, start_s: float, end_s: float) -> Signals:
    """The same parts for a shorter time. Loads of the 12 V side are left out."""
    parts = {
        name: part.where((part.time_s >= start_s) & (part.time_s <= end_s)) for name, part in signals.parts.items()
    }
    kept = {name: part for name, part in parts.items() if part.time_s.size}
    return replace(signals, parts=kept, start_s=start_s, end_s=end_s, loads=())


def _joined(before: Samples, more: Samples) -> Samples:
    return Samples(np.concatenate([before.time_ns, more.time_ns]), np.concatenate([before.value, more.value]))


def _since(samples: Samples, before_ns: int) -> Samples:
    first = int(np.searchsorted(samples.time_ns, before_ns))
    return Samples(samples.time_ns[first:], samples.value[first:])
