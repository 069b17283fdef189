"""How a device warms: its time constant, and its rise above the coolant for its heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import COOLANTS, ThermalLog
from logscope.statistics.first_order import Problem, Response, fit_response

# What can stand for the heat: copper and conduction go with the current's square, switching with the current, so that
# a device has a share of each. Where no current is logged, the loss by efficiency, which is a small difference of two
# large readings, then the power.
_SQUARED = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the rise at 100 A, what goes with the square
_OTHER_HEATS = ("loss", "power")
_PER_A = 100.0
_LAGS_S = (0.0, 1.5, 3.0, 5.0, 8.0)  # of sensors in a winding or a bore (practice)
_OFFSET_K = 1.0  # of two sensors of one temperature, standard deviation (practice)
_CLEARLY = 1.5  # times less scatter without the coolant, before a device counts as not cooled by it
_MOVES_K, _MOVES_STEPS = 4.0, 4.0  # a rise that is told from rounding
_LEAST_S = 60.0
_WIDEST = 2.5  # high limit of the time constant over the low one: beyond, it is not determined
_WIDEST_RISE = 0.5  # half the width of the rise's limits over the rise
_SCATTER_K, _SCATTER_SHARE = 0.8, 0.06  # residuals that rounding, lags and a fan leave; more is no single body


@dataclass(frozen=True, slots=True, eq=False)
class Warming:
    """The response of one device.

    part : its temperature; reference : the coolant's part, or None for surroundings that stay as they are
    rows : steps that were fitted, shape (n,); step_s : of one
    heat : "current", with the shares that go with its square as `_SQUARED`, or another measure of heat
    fit : of every share; its limits hold those that the log does not exclude
    """

    part: str
    reference: str | None
    rows: BoolArray
    step_s: float
    heat: str
    fit: Response

    @property
    def squared(self) -> float | None:
        """The share of the rise at 100 A that goes with the current's square, by the best fit."""
        return _SQUARED[self.fit.branches[0].which] if self.heat == "current" else None

    @property
    def time_constant_s(self) -> tuple[float, float, float]:
        """The time constant with limits; readings are taken together over each step, and leave half of it open."""
        value_s, low_s, high_s = self.fit.time_constant_s
        half_s = self.step_s / 2.0
        return value_s, value_s - hypot(value_s - low_s, half_s), value_s + hypot(high_s - value_s, half_s)

    def under(self, log: ThermalLog) -> Steady:
        """At the mean load of the fitted steps."""
        return self._steady([np.array([np.mean(heat[self.rows])]) for heat in _heats(self.heat, log)])

    def at(self, current_A: float) -> Steady | None:
        """At a steady current; None where something else heats it."""
        if self.heat != "current":
            return None
        amps = np.array([current_A])
        return self._steady([_mixed(share, amps, amps**2) for share in _SQUARED])

    def _steady(self, inputs: Sequence[FloatArray]) -> Steady:
        return Steady(self.fit.at(*inputs), self.fit.level(*inputs))


@dataclass(frozen=True, slots=True)
class Steady:
    """The end at a steady load [K], with limits: by how much it warms, and how far it then stands from its reference.

    The two differ by the offset of the sensors, or, where no coolant is logged, by where the surroundings are found.
    """

    rise: tuple[float, float, float]
    level: tuple[float, float, float]


def _mixed(share: float, current: FloatArray, squared: FloatArray) -> FloatArray:
    """What heats, 1 at 100 A, of currents [A] and their squares, shape (n,)."""
    return np.asarray((1.0 - share) / _PER_A * current + share / _PER_A**2 * squared)


def _heats(heat: str, log: ThermalLog) -> list[FloatArray]:
    """What may heat a device, each shape (n,)."""
    if heat != "current":
        return [log.heats[heat]]
    return [_mixed(share, log.heats["current"], log.heats["current2"]) for share in _SQUARED]


def find_warming(part: str, log: ThermalLog) -> Warming | str:
    """The response of a device that explains its temperature best; or why none can be given, for a sentence."""
    value = log.temperatures[part]
    heat = next((name for name in ("current", *_OTHER_HEATS) if name in log.heats), None)
    if heat is None:
        return "neither motor current nor battery power is logged"
    usable = log.pumping & np.isfinite(value) & np.isfinite(log.heats[heat])
    coolant = log.coolant if part not in COOLANTS else None
    if coolant is not None:
        usable = usable & np.isfinite(log.temperatures[coolant])
    if np.count_nonzero(usable) * log.step_s < _LEAST_S:
        return "too little of the log has temperature and current together while the pump runs"
    span = float(np.ptp(value[usable]))
    if span < max(_MOVES_K, _MOVES_STEPS * log.rounding[part]):
        return f"it moves by {span:.1f} K only, at a resolution of {log.rounding[part] or 0.1:g} K"
    first = _fitted(part, coolant, heat, log, usable)
    if coolant is not None and (first is None or first.fit.scatter > _SCATTER_K):
        alone = _fitted(part, None, heat, log, usable)
        if alone is not None and (first is None or first.fit.scatter > _CLEARLY * alone.fit.scatter):
            first = alone
    return "no model of one body that warms with the load fits" if first is None else _judged(first, value, log)


def _fitted(part: str, reference: str | None, heat: str, log: ThermalLog, usable: BoolArray) -> Warming | None:
    problems = [
        Problem(
            value=log.temperatures[part][usable],
            reference=None if reference is None else log.temperatures[reference][usable],
            inputs=inputs[usable][:, None],
            stretch=log.stretches(usable)[usable],
            step_s=log.step_s,
            rounding=log.rounding[part],
            offset_sd=np.inf if reference is None else _OFFSET_K,
        )
        for inputs in _heats(heat, log)
    ]
    fit = fit_response(*problems, lags_s=_LAGS_S)
    return None if fit is None else Warming(part, reference, usable, log.step_s, heat, fit)


def _judged(warming: Warming, value: FloatArray, log: ThermalLog) -> Warming | str:
    fit, span = warming.fit, float(np.ptp(value[warming.rows]))
    if fit.scatter > max(_SCATTER_K, 0.6 * log.rounding[warming.part], _SCATTER_SHARE * span):
        return f"it departs by {fit.scatter:.1f} K from what one body would do: flow, fan or another source changes"
    _, low_s, high_s = warming.time_constant_s
    if low_s <= 0.0 or not high_s <= _WIDEST * low_s:
        return "the load changes too little, or for too short a time, to show how fast it warms"
    value_K, low_K, _ = warming.under(log).rise
    if value_K <= 0.0 or (value_K - low_K) > _WIDEST_RISE * value_K:
        return "the load changes too little, or for too short a time, to show how far it warms"
    return warming
