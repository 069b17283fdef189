"""The limits check: how near each limit of the vehicle file was come, when, and how often."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.assemble import assemble
from logscope.checks.limits.measure import Closeness, judge_limit
from logscope.checks.wording import Words, if_in_fahrenheit, number, seconds, times
from logscope.findings import (
    Evidence,
    Finding,
    Level,
    Mark,
    Measured,
    NothingToCheck,
    Severity,
)
from logscope.observations.observations import Observations
from logscope.observations.stated_limits import stated_limits
from logscope.observations.trips.events import TRIP_S, Trip
from logscope.observations.trips.retries import gather
from logscope.parts import part_name
from logscope.quantities import quantity_text
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

_CHARTED_AT_MOST = 3
_AT_HIGH_VOLTAGE = ("dc_link_voltage", "battery_voltage", "motor_current")


def limits(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """The margin to every limit of the vehicle file: one finding for each limit passed, one for all that were kept.

    Raises MissingPart where no limited part is logged, NothingToCheck where the vehicle file gives no limit.
    """
    given = list(stated_limits(vehicle))
    if not given:
        raise NothingToCheck("the vehicle file states no limit: give [limits], [dc_link] max_voltage_V, [motor] …")
    logged = [limit for limit in given if limit.part in signals]
    seen = [closeness for limit in logged if (closeness := judge_limit(signals[limit.part], limit))]
    if not seen:
        raise MissingPart(given[0].part)
    seen, in_trips = _apart_from(seen, signals, observations)
    kept = [closeness for closeness in seen if not closeness.passed]
    missing = sorted({part_name(limit.part) for limit in given if limit.part not in signals})
    passed = [*(c for c in seen if c.passed), *in_trips]
    return [*(_passed(each, signals) for each in passed), *([_kept(kept, missing, in_trips, signals)] if kept else [])]


def _apart_from(
    seen: Sequence[Closeness], signals: Signals, observations: Observations
) -> tuple[list[Closeness], list[Closeness]]:
    """The limits without wrong readings and without trips; and, for each trip, the motor current that passed in it."""
    apart: list[Closeness] = []
    in_trips: list[Closeness] = []
    for closeness in seen:
        part, limit, but = signals[closeness.limit.part], closeness.limit, list[tuple[float, float]]()
        if closeness.passed and part.name == "motor_speed":
            wrong = observations.speed
            but = [] if wrong is None else list(wrong.spans)
        if closeness.passed and part.name == "motor_current":
            for trips in gather(observations.trips):
                spans = [span for span in closeness.passed if any(_about(span, trip) for trip in trips)]
                others = [span for span in closeness.passed if span not in spans]
                if spans and (own := judge_limit(part, limit, others)):
                    in_trips.append(own)
                    but += spans
        again = judge_limit(part, limit, but) if but else closeness
        apart += [again] if again else []
    return apart, in_trips


def _about(span: tuple[float, float], trip: Trip) -> bool:
    return span[0] <= trip.time_s + TRIP_S and trip.time_s - TRIP_S <= span[1]


def _values(closeness: Closeness) -> dict[str, Measured]:
    """Between samples the margin may have been smaller, so it has an upper limit only: half a step of the signal."""
    name, unit = closeness.limit.name, closeness.unit
    half_step = (closeness.part.step or 0.0) / 2
    return {
        f"{name}_margin_{unit}": Measured(closeness.margin, unit, None, closeness.margin + half_step),
        f"{name}_near_percent": Measured(closeness.near_percent, "%"),
        f"{name}_near_count": Measured(float(len(closeness.near)), "1"),
    }


def _kept(kept: list[Closeness], missing: list[str], in_trips: Sequence[Closeness], signals: Signals) -> Finding:
    tight = [c.part.name for c in kept if c.near]
    least = min(kept, key=lambda c: c.margin / max(abs(c.limit.value - c.limit.near), 1e-9))
    words = kept_words(kept, least, missing, but_in_trips=bool(in_trips))
    measured = _values(least) | {name: value for closeness in kept for name, value in _values(closeness).items()}
    return assemble(
        "limits.margin",
        Severity.INFO if tight or in_trips else Severity.GOOD,
        words,
        [(least.time_s, least.time_s)],
        measured,
        tuple(dict.fromkeys([least.part.name, *tight]))[:_CHARTED_AT_MOST],
        signals,
        _evidence(least, "smallest margin"),
    )


def _passed(closeness: Closeness, signals: Signals) -> Finding:
    limit = closeness.limit
    margin = {f"{limit.name}_margin_{closeness.unit}": Measured(None, closeness.unit, 0.0, None)}
    return assemble(
        "limits.margin",
        limit.severity,
        passed_words(closeness),
        closeness.passed,
        _values(closeness),
        (limit.part,),
        signals,
        _evidence(closeness, "furthest beyond"),
        expected=margin,
        counted=True,
    )


def _evidence(closeness: Closeness, mark: str) -> Evidence:
    limit = closeness.limit
    return Evidence(
        marks=(Mark(closeness.time_s, mark),),
        levels=(Level(limit.value, f"{'highest' if limit.upper else 'lowest'} permitted", limit.part),),
    )


def kept_words(kept: Sequence[Closeness], least: Closeness, unseen: Sequence[str], *, but_in_trips: bool) -> Words:
    """All limits that were kept; `but_in_trips` : the motor current passed its own in a trip, and there alone."""
    title = "Limits: all kept" if not any(c.near for c in kept) else "Limits: all kept, some narrowly"
    if but_in_trips:
        title = "Limits: kept except in the trips"
    margin = f"smallest margin {_amount(least, least.margin)}"
    if least.margin < 0:
        margin = f"reached, {_amount(least, -least.margin)} beyond within the noise of a reading"
    close = [closeness for closeness in kept if closeness.near]
    near = f" Close to their limits: {'; '.join(map(_left, close))}." if close else ""
    missing = f" Not logged: {', '.join(unseen)}." if unseen else ""
    return Words(
        f"{title}; {margin}, {least.limit.what.partition(',')[0]}",
        f"The smallest margin is at {least.time_s:.2f} s.{near}{missing}",
        "Repeat with the hardest run you mean to drive (longest hill, fullest pack, hottest day) before relying on "
        "these margins.",
        hands_near_hv=False,
        method=f"{'. '.join(map(_sentence, kept))}. A smaller margin between two samples, "
        f"{seconds(least.part.period_s)} apart here, is not seen.",
    )


def passed_words(closeness: Closeness) -> Words:
    """A limit that was passed."""
    limit, spans = closeness.limit, closeness.passed
    held = sum(until - since for since, until in spans)
    side = "above" if limit.upper else "below"
    single = "in a single sample" if len(spans) == 1 else "in a single sample each time"
    lasted = f"for {seconds(held)} in all" if held else single
    name = limit.what.partition(",")[0]
    hot = limit.unit == "°C" and limit.upper
    unit = f" {if_in_fahrenheit(limit.value - closeness.margin)}" if hot else ""
    return Words(
        f"{name[:1].upper()}{name[1:]}: {_amount(closeness, -closeness.margin)} {side} its limit of "
        f"{number(limit.value)} {limit.unit}",
        f"The limit was passed {times(len(spans))}, {lasted}; furthest at {closeness.time_s:.2f} s.{unit}",
        limit.do,
        hands_near_hv=limit.part in _AT_HIGH_VOLTAGE,
        method=f"{_sentence(closeness)}. Time counts from the first to the last sample beyond the limit. A single "
        "sample may be a disturbed reading, and a larger value between two samples, "
        f"{seconds(closeness.part.period_s)} apart, is not seen.",
    )


def _amount(closeness: Closeness, amount: float) -> str:
    return quantity_text(Measured(amount, closeness.unit))


def _sentence(closeness: Closeness) -> str:
    limit = closeness.limit
    within = f"within {number(abs(limit.value - limit.near))} {closeness.unit} of it"
    often = (
        f"{within} {times(len(closeness.near))}, {closeness.near_percent:.2g} % of the time"
        if closeness.near
        else f"never {within}"
    )
    return (
        f"{limit.what[:1].upper()}{limit.what[1:]} (limit {number(limit.value)} {limit.unit}): "
        f"{_left_at(closeness)}, {often}"
    )


def _left(closeness: Closeness) -> str:
    return f"{closeness.limit.what}, {_left_at(closeness)}"


def _left_at(closeness: Closeness) -> str:
    side = "left" if closeness.margin >= 0 else "beyond it"
    return f"{_amount(closeness, abs(closeness.margin))} {side} at {closeness.time_s:.2f} s"
