"""What the check of the 12 V side says."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.aux_supply.backfeed import Fed, Together
from logscope.checks.aux_supply.dips import SEES_S, Switched
from logscope.checks.aux_supply.levels import Lowest
from logscope.checks.aux_supply.resistance import HIGH_OHM, Resistances
from logscope.checks.aux_supply.side import Side
from logscope.checks.aux_supply.supply import Levels, Problem
from logscope.checks.aux_supply.unexplained import Unexplained
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.physics.lead_acid import charging_voltage_v
from logscope.quantities import quantity_text
from logscope.vehicle import Vehicle

GASSES_V = charging_voltage_v(0.0)  # in frost more is right (practice)
_NAMED = 2  # of what dips, in a sentence; all of them stand in the method
SURVIVES = (
    "ISO 16750-2 tests devices at supplies down to 6 to 10.5 V and up to 16 V, by their class: what they must "
    "survive, not what a vehicle should have."
)


def _bare(measured: Measured) -> str:
    return quantity_text(Measured(measured.value, measured.unit))


def levels_sentence(levels: Levels) -> str:
    """Both levels."""
    said = []
    if levels.running is not None:
        said.append(f"Converter running: {quantity_text(levels.running.level)}.")
    if levels.alone is not None:
        said.append(f"Converter not running: {quantity_text(levels.alone.level)}.")
    return " ".join(said)


def supply_method(side: Side, levels: Levels, resistances: Resistances) -> str:
    """How the levels were worked out."""
    said = [
        f"Levels are medians over 2 s, readings every {seconds(side.period_s)}; their intervals hold "
        "scatter and rounding,"
        " not the error of the meter. Whether the converter ran is judged by "
        f"{side.judged_by}.",
    ]
    if levels.terminals is not None:
        said.append(f"At the converter's own terminals: {quantity_text(levels.terminals.level)}.")
    if resistances.converter is not None:
        ohms = resistances.measured["converter_resistance_ohm"]
        said.append(f"Regulation: the level falls by {quantity_text(ohms)}, that is volts per ampere, under load.")
    if side.contradicted:
        said.append("The state says that the converter does not run while its current flows: check its “on” values.")
    scatter = side.noise_V if side.noise_V > side.step_V / 2 else None
    said.append(
        f"Scatter of single readings: {quantity_text(Measured(scatter, 'V'))} RMS, ripple and noise of the "
        "meter together."
        if scatter is not None
        else "Ripple is smaller than the resolution of the readings, or filtered out by the meter."
    )
    return " ".join(said)


def sound_words(
    side: Side, levels: Levels, low: Lowest, resistances: Resistances, fall: str, stops: Sequence[tuple[float, float]]
) -> Words:
    """Nothing is wrong with the supply as far as it can be judged."""
    if levels.running is not None:
        title = f"12 V supply: {_bare(levels.running.level)} with the converter running"
    elif levels.alone is not None:
        title = f"12 V supply: {_bare(levels.alone.level)}, converter never running in this log"
    else:
        title = f"12 V supply: lowest {_bare(low.volts)}, unknown whether the converter ran"
    return Words(
        title,
        f"{levels_sentence(levels)} Lowest reading: {_bare(low.volts)} at {low.time_s:.2f} s. "
        f"{_open(stops) or _repeated(side) or fall}".strip(),
        "Keep this log: the level with every load on, and the same level a year later, show converter and "
        "battery ageing."
        if levels.running is not None
        else "Record a drive with the converter running as well.",
        hands_near_hv=False,
        method=supply_method(side, levels, resistances),
    )


def _open(stops: Sequence[tuple[float, float]]) -> str:
    """What may have been a stop of the converter."""
    if not stops:
        return ""
    since_s, until_s = max(stops, key=lambda span: span[1] - span[0])
    alone = f"From {since_s:.0f} to {until_s:.0f} s the battery alone supplied it"
    return f"{alone}; whether the DC link was on is not logged."


def _repeated(side: Side) -> str:
    """When the reading was an old one."""
    if not side.stale:
        return ""
    since_s, until_s = max(side.stale, key=lambda span: span[1] - span[0])
    return f"From {since_s:.0f} to {until_s:.0f} s it repeated one reading, which was not used."


_ON_PURPOSE = "A converter that lowers its level on purpose, or a vehicle that rolls with the key off, looks the same."
_AT_TERMINALS = "The set-point is judged at the converter's own terminals."
_AT_NODE = "The converter's own voltage is not logged: a drop in its cables, or a meter that reads low, looks the same."
_PROBLEMS = {
    "stopped": (
        "Converter stopped: 12 V side at {level}",
        "The DC link stayed on, but for {lasted} the converter delivered nothing and the 12 V side stood "
        "at a battery's "
        "level, {level}.",
        "Find out why it stopped: its enable signal, its temperature, its input fuse, its own fault "
        "memory. Stop driving "
        "before the contactors lose their hold.",
    ),
    "fell": (
        "Converter probably stopped: 12 V side at {level} while {worked}",
        "The 12 V side fell from {before} to a battery's level, {level}, and stayed there for {lasted} while {worked}. "
        "The contactor's state is not logged.",
        "Record contactor and converter states. Find out why it stopped: enable signal, temperature, input fuse, fault "
        "memory. Stop driving before the contactors lose their hold.",
    ),
    "never_ran": (
        "Converter did not start: 12 V side at {level}",
        "The DC link was on for {lasted}, but the 12 V side stood at a battery's level, {level}. The battery alone "
        "supplies the vehicle.",
        "Check the converter's enable signal, its input fuse and its output cable. A wrong mapping of its state or "
        "current would read alike only with a level that a battery has.",
    ),
    "over_voltage": (
        "12 V side too high: {level}",
        "For {lasted} the level stood at {level}, above {limit}. {why}",
        "Measure at the battery with a meter. If it agrees, correct the converter's set-point and check its sense wire "
        "and ground.",
    ),
    "sagging": (
        "Converter below its set-point: {level}",
        "For {lasted} the converter gave {level}, below the stated {set}. It limits its current, gets too hot, or was "
        "set lower.",
        "Compare its current with its rating and look at its temperature and cooling. If the log shows neither, record "
        "them. Check converter_V in the vehicle file.",
    ),
    "empty_battery": (
        "12 V battery nearly empty or weak: {level} before the converter starts",
        "Before the converter ran, the battery alone stood at {level} under the load of the controllers. A charged one "
        "stands above 12 V.",
        "Measure at its terminals first: a meter after a diode or a long lead reads low. Then charge the battery, have "
        "it tested, and check its ground.",
    ),
}


def problem_words(
    problem: Problem, side: Side, levels: Levels, limit: tuple[float, str], vehicle: Vehicle, more: str
) -> Words:
    """One thing that is wrong with the supply."""
    title, said, step = _PROBLEMS[problem.cause if problem.before_V is None else "fell"]
    lasted = sum(until - since for since, until in problem.spans)
    words = {
        "level": _bare(problem.level),
        "lasted": seconds(lasted),
        "before": f"{number(problem.before_V or 0.0)} V",
        "worked": "the drive drew current" if problem.drew else "the vehicle moved",
        "why": "A lead-acid battery gasses, and lamps and controllers age."
        if (problem.level.value or 0.0) > GASSES_V
        else "The set-point is wrong, or a charging stage is not stated in the vehicle file.",
        "limit": f"{number(limit[0])} V ({limit[1]})",
        "set": f"{number(vehicle.aux.converter_V or 0.0)} V",
    }
    rival = "" if problem.before_V is None else f"{_ON_PURPOSE} "
    return Words(
        title.format(**words),
        f"{said.format(**words)} {more}".strip(),
        step,
        hands_near_hv=problem.cause in ("stopped", "never_ran", "sagging"),
        method=f"Level: {quantity_text(problem.level)}. {levels_sentence(levels)} Whether the converter ran is judged "
        f"by {side.judged_by}. {rival}{_AT_TERMINALS if levels.terminals is not None else _AT_NODE} {SURVIVES}",
    )


def fall_sentence(fall: Measured | None, left: Measured | None, least_V: float | None) -> str:
    """How the battery's level moves without the converter."""
    if fall is None or fall.value is None:
        return ""
    if (fall.high or 0.0) >= 0.0:
        return "The battery's level shows no fall beyond its interval."
    said = f"The battery's level falls by {quantity_text(_turned(fall))}."
    if left is None or least_V is None:
        return said
    return f"{said} Extrapolated time to {number(least_V)} V: {quantity_text(left)}."


def _turned(fall: Measured) -> Measured:
    return Measured(
        -(fall.value or 0.0),
        fall.unit,
        None if fall.high is None else -fall.high,
        None if fall.low is None else -fall.low,
    )


def dip_words(
    switched: list[Switched], closing: Lowest | None, hold: tuple[float, str], resistances: Resistances, side: Side
) -> Words:
    """Dips by what switched, the resistance behind them, and the lowest while coils pulled in."""
    high, below = resistances.high, closing is not None and (closing.volts.high or 0.0) < hold[0]
    deepest = switched[0] if switched else None
    step = "Keep this log and compare the dips after a winter: they grow as battery and joints age."
    if below and closing is not None:
        title = f"12 V side falls to {_bare(closing.volts)} while contactors close, below {number(hold[0])} V"
        step = (
            "Do not drive: contactors may drop out under load. Test the 12 V battery, its terminals and ground first."
        )
    elif high is not None:
        title = f"12 V side: {_bare(high[1])} source resistance, too high"
        step = (
            f"Measure the voltage drop over each joint, fuse and ground of the {high[0]} under load; test the battery."
        )
    elif deepest is not None:
        title = f"12 V dips: {_bare(deepest.drop)} at most, with {deepest.what}"
    else:
        title = "12 V dips: none visible when loads switch"
    said = []
    if closing is not None:
        said.append(f"Lowest while contactors close: {_bare(closing.volts)}; coils need {number(hold[0])} V {hold[1]}.")
    if switched:
        dips = "; ".join(f"{d.what}, {_bare(d.drop)} ({d.dipped} of {d.seen})" for d in switched[:_NAMED])
        said.append(f"Dips (of so many switchings): {dips}.")
    named = {
        "source_resistance_ohm": "Source resistance with the converter running",
        "low_voltage_battery_ohm": "Resistance of the 12 V battery alone",
        "cable_resistance_ohm": "Between converter and 12 V side",
    }
    said += [f"{named[k]}: {quantity_text(v)}." for k, v in resistances.measured.items() if k in named]
    return Words(
        title,
        " ".join(said) or "Nothing that switched moved the level visibly.",
        step,
        hands_near_hv=below,
        method=" ".join(
            [
                f"A dip is the level over 1.5 s before a switching less the lowest reading after it, readings every "
                f"{seconds(side.period_s)}; between two readings it may have been deeper.",
                *(f"{d.what}: {quantity_text(d.drop)}, lowest {number(d.low_V)} V." for d in switched[_NAMED:]),
                "Resistance is change of voltage over change of current at clear steps, settled for 0.5 "
                "s: inrush is not "
                f"in it. Above {HIGH_OHM} Ω it counts as too high (common practice, no published source).",
                SURVIVES,
            ]
        ),
    )


def unexplained_words(found: Unexplained, side: Side) -> Words:
    """Dips that nothing logged explains."""
    count = len(found.spans)
    many = f"{count} dip{'s' * (count != 1)}"
    if found.loose:
        return Words(
            f"12 V side: {many} without current, a loose connection",
            f"The voltage fell by up to {number(found.deepest_V)} V, to {number(found.low_V)} V, while nothing logged "
            "switched and the current of battery and converter did not rise. A joint between them and the measured "
            "point comes and goes, or the measuring wire itself.",
            "Move fuses, terminals, ground straps and plugs of the 12 V side by hand while you watch the voltage.",
            hands_near_hv=False,
            method=f"{len(found.without_current)} of {count} dips lasted for two readings or more with the "
            "whole current "
            f"known. Readings every {seconds(side.period_s)}. A wrong reading of the meter would look the same.",
        )
    return Words(
        f"12 V side: {many} that nothing logged explains, down to {number(found.low_V)} V",
        f"The voltage fell by up to {number(found.deepest_V)} V while nothing logged switched. A load that "
        "is not logged, "
        "a loose connection and a wrong reading look alike here.",
        "Record battery and converter current and the states of all large loads ([[load]] in the vehicle file).",
        hands_near_hv=False,
        method="A dip counts from 0.5 V below the level over 4 s on either side, 2 s away from anything logged "
        "that switched.",
    )


def fed_words(fed: Fed) -> Words:
    """A load that stays fed with its switch open."""
    many = times(len(fed.spans))
    much = f"{_bare(fed.level)}, {100 * fed.share:.0f} % of what it has when on"
    if fed.through and fed.sure:
        other = " and ".join(fed.through)
        first = "" if fed.by_own else "Check first that the signals of the two are not exchanged under [[load]]. "
        return Words(
            f"{fed.load}: fed with its switch open, together with {other}",
            f"{many.capitalize()}, {fed.longest_s:.3g} s at most, its {fed.by} stayed at {much}: always "
            f"while {other} was "
            "on, never while it was off. One feeds the other, or a relay sticks on a supply that switches with it.",
            f"{first}With the switch of {fed.load} open and {other} on, pull the fuse of {fed.load}. If it still "
            "runs, trace the "
            "second path: a diode or a relay of its own for each load separates them.",
            hands_near_hv=False,
            method=_FED_METHOD,
        )
    if fed.exchanged:
        other = " or ".join(fed.through)
        return Words(
            f"{fed.load}: its {fed.by} follows the switch of {other}, never its own",
            f"With its own switch closed and {other} off its {fed.by} stayed near zero; {many}, {fed.longest_s:.3g} s "
            f"at most, it stayed at {much} with {other} on. The signals of the two loads are probably exchanged.",
            "Check what “signal” and “current” name under [[load]] in the vehicle file.",
            hands_near_hv=False,
            method=_FED_METHOD,
        )
    if fed.sure:
        return Words(
            f"{fed.load}: stays fed after its switch opens, {fed.longest_s:.3g} s",
            f"{many.capitalize()} its {fed.by} stayed at {much} with the switch open. A relay that sticks, "
            "back-feed from "
            "another circuit, or a switch signal that is only the request.",
            f"With the switch of {fed.load} open, measure at its terminals, then pull fuses one by one until it stops.",
            hands_near_hv=False,
            method=_FED_METHOD,
        )
    why = "it ends by itself each time, as a run-on does" if fed.runs_on else "the log shows it for too short a time"
    if not fed.changes:
        why = "the reading never changed again, so it may be an old one"
    return Words(
        f"{fed.load}: {fed.by} for {fed.longest_s:.3g} s after its switch opens",
        f"{many.capitalize()} its {fed.by} stayed at {much}. A run-on, an old value and back-feed look alike here: "
        f"{why}.",
        "Check whether the load is meant to run on. If not, keep recording for a minute after the switch opens.",
        hands_near_hv=False,
        method=_FED_METHOD,
    )


_FED_METHOD = (
    "Counted from two periods of both messages after the switch opened (3 s more for a voltage, while a "
    "motor runs down), "
    "where 30 % or more of the usual value is left for 1 s or longer (common practice, no published source)."
)


def together_words(pair: Together) -> Words:
    """Two switches that always change together."""
    return Words(
        f"{pair.first} and {pair.second}: always switch together",
        f"All {pair.count} switchings of both coincide. That is right where they are commanded together. "
        "If they should be "
        "independent, one feeds the other or both signals show one relay.",
        "Switch each by itself once, and record it.",
        hands_near_hv=False,
        method="States coincide within two periods of the slower message.",
    )


def undetermined_words(why: list[str], record: str) -> Words:
    """What this log cannot show of the 12 V side."""
    return Words(
        f"12 V side: cannot be determined from this log: {why[0].partition(':')[0]}",
        f"{'. '.join(w[:1].upper() + w[1:] for w in why)}.",
        record,
        hands_near_hv=False,
        method=f"Dips need readings at most {seconds(SEES_S)} apart: a coil pulls in within 50 ms, and an "
        "inrush fades within "
        "0.3 s (common practice, no published source).",
    )
