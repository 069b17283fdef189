"""What a played drive truly held: precharges, discharges, contactors, disturbed readings, trips, charges, 12 V side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import inf

import numpy as np

from logscope.simulate.charge import DONE, STEP_S, STOPPED, Charge, Session
from logscope.simulate.cooling_truth import cooling_truth
from logscope.simulate.drive import OVERCURRENT, ROW_S, Drive
from logscope.simulate.hazel_rest import input_watts
from logscope.simulate.low_voltage_truth import low_voltage_truth
from logscope.simulate.truth import TruthEvent

_EPISODE_GAP_S = 0.1  # disturbed readings closer than this belong together
_SPIKE_S = 0.035  # up to three counting windows; what lasts longer is a burst
_LEAD_S = 0.1  # how long before a trip its cause may lie
_DEMAND_RISE_SHARE = 0.2  # of the trip current by which the target rises where demand leads
_NEAR_LIMIT = 0.9  # of the trip current: a target above this needs no surge to trip the inverter
_SHORT_LEADS_S = 5e-3  # a shorted phase trips the inverter within this time
_TURNING_RPM = 100.0
_BEYOND = 0.005  # of the voltage asked for: less is within the accuracy of a meter
_END_ITSELF = ("charge.not_stopping", "charge.plug_out")  # each says how the charge ended
_OBEYS_S = 5.0  # a charger that takes longer does not stop


def drive_truth(drive: Drive, log_start_s: float = 0.0) -> tuple[TruthEvent, ...]:
    """All events, on the clock of a log that begins at `log_start_s` of the drive."""
    events = (
        *drive.high_voltage.truth,
        *_contactors(drive),
        *_disturbances(drive),
        *_lasting_encoder_faults(drive),
        *_trips(drive),
        *_charges(drive),
        *cooling_truth(drive),
        *low_voltage_truth(drive),
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
    session, charge = drive.charge, drive.scenario.charge
    if session is None or charge is None:
        return
    if not charge.starts:
        yield TruthEvent("charge.no_current", float(session.time_s[0]), float(session.time_s[-1]))
    if not session.charging.any():
        return
    rows = np.flatnonzero(session.charging)
    start_s, end_s = float(session.time_s[rows[0]]), float(session.time_s[rows[-1]])
    wrong = list(_wrong_charging(drive, session, charge, start_s, end_s))
    yield from wrong
    if DONE in session.state and not wrong:
        yield TruthEvent("charge.complete", start_s, end_s, parameters=_charged(session, drive))
    elif STOPPED in session.state and not any(each.kind in _END_ITSELF for each in wrong):
        yield TruthEvent("charge.stopped", start_s, end_s, _stopped_by(charge, end_s))


def _charged(session: Session, drive: Drive) -> dict[str, float]:
    """Amounts of a whole charge, and the time constant of its taper: pack resistance times dQ/dU."""
    out_J = float(np.sum(session.current * session.voltage)) * STEP_S
    in_J = float(np.sum(np.where(session.charging, input_watts(session), 0.0))) * STEP_S
    return {
        "charge_Ah": float(session.current.sum()) * STEP_S / 3600.0,
        "energy_Wh": out_J / 3600.0,
        "efficiency_percent": 100.0 * out_J / in_J,
        "taper_time_constant_s": drive.scenario.circuit.pack_ohm / drive.scenario.pack.volts_per_coulomb,
    }


def _stopped_by(charge: Charge, end_s: float) -> str | None:
    """What ended a charge before the battery was full; None where nothing in a log shows it."""
    if end_s + 2 * STEP_S >= charge.stops_s:
        return None
    causes = {
        "request": charge.request_ends_s, "communication": charge.request_silent_s, "supply": charge.supply_lost_s,
        "plug": charge.unplugged_s, "fault": charge.fault_s,
    }  # fmt: skip
    cause = min(causes, key=lambda name: causes[name])
    if causes[cause] <= end_s + 2 * STEP_S:
        return cause
    return "temperature" if charge.ends_at_C < inf else "limit"


def _wrong_charging(
    drive: Drive, session: Session, charge: Charge, start_s: float, end_s: float
) -> Iterator[TruthEvent]:
    """What was wrong while it charged. What a charge is asked for in volts is the pack's limit."""
    over = np.flatnonzero(session.charging & (session.voltage > charge.voltage_V * (1.0 + _BEYOND)))
    if charge.voltage_error and over.size:
        yield TruthEvent("charge.over_limit", float(session.time_s[over[0]]), float(session.time_s[over[-1]]))
    if charge.current_share != 1.0 or charge.regulates_off_V:
        yield TruthEvent("charge.off_target", start_s, end_s)
    if charge.obeys_s > _OBEYS_S and charge.request_ends_s < end_s:
        yield TruthEvent("charge.not_stopping", charge.request_ends_s, end_s)
    if start_s < charge.unplugged_s <= end_s:
        amps = float(session.current[np.searchsorted(session.time_s, charge.unplugged_s) - 1])
        yield TruthEvent("charge.plug_out", charge.unplugged_s, end_s, parameters={"current_A": amps})
    enabled = drive.column("enabled") > 0
    enabled &= (drive.time_s >= start_s) & (drive.time_s <= end_s)
    if enabled.any():
        moments = drive.time_s[enabled]
        yield TruthEvent("charge.while_enabled", float(moments[0]), float(moments[-1]))


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
