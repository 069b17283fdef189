"""Signs: what findings show of their causes. A sign is seen, or absent where it was looked for."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from logscope.diagnosis.shown import (
    Shown,
    at_moment_of,
    by_cause,
    by_kind,
    by_limit,
    by_rise,
    by_topic,
    by_value,
    either,
)
from logscope.findings import Finding, Severity

# A finding that stands by itself: one that no cause of the graph shows, or a check that is wrong.
_SELDOM_ALONE = 0.001
# What a drive shows as well without a fault: a limit stated near what is usual, a rough press of the pedal.
_OFTEN_ALONE = 0.02
# A trip that its check puts down to nothing, or a fault by its code alone: anything may be its cause.
_ANY_ORIGIN = 0.1


@dataclass(frozen=True, slots=True)
class Sign:
    """What a finding can show.

    name : in the graph; seen, absent : in words, as evidence for and against a cause
    shown : when a finding shows it; absent where it was looked for and no finding does
    alone : how often a log shows it without any of the causes (practice)
    parts : without these in the log it cannot have been looked for
    """

    name: str
    seen: str
    absent: str
    shown: Shown
    alone: float = _SELDOM_ALONE
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Observed:
    """The signs of a log: which findings show each of those seen (indices), and those absent though looked for."""

    seen: Mapping[str, tuple[int, ...]]
    absent: frozenset[str]


def observe(findings: Sequence[Finding], logged: Collection[str]) -> Observed:
    """The signs that findings show; `logged` names the parts that the checks could use."""
    seen: dict[str, tuple[int, ...]] = {}
    absent: set[str] = set()
    for sign in SIGNS:
        showing = tuple(index for index, finding in enumerate(findings) if sign.shown.by(finding, findings))
        if showing:
            seen[sign.name] = showing
        elif set(sign.parts) <= set(logged) and sign.shown.absent_from(findings):
            absent.add(sign.name)
    return Observed(seen, frozenset(absent))


_HIGH_VOLTAGE = (
    Sign("slow", "precharge slower than R·C", "precharge as fast as R·C", by_kind("precharge.slow")),
    Sign("fast", "precharge faster than R·C", "precharge no faster than R·C", by_kind("precharge.fast")),
    Sign("stalled", "the link stops short of the pack", "the link reaches the pack", by_kind("precharge.stalled")),
    Sign("no_rise", "the link does not rise", "the link rises", by_kind("precharge.no_rise")),
    Sign("interrupted", "precharge breaks off", "precharge does not break off", by_kind("precharge.interrupted")),
    Sign(
        "closed_early",
        "the contactor closes below its threshold",
        "the contactor closes at its threshold",
        by_kind("precharge.closed_early"),
    ),
    Sign("bypassed", "the link jumps to the pack", "the link does not jump", by_kind("precharge.bypassed")),
    Sign(
        "load_on_link",
        "the end level shows a load on the link",
        "the end level shows no load on the link",
        by_value(
            "precharge",
            "parallel_load_ohm",
            "load_power_W",
            ruled_out_by=("precharge.complete", "precharge.slow", "precharge.fast"),
        ),
        parts=("dc_link_voltage", "battery_voltage"),
    ),
    Sign(
        "precharge_drifts",
        "the time constant drifts from attempt to attempt",
        "the time constant repeats",
        by_kind("precharge.drift"),
    ),
    Sign(
        "resistor_heat",
        "the resistor takes more heat than it is rated for",
        "the heat in the resistor is within its rating",
        by_kind("precharge.resistor_stress"),
    ),
    Sign(
        "slow_discharge",
        "the link discharges too slowly",
        "another discharge of the link is in time",
        by_kind("dc_link.slow_discharge", ruled_out_by=("dc_link.discharged",)),
    ),
    Sign(
        "stays_live",
        "the link stays live after key-off",
        "the link discharges after another key-off",
        by_kind("dc_link.stays_live", ruled_out_by=("dc_link.discharged",)),
    ),
    Sign(
        "follows_pack",
        "the open link follows the pack",
        "the open link does not follow the pack",
        either(by_kind("contactor.welded"), by_cause("dc_link.stays_live", "welded")),
        parts=("dc_link_voltage", "battery_voltage"),
    ),
    Sign("dropout", "a contactor drops out", "no contactor drops out", by_kind("contactor.dropout")),
    Sign(
        "chatter",
        "a relay or contactor chatters",
        "no relay chatters",
        by_kind("contactor.chatter", "contactor.closed_briefly"),
    ),
    Sign(
        "order",
        "the contactors switch in the wrong order",
        "the contactors switch in order",
        by_kind("contactor.order"),
    ),
    Sign(
        "opened_under_load",
        "a contactor opens under load",
        "no contactor opens under load",
        by_kind("contactor.opened_under_load"),
    ),
    Sign(
        "battery_resistance",
        "the pack's voltage sags far under load",
        "the pack holds its voltage under load",
        by_kind("battery.resistance"),
        _OFTEN_ALONE,
    ),
    Sign(
        "battery_low",
        "the pack falls below its lowest voltage",
        "the pack stays above its lowest voltage",
        by_limit("battery_min"),
        _OFTEN_ALONE,
    ),
    Sign(
        "battery_high",
        "the pack or the link rises above its highest voltage",
        "pack and link stay below their highest voltage",
        by_limit("battery_max", "dc_link_max", "dc_link"),
        _OFTEN_ALONE,
    ),
    Sign(
        "full_pack",
        "braking feeds a pack that is full",
        "braking feeds no full pack",
        by_kind("regeneration.full_pack"),
    ),
    Sign(
        "braking_near_limit",
        "braking passes a limit",
        "braking stays within the limits",
        by_kind("regeneration.braking"),
        _OFTEN_ALONE,
    ),
)
_DRIVE = (
    Sign("spikes", "spikes of the motor speed", "no spike of the motor speed", by_kind("encoder.spike")),
    Sign("bursts", "bursts of wrong motor speeds", "no burst of wrong motor speeds", by_kind("encoder.burst")),
    Sign("speed_drops", "the motor speed drops out", "the motor speed does not drop out", by_kind("encoder.dropout")),
    Sign("holds", "the motor speed freezes", "the motor speed does not freeze", by_kind("encoder.hold")),
    Sign(
        "speed_reverses",
        "the motor speed changes its sign",
        "the motor speed keeps its sign",
        by_kind("encoder.reversal"),
    ),
    Sign(
        "rises_with_current",
        "disturbances of the motor speed rise with current",
        "disturbances that rise with current were not shown",
        by_rise("encoder", "rate_ratio_per_100A"),
    ),
    Sign(
        "at_switching",
        "disturbances lie at the switching of a load or contactor",
        "disturbances at the switching of loads were not shown",
        by_rise("encoder", "rate_ratio_at_switching"),
    ),
    Sign(
        "speed_noise",
        "the motor speed is noisy",
        "the noise of the motor speed is low",
        by_kind("encoder.noise"),
        _OFTEN_ALONE,
    ),
    Sign("ripple", "the motor speed ripples once or more a turn", "no ripple within a turn", by_kind("encoder.ripple")),
    Sign(
        "speed_scale",
        "the motor speed is off by a constant factor",
        "the motor speed agrees with other speeds",
        by_kind("encoder.scale"),
    ),
    Sign(
        "speed_departs",
        "the motor speed departs from other readings of it",
        "the motor speed stays with other readings of it",
        by_kind("encoder.departure"),
    ),
    Sign(
        "restarts",
        "a controller restarts while the motor turns",
        "no controller restarts",
        by_kind("encoder.restart", "capture.console_restart"),
    ),
    Sign(
        "trip_after_encoder",
        "an overcurrent trip after a wrong motor speed",
        "no overcurrent trip after a wrong motor speed",
        by_cause("trip.overcurrent", "encoder"),
    ),
    Sign(
        "trip_after_demand",
        "an overcurrent trip after a quick demand",
        "no overcurrent trip after a quick demand",
        by_cause("trip.overcurrent", "demand"),
    ),
    Sign(
        "trip_after_oscillation",
        "an overcurrent trip out of an oscillation",
        "no overcurrent trip out of an oscillation",
        by_cause("trip.overcurrent", "oscillation"),
    ),
    Sign(
        "trip_after_supply",
        "an overcurrent trip after a fall of the link voltage",
        "no overcurrent trip after a fall of the link voltage",
        by_cause("trip.overcurrent", "supply"),
    ),
    Sign(
        "trip_at_limit",
        "an overcurrent trip at the current limit",
        "no overcurrent trip at the current limit",
        by_cause("trip.overcurrent", "limit"),
    ),
    Sign(
        "trip_sudden",
        "an overcurrent trip with nothing before it",
        "no overcurrent trip out of nothing",
        by_cause("trip.overcurrent", "sudden"),
    ),
    Sign(
        "trip_unclear",
        "an overcurrent trip whose cause the sampling hides",
        "no overcurrent trip of unclear cause",
        by_cause("trip.overcurrent", "undetermined"),
        _ANY_ORIGIN,
    ),
    Sign(
        "other_trip",
        "another fault stops the inverter",
        "no other fault stops the inverter",
        by_kind("trip.other"),
        _ANY_ORIGIN,
    ),
    Sign(
        "current_limit",
        "the motor current passes its limit",
        "the motor current keeps its limit",
        by_limit("motor_current"),
        _OFTEN_ALONE,
    ),
    Sign(
        "oscillation",
        "torque or current oscillates by itself",
        "torque and current do not oscillate",
        by_kind("current_control.oscillation"),
    ),
    Sign(
        "overshoot",
        "torque or current overshoots its target",
        "torque and current follow their target",
        by_kind("current_control.response"),
        _OFTEN_ALONE,
    ),
    Sign("judder", "the driveline judders", "the driveline does not judder", by_kind("driveline.judder"), _OFTEN_ALONE),
    Sign("pedal_jumps", "the pedal's signal jumps", "the pedal's signal does not jump", by_kind("throttle.jump")),
    Sign(
        "pedal_tracks",
        "the pedal's two tracks disagree",
        "the pedal's two tracks agree",
        by_kind("throttle.tracks"),
        parts=("throttle", "throttle_second"),
    ),
    Sign(
        "pedal_noise",
        "the released pedal is noisy",
        "the released pedal is quiet",
        by_kind("throttle.noise", "throttle.falling"),
        _OFTEN_ALONE,
    ),
    Sign(
        "energy",
        "more energy comes out of the motor than goes in",
        "the energy of the motor adds up",
        by_kind("machine.operating_points"),
    ),
)
_HEAT = (
    Sign(
        "no_flow",
        "the device warms as without coolant flow",
        "the device warms as with coolant flow",
        by_kind("cooling.no_flow"),
    ),
    Sign("air", "coolant flow comes and goes", "coolant flow is steady", by_kind("cooling.air")),
    Sign(
        "pump_off",
        "the pump is not switched on",
        "the pump is switched on",
        by_kind("cooling.pump_off"),
        parts=("coolant_pump",),
    ),
    Sign(
        "pump_stopped",
        "the pump is switched on and does not turn",
        "the pump turns",
        by_kind("cooling.pump_stopped"),
        parts=("coolant_pump", "coolant_pump_current"),
    ),
    Sign(
        "pump_dry",
        "the pump takes less current than usual",
        "the pump takes its usual current",
        by_kind("cooling.pump_dry"),
        parts=("coolant_pump_current",),
    ),
    Sign(
        "hot",
        "the end temperature at this load is above its limit",
        "the end temperature is within its limit",
        by_kind("cooling.motor", "cooling.inverter"),
    ),
    Sign("derating", "torque is held back by heat", "torque is not held back by heat", by_kind("cooling.derating")),
    Sign(
        "temperature_limit",
        "a temperature passes its limit",
        "temperatures keep their limits",
        by_limit("motor_temperature", "inverter_temperature", "coolant_temperature"),
        _OFTEN_ALONE,
    ),
    Sign(
        "temperature_sensor",
        "a temperature sensor is stuck, offset or swapped",
        "the temperature sensors agree",
        by_kind("cooling.sensor_stuck", "cooling.sensor_offset", "cooling.sensor_swapped"),
    ),
)
_LOW_VOLTAGE = (
    Sign(
        "converter_off",
        "the DC-DC converter does not feed the 12 V side",
        "the DC-DC converter feeds the 12 V side",
        by_cause("aux.supply", "stopped", "never_ran"),
        parts=("aux_voltage",),
    ),
    Sign(
        "converter_sags",
        "the converter's voltage falls under load",
        "the converter holds its voltage",
        by_cause("aux.supply", "sagging"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_battery_empty",
        "the 12 V battery is low",
        "the 12 V battery is charged",
        by_cause("aux.supply", "empty_battery"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_over_voltage",
        "the 12 V side is too high",
        "the 12 V side is not too high",
        by_cause("aux.supply", "over_voltage"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_loose",
        "12 V dips that nothing switched explains",
        "12 V dips only where something switched",
        by_cause("aux.dip", "loose_connection"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_resistance",
        "deep 12 V dips when loads switch",
        "shallow 12 V dips when loads switch",
        by_cause("aux.dip", "source_resistance", "coil_hold"),
        parts=("aux_voltage",),
    ),
    Sign(
        "switches_at_dips",
        "relays or controllers fall out at the moment of 12 V dips",
        "nothing falls out at 12 V dips",
        at_moment_of("aux.dip", "contactor.dropout", "contactor.chatter", "precharge.interrupted", "encoder.restart"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_low",
        "the 12 V side falls below its limit",
        "the 12 V side stays above its limit",
        by_limit("aux_min"),
        _OFTEN_ALONE,
    ),
    Sign(
        "backfeed",
        "a load stays fed after its switch opened",
        "loads go off with their switches",
        by_kind("aux.backfeed"),
    ),
)
_CHARGING = (
    Sign("charge_limit", "charging passes a limit", "charging keeps every limit", by_kind("charge.over_limit")),
    Sign(
        "charge_off_target",
        "the charger does not keep what is asked",
        "the charger keeps what is asked",
        by_kind("charge.off_target"),
    ),
    Sign(
        "charge_on",
        "the charger keeps charging after the request ended",
        "the charger stops with its request",
        by_kind("charge.not_stopping"),
    ),
    Sign(
        "charge_enabled",
        "the drive is enabled while charging",
        "the drive is off while charging",
        by_kind("charge.while_enabled"),
    ),
    Sign(
        "plug_out", "the plug is pulled under current", "the plug is pulled without current", by_kind("charge.plug_out")
    ),
    Sign(
        "charge_supply",
        "charging stops as its supply goes",
        "the supply of the charger holds",
        by_cause("charge.stopped", "supply", "plug"),
    ),
    Sign(
        "charge_silent",
        "charging stops as a message stays away",
        "messages for charging keep coming",
        by_cause("charge.stopped", "communication"),
    ),
    Sign(
        "charge_stops",
        "charging stops for another reason",
        "charging does not stop early",
        by_cause("charge.stopped", "fault", "temperature", "undetermined", "limit", "request"),
    ),
)
_LOG = (
    Sign(
        "mapping",
        "a part does not fit the others",
        "all parts fit together",
        by_topic("mapping", but=("mapping.no_value",)),
    ),
    Sign(
        "unfilled",
        "a signal that is mapped is never filled",
        "every mapped signal is filled",
        by_kind("mapping.no_value"),
    ),
    Sign(
        "two_contents",
        "one identifier carries two contents",
        "each identifier has one content",
        by_kind("bus.two_contents", "bus.two_senders"),
    ),
    Sign(
        "silent",
        "a message stays away while others keep coming",
        "every message keeps coming",
        by_kind("capture.message_silent", "bus.node_restart", "bus.node_absent", from_severity=Severity.INFO),
        _OFTEN_ALONE,
    ),
    Sign(
        "clock",
        "the log's clock is wrong",
        "the log's clock is sound",
        by_kind("capture.time_step", "capture.time_unit"),
    ),
)
SIGNS = (*_HIGH_VOLTAGE, *_DRIVE, *_HEAT, *_LOW_VOLTAGE, *_CHARGING, *_LOG)
