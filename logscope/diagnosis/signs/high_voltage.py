"""Precharge, contactors, the link and the pack."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import by_cause, by_kind, by_limit, by_value, either
from logscope.diagnosis.signs.sign import OFTEN_ALONE, Sign

SIGNS = (
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
        parts=("precharge_relay", "main_contactor"),
    ),
    Sign(
        "order",
        "the contactors switch in the wrong order",
        "the contactors switch in order",
        by_kind("contactor.order"),
        parts=("precharge_relay", "main_contactor"),
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
        OFTEN_ALONE,
    ),
    Sign(
        "battery_low",
        "the pack falls below its lowest voltage",
        "the pack stays above its lowest voltage",
        by_limit("battery_min"),
        OFTEN_ALONE,
    ),
    Sign(
        "battery_high",
        "the pack or the link rises above its highest voltage",
        "pack and link stay below their highest voltage",
        by_limit("battery_max", "dc_link_max", "dc_link"),
        OFTEN_ALONE,
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
        OFTEN_ALONE,
    ),
)
