"""Drives of which the origin is known: the catalogue's, and drives with two of its faults at once.

For each family of the catalogue the causes that count as its true origin; where a log cannot show which of two it is
(a single spike of the encoder), both do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from drive_catalogue import Case, faults, healthy

from logscope.simulate.scenarios import KeyCycle, Scenario

_ENCODER = ("encoder_connection", "encoder_interference")
ORIGINS: dict[str, tuple[str, ...]] = {
    "precharge.slow": ("precharge_resistance",),
    "precharge.fast": ("precharge_too_fast",),
    "precharge.stalled, resistive load": ("load_on_link",),
    "precharge.stalled, constant power": ("load_on_link",),
    "precharge.no_rise": ("precharge_path_open",),
    "precharge.interrupted": ("precharge_relay_releases",),
    "precharge.closed_early": ("closing_rule", "precharge_bridged"),
    "precharge.bypassed": ("precharge_bridged", "precharge_too_fast"),
    "precharge.interrupted, weak 12 V": ("low_voltage_resistance", "precharge_relay_releases"),
    "dc_link.slow_discharge": ("bleeder_open",),
    "dc_link.stays_live, open bleeder": ("bleeder_open",),
    "dc_link.stays_live, welded": ("contactor_welded", "bleeder_open"),
    "contactor.opened_under_load": ("opened_by_command",),
    "contactor.dropout": ("contactor_supply",),
    "encoder.spike": _ENCODER,
    "encoder.dropout": _ENCODER,
    "encoder.hold": ("encoder_connection",),
    "encoder.hold, braking": ("encoder_connection",),
    "encoder.reversal": _ENCODER,
    "encoder, interference": ("encoder_interference",),
    "encoder.ripple, eccentric": ("encoder_mounting",),
    "encoder.ripple, lost lines": ("encoder_mounting",),
    "encoder.scale": ("encoder_scale", "mapping"),
    "trip.overcurrent, encoder": _ENCODER,
    "trip.overcurrent, demand": ("quick_demand", "loop_gain"),
    "trip.overcurrent, oscillation": ("loop_gain",),
    "trip.overcurrent, supply": ("contactor_supply",),
    "trip.overcurrent, limit": ("current_limit",),
    "trip.overcurrent, sudden": ("short_circuit",),
    "trip.other, overvoltage": ("contactor_supply",),
    "cooling, pump off": ("coolant_flow",),
    "cooling, pump dead": ("coolant_flow",),
    "cooling, flow lost": ("coolant_flow", "air_in_loop", "coolant_missing"),
    "cooling, air lock": ("coolant_flow", "air_in_loop"),
    "cooling, air": ("air_in_loop", "coolant_missing"),
    "cooling, sensor stuck": ("temperature_sensor", "mapping"),
    "cooling, sensor offset": ("temperature_sensor", "mapping"),
    "cooling, sensors swapped": ("temperature_sensor", "mapping"),
    "cooling, derating": ("too_much_heat",),
    "aux.supply, converter stops": ("converter_not_feeding",),
    "aux.supply, converter does not start": ("converter_not_feeding", "low_voltage_resistance"),
    "aux.supply, set-point sags": ("converter_weak",),
    "aux.supply, too high": ("converter_voltage",),
    "aux.dip, weak battery": ("low_voltage_resistance",),
    "aux.dip, cable of the converter": ("low_voltage_resistance",),
    "aux.dip, loose joint": ("loose_low_voltage",),
    "aux.backfeed": ("backfeed",),
    "charge, stopped": ("charge_stopped",),
    "charge, request silent": ("charge_communication",),
    "charge, supply lost": ("charge_supply",),
    "charge, plug pulled": ("plug_pulled", "charge_supply"),
    "charge, not stopping": ("charger_control",),
    "charge, voltage beyond the limit": ("charge_limit", "charger_settings"),
    "charge, charger too weak": ("charger_settings",),
    "charge, current above the request": ("charger_settings",),
    "charge, voltage off": ("charger_settings",),
    "charge, while enabled": ("charge_interlock",),
}
# Faults of the drive that leave the rest of the log as it is, each with one of another subject.
_FIRST = ("precharge.slow", "precharge.closed_early")
_SECOND = (
    "encoder, interference",
    "trip.overcurrent, oscillation",
    "trip.overcurrent, limit",
    "contactor.dropout",
    "aux.dip, loose joint",
    "aux.supply, converter stops",
)


@dataclass(frozen=True, slots=True)
class Explained:
    """A drive and, fault by fault, the causes that count as its origin; none where nothing is wrong."""

    case: Case
    origins: tuple[tuple[str, ...], ...]


def explained_drives() -> Iterator[Explained]:
    """Sound drives, drives with one fault, and drives with two."""
    for case in healthy():
        yield Explained(case, ())
    worst: dict[str, Scenario] = {}
    for case in faults():
        if case.family in ORIGINS:
            worst[case.family] = case.scenario
            yield Explained(case, (ORIGINS[case.family],))
    for first in _FIRST:
        for second in _SECOND:
            name = f"{first} + {second}"
            scenario = replace(_joined(worst[second], worst[first]), name=name)
            yield Explained(Case(name, 1, scenario), (ORIGINS[first], ORIGINS[second]))


def _joined(drive: Scenario, precharge: Scenario) -> Scenario:
    """A drive whose first precharge is that of another one."""
    cycle, wrong = drive.key_cycles[0], precharge.key_cycles[0]
    first = KeyCycle(
        cycle.relay_s,
        cycle.off_s,
        close_fraction=wrong.close_fraction,
        close_delay_s=wrong.close_delay_s,
        resistance_ohm=wrong.resistance_ohm,
        dropouts=cycle.dropouts,
    )
    return replace(drive, key_cycles=(first, *drive.key_cycles[1:]))
