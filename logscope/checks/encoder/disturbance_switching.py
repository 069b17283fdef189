"""Whether speed disturbances come when something switches: a relay, a contactor, a pump."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.signals import Signals
from logscope.statistics.rates import Estimate, rate_ratio

_AFTER_S = 0.15  # contacts bounce and coils collapse within some 10 ms; a message that is late has the rest (practice)
_LEAST_HITS = 3  # switchings with a disturbance: fewer are taken for chance
_CHANCE = 0.01  # over all parts that switch
# What has a coil to collapse or a motor to start. A brake, a state or a fault goes with the driving itself.
_COILS = ("precharge_relay", "main_contactor", "negative_contactor", "coolant_pump")


@dataclass(frozen=True, slots=True)
class Switching:
    """A part whose switching disturbances follow.

    switched, hit : how often it switched, and how often a disturbance came with it
    ratio : rate of switchings hit over that of disturbances at other times, for the same time
    """

    name: str
    switched: int
    hit: int
    ratio: Estimate

    def measured(self) -> Measured:
        """The ratio with its limits; no value where every disturbance came with a switching."""
        bounded = np.isfinite(self.ratio.high)
        return Measured(self.ratio.value if bounded else None, "", self.ratio.low, self.ratio.high if bounded else None)


def followed_switching(study: SpeedAnalysis, signals: Signals) -> Switching | None:
    """The part whose switching the disturbances follow most, beyond chance; None where there is none."""
    states = list(_switched(signals))
    found = [each for each in (_judge(study, name, at_s, early_s) for name, at_s, early_s in states) if each]
    clear = [
        each
        for each in found
        if each.hit >= _LEAST_HITS and each.ratio.low > 1.0 and each.ratio.p_value * len(states) < _CHANCE
    ]
    return max(clear, key=lambda each: each.ratio.low, default=None)


def _switched(signals: Signals) -> Iterator[tuple[str, FloatArray, float]]:
    """Each coil that switches: its name, the stamps that show it, and by how much earlier it may have changed [s]."""
    for name in _COILS:
        part = signals.get(name)
        if part is None or part.on is None:
            continue
        edges = np.asarray(part.time_s[1:][part.on[1:] != part.on[:-1]])
        if edges.size >= _LEAST_HITS:
            yield name, edges, part.period_s


def _judge(study: SpeedAnalysis, name: str, at_s: FloatArray, early_s: float) -> Switching | None:
    time, exposure = study.speed.time_s, study.model.exposure_s
    near: BoolArray = _next_edge(time, at_s) <= time + early_s
    near_s, else_s = float(np.sum(exposure, where=near)), float(np.sum(exposure, where=~near))
    if min(near_s, else_s) <= 0:
        return None
    first = np.array([each.first for each in study.disturbances])
    with_it = near[first]
    # several disturbances after one switching are one witness
    hit = np.unique(_next_edge(time[first][with_it], at_s)).size
    return Switching(name, at_s.size, hit, rate_ratio(hit, near_s, int(np.count_nonzero(~with_it)), else_s))


def _next_edge(time_s: FloatArray, at_s: FloatArray) -> FloatArray:
    """The first switching that is not long over at each time [s]; infinite where there is none."""
    index = np.searchsorted(at_s, time_s - _AFTER_S)
    return np.append(at_s, np.inf)[index]
