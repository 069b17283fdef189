"""The check of the 12 V side: its levels, its dips, and loads that are fed with their switch open."""

from __future__ import annotations

from logscope.checks.assemble import assemble
from logscope.checks.aux_supply.backfeed import always_together, find_fed, loads_with_reading
from logscope.checks.aux_supply.dips import SEES_S, by_what, find_dips, states
from logscope.checks.aux_supply.levels import Lowest, lowest
from logscope.checks.aux_supply.resistance import Resistances, find_resistances
from logscope.checks.aux_supply.side import Side, describe_side
from logscope.checks.aux_supply.supply import Levels, Problem, find_levels, highest_level, open_stops, problems
from logscope.checks.aux_supply.text import (
    dip_words,
    fall_sentence,
    fed_words,
    problem_words,
    sound_words,
    together_words,
    undetermined_words,
    unexplained_words,
)
from logscope.checks.aux_supply.unexplained import find_unexplained
from logscope.findings import Evidence, Finding, Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

# Below three quarters of its rated voltage a DC contactor may drop out (IEC 60947-4-1, limits of operation; value from
# memory): for coils of 12 V.
_HOLD_V = 9.0
_PARTS = ("aux_voltage", "converter_voltage", "converter_current", "aux_current", "converter_state", "main_contactor")
_CURRENTS, _CHARTED_AT_MOST = ("aux_voltage", "aux_current", "converter_current"), 6
_FULL_AGAIN_S = 24 * 3600.0  # a fall that takes longer to matter is not extrapolated


def aux_supply(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the 12 V side.

    Needs `aux_voltage`, or loads with switch and current or voltage; better with the converter's and the battery's
    current, the converter's state, and contactor states. Raises MissingPart or NothingToCheck where it has neither.
    """
    signals = signals.unbunched()
    fed = _loads(signals)
    try:
        side = describe_side(signals)
    except (MissingPart, NothingToCheck) as reason:
        if not any(True for _ in loads_with_reading(signals)):
            raise
        return [*fed, *(_no_side(reason, signals) if isinstance(reason, NothingToCheck) else [])]
    resistances = find_resistances(side, signals)
    return [
        *_supply(side, resistances, signals, vehicle),
        *_dips(side, resistances, signals, vehicle),
        *_undetermined(side, signals),
        *fed,
    ]


def _span(side: Side) -> tuple[float, float]:
    return float(side.time_s[0]), float(side.time_s[-1])


def _supply(side: Side, resistances: Resistances, signals: Signals, vehicle: Vehicle) -> list[Finding]:
    levels, low = find_levels(side, signals), lowest(side)
    least_V = vehicle.limits.aux_min_V
    fall, left = _fall(levels, least_V)
    told = fall_sentence(fall, left, least_V)
    measured = _level_values(levels, low, resistances, fall, left)
    limit = highest_level(vehicle)
    found: list[Finding] = []
    for problem in problems(side, levels, vehicle):
        more = told if problem.cause in ("stopped", "never_ran") else ""
        words = problem_words(problem, side, levels, limit, vehicle, more)
        own = {"level_V": problem.level, **({} if found else measured)}
        evidence = _evidence(problem, low, vehicle)
        found.append(
            assemble(
                "aux.supply",
                Severity.WARNING if problem.drew else Severity.INFO,
                words,
                problem.spans,
                own,
                _PARTS,
                signals,
                evidence,
                cause=problem.cause,
            )
        )
    if not found:
        stops = open_stops(side)
        words = sound_words(side, levels, low, resistances, told, stops)
        good = levels.running is not None and not stops and not side.stale
        severity = Severity.GOOD if good else Severity.INFO
        evidence = Evidence(marks=(Mark(low.time_s, "lowest"),))
        found = [assemble("aux.supply", severity, words, [_span(side)], measured, _PARTS, signals, evidence)]
    return found


def _evidence(problem: Problem, low: Lowest, vehicle: Vehicle) -> Evidence:
    levels = []
    if vehicle.limits.aux_min_V is not None:
        levels.append(Level(vehicle.limits.aux_min_V, "lowest permitted", "aux_voltage"))
    if problem.cause == "over_voltage":
        value, name = highest_level(vehicle)
        levels.append(Level(value, f"highest permitted: {name}", "aux_voltage"))
    return Evidence(marks=(Mark(low.time_s, "lowest"),), levels=tuple(levels), window=problem.spans[0])


def _fall(levels: Levels, least_V: float | None) -> tuple[Measured | None, Measured | None]:
    """The battery's fall in V/min with limits, and the time until the lowest permitted level [s]."""
    fall = levels.fall_V_per_s
    if fall is None or fall.value is None or fall.low is None or fall.high is None:
        return None, None
    per_min = Measured(60 * fall.value, "V/min", 60 * fall.low, 60 * fall.high)
    if least_V is None or levels.fall_from_V is None or fall.high >= 0:
        return per_min, None
    room = max(levels.fall_from_V - least_V, 0.0)
    value, soon, late = (room / -slope for slope in (fall.value, fall.low, fall.high))
    return per_min, Measured(value, "s", soon, late) if value < _FULL_AGAIN_S else None


def _level_values(
    levels: Levels, low: Lowest, resistances: Resistances, fall: Measured | None, left: Measured | None
) -> dict[str, Measured]:
    measured = {"lowest_V": low.volts}
    for name, blocks in (
        ("converter_level_V", levels.running),
        ("set_point_V", levels.terminals),
        ("battery_level_V", levels.alone),
    ):
        if blocks is not None:
            measured[name] = blocks.level
    if (ohms := resistances.measured.get("converter_resistance_ohm")) is not None:
        measured["converter_resistance_ohm"] = ohms
    if fall is not None:
        measured["fall_V_per_min"] = fall
    if left is not None:
        measured["time_to_lowest_s"] = left
    return measured


def _dips(side: Side, resistances: Resistances, signals: Signals, vehicle: Vehicle) -> list[Finding]:
    found: list[Finding] = []
    dips = find_dips(side, signals) if side.period_s <= SEES_S else []
    if dips or resistances.measured:
        switched = by_what(dips, side)
        stated = vehicle.aux.coil_hold_V
        hold = (stated, "(coil_hold_V)") if stated is not None else (_HOLD_V, "(three quarters of 12 V)")
        coils = [dip for dip in dips if dip.coil]
        closing = None
        if coils:
            worst = min(coils, key=lambda dip: dip.low_V)
            volts = Measured(worst.low_V, "V", None, worst.low_V + side.step_V / 2)
            closing = Lowest(volts, worst.since_s)
        below = closing is not None and (closing.volts.high or 0.0) < hold[0]
        high = resistances.high
        measured = {
            name: value for name, value in resistances.measured.items() if name != "converter_resistance_ohm" or high
        }
        if switched:
            measured["count"] = Measured(float(sum(each.dipped for each in switched)), "1")
            measured["deepest_V"] = switched[0].drop
        if closing is not None:
            measured["closing_lowest_V"] = closing.volts
        bad = below or high is not None
        found.append(
            assemble(
                "aux.dip",
                Severity.WARNING if bad else Severity.GOOD,
                dip_words(switched, closing, hold, resistances, side),
                [_span(side)],
                measured,
                (*_CURRENTS, *(part.name for _, part in states(signals)))[:_CHARTED_AT_MOST],
                signals,
                Evidence(marks=tuple(Mark(dip.since_s, " + ".join(dip.what)) for dip in dips[:3])),
                cause=("source_resistance" if high is not None else "coil_hold") if bad else None,
            )
        )
    unexplained = find_unexplained(side, signals) if side.period_s <= SEES_S else None
    if unexplained is not None:
        measured = {
            "count": Measured(float(len(unexplained.spans)), "1"),
            "deepest_V": Measured(unexplained.deepest_V, "V"),
            "lowest_V": Measured(unexplained.low_V, "V", None, unexplained.low_V + side.step_V / 2),
        }
        loose = unexplained.loose
        found.append(
            assemble(
                "aux.dip",
                Severity.WARNING if loose else Severity.INFO,
                unexplained_words(unexplained, side),
                unexplained.without_current if loose else unexplained.spans,
                measured,
                _PARTS,
                signals,
                cause="loose_connection" if loose else None,
                counted=True,
            )
        )
    return found


def _loads(signals: Signals) -> list[Finding]:
    found: list[Finding] = []
    for fed in find_fed(signals):
        found.append(
            assemble(
                "aux.backfeed",
                Severity.WARNING if fed.sure else Severity.INFO,
                fed_words(fed),
                fed.spans,
                {
                    f"level_{fed.level.unit or '1'}": fed.level,
                    "longest_s": Measured(fed.longest_s, "s"),
                    "share_percent": Measured(100 * fed.share, "%"),
                    "count": Measured(float(len(fed.spans)), "1"),
                },
                (fed.switch.name, fed.part.name, *fed.through),
                signals,
                counted=True,
            )
        )
    for pair in always_together(signals):
        measured = {"count": Measured(float(pair.count), "1")}
        found.append(
            assemble(
                "aux.backfeed",
                Severity.INFO,
                together_words(pair),
                pair.spans,
                measured,
                (pair.first, pair.second),
                signals,
                counted=True,
            )
        )
    return found


def _no_side(reason: NothingToCheck, signals: Signals) -> list[Finding]:
    """The loads are judged, and the supply cannot be."""
    words = undetermined_words([str(reason)], "Record the 12 V voltage every 10 to 100 ms over the whole drive.")
    voltage = signals["aux_voltage"]
    span = (float(voltage.time_s[0]), float(voltage.time_s[-1])) if voltage.time_s.size else (0.0, signals.end_s)
    return [assemble("aux.undetermined", Severity.INFO, words, [span], {}, ("aux_voltage",), signals)]


def _undetermined(side: Side, signals: Signals) -> list[Finding]:
    why, record = [], []
    if not side.period_s <= SEES_S:
        why.append(f"dips when loads switch: readings come only every {side.period_s:.3g} s")
        record.append("12 V voltage every 10 to 100 ms")
    elif not any(True for _ in states(signals)):
        why.append("what the dips belong to: no contactor, pump or load state is mapped")
        record.append("states of contactors, pumps and loads")
    if not (side.running >= 0).any():
        why.append("whether the converter ran: the level lies between a battery's and a converter's")
        record.append("state or current of the DC-DC converter")
    if not why:
        return []
    words = undetermined_words(why, f"Record {' and '.join(record)}.")
    measured = {"period_s": Measured(side.period_s, "s")}
    return [assemble("aux.undetermined", Severity.INFO, words, [_span(side)], measured, _PARTS, signals)]
