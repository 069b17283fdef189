"""Trips that are one event: an inverter that restarts by itself and trips again, up to twenty times a minute."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.observations.trips.events import Trip

RETRY_S = 10.0  # an inverter that restarts by itself does so within seconds (practice)
_LEAST = 3  # trips in a row: two may be two events


def gather(trips: Sequence[Trip]) -> list[list[Trip]]:
    """Trips in order of time, those of one fault that follow each other within `RETRY_S` together."""
    groups: list[list[Trip]] = []
    for name in dict.fromkeys((trip.name, trip.overcurrent) for trip in trips):
        row: list[Trip] = []
        for trip in (each for each in trips if (each.name, each.overcurrent) == name):
            if row and trip.time_s - row[-1].time_s > RETRY_S:
                groups += _as_groups(row)
                row = []
            row.append(trip)
        groups += _as_groups(row)
    return sorted(groups, key=lambda group: group[0].time_s)


def _as_groups(row: list[Trip]) -> list[list[Trip]]:
    return [row] if len(row) >= _LEAST else [[trip] for trip in row]
