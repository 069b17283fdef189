"""The 12 V supply: battery, converter from the DC link, and what relays and pumps draw when they switch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class AuxSupply:
    """Sizes as in small vehicles (common practice, no published source).

    battery_V, battery_ohm : without load, and its resistance with cables
    converter_V, converter_ohm : what the converter regulates to, and its droop; it runs while the link is
        on, until `converter_stops_s`
    coil_A, coil_hold_A : what a contactor's coil draws as it pulls in, and once its saver has cut in…
    coil_s : …with this time constant
    """

    battery_V: float = 12.6
    battery_ohm: float = 0.03
    converter_V: float = 13.8
    converter_ohm: float = 0.01
    converter_stops_s: float = inf
    base_A: float = 6.0
    pump_A: float = 4.0
    coil_A: float = 8.0
    coil_hold_A: float = 1.0
    coil_s: float = 0.08

    def volts(self, time_s: FloatArray, linked: NDArray[np.bool_], coils: Iterable[tuple[float, float]]) -> FloatArray:
        """Voltage at each time [V]: V = source − R·I.

        linked : whether the DC link is on; coils : from when until when each coil is powered [s]
        """
        load = self.base_A + self.pump_A * linked
        for pull_s, release_s in coils:
            since = np.clip(time_s - pull_s, 0.0, None)
            drawn = self.coil_hold_A + (self.coil_A - self.coil_hold_A) * np.exp(-since / self.coil_s)
            load = load + np.where((time_s >= pull_s) & (time_s < release_s), drawn, 0.0)
        converts = linked & (time_s < self.converter_stops_s)
        source = np.where(converts, self.converter_V, self.battery_V)
        ohm = np.where(converts, self.converter_ohm, self.battery_ohm)
        return np.asarray(source - ohm * load, dtype=np.float64)
