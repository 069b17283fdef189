"""What is wrong with the supply of the 12 V side: converter that does not run, wrong level, empty battery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray
from logscope.checks.aux_supply.levels import Blocks, blocks_of, of_side
from logscope.checks.aux_supply.side import BATTERY_V, DEAD_V, PAUSES_S, RISES_V, Side, spans_of
from logscope.findings import Measured
from logscope.physics.lead_acid import END_OF_DISCHARGE_V, HIGHEST_CHARGING_V
from logscope.signals import Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import gap_threshold_s, zero_order_hold
from logscope.vehicle import Vehicle

STARTS_S = 10.0  # a converter starts within so long after the link is on, or after it was stopped (practice)
# Meters of converter and 12 V side differ by 1 % each, and cables take 0.2 V at 20 A (practice).
OFF_SET_POINT_V = 0.5
_MOSTLY = 0.2  # of a stretch at work in which currents flow: a drive coasts and waits between (practice)
_LASTS_S = 6.0  # of a level off its set-point: current limiting at a pump's start is over sooner (practice)
# Where no link is logged, an engine's starter may turn for most of it, for some seconds a time: its battery stands as
# high as in between (practice).
_BETWEEN_STARTS = 0.9
_EMPTY_V = END_OF_DISCHARGE_V + 1.0  # at the load of controllers alone; sound ones stand above 11.8 V (practice)


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels [V] with limits: converter running, at its own terminals, battery alone; None where they are not seen.

    fall_V_per_s : of the battery alone in its last stretch, with limits; fall_from_V : where that stood at the end
    """

    running: Blocks | None
    terminals: Blocks | None
    alone: Blocks | None
    fall_V_per_s: Measured | None
    fall_from_V: float | None


def find_levels(side: Side, signals: Signals) -> Levels:
    """The levels of each state of the converter."""
    alone = of_side(side, side.state(False))
    fall, last = None, None
    stretches = spans_of(side.state(False), side.time_s, gap_threshold_s(side.time_s))
    if alone is not None and stretches:
        since_s, until_s = max(stretches, key=lambda span: span[1] - span[0])
        last = alone.since(since_s, until_s)
        trend = last.trend if last is not None else None
        if trend is not None:
            fall = Measured(trend.slope, "V/s", trend.low, trend.high)
    return Levels(
        of_side(side, side.state(True)),
        _terminals(side, signals),
        alone,
        fall,
        float(np.median(last.volts[-3:])) if last is not None else None,
    )


def _terminals(side: Side, signals: Signals) -> Blocks | None:
    """The converter's own reading while it runs."""
    part = signals.get("converter_voltage")
    if part is None or part.time_s.size < 2:
        return None
    on = zero_order_hold(side.time_s, side.state(True).astype(np.float64), part.time_s, gap_threshold_s(side.time_s))
    noise = max(float(np.nan_to_num(noise_floor(part.value))), (part.step or 0.0) / float(np.sqrt(12.0)), 1e-3)
    return blocks_of(part.time_s, part.value, np.asarray((on == 1.0) & (part.value > DEAD_V)), part.step or 0.0, noise)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: its cause by name, when [s], and the level that shows it.

    before_V : of a stop that the level alone shows, where it stood before; drew : whether currents show the drive at
        work meanwhile, and not its motion alone
    """

    cause: str
    spans: tuple[tuple[float, float], ...]
    level: Measured
    before_V: float | None = None
    drew: bool = True


def problems(side: Side, levels: Levels, vehicle: Vehicle) -> Iterator[Problem]:
    """Everything that is wrong with the supply."""
    stops = list(_not_running(side))
    yield from stops
    yield from _fell_at_work(side, [span for stop in stops for span in stop.spans])
    yield from _too_high(side, vehicle)
    yield from _too_low(levels, vehicle)
    yield from _empty(side)


def _not_running(side: Side) -> Iterator[Problem]:
    """The link is on, the converter gives nothing, and the level is that of a battery."""
    idle = (side.linked == 1) & (side.running == 0)
    gap_s = max(gap_threshold_s(side.time_s), side.period_s)
    for since_s, until_s in spans_of(idle, side.time_s, gap_s):
        before = max(int(np.searchsorted(side.time_s, since_s)) - 1, 0)
        ran = bool(side.linked[before] == 1 and side.running[before] == 1)
        rows = (side.time_s >= (since_s + until_s) / 2) & (side.time_s <= until_s) & idle
        if until_s - since_s < STARTS_S or rows.sum() < 2 or float(np.median(side.volts[rows])) >= BATTERY_V:
            continue
        found = of_side(side, rows)
        value = float(np.median(side.volts[rows]))
        level = found.level if found is not None else Measured(value, "V")
        yield Problem("stopped" if ran else "never_ran", ((since_s, until_s),), level)


def _fell_at_work(side: Side, known: Sequence[tuple[float, float]]) -> Iterator[Problem]:
    """The level fell from the converter's to a battery's while the drive was at work, and no contactor is logged.

    A drive at work needs its link. Only a fall is claimed: a meter that reads low, or one on a long wire, shows one low
    level throughout. known : the stops that the link shows [s], which are not said twice where its messages end
    """
    idle = (side.at_work.draws | side.at_work.moves) & (side.running == 0) & np.isnan(side.linked)
    runs = side.running == 1
    stop = np.cumsum(runs) * ~runs  # one number for all rows between two runs of the converter
    numbers, counts = np.unique(stop[idle & (stop > 0)], return_counts=True)
    for number in numbers[counts * side.period_s >= _MOSTLY * STARTS_S].tolist():
        between_s = side.time_s[stop == number]
        if any(since_s <= between_s[-1] and between_s[0] <= until_s for since_s, until_s in known):
            continue
        rows = idle & (stop == number)
        spans = tuple(spans_of(rows, side.time_s, max(PAUSES_S, gap_threshold_s(side.time_s))))
        off = np.flatnonzero((side.linked == 0) & (side.time_s < spans[0][0]))
        earlier = runs & (side.time_s < spans[0][0])
        earlier[: off[-1] if off.size else 0] = False
        if sum(until_s - since_s for since_s, until_s in spans) < STARTS_S or min(rows.sum(), earlier.sum()) < 2:
            continue
        late = rows & (side.time_s >= np.median(side.time_s[rows]))
        before_V, value = (float(np.median(side.volts[each])) for each in (earlier, late))
        if value >= min(BATTERY_V, before_V - RISES_V):
            continue
        found = of_side(side, late)
        level = found.level if found is not None else Measured(value, "V")
        drew = float(np.mean(side.at_work.draws[rows])) > _MOSTLY
        yield Problem("stopped", spans, level, before_V, drew)


def open_stops(side: Side) -> tuple[tuple[float, float], ...]:
    """Stretches in which the converter may have stopped, or the key may have been off [s]: no contactor is logged.

    They lie between two runs of the converter, or began with the link still on.
    """
    runs = np.flatnonzero(side.running == 1)
    idle = (side.running == 0) & (side.linked != 0)
    if not runs.size or not idle.any():
        return ()
    began, last_s = side.time_s[runs[0]], side.time_s[runs[-1]]
    linked_s = side.time_s[idle & (side.linked == 1)]
    spans = spans_of(idle, side.time_s, max(gap_threshold_s(side.time_s), side.period_s))
    return tuple(
        (since_s, until_s)
        for since_s, until_s in spans
        if until_s - since_s >= STARTS_S
        and since_s >= began
        and (until_s <= last_s or bool(((linked_s >= since_s) & (linked_s <= until_s)).any()))
    )


def _too_high(side: Side, vehicle: Vehicle) -> Iterator[Problem]:
    """Above its limit, above what any lead-acid battery is charged with, or above the stated set-point."""
    blocks = of_side(side, np.ones(side.time_s.size, dtype=bool))
    if blocks is None:
        return
    spans = _spans(blocks, blocks.volts - blocks.rounding_V > highest_level(vehicle)[0])
    if spans:
        yield Problem("over_voltage", spans, _within(blocks, spans))


def highest_level(vehicle: Vehicle) -> tuple[float, str]:
    """The highest level that is right [V], and where it comes from."""
    limits = [(HIGHEST_CHARGING_V, "the most that charges a lead-acid battery, at −20 °C")]
    if vehicle.limits.aux_max_V is not None:
        limits = [(vehicle.limits.aux_max_V, "aux_max_V")]
    if vehicle.aux.converter_V is not None:
        limits.append((vehicle.aux.converter_V + OFF_SET_POINT_V, f"converter_V and {OFF_SET_POINT_V} V"))
    return min(limits)


def _too_low(levels: Levels, vehicle: Vehicle) -> Iterator[Problem]:
    """The converter runs below its stated set-point, at its own terminals where they are logged."""
    blocks = levels.terminals or levels.running
    if blocks is None or vehicle.aux.converter_V is None:
        return
    spans = _spans(blocks, blocks.volts + blocks.rounding_V < vehicle.aux.converter_V - OFF_SET_POINT_V)
    if spans:
        yield Problem("sagging", spans, _within(blocks, spans))


def _empty(side: Side) -> Iterator[Problem]:
    """The battery alone is near the end of its charge before the link is on."""
    off = np.flatnonzero(side.linked == 0)
    since = int(off[0]) if off.size else 0
    over = np.flatnonzero((side.running[since:] == 1) | (side.linked[since:] != 0) & bool(off.size))
    rows = np.zeros(side.time_s.size, dtype=bool)
    rows[since : since + int(over[0]) if over.size else None] = True
    if rows.sum() < 2:
        return
    cranks = bool(np.isnan(side.linked).all())
    if cranks and float(np.ptp(side.time_s[rows])) < _LASTS_S:
        return
    value = float(np.quantile(side.volts[rows], _BETWEEN_STARTS if cranks else 0.5))
    reach = 2.0 * side.noise_V + side.step_V / 2
    if value + reach < _EMPTY_V:
        index = np.flatnonzero(rows)
        span = (float(side.time_s[index[0]]), float(side.time_s[index[-1]]))
        yield Problem("empty_battery", (span,), Measured(value, "V", value - reach, value + reach))


def _spans(blocks: Blocks, where: BoolArray) -> tuple[tuple[float, float], ...]:
    """The stretches of blocks in question that last [s]."""
    half = blocks.length_s / 2
    found = spans_of(where, blocks.time_s, 3.0 * blocks.length_s)
    return tuple((max(a - half, 0.0), b + half) for a, b in found if b - a + blocks.length_s >= _LASTS_S)


def _within(blocks: Blocks, spans: tuple[tuple[float, float], ...]) -> Measured:
    kept = np.any([(blocks.time_s >= since) & (blocks.time_s <= until) for since, until in spans], axis=0)
    return replace(blocks, time_s=blocks.time_s[kept], volts=blocks.volts[kept]).level
