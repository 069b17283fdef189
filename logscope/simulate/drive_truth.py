"""What a played drive truly held: precharges, discharges, contactors, disturbed readings, trips, charges."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from logscope.simulate.charge import DONE, STEP_S, STOPPED
from logscope.simulate.drive import OVERCURRENT, ROW_S, Drive
from logscope.simulate.truth import TruthEvent

_EPISODE_GAP_S = 0.1  # disturbed readings closer than this belong together
_SPIKE_S = 0.035  # up to three counting windows; what lasts longer is a burst
_LEAD_S = 0.1  # how long before a trip its cause may lie
_DEMAND_RISE_SHARE = 0.2  # of the trip current by which the target rises where demand leads
_NEAR_LIMIT = 0.9  # of the trip current: a target above this needs no surge to trip the inverter
_SHORT_LEADS_S = 5e-3  # a shorted phase trips the inverter within this time
_TURNING_RPM = 100.0


def drive_truth(drive: Drive, log_start_s: float = 0.0) -> tuple[TruthEvent, ...]:
    """All events, on the clock of a log that begins at `log_start_s` of the drive."""
    events = (
        *drive.high_voltage.truth,
        *_contactors(drive),
        *_disturbances(drive),
        *_lasting_encoder_faults(drive),
        *_trips(drive),
        *_charges(drive),
    )
    return tuple(
        replace(event, start_s=event.start_s - log_start_s, end_s=event.end_s - log_start_s)
        for event in sorted(events, key=lambda e: e.start_s)
    )


def _contactors(drive: Drive) -> Iterator[TruthEvent]:
    """Contactors that opened while current flowed: by themselves, or with the key."""
    pack_A, time_s = drive.column("pack_A"), drive.time_s
    for cycle in drive.scenario.key_cycles:
        openings = [("contactor.dropout", begin_s, end_s) for begin_s, end_s in cycle.dropouts]
        if cycle.under_load and cycle.off_s < drive.scenario.duration_s:
            openings.append(("contactor.opened_under_load", cycle.off_s, cycle.off_s))
        for kind, begin_s, end_s in openings:
            current_A = float(pack_A[max(int(np.searchsorted(time_s, begin_s)) - 1, 0)])
            yield TruthEvent(kind, begin_s, end_s, parameters={"current_A": current_A})


def _lasting_encoder_faults(drive: Drive) -> Iterator[TruthEvent]:
    """Faults of target and pulse count, over the time in which the shaft turned."""
    encoder, scale = drive.scenario.encoder, drive.scenario.logged_speed_scale
    turning = np.flatnonzero(np.abs(drive.column("rotor_rpm")) > _TURNING_RPM)
    if not turning.size:
        return
    start_s, end_s = float(turning[0]) * ROW_S, float(turning[-1]) * ROW_S
    if encoder.eccentricity > 0 or encoder.lost_counts > 0:
        share = encoder.eccentricity + encoder.lost_counts / encoder.counts_per_rev
        yield TruthEvent("encoder.ripple", start_s, end_s, parameters={"order": 1.0, "largest_share_of_speed": share})
    if scale != 1.0:
        yield TruthEvent("encoder.scale", start_s, end_s, parameters={"scale": scale})


def _charges(drive: Drive) -> Iterator[TruthEvent]:
    session = drive.charge
    if session is None or not session.time_s.size:
        return
    kind = "charge.stopped" if STOPPED in session.state else "charge.complete"
    kind = kind if {DONE, STOPPED} & set(session.state.tolist()) else "charge.unfinished"
    powered = session.current * session.voltage
    yield TruthEvent(
        kind,
        float(session.time_s[0]),
        float(session.time_s[-1]),
        parameters={
            "charge_Ah": float(session.charged_As[-1]) / 3600.0,
            "energy_kWh": float(powered.sum()) * STEP_S / 3.6e6,
            "highest_voltage_V": float(session.voltage.max()),
        },
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
    fault = drive.column("fault")
    edges = np.flatnonzero(np.diff(fault))
    begins = [int(row) + 1 for row in edges if fault[row + 1] > 0]
    ends = [int(row) + 1 for row in edges if fault[row] > 0] + [fault.size]
    for begin, end in zip(begins, ends, strict=False):
        before = slice(max(begin - round(_LEAD_S / ROW_S), 0), begin + 1)
        parameters = {
            "peak_current_A": float(drive.column("current_A")[before].max()),
            "speed_rpm": float(drive.column("rotor_rpm")[begin]),
        }
        if fault[begin] != OVERCURRENT:
            parameters["fault_code"] = float(fault[begin])
            yield TruthEvent("trip.other", begin * ROW_S, end * ROW_S, None, parameters)
            continue
        cause, lead_row = _cause(drive, before)
        parameters["lead_time_s"] = (begin - lead_row) * ROW_S
        yield TruthEvent("trip.overcurrent", begin * ROW_S, end * ROW_S, cause, parameters)


def _cause(drive: Drive, before: slice) -> tuple[str, int]:
    """What led to a trip, and the row where it began: the simulator knows, it does not have to infer."""
    scenario, time_s = drive.scenario, drive.time_s
    trip_s = float(time_s[before.stop - 1])
    if any(at_s <= trip_s <= at_s + _SHORT_LEADS_S for at_s in scenario.short_circuits_s):
        return "sudden", before.stop - 1
    for cycle in scenario.key_cycles:
        for begin_s, end_s in cycle.dropouts:
            if begin_s <= trip_s <= end_s + _LEAD_S:
                return "supply", int(np.searchsorted(time_s, begin_s))
    disturbed = np.flatnonzero(drive.column("deviation_rpm")[before])
    if disturbed.size:
        return "encoder", before.start + int(disturbed[0])
    tuning = [each for each in scenario.tunings if each.start_s <= trip_s][-1]
    if tuning.loop_damping <= 0:
        return "oscillation", before.start
    if scenario.encoder.lost_counts > 0 or scenario.encoder.eccentricity > 0:
        return "encoder", before.start
    target, limit_A = drive.column("target_A")[before], scenario.inverter.trip_current_A
    lowest = int(target[:-1].argmin())
    if target.max() - target[lowest] < _DEMAND_RISE_SHARE * limit_A and target.max() > _NEAR_LIMIT * limit_A:
        return "limit", before.start
    return "demand", before.start + lowest
