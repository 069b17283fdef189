"""Near trips: currents that came close to the stated limit without a trip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, times
from logscope.findings import Event, Evidence, Finding, Level, Mark, Measured, Severity
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import highest
from logscope.signals import Part, Signals
from logscope.statistics.episodes import join_neighbours
from logscope.vehicle import Vehicle

_NEAR = 0.90  # of the limit
_ONE_S = 0.5  # times near the limit no further apart are one
_TRIP_S = 0.5  # so near to a trip, before or after, the current belongs to it
_MARKS_AT_MOST = 20


def near_trips(signals: Signals, vehicle: Vehicle, trips: Sequence[Trip]) -> list[Finding]:
    """One finding on all times near the limit; none where no limit is configured or the current stayed clear of it."""
    current, limit = signals.get("motor_current"), vehicle.limits.motor_current_A
    if current is None or limit is None:
        return []
    amps = np.abs(current.value)
    near = amps >= _NEAR * limit
    for trip in trips:
        near[current.between(trip.sound_s - _TRIP_S, trip.time_s + _TRIP_S)] = False
    at = np.flatnonzero(near)
    if not at.size:
        return []
    first, last = join_neighbours(np.diff(current.time_s[at]) <= _ONE_S)
    events = tuple(
        Event(float(current.time_s[at[a]]), float(current.time_s[at[b]])) for a, b in zip(first, last, strict=True)
    )
    return [_finding(current, highest(amps[at], current), limit, events)]


def _finding(current: Part, measured: Measured, limit: float, events: tuple[Event, ...]) -> Finding:
    peak = measured.value or 0.0
    how_often = times(len(events))
    return assemble(
        "trip.near",
        Severity.INFO,
        Words(
            f"Motor current: {peak:.0f} A, within 10 % of its limit {how_often}, without a trip",
            (
                f"The largest sample is {100 * peak / limit:.0f} % of the configured {limit:g} A. Between samples, "
                f"{current.period_s * 1e3:.3g} ms apart, the current may have been higher."
            ),
            (
                "See in the chart what the driver asked for, and whether the current held its target or overshot it. "
                "After overshoot, try a slower ramp first."
            ),
        ),
        [(each.start_s, each.end_s) for each in events],
        {
            "count": Measured(float(len(events)), ""),
            "peak_current_A": measured,
        },
        ("motor_current",),
        ("motor_current",),
        evidence=Evidence(
            marks=tuple(Mark(event.start_s, "near the limit") for event in events[:_MARKS_AT_MOST]),
            levels=(Level(limit, "limit", "motor_current"),),
        ),
        expected={"peak_current_A": Measured(None, "A", None, limit)},
        counted=True,
    )
