"""Works out the picture of a moment: parts, sequence, verdicts, buses, margins, and what is missing."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.capture.frames import Frames
from logscope.capture.samples import SerialLog
from logscope.findings import Measured
from logscope.live.buses import Buses
from logscope.live.judge import Judge
from logscope.live.missing import missing_parts
from logscope.live.picture import PartNow, Phase, Verdict, View
from logscope.live.replayed import in_slices
from logscope.live.sequence import longest_age_s, sequence_of
from logscope.live.window import Window
from logscope.quantities import quantity_text
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_RATE_OVER_S = 5.0
_STEP_NS = 100_000_000  # a precharge takes 0.1 s at least


class LiveView:
    """Fed with frames and console samples in the order of time; `look` gives the picture."""

    def __init__(self, vehicle: Vehicle, bit_rates: Mapping[str, int] | None = None) -> None:
        """bit_rates : of adapters that were opened at one [bit/s], by bus, before what the vehicle file states.

        Raises VehicleError as `Window` does.
        """
        self._window = Window(vehicle)
        rates = dict(vehicle.bit_rates)
        rates.update(bit_rates or {})
        self._buses = Buses(rates)
        self._judge = Judge(vehicle)
        self._now_s = 0.0
        self._followed_ns = 0
        self._signals: Signals | None = None

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """What was judged so far, in order of time."""
        return tuple(sorted(self._judge.verdicts, key=lambda verdict: verdict.start_s))

    def add_frames(self, frames: Frames) -> None:
        """Take further frames. Where many have waited they are followed in steps, so that no event is passed over."""
        for piece in in_slices(frames, _STEP_NS):
            self._window.add_frames(piece)
            self._buses.add(piece)
            if self._window.latest_ns - self._followed_ns >= _STEP_NS:
                self.follow()

    def add_console(self, log: SerialLog) -> None:
        """Take further samples of a console."""
        self._window.add_console(log)

    def follow(self, now_ns: int | None = None) -> Phase:
        """Take up what has arrived, and judge what is due. To be called several times a second.

        now_ns : this moment on the clock of the recording, where it is known; otherwise the last stamp counts
        """
        signals = self._signals = self._window.signals()
        self._followed_ns = self._window.latest_ns
        self._now_s = now_s = max(signals.end_s, self._window.seconds(now_ns) if now_ns is not None else 0.0)
        sequence = sequence_of(signals, now_s)
        self._judge.follow(signals, sequence.phase, now_s)
        return sequence.phase

    def finish(self) -> None:
        """Judge what was waiting, at the end."""
        signals = self._signals = self._window.signals()
        self._judge.finish(signals, signals.end_s)

    def look(self) -> View:
        """The picture as of the last `follow`."""
        signals = self._signals or self._window.signals()
        now_s = max(self._now_s, signals.end_s)
        parts = tuple(_part_now(part, now_s) for part in signals.parts.values())
        arriving = {part.name for part in parts if part.arriving}
        mapped = {binding.part for binding in self._window.bindings}
        return View(
            now_s=now_s,
            parts=parts,
            absent=tuple(signals.empty),
            sequence=sequence_of(signals, now_s),
            verdicts=self.verdicts,
            by_minute=tuple(sorted(self._judge.by_minute.items())),
            buses=self._buses.now(self._window.latest_ns + round(1e9 * (now_s - signals.end_s))),
            margins=tuple(self._judge.margins.values()),
            missing=tuple(missing_parts(arriving, mapped)),
            doubted=tuple(self._judge.doubted.items()),
        )


def _part_now(part: Part, now_s: float) -> PartNow:
    recent = part.time_s[part.between(now_s - _RATE_OVER_S, now_s)]
    over_s = float(recent[-1] - recent[0]) if recent.size > 1 else 0.0
    age_s = now_s - float(part.time_s[-1])
    return PartNow(
        part.name,
        age_s <= longest_age_s(part),
        (recent.size - 1) / over_s if over_s > 0 else recent.size / _RATE_OVER_S,
        _value_text(part),
        age_s,
    )


def _value_text(part: Part) -> str:
    value = float(part.value[-1])
    if part.on is not None and not part.labels:
        return "on" if part.on[-1] else "off"
    if part.labels or not part.unit:
        return part.label(value)
    return quantity_text(Measured(value, part.unit))
