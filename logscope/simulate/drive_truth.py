"""What a played drive truly held: precharges, discharges, disturbed readings and trips."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.truth import TruthEvent

FloatArray = NDArray[np.float64]

_EPISODE_GAP_S = 0.1  # disturbed readings closer than this belong together
_SPIKE_S = 0.035  # up to three counting windows; what lasts longer is a burst
_LEAD_S = 0.1  # how long before a trip its cause may lie
_DEMAND_RISE_SHARE = 0.2  # of the trip current by which the target rises where demand leads


def drive_truth(drive: Drive, log_start_s: float = 0.0) -> tuple[TruthEvent, ...]:
    """All events, on the clock of a log that begins at `log_start_s` of the drive."""
    events = (*drive.high_voltage.truth, *_disturbances(drive), *_trips(drive))
    return tuple(
        replace(event, start_s=event.start_s - log_start_s, end_s=event.end_s - log_start_s)
        for event in sorted(events, key=lambda e: e.start_s)
    )


def _disturbances(drive: Drive) -> Iterator[TruthEvent]:
    deviation = drive.column("deviation_rpm")
    rows = np.flatnonzero(deviation)
    if not rows.size:
        return
    for part in np.split(rows, np.flatnonzero(np.diff(rows) * ROW_S > _EPISODE_GAP_S) + 1):
        start_s, end_s = float(part[0]) * ROW_S, float(part[-1] + 1) * ROW_S
        scripted = next((f for f in drive.scenario.encoder_faults if f.start_s < end_s and start_s < f.end_s), None)
        kind = "spike" if end_s - start_s <= _SPIKE_S else "burst"
        if scripted is not None:
            kind = scripted.kind.name.lower()
        yield TruthEvent(
            f"encoder.{kind}",
            start_s,
            end_s,
            parameters={
                "peak_deviation_rpm": float(np.abs(deviation[part]).max()),
                "current_A": float(drive.column("current_A")[part[0]]),
            },
        )


def _trips(drive: Drive) -> Iterator[TruthEvent]:
    tripped = drive.column("tripped") > 0
    edges = np.flatnonzero(np.diff(tripped.astype(np.int8)))
    begins = [int(row) + 1 for row in edges if not tripped[row]]
    ends = [int(row) + 1 for row in edges if tripped[row]] + [tripped.size]
    for begin, end in zip(begins, ends, strict=False):
        before = slice(max(begin - round(_LEAD_S / ROW_S), 0), begin + 1)
        cause, lead_row = _cause(drive, before)
        yield TruthEvent(
            "trip.overcurrent",
            begin * ROW_S,
            end * ROW_S,
            cause,
            {
                "peak_current_A": float(drive.column("current_A")[before].max()),
                "lead_time_s": (begin - lead_row) * ROW_S,
                "speed_rpm": float(drive.column("rotor_rpm")[begin]),
            },
        )


def _cause(drive: Drive, before: slice) -> tuple[str, int]:
    """What led to a trip, and the row where it began: the simulator knows, it does not have to infer."""
    disturbed = np.flatnonzero(drive.column("deviation_rpm")[before])
    if disturbed.size:
        return "encoder", before.start + int(disturbed[0])
    target = drive.column("target_A")[before]
    least = int(target[:-1].argmin())
    if target.max() - target[least] > _DEMAND_RISE_SHARE * drive.scenario.inverter.trip_current_A:
        return "demand", before.start + least
    return "oscillation", before.start
