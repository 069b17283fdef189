"""The 12 V side: battery, converter from the DC link, and what relays, pumps and coils draw when they switch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.simulate.sampling import within

Span = tuple[float, float]  # from, until [s]


class LowSide(NamedTuple):
    """The 12 V side at each moment: its voltage, the battery's current, the converter's terminals."""

    volts: FloatArray
    battery_A: FloatArray
    converter_V: FloatArray
    converter_A: FloatArray
    converts: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AuxSupply:
    """Sizes as in small vehicles (common practice, no published source).

    battery_V, battery_ohm : without load, and its resistance with cables; charge_ohm : the same while it is charged
    converter_V, converter_ohm : what the converter regulates to, and the cables from it; it runs while the link is
        on, from `converter_delay_s` later until `converter_stops_s`
    sags_from_s, sags_V_per_s : from when and how fast its set-point falls
    falls_V_per_min : how fast the battery's own voltage falls while the converter does not run
    loose, loose_ohm : from when until when a joint between the sources and the measured point has this resistance
    coil_A, coil_hold_A : what a contactor's coil draws as it pulls in, and once its saver has cut in…
    coil_s : …with this time constant
    steering_A, brake_pump_A : of the pumps of steering and brake; `inrush` times as much when they start, which
        fades with `inrush_s`
    brake_pump_s : how long the brake's pump runs after the pedal has used vacuum
    brake_pump_fed_by_steering : share of its current that it also gets while the steering's pump is switched on
    brake_pump_runs_on_s : how long it runs on after its switch has opened
    """

    battery_V: float = 12.6
    battery_ohm: float = 0.03
    charge_ohm: float = 0.25
    converter_V: float = 13.8
    converter_ohm: float = 0.01
    converter_delay_s: float = 0.0
    converter_stops_s: float = inf
    sags_from_s: float = inf
    sags_V_per_s: float = 0.0
    falls_V_per_min: float = 0.0
    loose: tuple[Span, ...] = ()
    loose_ohm: float = 0.15
    base_A: float = 6.0
    pump_A: float = 4.0
    coil_A: float = 8.0
    coil_hold_A: float = 1.0
    coil_s: float = 0.08
    steering_A: float = 9.0
    brake_pump_A: float = 11.0
    inrush: float = 3.0
    inrush_s: float = 0.1
    brake_pump_s: float = 2.5
    brake_pump_fed_by_steering: float = 0.0
    brake_pump_runs_on_s: float = 0.0

    def low_side(
        self, time_s: FloatArray, linked: NDArray[np.bool_], coils: Iterable[Span], other_A: FloatArray | float = 0.0
    ) -> LowSide:
        """The 12 V side at each time: one node, V = (ΣG·U − I)/ΣG.

        linked : whether the DC link is on; coils : from when until when each coil is powered [s]
        other_A : what else is drawn
        """
        load = self.base_A + self.pump_A * linked + other_A
        load = load + fading_amps(time_s, coils, self.coil_hold_A, self.coil_A, self.coil_s)
        converts = linked & (time_s < self.converter_stops_s) & _since(linked, time_s, self.converter_delay_s)
        set_V = self.converter_V - self.sags_V_per_s * np.clip(time_s - self.sags_from_s, 0.0, None)
        open_V = self.battery_V - self.falls_V_per_min / 60.0 * _total(~converts, time_s)
        battery_S = np.where(converts, 1.0 / self.charge_ohm, 1.0 / self.battery_ohm)
        converter_S = np.where(converts, 1.0 / self.converter_ohm, 0.0)
        volts = (battery_S * open_V + converter_S * set_V - load) / (battery_S + converter_S)
        return LowSide(
            volts=volts - np.where(within(self.loose, time_s), self.loose_ohm * load, 0.0),
            battery_A=battery_S * (open_V - volts),
            converter_V=np.where(converts, set_V, volts),
            converter_A=converter_S * (set_V - volts),
            converts=converts,
        )

    def motor_amps(self, time_s: FloatArray, spans: Iterable[Span], amps: float) -> FloatArray:
        """What a small motor draws that is on in spans, with its inrush [A]."""
        return fading_amps(time_s, spans, amps, self.inrush * amps, self.inrush_s)


def _since(linked: NDArray[np.bool_], time_s: FloatArray, delay_s: float) -> NDArray[np.bool_]:
    """Whether the link has been on for a while at each time."""
    if not delay_s or not time_s.size:
        return np.ones(time_s.size, dtype=np.bool_)
    begun_s = np.maximum.accumulate(np.where(linked, -inf, time_s))
    return np.asarray(time_s - begun_s >= delay_s)


def _total(where: NDArray[np.bool_], time_s: FloatArray) -> FloatArray:
    """How long something has held at each time, in all [s]."""
    return np.concatenate(([0.0], np.cumsum(np.diff(time_s) * where[1:]))) if time_s.size else time_s


def fading_amps(time_s: FloatArray, spans: Iterable[Span], amps: float, at_first: float, fades_s: float) -> FloatArray:
    """What a load draws that is on in spans and takes `at_first` when it comes on [A]."""
    drawn = np.zeros(time_s.size)
    for begin_s, end_s in spans:
        since = np.clip(time_s - begin_s, 0.0, None)
        on = (time_s >= begin_s) & (time_s < end_s)
        drawn += np.where(on, amps + (at_first - amps) * np.exp(-since / fades_s), 0.0)
    return drawn
