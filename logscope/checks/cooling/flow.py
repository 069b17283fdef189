"""Whether coolant flows: how fast a device falls back to it.

Over windows of some seconds a device balances: its change = heat taken up − λ·(its excess over the coolant)·time. What
it takes up for a load depends on its mass alone; λ, the inverse of its time constant, on the flow. Flow that stops or
comes and goes shows as two values of λ in one log. Where it never flows there is only one, far below what any plate on
coolant has, and the coolant does not warm for all the excess above it. Which windows have which λ is found from the
windows; how large the two are from sums since the log's beginning, in which rounding does not add up.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import DEVICES, ThermalLog
from logscope.findings import Measured
from logscope.statistics.information import covariance_of, variance_of

_WINDOW_S = 10.0  # long against sensors' lags, short against a device that is cooled
_COARSE_K = 0.9  # a resolution at which windows are twice as long
_FEWEST = 9  # windows
_SLOWER = 0.4  # of the other λ, beyond chance: less than that is a flow that has gone, not one that varies with speed
_APART_SURE = 2.5  # standard errors by which the two λ are apart: the windows were searched for them
_CLEAR = 5.0  # standard errors by which an episode departs, and at least…
_DEPARTS_K = 3.0  # …by so much in all, and by two steps of the temperature
_LEAST_S = 20.0  # of an episode
_APART_K = 1.0  # by which two sound sensors of one temperature differ (practice)
_SPARSE = 20.0  # cost of a change between the two, in units of the noise's variance: less may be noise
_PLATE_S = 150.0  # a heat sink on flowing coolant falls back within a minute or so (practice); a winding does not
_COUPLED_PER_S = 6e-4  # coolant warms by more than this for each kelvin of excess: 30 W/K into 12 L of coolant
_EXCESS_K = 15.0
_VARIES = 0.5  # of the excess: nearer to a steady state, heat that is wrong by a tenth looks like any λ
_ROUNDS = 12
_SPAN_EDGES, _SPANS = 11, 3  # places between which a lost flow is looked for first, and stretches that are followed up
_LEAST_ALIKE, _MOST_ALIKE = 0.2, 0.9  # correlation from one sum to the next: sensors' lags leave some in every log


@dataclass(frozen=True, slots=True)
class Starved:
    """Coolant that does not flow, as one device shows it.

    part : the device; coolant : beside it; spans : from, until [s]; returns : how often the flow came back
    whole : whether it never flowed in this log
    time_constant_s : without flow, lowest within its limits; flowing_s : with it, where it did
    excess_K : most of the device over the coolant; coolant_K : by how much the coolant warmed meanwhile
    """

    part: str
    coolant: str
    spans: tuple[tuple[float, float], ...]
    returns: int
    whole: bool
    time_constant_s: float
    flowing_s: Measured | None
    excess_K: float
    coolant_K: float


def find_starved(log: ThermalLog) -> Starved | None:
    """Where no coolant flows; None where it does, or where the log cannot show it."""
    for part in reversed(DEVICES):  # the heat sink answers first
        if part in log.temperatures and log.coolant is not None:
            found = _judged(part, log.coolant, log)
            if found is not None:
                return found
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Balances, shape (m,): change [K], heat by its unit, excess [K·s], from and until [s], neighbours joined."""

    change: FloatArray
    heat: FloatArray
    excess: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    joined: BoolArray


def _windows(part: str, coolant: str, heat: str, log: ThermalLog, lasts_s: float) -> _Windows | None:
    """The windows of some seconds with all readings; None where they are too few."""
    value, beside, heats = log.temperatures[part], log.temperatures[coolant], log.heats[heat]
    rows = log.pumping if np.any(log.pumping) else np.ones(value.size, np.bool_)
    per = max(round(lasts_s / log.step_s), 2)
    first = np.arange(0, value.size - per, per)
    inside = first[:, None] + np.arange(per + 1)
    known = np.isfinite(value) & np.isfinite(beside) & np.isfinite(heats) & rows
    whole = known[inside].all(axis=1)
    if np.count_nonzero(whole) < _FEWEST:
        return None
    at = inside[whole]
    return _Windows(
        change=value[at[:, -1]] - value[at[:, 0]],
        heat=heats[at[:, :-1]].sum(axis=1) * log.step_s,
        excess=(value - beside)[at[:, :-1]].sum(axis=1) * log.step_s,
        start_s=log.time_s[at[:, 0]],
        end_s=log.time_s[at[:, -1]],
        joined=np.concatenate(([False], np.diff(at[:, 0]) == per)),
    )


def _best_heat(part: str, coolant: str, log: ThermalLog, lasts_s: float) -> tuple[str, _Windows, _States] | None:
    """The measure of heat that explains the windows best; loss and power where no current is logged."""
    found: tuple[str, _Windows, _States] | None = None
    for name in ("current", "current2", "loss", "power"):
        if name not in log.heats or (found is not None and name in ("loss", "power")):
            continue
        windows = _windows(part, coolant, name, log, lasts_s)
        if windows is None:
            continue
        states = _two_states(windows)
        if found is None or states.misfit < found[2].misfit:
            found = name, windows, states
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """Two values of λ [1/s], high and low, and which windows have the low one.

    gain : change for each unit of heat
    """

    gain: float
    high: float
    low: float
    starved: BoolArray
    misfit: float
    noise: float


def _solve(windows: _Windows, starved: BoolArray) -> _States:
    """λ of both for windows that are said to be starved; the low one is that of all where none is."""
    columns = np.column_stack((windows.heat, -windows.excess * ~starved, -windows.excess * starved))
    scale = np.sqrt((columns**2).sum(axis=0)) + 1e-30
    unknown = np.linalg.lstsq(columns / scale, windows.change, rcond=None)[0] / scale
    left = windows.change - columns @ unknown
    noise = float(left @ left) / max(windows.change.size - 3, 1)
    gain, high, low = unknown.tolist()
    return _States(gain, high, low, starved, float(left @ left), noise)


def _two_states(windows: _Windows) -> _States:
    """The best split of the windows into two λ, by turns: states for λ, λ for states."""
    alone = _solve(windows, np.zeros(windows.change.size, np.bool_))
    warmer = windows.change - _expected(windows, alone)
    smooth = np.convolve(np.pad(warmer, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    best = alone
    begun = [smooth > np.quantile(smooth, share) for share in (0.3, 0.5, 0.7)]
    for states in (smooth > 0.0, *begun, *_likely_spans(windows)):
        for _ in range(_ROUNDS):
            if not states.any() or states.all():
                break
            solved = _solve(windows, states)
            if solved.low > solved.high:  # which of the two flows is for λ to say
                states = ~states
                solved = _solve(windows, states)
            if solved.misfit < best.misfit:
                best = solved
            heated = windows.change - solved.gain * windows.heat
            cost = (heated[:, None] + windows.excess[:, None] * np.array([solved.high, solved.low])) ** 2
            now = _cheapest(cost, windows.joined, _SPARSE * solved.noise)
            if np.array_equal(now, states):
                break
            states = now
    return best


def _likely_spans(windows: _Windows) -> list[BoolArray]:
    """One or two stretches that explain the windows best: a search by turns needs a start near its end."""
    place = np.arange(windows.change.size)
    edges = np.unique(np.linspace(0, place.size, _SPAN_EDGES).round().astype(np.int64)).tolist()
    spans = [(place >= a) & (place < b) for a, b in combinations(edges, 2) if b - a < place.size]
    single = sorted(spans, key=lambda span: _solve(windows, span).misfit)[:_SPANS]
    double = [span | other for span in single for other in spans if not (span & other).any()]
    return single + sorted(double, key=lambda both: _solve(windows, both).misfit)[:_SPANS]


def _expected(windows: _Windows, states: _States) -> FloatArray:
    """The changes that the states foretell."""
    rate = np.where(states.starved, states.low, states.high)
    return np.asarray(states.gain * windows.heat - rate * windows.excess)


def _cheapest(cost: FloatArray, joined: BoolArray, change: float) -> BoolArray:
    """The states, shape (m,), whose costs with those of their changes are least (Viterbi, 1967)."""
    size = cost.shape[0]
    total, came = cost[0].copy(), np.zeros((size, 2), np.int64)
    for row in range(1, size):
        fee = change if joined[row] else 0.0
        stay, switch = total, total[::-1] + fee
        came[row] = np.where(stay <= switch, [0, 1], [1, 0])
        total = np.minimum(stay, switch) + cost[row]
    states = np.zeros(size, np.int64)
    states[-1] = int(np.argmin(total))
    for row in range(size - 1, 0, -1):
        states[row - 1] = came[row, states[row]]
    return np.asarray(states == 1)


def _judged(part: str, coolant: str, log: ThermalLog) -> Starved | None:
    lasts_s = (2.0 if log.rounding[part] >= _COARSE_K else 1.0) * _WINDOW_S
    best = _best_heat(part, coolant, log, lasts_s)
    if best is None:
        return None
    heat, windows, states = best
    found = _lost(part, coolant, windows, states, log) if states.starved.any() else None
    if found is None:
        later = _later_half(windows)
        found = _lost(part, coolant, windows, later, log) if later is not None else None
    if found is None and part == DEVICES[-1]:
        finer = _windows(part, coolant, heat, log, _WINDOW_S)
        found = None if finer is None else _never(part, finer, log)
    return found


def _later_half(windows: _Windows) -> _States | None:
    """The states of a flow that is lost once and for good, where sums since the beginning show it best."""
    place = np.arange(windows.change.size)
    split = min((place >= k for k in range(2, place.size - 1)), key=lambda starved: _sums(windows, starved).misfit)
    solved = _solve(windows, split)
    return solved if solved.gain > 0.0 else None


@dataclass(frozen=True, slots=True)
class _Rates:
    """λ [1/s] where it flows and where not, with their standard errors, from sums since the beginning.

    apart_error : of _SLOWER·high − low, which both err in together
    gain : change for each unit of heat; misfit : sum of the squares that are left
    """

    gain: float
    high: float
    low: float
    high_error: float
    low_error: float
    apart_error: float
    misfit: float

    @property
    def apart(self) -> bool:
        """Whether the low one is less than the share of the high one, beyond chance (as in Fieller, 1954)."""
        return self.low + _APART_SURE * self.apart_error <= _SLOWER * self.high


def _sums(windows: _Windows, starved: BoolArray) -> _Rates:
    """Both λ from sums since the beginning of each unbroken run; residuals that are alike widen the errors."""
    run = np.cumsum(~windows.joined) - 1
    sums = np.column_stack((
        windows.change, windows.heat, -windows.excess * ~starved, -windows.excess * starved,
    ))  # fmt: skip
    total = np.cumsum(sums, axis=0)
    first = np.flatnonzero(~windows.joined)
    total -= (total[first] - sums[first])[run]
    columns = np.column_stack((total[:, 1:], run[:, None] == np.arange(first.size)))
    scale = np.sqrt((columns**2).sum(axis=0)) + 1e-30
    unknown = np.linalg.lstsq(columns / scale, total[:, 0], rcond=None)[0] / scale
    left = total[:, 0] - columns @ unknown
    misfit = max(float(left @ left), 1e-12)
    alike = float(np.clip(left[1:] @ left[:-1] / misfit, _LEAST_ALIKE, _MOST_ALIKE))
    freedom = max(left.size - int(np.count_nonzero(columns.any(axis=0))), 1)
    noise = misfit / freedom * (1.0 + alike) / (1.0 - alike)
    covariance = noise * covariance_of(columns.T @ columns)[:3, :3]
    _, high_error, low_error = np.sqrt(np.diag(covariance)).tolist()
    apart_error = float(np.sqrt(variance_of(np.array([0.0, _SLOWER, -1.0]), covariance)))
    gain, high, low = unknown[:3].tolist()
    return _Rates(gain, high, low, high_error, low_error, apart_error, misfit)


def _lost(part: str, coolant: str, windows: _Windows, states: _States, log: ThermalLog) -> Starved | None:
    """Flow that was there and is not at other times."""
    rates = _sums(windows, states.starved)
    low_most = rates.low + 2.0 * rates.low_error
    high_least = rates.high - 2.0 * rates.high_error
    if rates.gain <= 0.0 or high_least <= 0.0 or not rates.apart:
        return None
    edges = np.flatnonzero(np.diff(np.concatenate(([0], states.starved.astype(np.int64), [0]))))
    departs = (rates.high - rates.low) * windows.excess
    noise = float(np.sqrt(states.noise))
    least_K = max(_DEPARTS_K, 2.0 * log.rounding[part])
    # where it flowed, it must have carried something off, whatever two sensors and their rounding differ by
    doubt_K = _APART_K + (log.rounding[part] + log.rounding[coolant]) / 2.0
    sure = np.maximum(windows.excess - doubt_K * (windows.end_s - windows.start_s), 0.0)
    if rates.high * float(sure[~states.starved].sum()) < least_K:
        return None
    spans = [
        (int(a), int(b) - 1)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if windows.end_s[b - 1] - windows.start_s[a] >= _LEAST_S
        and departs[a:b].sum() >= max(least_K, _CLEAR * noise * np.sqrt(b - a))
    ]
    if not spans:
        return None
    returns = sum(1 for _, b in spans if departs[b + 1 :].sum() >= least_K)
    times = tuple((float(windows.start_s[a]), float(windows.end_s[b])) for a, b in spans)
    constant_s = 1.0 / max(low_most, 1e-5)
    flowing = Measured(1.0 / rates.high, "s", 1.0 / (rates.high + 2.0 * rates.high_error), 1.0 / high_least)
    return _starved(part, log, times, returns, False, constant_s, flowing)


def _never(part: str, windows: _Windows, log: ThermalLog) -> Starved | None:
    """A plate that hardly falls back to a coolant that does not warm for it, throughout the log."""
    rates = _sums(windows, np.zeros(windows.change.size, np.bool_))
    fastest = rates.high + 2.0 * rates.high_error
    excess_K = windows.excess / (windows.end_s - windows.start_s)
    if rates.gain <= 0.0 or fastest > 1.0 / _PLATE_S or float(np.ptp(excess_K)) < _VARIES * float(excess_K.max()):
        return None
    span = (float(windows.start_s[0]), float(windows.end_s[-1]))
    found = _starved(part, log, (span,), 0, True, 1.0 / max(fastest, 1e-5), None)
    warmed = found.coolant_K + max(log.rounding[found.coolant], 0.1)
    if found.excess_K < _EXCESS_K or warmed > _COUPLED_PER_S * float(windows.excess.sum()):
        return None
    return found


def _starved(
    part: str, log: ThermalLog, spans: tuple[tuple[float, float], ...], returns: int, whole: bool,
    constant_s: float, flowing_s: Measured | None,
) -> Starved:  # fmt: skip
    names = [name for name in ("coolant_temperature", "coolant_temperature_out") if name in log.temperatures]
    coolant = names[0]
    inside = np.zeros(log.time_s.size, np.bool_)
    for since_s, until_s in spans:
        inside |= (log.time_s >= since_s) & (log.time_s <= until_s)
    beside = log.temperatures[coolant]
    excess = (log.temperatures[part] - beside)[inside]
    there = beside[inside & np.isfinite(beside)]
    return Starved(
        part, coolant, spans, returns, whole, constant_s, flowing_s,
        float(np.nanmax(excess)), float(there.max() - there[0]) if there.size else 0.0,
    )  # fmt: skip
