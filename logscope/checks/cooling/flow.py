"""Whether coolant flows: how fast a device falls back to it.

Over windows of some seconds a device balances: its change = heat taken up − λ·(its excess over the coolant)·time. What
it takes up for a load depends on its mass alone; λ, the inverse of its time constant, on the flow. Flow that stops or
comes and goes shows as two values of λ in one log. Where it never flows there is only one, far below what any plate on
coolant has, and the coolant does not warm for all the excess above it. Which windows have which λ is found from the
windows; where flow is lost and returns, and how large the two are, from sums since the beginning (`rates`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.rates import lost_for_good, one_rate_misfit, placed, rates_of
from logscope.checks.cooling.thermal_log import DEVICES, ThermalLog
from logscope.checks.cooling.windows import Spans, Windows, share_of, spans_of, windows_of
from logscope.findings import Measured

_WINDOW_S = 10.0  # long against sensors' lags, short against a device that is cooled
_COARSE_K = 0.9  # a resolution at which windows are twice as long
_EXPLAINS = 3.0  # times the squares that a lost flow leaves: heat taken for another kind of heat explains less
_HINTS = 0.8  # of the other λ: edges half a window off do not make more alike what is 0.4 of it
_CLEAR = 5.0  # standard errors by which an episode departs, and at least…
_DEPARTS_K = 3.0  # …by so much in all, and by two steps of the temperature
_LEAST_S = 20.0  # of an episode
_APART_K = 1.0  # by which two sound sensors of one temperature differ (practice)
_MOST = 0.9  # quantile of the excess that stands for its highest
_SPARSE = 20.0  # cost of a change between the two, in units of the noise's variance: less may be noise
# A heat sink on flowing coolant falls back within a minute or so (practice); a winding does not. One of 5 kg on a third
# of the flow, 4.5 kJ/K over 20 W/K, takes four minutes.
_PLATE_S, _HEAVY_S = 150.0, 300.0
# Coolant warms by more than this for each kelvin of excess: 20 W/K, a small plate with a third of the flow, into 12 L.
_COUPLED_PER_S, _UNBALANCED_S = 4e-4, 600.0
_HIDDEN = 0.5  # of what it should warm: coolant that falls by more may take up all of it
_EXCESS_K = 15.0
_VARIES = 0.5  # of the excess: nearer to a steady state, heat that is wrong by a tenth looks like any λ
# Controllers that start the pump by temperature do so at 40 to 45 °C, some kelvin late, and stop it some kelvin below:
# they do not let it run at a temperature from which so much is missing to where they have it stand (practice).
_PUMPED_C, _SWITCHES_K, _COOLEST = 50.0, 15.0, 0.05
_ROUNDS = 12
_SPAN_EDGES, _SPANS = 11, 3  # places between which a lost flow is looked for first, and stretches that are followed up


@dataclass(frozen=True, slots=True)
class Starved:
    """Coolant that does not flow, as one device shows it.

    part : the device; coolant : beside it; spans : from, until [s]; returns : how often the flow came back
    whole : whether it never flowed in this log
    time_constant_s : without flow, lowest within its limits; flowing_s : with it, where it did
    excess_K : most of the device over the coolant; coolant_K : by how much the coolant warmed meanwhile
    by_temperature : whether a pump that is switched by temperature may be what stops it
    heavy : whether a heavy heat sink on little flow may be all there is
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
    by_temperature: bool
    heavy: bool


def find_starved(log: ThermalLog) -> Starved | None:
    """Where no coolant flows; None where it does, or where the log cannot show it."""
    for part in reversed(DEVICES):  # the heat sink answers first
        if part in log.temperatures and log.coolant is not None:
            found = _judged(part, log.coolant, log)
            if found is not None or _would_show(part, log.coolant, log):
                return found
    return None


def _would_show(part: str, coolant: str, log: ThermalLog) -> bool:
    """Whether a device stands so far above the coolant of its loop that it would show a flow that is lost.

    A winding answers far more slowly than a heat sink of the same loop, and heats by more than its current.
    """
    excess = log.temperatures[part] - log.temperatures[coolant]
    excess = excess[np.isfinite(excess)]
    return excess.size > 0 and float(np.quantile(excess, _MOST)) >= 2.0 * max(_DEPARTS_K, log.rounding[part])


def _best_heat(part: str, coolant: str, log: ThermalLog, lasts_s: float) -> tuple[str, Windows, _States] | None:
    """The measure of heat that explains the windows best; loss and power where no current is logged."""
    found: tuple[str, Windows, _States] | None = None
    for name in ("current", "current2", "loss", "power"):
        if name not in log.heats or (found is not None and name in ("loss", "power")):
            continue
        windows = windows_of(part, coolant, name, log, lasts_s)
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


def _solve(windows: Windows, starved: BoolArray) -> _States:
    """λ of both for windows that are said to be starved; the low one is that of all where none is."""
    columns = np.column_stack((windows.heat, -windows.excess * ~starved, -windows.excess * starved))
    scale = np.sqrt((columns**2).sum(axis=0)) + 1e-30
    unknown = np.linalg.lstsq(columns / scale, windows.change, rcond=None)[0] / scale
    left = windows.change - columns @ unknown
    noise = float(left @ left) / max(windows.change.size - 3, 1)
    gain, high, low = unknown.tolist()
    return _States(gain, high, low, starved, float(left @ left), noise)


def _two_states(windows: Windows) -> _States:
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


def _likely_spans(windows: Windows) -> list[BoolArray]:
    """One or two stretches that explain the windows best: a search by turns needs a start near its end."""
    place = np.arange(windows.change.size)
    edges = np.unique(np.linspace(0, place.size, _SPAN_EDGES).round().astype(np.int64)).tolist()
    spans = [(place >= a) & (place < b) for a, b in combinations(edges, 2) if b - a < place.size]
    single = sorted(spans, key=lambda span: _solve(windows, span).misfit)[:_SPANS]
    double = [span | other for span in single for other in spans if not (span & other).any()]
    return single + sorted(double, key=lambda both: _solve(windows, both).misfit)[:_SPANS]


def _expected(windows: Windows, states: _States) -> FloatArray:
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
    one_rate = _one_rate(part, coolant, log, lasts_s)
    for spans in _candidates(windows, states.starved):
        found = _lost(part, coolant, windows, spans, one_rate, log)
        if found is not None:
            return found
    if part != DEVICES[-1]:
        return None
    finer = windows_of(part, coolant, heat, log, _WINDOW_S)
    return None if finer is None else _never(part, finer, log)


def _candidates(windows: Windows, starved: BoolArray) -> Iterator[Spans]:
    """Where the flow may be lost, likeliest first."""
    for spans in (spans_of(windows, starved), lost_for_good(windows)):
        if spans and _hints(windows, spans):
            yield placed(windows, spans)


def _hints(windows: Windows, spans: Spans) -> bool:
    """Whether the two λ may be apart, once the edges are where they belong."""
    rates = rates_of(windows, share_of(windows, spans))
    return rates.low <= _HINTS * rates.high


def _one_rate(part: str, coolant: str, log: ThermalLog, lasts_s: float) -> float:
    """The squares that one λ leaves, whatever heats: loss, power, or the current and its square together."""
    made = {heat: windows_of(part, coolant, heat, log, lasts_s) for heat in log.heats}
    each = {heat: windows for heat, windows in made.items() if windows is not None}
    currents = [each.pop(heat) for heat in ("current", "current2") if heat in each]
    return min(one_rate_misfit(together) for together in ([currents] if currents else [[w] for w in each.values()]))


def _lost(
    part: str, coolant: str, windows: Windows, spans: Spans, one_rate: float, log: ThermalLog
) -> Starved | None:  # fmt: skip
    """Flow that was there and is not at other times; one_rate : the squares that a flow that stays leaves."""
    share = share_of(windows, spans)
    rates = rates_of(windows, share)
    low_most = rates.low + 2.0 * rates.low_error
    high_least = rates.high - 2.0 * rates.high_error
    if rates.gain <= 0.0 or high_least <= 0.0 or not rates.apart or one_rate < _EXPLAINS * rates.misfit:
        return None
    departs = (rates.high - rates.low) * windows.excess
    least_K = max(_DEPARTS_K, 2.0 * log.rounding[part])
    # where it flowed, it must have carried something off, whatever two sensors and their rounding differ by
    doubt_K = _APART_K + (log.rounding[part] + log.rounding[coolant]) / 2.0
    sure = np.maximum(windows.excess - doubt_K * (windows.end_s - windows.start_s), 0.0)
    if rates.high * float((sure * (1.0 - share)).sum()) < least_K:
        return None
    clear_K = max(least_K, _CLEAR * rates.noise_K)
    times = tuple(
        span
        for span in spans
        if span[1] - span[0] >= _LEAST_S and float(departs @ share_of(windows, (span,))) >= clear_K
    )  # fmt: skip
    if not times:
        return None
    returns = sum(1 for _, until_s in times if departs[windows.start_s >= until_s].sum() >= least_K)
    constant_s = 1.0 / max(low_most, 1e-5)
    flowing = Measured(1.0 / rates.high, "s", 1.0 / (rates.high + 2.0 * rates.high_error), 1.0 / high_least)
    return _starved(part, log, times, returns, False, constant_s, flowing)


def _never(part: str, windows: Windows, log: ThermalLog) -> Starved | None:
    """A plate that hardly falls back to a coolant that does not warm for it, throughout the log."""
    rates = rates_of(windows, np.zeros(windows.change.size))
    fastest = rates.high + 2.0 * rates.high_error
    excess_K = windows.excess / (windows.end_s - windows.start_s)
    if rates.gain <= 0.0 or fastest > 1.0 / _PLATE_S or float(np.ptp(excess_K)) < _VARIES * float(excess_K.max()):
        return None
    span = (float(windows.start_s[0]), float(windows.end_s[-1]))
    found = _starved(part, log, (span,), 0, True, 1.0 / max(fastest, 1e-5), None)
    if found.excess_K < _EXCESS_K or _takes_up(found.coolant, windows, log):
        return None
    return found


def _takes_up(coolant: str, windows: Windows, log: ThermalLog) -> bool:
    """Whether the coolant warms as one that takes up the heat of a plate, before its radiator balances it.

    Or may do so unseen, for it cools down from the last drive.
    """
    until_s = float(windows.start_s[0]) + _UNBALANCED_S
    beside = log.temperatures[coolant][(log.time_s >= windows.start_s[0]) & (log.time_s <= until_s)]
    beside = beside[np.isfinite(beside)]
    warmed = float(np.max(beside - np.minimum.accumulate(beside), initial=0.0))
    cooled = float(np.max(np.maximum.accumulate(beside) - beside, initial=0.0))
    expected = _COUPLED_PER_S * float(windows.excess[windows.end_s <= until_s].sum())
    return max(warmed + max(log.rounding[coolant], 0.1), cooled / _HIDDEN) > expected


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
    excess = log.temperatures[part] - beside
    there = beside[inside & np.isfinite(beside)]
    flows = ~inside & (excess >= _DEPARTS_K + log.rounding[part] + log.rounding[coolant]) & (not whole)
    return Starved(
        part, coolant, spans, returns, whole, constant_s, flowing_s,
        float(np.nanmax(excess[inside])), float(there.max() - there[0]) if there.size else 0.0,
        not _too_hot(log.temperatures[part], inside, flows), whole and constant_s < _HEAVY_S,
    )  # fmt: skip


def _too_hot(value: FloatArray, lost: BoolArray, flows: BoolArray) -> bool:
    """Whether a device is hotter without flow than where a pump that is switched by temperature would run.

    flows : where there is flow, and something for it to carry off: a cold device beside cold coolant shows none
    """
    peak_C = float(np.nanmax(value[lost]))
    coolest_C = float(np.quantile(value[flows], _COOLEST)) if flows.any() else np.inf
    return peak_C >= _PUMPED_C or peak_C > coolest_C + _SWITCHES_K
