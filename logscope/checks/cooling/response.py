"""How a device warms: its time constant, and its rise above the coolant for its heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log as log_of

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import COOLANTS, ThermalLog
from logscope.statistics.first_order import Problem, Response, coarse_score, fit_response

# What can stand for the heat: copper and conduction go with the current's square, switching with the current. Where no
# current is logged, the loss by efficiency, which is a small difference of two large readings, then the power.
_HEATS: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("current2",), ("current",), ("current", "current2")),
    (("loss",),),
    (("power",),),
)
_LAGS_S = (0.0, 3.0, 8.0)  # of sensors in a winding or a bore (practice)
_LAG_S = 3.0  # by which sensors' lags and what lies between heat and sensor leave a time constant open (practice)
_OFFSET_K = 1.0  # of two sensors of one temperature, standard deviation (practice)
_CLEARLY = 1.5  # times less scatter without the coolant, before a device counts as not cooled by it
_ALIKE, _SIMPLER = 1.25, 0.03  # times the least scatter that is no worse; what another heat must explain
_HOPELESS = 2.0  # times the least scatter, at a rough search: no finer one makes it alike
_MOVES_K, _MOVES_STEPS = 4.0, 4.0  # a rise that is told from rounding
_LEAST_S = 60.0
_WIDEST = 2.5  # high limit of the time constant over the low one: beyond, it is not determined
_WIDEST_RISE = 0.5  # half the width of the rise's limits over the rise
_SCATTER_K, _SCATTER_SHARE = 0.8, 0.06  # residuals that rounding, lags and a fan leave; more is no single body


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """What heats a device, and the fit of it."""

    heats: tuple[str, ...]
    fit: Response

    def inputs_at(self, current_A: float) -> FloatArray | None:
        """What heats it at a steady current; None where something else heats it."""
        if not set(self.heats) <= {"current", "current2"}:
            return None
        return np.array([current_A if heat == "current" else current_A**2 for heat in self.heats])


@dataclass(frozen=True, slots=True, eq=False)
class Warming:
    """The response of one device.

    part : its temperature; reference : the coolant's part, or None for surroundings that stay as they are
    rows : steps that were fitted, shape (n,); step_s : of one
    laws : the best one, then those that the log cannot tell from it; limits span them all
    """

    part: str
    reference: str | None
    rows: BoolArray
    step_s: float
    laws: tuple[Law, ...]

    @property
    def fit(self) -> Response:
        """The best fit."""
        return self.laws[0].fit

    @property
    def heats(self) -> tuple[str, ...]:
        """What heats it, by the best law."""
        return self.laws[0].heats

    @property
    def time_constant_s(self) -> tuple[float, float, float]:
        """The time constant with limits."""
        fits = [law.fit for law in self.laws]
        open_s = _LAG_S + self.step_s / 2.0
        low_s, high_s = min(fit.low_s for fit in fits), max(fit.high_s for fit in fits)
        return self.fit.time_constant_s, max(low_s - open_s, 0.0), high_s + open_s

    def under(self, log: ThermalLog) -> Steady:
        """At the mean load of the fitted steps."""
        means = [np.array([float(np.mean(log.heats[heat][self.rows])) for heat in law.heats]) for law in self.laws]
        return _steady([(law.fit, mean) for law, mean in zip(self.laws, means, strict=True)])

    def at(self, current_A: float) -> Steady | None:
        """At a steady current; None where something else heats it."""
        loads = [(law.fit, inputs) for law in self.laws if (inputs := law.inputs_at(current_A)) is not None]
        return _steady(loads) if loads else None


@dataclass(frozen=True, slots=True)
class Steady:
    """The end at a steady load [K], with limits: by how much it warms, and how far it then stands from its reference.

    The two differ by the offset of the sensors, or, where no coolant is logged, by where the surroundings are found.
    """

    rise: tuple[float, float, float]
    level: tuple[float, float, float]


def _steady(loads: Sequence[tuple[Response, FloatArray]]) -> Steady:
    return Steady(
        _spanned([fit.at(inputs) for fit, inputs in loads]), _spanned([fit.level(inputs) for fit, inputs in loads])
    )


def _spanned(values: Sequence[tuple[float, float, float]]) -> tuple[float, float, float]:
    """The first value, with limits that span those of all."""
    return values[0][0], min(low for _, low, _ in values), max(high for _, _, high in values)


def find_warming(part: str, log: ThermalLog) -> Warming | str:
    """The response of a device that explains its temperature best; or why none can be given, for a sentence."""
    value = log.temperatures[part]
    heats = next((family for family in _HEATS if all(name in log.heats for names in family for name in names)), ())
    if not heats:
        return "neither motor current nor battery power is logged"
    usable = log.pumping & np.isfinite(value)
    for name in {name for names in heats for name in names}:
        usable = usable & np.isfinite(log.heats[name])
    coolant = log.coolant if part not in COOLANTS else None
    if coolant is not None:
        usable = usable & np.isfinite(log.temperatures[coolant])
    if np.count_nonzero(usable) * log.step_s < _LEAST_S:
        return "too little of the log has temperature and current together while the pump runs"
    span = float(np.ptp(value[usable]))
    if span < max(_MOVES_K, _MOVES_STEPS * log.rounding[part]):
        return f"it moves by {span:.1f} K only, at a resolution of {log.rounding[part] or 0.1:g} K"
    first = _best(part, coolant, heats, log, usable)
    if coolant is not None and (first is None or first.fit.scatter > _SCATTER_K):
        alone = _best(part, None, heats, log, usable)
        if alone is not None and (first is None or first.fit.scatter > _CLEARLY * alone.fit.scatter):
            first = alone
    return "no model of one body that warms with the load fits" if first is None else _judged(first, value, log)


def _best(
    part: str, reference: str | None, heats: Sequence[tuple[str, ...]], log: ThermalLog, usable: BoolArray
) -> Warming | None:
    """The heats that explain the temperature best, and the others that do so nearly as well."""
    problems = {names: _problem(part, reference, names, log, usable) for names in heats}
    scores = {names: coarse_score(problem) for names, problem in problems.items()}
    enough = min(scores.values()) + 2.0 * log_of(_HOPELESS) * np.count_nonzero(usable)
    fits = [
        Law(names, fit)
        for names, problem in problems.items()
        if np.isfinite(scores[names]) and scores[names] <= enough
        if (fit := fit_response(problem, _LAGS_S)) is not None
    ]
    if not fits:
        return None
    # of laws that scatter alike the simpler one
    best = min(fits, key=lambda law: (1.0 + _SIMPLER * (len(law.heats) - 1)) * law.fit.scatter)
    alike = tuple(law for law in fits if law.fit.scatter <= _ALIKE * best.fit.scatter and law is not best)
    return Warming(part, reference, usable, log.step_s, (best, *alike))


def _problem(part: str, reference: str | None, names: tuple[str, ...], log: ThermalLog, usable: BoolArray) -> Problem:
    inputs: FloatArray = np.column_stack([log.heats[name][usable] for name in names])
    known = None if reference is None else log.temperatures[reference][usable]
    return Problem(
        value=log.temperatures[part][usable],
        reference=known,
        inputs=inputs,
        stretch=log.stretches(usable)[usable],
        step_s=log.step_s,
        rounding=log.rounding[part],
        offset_sd=np.inf if reference is None else _OFFSET_K,
    )


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
